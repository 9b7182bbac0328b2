//! Segments of the kept daybook: written home by home, read back as if they were one.

use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::kept_tables::{KeptAccount, KeptHome, KeptLoss, KeptState};
use drawoff_contract::{ContractError, Day, Table, Utc};
use drawoff_daybook::{Notes, State};
use drawoff_store::KeptFolder;
use drawoff_store::output::{TableRows, TableStream};

/// Rows after which a row group ends, so that reading many segments side by side takes little memory: some 3 MB each.
const GROUP_DAYS: usize = 1_000;
const GROUP_ROWS: usize = 30_000;
const GROUP_STATES: usize = 500;

/// A segment being written.
pub(crate) struct SegmentWriter {
    homes: TableStream<KeptHome>,
    states: TableStream<KeptState>,
    accounts: TableStream<KeptAccount>,
    losses: TableStream<KeptLoss>,
    days: TableStream<DayNote>,
    spells: TableStream<SpellNote>,
    draws: TableStream<DrawNote>,
}

impl SegmentWriter {
    /// Begins a segment.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn begin(folder: &KeptFolder, name: &str) -> Result<Self, ContractError> {
        folder.begin_segment(name)?;
        Ok(Self {
            homes: folder.begin_table(name)?,
            states: folder.begin_table(name)?,
            accounts: folder.begin_table(name)?,
            losses: folder.begin_table(name)?,
            days: folder.begin_table(name)?,
            spells: folder.begin_table(name)?,
            draws: folder.begin_table(name)?,
        })
    }

    /// Adds a home; homes come in order.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn push(&mut self, kept: Kept) -> Result<(), ContractError> {
        let Kept { home, print, after_day, notes, accounts, losses } = kept;
        if let Some(print) = print {
            let state = |s: State| KeptState {
                home: home.clone(),
                day: s.day,
                until: Utc(s.until_ms),
                state: s.bytes,
            };
            add(&mut self.states, notes.states.into_iter().map(state), GROUP_STATES)?;
            add(&mut self.accounts, accounts, GROUP_ROWS)?;
            add(&mut self.days, notes.days, GROUP_DAYS)?;
            add(&mut self.spells, notes.spells, GROUP_ROWS)?;
            add(&mut self.draws, notes.draws, GROUP_ROWS)?;
            add(&mut self.homes, [KeptHome { home, after_day, print }], GROUP_ROWS)?;
        }
        self.losses(losses)
    }

    /// Adds lost rows, in the order of the homes.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn losses(&mut self, losses: Vec<KeptLoss>) -> Result<(), ContractError> {
        add(&mut self.losses, losses, GROUP_ROWS)
    }

    /// Ends the segment once it is on the disk.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn end(self) -> Result<(), ContractError> {
        KeptFolder::end_table(self.homes)?;
        KeptFolder::end_table(self.states)?;
        KeptFolder::end_table(self.accounts)?;
        KeptFolder::end_table(self.losses)?;
        KeptFolder::end_table(self.days)?;
        KeptFolder::end_table(self.spells)?;
        KeptFolder::end_table(self.draws)
    }
}

fn add<T: Table>(
    table: &mut TableStream<T>,
    rows: impl IntoIterator<Item = T>,
    limit: usize,
) -> Result<(), ContractError> {
    if table.push_to_group(rows) >= limit { table.end_group().map(|_| ()) } else { Ok(()) }
}

/// What is kept of one home.
#[derive(Default)]
pub(crate) struct Kept {
    pub(crate) home: String,
    /// Hash of what the register said; `None` where only lost rows are told.
    pub(crate) print: Option<String>,
    /// Last day of older segments that still holds.
    pub(crate) after_day: Option<Day>,
    /// Notes, and states in order of time.
    pub(crate) notes: Notes,
    pub(crate) accounts: Vec<KeptAccount>,
    pub(crate) losses: Vec<KeptLoss>,
}

impl Kept {
    /// Leaves the days up to one.
    fn cut(&mut self, after: Option<Day>) {
        let holds = |day: Day| after.is_some_and(|after| day <= after);
        self.notes.days.retain(|d| holds(d.day));
        self.notes.spells.retain(|s| holds(s.day));
        self.notes.draws.retain(|d| holds(d.day));
        self.notes.states.retain(|s| holds(s.day));
        self.accounts.retain(|a| holds(a.day));
    }

    /// Drops the days before the last `keep` days, which end with the home's last day; 0 keeps all.
    pub(crate) fn retain(&mut self, keep: u32) {
        let (Some(last), Ok(keep @ 1..)) = (self.notes.days.last().map(|d| d.day), i32::try_from(keep))
        else {
            return;
        };
        let first = Day(last.0.saturating_sub(keep - 1));
        self.notes.days.retain(|d| d.day >= first);
        self.notes.spells.retain(|s| s.day >= first);
        self.notes.draws.retain(|d| d.day >= first);
    }
}

