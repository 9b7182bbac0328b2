//! From exports to the daybook of every home, with every row accounted for, in bounded memory.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use drawoff_contract::account::count_home;
use drawoff_contract::results::QualityRow;
use drawoff_contract::{Account, ContractError, Cylinder, HomeRows};
use drawoff_daybook::Notes;
use drawoff_store::{FileReport, Intake, Limits};
use drawoff_tank::water::Water;

use crate::progress::{self, thousands};
use crate::run::Inputs;
use crate::stages::{HomeDaybook, reduce};

/// Damaged files that show only after homes were read, one after another; no fleet has more.
const MOST_ROUNDS: usize = 20;

/// The daybooks of a fleet, and what became of its rows.
pub(crate) struct Reduced<'a> {
    /// A daybook for each home of the register, in the order of identifiers.
    pub(crate) daybooks: Vec<HomeDaybook<'a>>,
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

/// What is kept of one home once its rows are gone.
struct Kept {
    notes: Result<Notes, &'static str>,
    account: Account,
    out_of_order: u64,
    stamps: Option<(i64, i64)>,
}

/// Looks at the exports of a pipeline; rows that do not fit into memory will be written into `aside`.
pub(crate) fn open_intake(inputs: &Inputs, aside: PathBuf) -> Intake<'_> {
    let limits = Limits { memory_bytes: inputs.pipeline.run.memory_mb.saturating_mul(1 << 20), aside };
    Intake::open(&inputs.pipeline.inputs.readings, &inputs.mapping, &inputs.cylinders, &limits)
}

/// Reads and reduces every home that the register lists.
///
/// # Errors
/// When rows cannot be written aside.
pub(crate) fn reduce_fleet<'a>(
    intake: &mut Intake<'_>,
    cylinders: &'a BTreeMap<String, Cylinder>,
    water: Water,
) -> Result<Reduced<'a>, ContractError> {
    let started = Instant::now();
    let files = intake.files();
    let rows = AtomicU64::new(0);
    let read = |home: &str, rows: HomeRows| {
        let cylinder = &cylinders[home];
        let stamps = rows.time_ms.first().copied().zip(rows.time_ms.last().copied());
        let notes = reduce(cylinder, &rows, files, water);
        let by_file = match &notes {
            Ok(notes) => notes.accounts.clone(),
            // Rows of a home that cannot be reduced are still counted as they came in.
            Err(_) => {
                let mut counted = vec![Account::default(); files];
                count_home(&rows, &mut counted);
                counted
            }
        };
        (notes, by_file, rows.out_of_order, stamps)
    };
    for _ in 0..MOST_ROUNDS {
        rows.store(0, Ordering::Relaxed);
        let mut of_files = vec![Account::default(); files];
        let mut kept: BTreeMap<String, Kept> = BTreeMap::new();
        let told = |n: u64| {
            rows.fetch_add(n, Ordering::Relaxed);
        };
        let streamed =
            intake.each_home(&told, &read, &mut |home, (mut notes, by_file, out_of_order, stamps)| {
                let mut account = Account::default();
                for (sum, part) in of_files.iter_mut().zip(&by_file) {
                    sum.add(part);
                    account.add(part);
                }
                if let Ok(notes) = &mut notes {
                    // An account for each home and file would outgrow the daybook.
                    notes.accounts = Vec::new();
                }
                kept.insert(home, Kept { notes, account, out_of_order, stamps });
            })?;
        let Some(streamed) = streamed else { continue };
        for (sum, file) in of_files.iter_mut().zip(&streamed.files) {
            sum.add(&file.account);
        }
        progress::note(&format!(
            "read {} rows of {} homes from {} files in {:.1} s",
            thousands(rows.load(Ordering::Relaxed)),
            thousands(kept.len() as u64),
            files,
            started.elapsed().as_secs_f64()
        ));
        let stamps = kept.values().filter_map(|k| k.stamps).collect();
        let mut daybooks = Vec::with_capacity(cylinders.len());
        let mut homes = Vec::with_capacity(cylinders.len());
        for (home, cylinder) in cylinders {
            let kept = kept.remove(home).unwrap_or_else(|| Kept {
                notes: reduce(cylinder, &HomeRows::default(), files, water),
                account: Account::default(),
                out_of_order: 0,
                stamps: None,
            });
            let mut account = kept.account;
            if let Some(rejected) = streamed.rejected_by_home.get(home) {
                account.add(rejected);
            }
            homes.push(quality(home, &account, kept.out_of_order, &kept.notes));
            daybooks.push(HomeDaybook { cylinder, notes: kept.notes });
        }
        return Ok(Reduced {
            daybooks,
            files: streamed.files,
            accounts: Accounts { files: of_files, homes },
            stamps,
            unknown_homes: streamed.unknown_homes,
        });
    }
    Err(ContractError::new("readings", "more and more files turn out to be damaged")
        .with_hint("export them again; `drawoff check` names the damage"))
}

fn quality(
    home: &str,
    account: &Account,
    out_of_order: u64,
    notes: &Result<Notes, &'static str>,
) -> QualityRow {
    let days = notes.as_ref().map(|n| n.days.as_slice()).unwrap_or_default();
    let count = |v: u64| i64::try_from(v).unwrap_or(i64::MAX);
    QualityRow {
        home: home.to_owned(),
        rows_in: count(account.rows_in),
        rows_used: count(account.rows_used),
        rows_masked: count(account.all_rows_masked()),
        rows_rejected: count(account.all_rows_rejected()),
        values_in: count(account.values_in),
        values_used: count(account.values_used),
        values_masked: count(account.all_values_masked()),
        values_absent: count(account.values_absent),
        by_reason: account.by_reason(),
        rows_out_of_order: count(out_of_order),
        rows_missing: days.iter().map(|n| (n.instants_expected - n.instants).max(0)).sum(),
        longest_gap_hours: days.iter().map(|n| n.longest_gap_min / 60.0).fold(0.0, f64::max),
        stamps_doubled: days.iter().map(|n| n.doubled).sum(),
        register_restarts: days.iter().filter_map(|n| n.register_falls).sum(),
        change_of_hour_days: count(days.iter().filter(|n| (n.hours - 24.0).abs() > 0.1).count() as u64),
    }
}
