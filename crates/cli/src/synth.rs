//! `drawoff synth`: fleets of invented homes with known truth.

mod options;
mod readings;

use std::ops::Range;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

use arrow::array::RecordBatch;
use drawoff_contract::ContractError;
use drawoff_store::output::export::{ColumnCode, ExportFile, write_text};
use drawoff_synth::{
    FleetPlan, HomeData, HomeTruth, RegisterRow, generate_home, generate_tapping, register_csv,
    truth_batches, truth_sources_batch, truth_stored_batch,
};
use rayon::prelude::*;

use crate::args::SynthArgs;
use crate::exit::{Exit, Failure};
use crate::progress::{self, thousands};
use readings::ReadingFiles;

/// Most homes in memory at once, however short the period.
const HOMES_AT_ONCE: u64 = 64;
/// Most rows in memory at once, about 100 MB.
const ROWS_AT_ONCE: u64 = 1_000_000;
/// Fleets up to this size are kept in version control, so every byte counts; on larger ones the level would
/// take longer than the homes.
const SMALL_FLEET_ROWS: u64 = 1_000_000;
const SMALL_FLEET_ZSTD: i32 = 19;
const LARGE_FLEET_ZSTD: i32 = 3;
/// Time between two lines of progress.
const QUIET: Duration = Duration::from_secs(3);

pub(crate) fn synth(args: &SynthArgs) -> Result<Exit, Failure> {
    let plan = options::plan(args);
    plan.check().map_err(|problems| Failure { exit: Exit::Settings, problems })?;
    let tapping = options::tapping(args);
    let started = Instant::now();
    let mut readings =
        ReadingFiles::begin(&args.folder.join("readings"), &plan, args.layout, zstd_level(&plan))?;
    let mut truth: Vec<ExportFile> = Vec::new();
    let mut register: Vec<RegisterRow> = Vec::new();
    let (made, last_note) = (AtomicU32::new(0), Mutex::new(started));
    for indices in portions(&plan) {
        let make = |index| {
            let home =
                tapping.get(index as usize).map_or_else(|| generate_home(&plan, index), generate_tapping);
            note_progress(made.fetch_add(1, Ordering::Relaxed) + 1, plan.homes, &last_note);
            home
        };
        let homes: Vec<HomeData> = indices.into_par_iter().map(make).collect::<Result<_, _>>()?;
        let (mut batches, mut truths) = (Vec::new(), Vec::new());
        for home in homes {
            batches.push(home.readings);
            register.push(home.register);
            truths.push(home.truth);
        }
        readings.push(&batches)?;
        let tables = truth_tables(args, truths)?;
        write_truth(&mut truth, &args.folder.join("truth"), &tables, zstd_level(&plan))?;
    }
    let written = readings.finish()?;
    for file in truth {
        file.finish()?;
    }
    write_text(&args.folder.join("register.csv"), &register_csv(&register))?;
    let seconds = started.elapsed().as_secs_f64().max(1e-3);
    progress::result(&format!(
        "{}: {} homes, {} rows, {:.1} MB of readings in {seconds:.1} s: {:.1} homes and {} rows a second",
        args.folder.display(),
        thousands(plan.homes.into()),
        thousands(written.rows),
        written.bytes as f64 / 1e6,
        f64::from(plan.homes) / seconds,
        thousands((written.rows as f64 / seconds) as u64),
    ));
    Ok(Exit::Done)
}

/// A line every few seconds, from whichever thread comes first.
fn note_progress(made: u32, of: u32, last_note: &Mutex<Instant>) {
    let Ok(mut last) = last_note.try_lock() else { return };
    if last.elapsed() > QUIET {
        *last = Instant::now();
        progress::note(&format!("{} of {} homes made", thousands(made.into()), thousands(of.into())));
    }
}

fn rows_of_a_home(plan: &FleetPlan) -> u64 {
    u64::from(plan.days) * 1440 / u64::from(plan.cadence_min.max(1))
}

fn zstd_level(plan: &FleetPlan) -> i32 {
    let rows = u64::from(plan.homes) * rows_of_a_home(plan);
    if rows <= SMALL_FLEET_ROWS { SMALL_FLEET_ZSTD } else { LARGE_FLEET_ZSTD }
}

/// The homes in portions that fit in memory; the same for any number of threads, as they become row groups.
pub(crate) fn portions(plan: &FleetPlan) -> Vec<Range<u32>> {
    let size = (ROWS_AT_ONCE / rows_of_a_home(plan).max(1)).clamp(1, HOMES_AT_ONCE) as u32;
    (0..plan.homes.div_ceil(size)).map(|i| i * size..((i + 1) * size).min(plan.homes)).collect()
}

/// How each column of readings and truth is laid down.
///
/// The smallest of what was measured on a week of the sample fleet (90,000 rows at zstd 19): temperatures plain 352 kB,
/// byte streams split 398 kB, as a dictionary 403 kB; all as a dictionary 523 kB.
fn column_code(field: &arrow::datatypes::Field) -> ColumnCode {
    let name = field.name().as_str();
    if ["time", "register_wh"].contains(&name) {
        ColumnCode::Steps
    } else if field.data_type().is_floating() && !name.starts_with("power") {
        ColumnCode::Plain
    } else {
        ColumnCode::Distinct
    }
}

fn truth_tables(
    args: &SynthArgs,
    truths: Vec<HomeTruth>,
) -> Result<Vec<(&'static str, RecordBatch)>, ContractError> {
    let stored = args.truth_stored.then(|| truth_stored_batch(&truths)).transpose()?;
    let tells_sources = args.source.is_some() || options::plan(args).is_trial();
    let sources = tells_sources.then(|| truth_sources_batch(&truths)).transpose()?;
    let mut tables = Vec::from(truth_batches(truths)?);
    tables.extend(stored.into_iter().chain(sources));
    Ok(tables)
}

/// Adds the truth of a portion of homes to the tables, which are begun with the first portion.
fn write_truth(
    files: &mut Vec<ExportFile>,
    folder: &Path,
    tables: &[(&'static str, RecordBatch)],
    zstd_level: i32,
) -> Result<(), ContractError> {
    if files.is_empty() {
        for (name, batch) in tables {
            let path = folder.join(format!("{name}.parquet"));
            files.push(ExportFile::begin(&path, &batch.schema(), zstd_level, column_code)?);
        }
    }
    files.iter_mut().zip(tables).try_for_each(|(file, (_, batch))| file.group(batch))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn portions_cover_every_home_once() {
        for (homes, days) in [(1, 1), (46, 29), (64, 29), (65, 29), (200, 365), (3, 40_000)] {
            let plan = FleetPlan { homes, days, ..FleetPlan::default() };
            let all: Vec<u32> = portions(&plan).into_iter().flatten().collect();
            assert_eq!(all, (0..homes).collect::<Vec<_>>());
        }
        let year = FleetPlan { homes: 200, days: 365, ..FleetPlan::default() };
        assert_eq!(portions(&year)[0], 0..9);
        assert_eq!((zstd_level(&FleetPlan::default()), zstd_level(&year)), (19, 3));
    }
}