/// Which tables are read beside those of homes and lost rows.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Wanted {
    pub(crate) states: bool,
    pub(crate) accounts: bool,
    pub(crate) notes: bool,
}

struct Segment {
    homes: TableRows<KeptHome>,
    losses: TableRows<KeptLoss>,
    states: Option<TableRows<KeptState>>,
    accounts: Option<TableRows<KeptAccount>>,
    days: Option<TableRows<DayNote>>,
    spells: Option<TableRows<SpellNote>>,
    draws: Option<TableRows<DrawNote>>,
}

fn open<T: Table>(folder: &KeptFolder, segment: &str) -> Result<TableRows<T>, ContractError> {
    TableRows::open(&folder.segment(segment).join(format!("{}.parquet", T::NAME)))
        .map_err(|e| e.with_hint("remove the folder of the kept daybook; all files are then read again"))
}

fn if_wanted<T: Table>(
    wanted: bool,
    folder: &KeptFolder,
    segment: &str,
) -> Result<Option<TableRows<T>>, ContractError> {
    wanted.then(|| open(folder, segment)).transpose()
}

impl Segment {
    fn open(folder: &KeptFolder, name: &str, wanted: Wanted) -> Result<Self, ContractError> {
        Ok(Self {
            homes: open(folder, name)?,
            losses: open(folder, name)?,
            states: if_wanted(wanted.states, folder, name)?,
            accounts: if_wanted(wanted.accounts, folder, name)?,
            days: if_wanted(wanted.notes, folder, name)?,
            spells: if_wanted(wanted.notes, folder, name)?,
            draws: if_wanted(wanted.notes, folder, name)?,
        })
    }

    /// The next home that it tells of.
    fn next(&mut self) -> Result<Option<String>, ContractError> {
        let home = self.homes.peek()?.map(|h| h.home.as_str());
        let lost = self.losses.peek()?.map(|l| l.home.as_str());
        Ok(home.into_iter().chain(lost).min().map(str::to_owned))
    }

    /// Lays what it tells of a home over what older segments told.
    fn lay_over(&mut self, kept: &mut Kept) -> Result<(), ContractError> {
        let name = kept.home.as_str();
        let mut losses = Vec::new();
        of_home(Some(&mut self.losses), name, |l| &l.home, &mut losses)?;
        for loss in losses {
            kept.losses.retain(|l| l.file != loss.file);
            kept.losses.push(loss);
        }
        if self.homes.peek()?.is_none_or(|h| h.home != kept.home) {
            return Ok(());
        }
        if let Some(home) = self.homes.take()? {
            kept.cut(home.after_day);
            kept.print = Some(home.print);
        }
        let name = kept.home.as_str();
        let mut states = Vec::new();
        of_home(self.states.as_mut(), name, |s| &s.home, &mut states)?;
        let state = |s: KeptState| State { day: s.day, until_ms: s.until.0, bytes: s.state };
        kept.notes.states.extend(states.into_iter().map(state));
        of_home(self.accounts.as_mut(), name, |a| &a.home, &mut kept.accounts)?;
        of_home(self.days.as_mut(), name, |d| &d.home, &mut kept.notes.days)?;
        of_home(self.spells.as_mut(), name, |s| &s.home, &mut kept.notes.spells)?;
        of_home(self.draws.as_mut(), name, |d| &d.home, &mut kept.notes.draws)
    }
}

fn of_home<T: Table>(
    rows: Option<&mut TableRows<T>>,
    home: &str,
    name: impl Fn(&T) -> &str,
    out: &mut Vec<T>,
) -> Result<(), ContractError> {
    let Some(rows) = rows else { return Ok(()) };
    while rows.peek()?.is_some_and(|row| name(row) == home) {
        out.extend(rows.take()?);
    }
    Ok(())
}

/// Gives what the segments hold together, home by home in order; the newest comes last.
///
/// # Errors
/// When a segment cannot be read, and what `take` gives.
pub(crate) fn each_kept(
    folder: &KeptFolder,
    segments: &[String],
    wanted: Wanted,
    take: &mut dyn FnMut(Kept) -> Result<(), ContractError>,
) -> Result<(), ContractError> {
    let open = |name: &String| Segment::open(folder, name, wanted);
    let mut open: Vec<Segment> = segments.iter().map(open).collect::<Result<_, _>>()?;
    loop {
        let mut next: Option<String> = None;
        for segment in &mut open {
            next = [next, segment.next()?].into_iter().flatten().min();
        }
        let Some(home) = next else { return Ok(()) };
        let mut kept = Kept { home, ..Kept::default() };
        for segment in &mut open {
            segment.lay_over(&mut kept)?;
        }
        take(kept)?;
    }
}
