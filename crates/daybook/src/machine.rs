//! The state machine: push rows in any portions, get the same notes.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::account::{Account, count_home};
use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::local::LocalDay;
use drawoff_contract::{Day, HomeRows, Mask, Series, Shape};

use crate::day::{Carry, reduce_day};
use crate::setup::Setup;
use crate::state::State;

/// A silence longer than this is a stamp gone wrong, not a fleet's history: no day of it is noted.
const LONGEST_SILENCE_MS: i64 = 400 * 86_400_000;

/// The daybook of one home.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Notes {
    /// One row a local day.
    pub days: Vec<DayNote>,
    /// Idle segments and heating spells in order of time within a day and kind.
    pub spells: Vec<SpellNote>,
    /// Draw-offs in order of time.
    pub draws: Vec<DrawNote>,
    /// Row accounting by input file; zero where `by_day` is told instead.
    pub accounts: Vec<Account>,
    /// Row accounting by day and input file, of a machine that keeps states.
    pub by_day: Vec<DayAccount>,
    /// Where the machine stood after the last two days with rows, of a machine that keeps states.
    pub states: Vec<State>,
}

/// What became of the rows of one day and input file.
#[derive(Clone, Debug, PartialEq)]
pub struct DayAccount {
    /// Local calendar day.
    pub day: Day,
    /// Number of the input file in the run.
    pub file: u16,
    /// First and last stamp of the rows, UTC milliseconds.
    pub stamps: (i64, i64),
    /// Their account.
    pub account: Account,
}

/// Days with rows after which a machine remembers where it stood: one that went on from the last of them would be late for rows that
/// still come for that day.
const STATES_KEPT: usize = 2;

/// Reduces the rows of one home.
#[derive(Clone, Debug)]
pub struct Machine {
    setup: Setup,
    pending: HomeRows,
    carry: Carry,
    closed_until_ms: i64,
    notes: Notes,
    /// Where it stood after the last days with rows; `None` when nobody asks.
    stood: Option<Vec<(Day, i64, Carry)>>,
}

impl Machine {
    /// A machine that has seen nothing; `files` is the number of input files of the run.
    #[must_use]
    pub fn new(setup: Setup, files: usize) -> Self {
        Self {
            setup,
            pending: HomeRows::default(),
            carry: Carry::new(),
            closed_until_ms: i64::MIN,
            notes: Notes { accounts: vec![Account::default(); files], ..Notes::default() },
            stood: None,
        }
    }

    /// The same machine, keeping what another needs to go on from its last days: states, and accounts by day.
    #[must_use]
    pub fn keeping_states(mut self) -> Self {
        self.stood = Some(Vec::new());
        self
    }

    /// Goes on after a day; a state without bytes says only that rows up to its end are closed. `None` when its bytes are those of
    /// another version.
    #[must_use]
    pub fn after(mut self, state: &State) -> Option<Self> {
        self.closed_until_ms = state.until_ms;
        if !state.bytes.is_empty() {
            self.carry = Carry::from_bytes(&state.bytes)?;
        }
        Some(self)
    }

    /// Takes rows as [`Machine::push`], of which those up to its beginning were counted on an earlier night, but for rows of the files
    /// for which `is_new` holds: these are late.
    pub fn go_on(&mut self, rows: &HomeRows, is_new: &dyn Fn(u16) -> bool) {
        let from = rows.time_ms.partition_point(|&t| t <= self.closed_until_ms);
        self.count_late(rows, (0..from).filter(|&i| is_new(rows.file[i])));
        self.take(rows, from);
    }

    /// Takes rows, sorted by time, none earlier than rows pushed before. A row of a closed day is masked as late.
    pub fn push(&mut self, rows: &HomeRows) {
        let from = rows.time_ms.partition_point(|&t| t <= self.closed_until_ms);
        self.count_late(rows, 0..from);
        self.take(rows, from);
    }

