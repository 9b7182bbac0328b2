//! From exports to the daybook of every home, with every row accounted for, in bounded memory.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use drawoff_contract::account::count_home;
use drawoff_contract::results::QualityRow;
use drawoff_contract::{Account, ContractError, Cylinder, HomeRows};
use drawoff_daybook::Notes;
use drawoff_homes::{FleetPriors, PriorsBuilder};
use drawoff_store::{FileReport, Intake, Limits, caught};
use drawoff_tank::water::Water;

use crate::progress::{self, Work, thousands};
use crate::run::Inputs;
use crate::sanity::UnitSigns;
use crate::stages::reduce;

/// Damaged files that show only after homes were read, one after another; no fleet has more.
pub(crate) const MOST_ROUNDS: usize = 20;

/// What became of the rows of a fleet, beside its daybook.
pub(crate) struct Reduced {
    /// What the homes tell each other.
    pub(crate) priors: FleetPriors,
    /// What tells a slip of units, of each home with a daybook.
    pub(crate) unit_signs: Vec<UnitSigns>,
    /// Homes without a daybook, with what the register lacks.
    pub(crate) lacking: Vec<(String, &'static str)>,
    /// Files in the order of their paths, with their rejected rows.
    pub(crate) files: Vec<FileReport>,
    pub(crate) accounts: Accounts,
    /// First and last stamp of each home that has rows.
    pub(crate) stamps: Vec<(i64, i64)>,
    /// Homes that the register does not list, with their number of rows.
    pub(crate) unknown_homes: BTreeMap<String, u64>,
}

/// Row accounting by file and by home, after all masks are set.
pub(crate) struct Accounts {
    pub(crate) files: Vec<Account>,
    pub(crate) homes: Vec<QualityRow>,
}

/// A daybook, or what the register lacks for one.
pub(crate) type MaybeNotes = Result<Notes, &'static str>;

/// Looks at the exports of a pipeline; rows that do not fit into memory will be written into `aside`.
pub(crate) fn open_intake(inputs: &Inputs, aside: PathBuf) -> Intake<'_> {
    let limits = limits(inputs, aside);
    Intake::open(&inputs.pipeline.inputs.readings, &inputs.mapping, &inputs.cylinders, &limits)
}

/// The limits of a pipeline, with rows that do not fit into memory in `aside`.
pub(crate) fn limits(inputs: &Inputs, aside: PathBuf) -> Limits {
    Limits { memory_bytes: inputs.pipeline.run.memory_mb.saturating_mul(1 << 20), aside }
}

/// One home, reduced.
pub(crate) struct Home {
    pub(crate) notes: MaybeNotes,
    pub(crate) by_file: Vec<Account>,
    pub(crate) out_of_order: u64,
    /// First and last stamp, if it has rows.
    pub(crate) stamps: Option<(i64, i64)>,
}

impl Home {
    pub(crate) fn of(cylinder: &Cylinder, rows: &HomeRows, files: usize, water: Water) -> Self {
        let stamps = rows.time_ms.first().copied().zip(rows.time_ms.last().copied());
        let mut notes = reduce(cylinder, rows, files, water);
        let by_file = match &mut notes {
            // An account for each home and file would outgrow the daybook.
            Ok(notes) => std::mem::take(&mut notes.accounts),
            // Rows of a home that cannot be reduced are still counted as they came in.
            Err(_) => {
                let mut counted = vec![Account::default(); files];
                count_home(rows, &mut counted);
                counted
            }
        };
        Self { notes, by_file, out_of_order: rows.out_of_order, stamps }
    }

    /// A home of one file whose reduction failed: nothing is known of it, but its rows are still counted as they came in.
    pub(crate) fn lost(rows: &HomeRows) -> Self {
        let count = || {
            let mut counted = vec![Account::default()];
            count_home(rows, &mut counted);
            counted
        };
        // Whatever is wrong with the rows may stand in the way of counting, too.
        let by_file = caught(count).unwrap_or_default();
        Self { notes: Ok(Notes::default()), by_file, out_of_order: rows.out_of_order, stamps: None }
    }
}

