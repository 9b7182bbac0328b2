//! The committed sample fleet is what this crate makes, and its truth has the columns of the reference fleets.
#![expect(clippy::disallowed_methods, reason = "a test reads the committed files without the store")]
#![expect(clippy::print_stderr, reason = "a test that is passed over says so")]
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::fs::File;
use std::path::{Path, PathBuf};

use arrow::array::{AsArray, BooleanArray, RecordBatch};
use arrow::compute::{concat_batches, filter_record_batch};
use drawoff_contract::{Fault, Table};
use drawoff_synth::{
    FleetPlan, RegisterRow, TruthFaultRow, generate_home, register_csv, truth_batches, truth_homes_batch,
};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

const SAMPLE_SEED: u64 = 12;

fn sample() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../sample-fleet")
}

fn read(path: &Path) -> RecordBatch {
    let builder = ParquetRecordBatchReaderBuilder::try_new(File::open(path).unwrap()).unwrap();
    let schema = builder.schema().clone();
    let batches: Vec<RecordBatch> = builder.build().unwrap().map(Result::unwrap).collect();
    concat_batches(&schema, &batches).unwrap()
}

fn of_home(batch: &RecordBatch, home: &str) -> RecordBatch {
    let names = batch.column(0).as_string::<i32>();
    let here: BooleanArray = names.iter().map(|n| n.map(|n| n == home)).collect();
    filter_record_batch(batch, &here).unwrap()
}

#[test]
fn sample_fleet_is_what_the_generator_makes() {
    let plan = FleetPlan { seed: SAMPLE_SEED, ..FleetPlan::default() };
    let weeks: Vec<RecordBatch> =
        (1..=5).map(|week| read(&sample().join(format!("readings/week-{week}.parquet")))).collect();
    let truth_homes = read(&sample().join("truth/truth_homes.parquet"));
    let register = std::fs::read_to_string(sample().join("register.csv")).unwrap();
    let mut rows: Vec<RegisterRow> = Vec::new();
    for index in 0..8 {
        let made = generate_home(&plan, index).unwrap();
        let id = made.register.home.clone();
        let parts: Vec<RecordBatch> = weeks.iter().map(|week| of_home(week, &id)).collect();
        let readings = concat_batches(&parts[0].schema(), &parts).unwrap();
        assert_eq!(readings.columns(), made.readings.columns(), "{id}");
        let truth = truth_homes_batch(vec![made.truth.home]).unwrap();
        assert_eq!(of_home(&truth_homes, &id).columns(), truth.columns(), "{id}");
        rows.push(made.register);
    }
    assert!(register.starts_with(&register_csv(&rows)));
    assert_eq!(register.lines().count(), 1 + plan.homes as usize);
}

#[test]
fn sample_fleet_holds_every_fault_and_the_sound_look_alikes() {
    let faults = TruthFaultRow::from_batch(&read(&sample().join("truth/truth_faults.parquet"))).unwrap();
    for fault in &Fault::ALL[..16] {
        assert!(faults.iter().any(|f| f.kind == fault.code()), "{}", fault.code());
    }
    let early = faults.iter().filter(|f| f.pre_existing).count();
    assert!(early > 0 && early * 4 < faults.len());
    let homes = read(&sample().join("truth/truth_homes.parquet"));
    let traits = homes.column_by_name("trait").unwrap().as_string::<i32>();
    for look_alike in ["large_family", "guests", "vacant", "away", "cold_loft"] {
        assert!(traits.iter().any(|t| t == Some(look_alike)), "{look_alike}");
    }
}

#[test]
fn sample_fleet_is_small() {
    let size = |folder: &str| -> u64 {
        std::fs::read_dir(sample().join(folder)).unwrap().map(|f| f.unwrap().metadata().unwrap().len()).sum()
    };
    assert!(size("readings") + size("truth") < 6_000_000);
}

#[test]
fn truth_has_the_columns_of_the_reference_fleets() {
    let shared = std::env::var_os("DRAWOFF_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"), PathBuf::from);
    let folder = shared.join("reference-fleet/wide/truth");
    if !folder.is_dir() {
        eprintln!("passed over: {} is absent", folder.display());
        return;
    }
    for (name, batch) in truth_batches(Vec::new()).unwrap() {
        let theirs = read(&folder.join(format!("{name}.parquet")));
        let names =
            |b: &RecordBatch| b.schema().fields().iter().map(|f| f.name().clone()).collect::<Vec<_>>();
        assert_eq!(names(&batch), names(&theirs), "{name}");
    }
}