    fn take(&mut self, rows: &HomeRows, mut from: usize) {
        while from < rows.len() {
            let first = self.pending.time_ms.first().copied().unwrap_or(rows.time_ms[from]);
            let day = LocalDay::of_stamp(self.setup.zone, first.max(self.closed_until_ms.saturating_add(1)));
            let to = from + rows.time_ms[from..].partition_point(|&t| t <= day.end_ms);
            append(&mut self.pending, rows, from..to);
            if to < rows.len() {
                self.close(&day);
            }
            from = to;
        }
    }

    /// Closes the last day and gives the notes.
    #[must_use]
    pub fn finish(mut self) -> Notes {
        if let Some(&first) = self.pending.time_ms.first() {
            let day = LocalDay::of_stamp(self.setup.zone, first.max(self.closed_until_ms.saturating_add(1)));
            self.close(&day);
        }
        for (day, until_ms, carry) in self.stood.unwrap_or_default() {
            self.notes.states.push(State { day, until_ms, bytes: carry.to_bytes() });
        }
        self.notes
    }

    /// Rows of closed days are counted and go no further.
    fn count_late(&mut self, rows: &HomeRows, late: impl Iterator<Item = usize>) {
        let mut kept = HomeRows::default();
        late.for_each(|i| append(&mut kept, rows, i..i + 1));
        for mask in kept.series.iter_mut().flatten().flat_map(|s| &mut s.mask) {
            if *mask == Mask::Used {
                *mask = Mask::Late;
            }
        }
        if self.stood.is_some() {
            self.notes.by_day.extend(counted_by_day(self.setup.zone, &kept, self.notes.accounts.len()));
        } else {
            count_home(&kept, &mut self.notes.accounts);
        }
    }

    /// Days between the last one closed and `day` had no row: they are noted as such, unless the silence is absurd.
    fn note_silent_days(&mut self, day: &LocalDay) {
        if self.closed_until_ms == i64::MIN || day.start_ms - self.closed_until_ms > LONGEST_SILENCE_MS {
            return;
        }
        while self.closed_until_ms < day.start_ms {
            let silent = LocalDay::of_stamp(self.setup.zone, self.closed_until_ms + 1);
            self.reduce(&silent, HomeRows::new(Shape::Wide));
        }
    }

    fn close(&mut self, day: &LocalDay) {
        self.note_silent_days(day);
        let rows = std::mem::take(&mut self.pending);
        self.reduce(day, rows);
        if let Some(stood) = &mut self.stood {
            if stood.len() == STATES_KEPT {
                stood.remove(0);
            }
            stood.push((day.day, day.end_ms, self.carry.clone()));
        }
    }

    fn reduce(&mut self, day: &LocalDay, mut rows: HomeRows) {
        let found = reduce_day(&self.setup, day, &mut rows, &mut self.carry, &mut self.notes.accounts);
        self.closed_until_ms = day.end_ms;
        if self.stood.is_some() {
            let accounts = &mut self.notes.accounts;
            self.notes.by_day.extend(stamps_by_file(&rows).into_iter().map(|(file, stamps)| {
                // Of this day alone, as the days before took theirs away.
                let account = accounts.get_mut(usize::from(file)).map(std::mem::take).unwrap_or_default();
                DayAccount { day: day.day, file, stamps, account }
            }));
        }
        self.notes.days.push(found.day);
        self.notes.spells.extend(found.spells);
        self.notes.draws.extend(found.draws);
    }
}

/// First and last stamp of the rows of each file, in the order of the files.
fn stamps_by_file(rows: &HomeRows) -> BTreeMap<u16, (i64, i64)> {
    let mut out: BTreeMap<u16, (i64, i64)> = BTreeMap::new();
    for (&file, &t) in rows.file.iter().zip(&rows.time_ms) {
        out.entry(file).and_modify(|s| *s = (s.0.min(t), s.1.max(t))).or_insert((t, t));
    }
    out
}