/// What becomes of the daybook of a home, with its place in the register.
pub(crate) type Keep<'k> = dyn FnMut(usize, MaybeNotes) -> Result<(), ContractError> + 'k;

/// Sums over the homes that were taken so far.
pub(crate) struct Taken<'a> {
    cylinders: Vec<&'a Cylinder>,
    water: Water,
    /// Next home of the register.
    next: usize,
    files: Vec<Account>,
    homes: Vec<(Account, QualityRow)>,
    priors: PriorsBuilder,
    unit_signs: Vec<UnitSigns>,
    lacking: Vec<(String, &'static str)>,
    stamps: Vec<(i64, i64)>,
}

impl<'a> Taken<'a> {
    /// Nothing yet, of so many input files.
    pub(crate) fn nothing(cylinders: &'a BTreeMap<String, Cylinder>, water: Water, files: usize) -> Self {
        Self {
            cylinders: cylinders.values().collect(),
            water,
            next: 0,
            files: vec![Account::default(); files],
            homes: Vec::new(),
            priors: PriorsBuilder::default(),
            unit_signs: Vec::new(),
            lacking: Vec::new(),
            stamps: Vec::new(),
        }
    }

    /// Homes with rows so far.
    pub(crate) fn with_rows(&self) -> usize {
        self.stamps.len()
    }

    /// All homes taken, and what was lost before it came to any reduction.
    pub(crate) fn finish(
        mut self,
        files: Vec<FileReport>,
        rejected_by_home: &BTreeMap<String, Account>,
        unknown_homes: BTreeMap<String, u64>,
    ) -> Reduced {
        for (sum, file) in self.files.iter_mut().zip(&files) {
            sum.add(&file.account);
        }
        let homes = self.homes.into_iter().map(|(mut account, row)| {
            if let Some(rejected) = rejected_by_home.get(&row.home) {
                account.add(rejected);
            }
            counted(row, &account)
        });
        Reduced {
            accounts: Accounts { files: self.files, homes: homes.collect() },
            priors: self.priors.finish(),
            unit_signs: self.unit_signs,
            lacking: self.lacking,
            stamps: self.stamps,
            files,
            unknown_homes,
        }
    }

    /// Takes the homes of the register before `name` (all that are left, without one) as homes without rows.
    pub(crate) fn up_to(&mut self, name: Option<&str>, keep: &mut Keep<'_>) -> Result<(), ContractError> {
        while let Some(cylinder) = self.cylinders.get(self.next)
            && name.is_none_or(|name| cylinder.home.as_str() < name)
        {
            let home = Home::of(cylinder, &HomeRows::default(), self.files.len(), self.water);
            self.one(home, keep)?;
        }
        Ok(())
    }

    /// Takes the next home of the register.
    pub(crate) fn one(&mut self, home: Home, keep: &mut Keep<'_>) -> Result<(), ContractError> {
        let (index, cylinder) = (self.next, self.cylinders[self.next]);
        self.next += 1;
        let mut account = Account::default();
        for (sum, part) in self.files.iter_mut().zip(&home.by_file) {
            sum.add(part);
            account.add(part);
        }
        let row = quality(&cylinder.home, home.out_of_order, &home.notes);
        self.homes.push((account, row));
        self.stamps.extend(home.stamps);
        match &home.notes {
            Ok(notes) => {
                self.priors.add(&notes.days);
                self.unit_signs.push(UnitSigns::of(cylinder, &notes.days, &notes.spells));
            }
            Err(missing) => self.lacking.push((cylinder.home.clone(), missing)),
        }
        keep(index, home.notes)
    }
}