/// Counts rows as they are, by local day and file.
fn counted_by_day(zone: Tz, rows: &HomeRows, files: usize) -> Vec<DayAccount> {
    let mut out = Vec::new();
    let mut from = 0;
    while from < rows.len() {
        let day = LocalDay::of_stamp(zone, rows.time_ms[from]);
        let to = from + rows.time_ms[from..].partition_point(|&t| t <= day.end_ms);
        let mut own = HomeRows::default();
        append(&mut own, rows, from..to);
        let mut accounts = vec![Account::default(); files];
        count_home(&own, &mut accounts);
        out.extend(stamps_by_file(&own).into_iter().map(|(file, stamps)| DayAccount {
            day: day.day,
            file,
            stamps,
            account: std::mem::take(&mut accounts[usize::from(file)]),
        }));
        from = to;
    }
    out
}

/// What is kept of a home that cannot be reduced: its rows after `until_ms`, and all of the files for which `is_new` holds, counted as
/// they came, and states without bytes.
#[must_use]
pub fn only_counted(
    zone: Tz,
    rows: &HomeRows,
    files: usize,
    until_ms: i64,
    is_new: &dyn Fn(u16) -> bool,
) -> Notes {
    let later = rows.time_ms.partition_point(|&t| t <= until_ms);
    let mut counted = HomeRows::default();
    (0..later).filter(|&i| is_new(rows.file[i])).for_each(|i| append(&mut counted, rows, i..i + 1));
    append(&mut counted, rows, later..rows.len());
    let by_day = counted_by_day(zone, &counted, files);
    let mut days: Vec<Day> = by_day.iter().map(|a| a.day).collect();
    days.dedup();
    let last = days.split_off(days.len().saturating_sub(STATES_KEPT));
    let state = |day: Day| State { day, until_ms: LocalDay::of(zone, day).end_ms, bytes: Vec::new() };
    Notes { by_day, states: last.into_iter().map(state).collect(), ..Notes::default() }
}

fn append(to: &mut HomeRows, from: &HomeRows, range: std::ops::Range<usize>) {
    if to.series.is_empty() {
        *to = HomeRows::new(from.shape);
    }
    let before = to.len();
    let added = range.len();
    to.time_ms.extend_from_slice(&from.time_ms[range.clone()]);
    to.file.extend_from_slice(&from.file[range.clone()]);
    for (slot, series) in to.series.iter_mut().zip(&from.series) {
        if series.is_none() && slot.is_none() {
            continue;
        }
        let target = slot.get_or_insert_with(|| Series {
            value: vec![f64::NAN; before],
            mask: vec![Mask::Absent; before],
        });
        match series {
            Some(s) => {
                target.value.extend_from_slice(&s.value[range.clone()]);
                target.mask.extend_from_slice(&s.mask[range.clone()]);
            }
            None => {
                target.value.resize(before + added, f64::NAN);
                target.mask.resize(before + added, Mask::Absent);
            }
        }
    }
    // A column that is all null in one portion is a series of another: every row has the same number of columns.
    let kept = |rows: &HomeRows| u32::try_from(rows.series.iter().flatten().count()).unwrap_or(u32::MAX);
    to.null_columns = (kept(from) + from.null_columns).saturating_sub(kept(to));
    if before > 0 && added > 0 && to.time_ms[before] < to.time_ms[before - 1] {
        sort(to);
    }
}

/// Rows that came after a row of a later time go back to their place; equal times keep their order.
fn sort(rows: &mut HomeRows) {
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by_key(|&i| rows.time_ms[i]);
    rows.time_ms = order.iter().map(|&i| rows.time_ms[i]).collect();
    rows.file = order.iter().map(|&i| rows.file[i]).collect();
    for series in rows.series.iter_mut().flatten() {
        series.value = order.iter().map(|&i| series.value[i]).collect();
        series.mask = order.iter().map(|&i| series.mask[i]).collect();
    }
}