/// Reads and reduces every home that the register lists. Daybooks go to `keep`, with what `begin` makes to put them in and the
/// home's place in the register, in that order.
///
/// A file found to be damaged half way makes all begin again without it; what was kept until then is thrown away.
///
/// # Errors
/// When rows cannot be written aside, and what `begin` and `keep` give.
pub(crate) fn reduce_fleet<K: Send>(
    intake: &mut Intake<'_>,
    cylinders: &BTreeMap<String, Cylinder>,
    water: Water,
    begin: &dyn Fn() -> Result<K, ContractError>,
    keep: &(dyn Fn(&mut K, usize, MaybeNotes) -> Result<(), ContractError> + Sync),
) -> Result<(Reduced, K), ContractError> {
    let started = Instant::now();
    let files = intake.files();
    let rows = AtomicU64::new(0);
    for _ in 0..MOST_ROUNDS {
        rows.store(0, Ordering::Relaxed);
        let mut kept = begin()?;
        let work = Work::begin("read", cylinders.len());
        let mut put = |index: usize, notes: MaybeNotes| {
            work.home(notes.as_ref().map_or(0, |notes| notes.days.len()));
            keep(&mut kept, index, notes)
        };
        let mut taken = Taken::nothing(cylinders, water, files);
        let told = |n: u64| {
            rows.fetch_add(n, Ordering::Relaxed);
        };
        let reduce_home = |home: &str, rows: HomeRows| Home::of(&cylinders[home], &rows, files, water);
        let streamed = intake.each_home(&told, &reduce_home, &mut |home, made| {
            taken.up_to(Some(&home), &mut put)?;
            taken.one(made, &mut put)
        })?;
        let Some(streamed) = streamed else { continue };
        taken.up_to(None, &mut put)?;
        progress::note(&format!(
            "read {} rows of {} homes from {} files in {:.1} s",
            thousands(rows.load(Ordering::Relaxed)),
            thousands(taken.with_rows() as u64),
            files,
            started.elapsed().as_secs_f64()
        ));
        let reduced = taken.finish(streamed.files, &streamed.rejected_by_home, streamed.unknown_homes);
        return Ok((reduced, kept));
    }
    Err(ContractError::new("readings", "more and more files turn out to be damaged")
        .with_hint("export them again; `drawoff check` names the damage"))
}

/// What the daybook of a home says of its quality; counts of rows and values are filled in by [`counted`].
fn quality(home: &str, out_of_order: u64, notes: &MaybeNotes) -> QualityRow {
    let days = notes.as_ref().map(|n| n.days.as_slice()).unwrap_or_default();
    let count = |v: u64| i64::try_from(v).unwrap_or(i64::MAX);
    QualityRow {
        home: home.to_owned(),
        rows_in: 0,
        rows_used: 0,
        rows_masked: 0,
        rows_rejected: 0,
        values_in: 0,
        values_used: 0,
        values_masked: 0,
        values_absent: 0,
        by_reason: String::new(),
        rows_out_of_order: count(out_of_order),
        rows_missing: days.iter().map(|n| (n.instants_expected - n.instants).max(0)).sum(),
        longest_gap_hours: days.iter().map(|n| n.longest_gap_min / 60.0).fold(0.0, f64::max),
        stamps_doubled: days.iter().map(|n| n.doubled).sum(),
        register_restarts: days.iter().filter_map(|n| n.register_falls).sum(),
        change_of_hour_days: count(days.iter().filter(|n| (n.hours - 24.0).abs() > 0.1).count() as u64),
    }
}

fn counted(row: QualityRow, account: &Account) -> QualityRow {
    let count = |v: u64| i64::try_from(v).unwrap_or(i64::MAX);
    QualityRow {
        rows_in: count(account.rows_in),
        rows_used: count(account.rows_used),
        rows_masked: count(account.all_rows_masked()),
        rows_rejected: count(account.all_rows_rejected()),
        values_in: count(account.values_in),
        values_used: count(account.values_used),
        values_masked: count(account.all_values_masked()),
        values_absent: count(account.values_absent),
        by_reason: account.by_reason(),
        ..row
    }
}
