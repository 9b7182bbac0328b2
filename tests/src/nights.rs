//! A few homes of the sample fleet as a nightly export has them: a file a day, put down and taken away by tests.
#![expect(clippy::expect_used, clippy::unwrap_used, reason = "a test cannot go on without the files")]

use std::collections::BTreeMap;
use std::path::PathBuf;

use arrow::array::{AsArray, BooleanArray, Float64Array, RecordBatch};
use arrow::compute::{cast, concat_batches, filter_record_batch};
use arrow::datatypes::{DataType, TimestampMillisecondType};
use drawoff_store::output::read_batches;

use crate::program::{Ended, bytes_of};
use crate::small_fleet::{FILES, SmallFleet};

const DAY_MS: i64 = 86_400_000;

/// The fleet, its readings by UTC day, and where nights are kept.
pub struct Nights {
    /// Register, mapping and pipeline; its readings are those that were put down.
    pub fleet: SmallFleet,
    /// The rows of each day in order, all homes.
    pub days: Vec<RecordBatch>,
    program: String,
}

impl Nights {
    /// Two weeks of four homes; no file is there yet.
    ///
    /// # Panics
    /// When the files cannot be read or written.
    #[must_use]
    pub fn new(program: impl Into<String>) -> Self {
        let fleet = SmallFleet::new();
        let mut weeks = Vec::new();
        for file in FILES {
            let path = fleet.path(&format!("readings/{file}"));
            weeks.extend(read_batches(&path).expect("a week"));
            std::fs::remove_file(path).expect("a file");
        }
        let all = concat_batches(&weeks[0].schema(), &weeks).expect("one batch");
        let mut days: BTreeMap<i64, Vec<bool>> = BTreeMap::new();
        for (row, day) in day_of(&all).into_iter().enumerate() {
            days.entry(day).or_insert_with(|| vec![false; all.num_rows()])[row] = true;
        }
        let of_day = |rows: Vec<bool>| filter_record_batch(&all, &BooleanArray::from(rows)).expect("rows");
        Self { days: days.into_values().map(of_day).collect(), fleet, program: program.into() }
    }

    /// The name of a day's file.
    #[must_use]
    pub fn name(day: usize) -> String {
        format!("day-{day:02}.parquet")
    }

    /// Where a file of readings lies.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.fleet.path(&format!("readings/{name}"))
    }

    /// Puts down the file of a day under its usual name.
    pub fn put(&self, day: usize) {
        self.put_rows(&Self::name(day), &self.days[day]);
    }

    /// Puts down a file.
    pub fn put_rows(&self, name: &str, rows: &RecordBatch) {
        self.fleet.write_batch(&format!("readings/{name}"), rows);
    }

    /// Takes a file away.
    ///
    /// # Panics
    /// When it is not there.
    pub fn take(&self, name: &str) {
        std::fs::remove_file(self.path(name)).expect("a file to take away");
    }

    /// Renames a file.
    ///
    /// # Panics
    /// When it is not there.
    pub fn rename(&self, from: &str, to: &str) {
        std::fs::rename(self.path(from), self.path(to)).expect("a file to rename");
    }

    /// A night with the kept daybook in `kept`.
    ///
    /// # Panics
    /// When it fails.
    pub fn night(&self, kept: &str, set: &[&str]) -> (Ended, BTreeMap<String, Vec<u8>>) {
        let keep = format!("daybook.keep={}", self.fleet.path(kept).display());
        let out = format!("outputs.dir={}", self.fleet.path("night").display());
        let mut all = vec![keep.as_str(), out.as_str()];
        all.extend(set);
        self.run(&all, "night")
    }

    /// One run over all files that are there, with nothing kept.
    ///
    /// # Panics
    /// When it fails.
    #[must_use]
    pub fn one_run(&self, set: &[&str]) -> BTreeMap<String, Vec<u8>> {
        let out = format!("outputs.dir={}", self.fleet.path("whole").display());
        let mut all = vec![out.as_str()];
        all.extend(set);
        self.run(&all, "whole").1
    }

    fn run(&self, set: &[&str], out: &str) -> (Ended, BTreeMap<String, Vec<u8>>) {
        let ended = self.fleet.drawoff(&self.program, "run", set);
        assert!([0, 4].contains(&ended.code), "{}", ended.stderr);
        let files = bytes_of(&self.fleet.path(out));
        (ended, files)
    }
}

/// UTC day of each row; a stamp ends its interval.
fn day_of(rows: &RecordBatch) -> Vec<i64> {
    let ms = cast(
        rows.column_by_name("time").unwrap(),
        &DataType::Timestamp(arrow::datatypes::TimeUnit::Millisecond, Some("UTC".into())),
    )
    .expect("times");
    let ms = ms.as_primitive::<TimestampMillisecondType>();
    ms.values().iter().map(|t| (t - 1).div_euclid(DAY_MS)).collect()
}

/// The same rows with a column of numbers changed.
///
/// # Panics
/// When there is no such column.
#[must_use]
pub fn changed(rows: &RecordBatch, column: &str, change: impl Fn(f64) -> f64) -> RecordBatch {
    let at = rows.schema().index_of(column).expect("a column");
    let plain = cast(rows.column(at), &DataType::Float64).expect("numbers");
    let plain = plain.as_primitive::<arrow::datatypes::Float64Type>();
    let new: Float64Array = plain.iter().map(|v| v.map(&change)).collect();
    let mut columns = rows.columns().to_vec();
    columns[at] = cast(&new, rows.column(at).data_type()).expect("the same type");
    RecordBatch::try_new(rows.schema(), columns).expect("the same columns")
}

/// The rows of some homes.
///
/// # Panics
/// When there is no column `home`.
#[must_use]
pub fn of_homes(rows: &RecordBatch, wanted: impl Fn(&str) -> bool) -> RecordBatch {
    let homes = rows.column_by_name("home").expect("homes").as_string::<i32>();
    let here: BooleanArray = homes.iter().map(|home| Some(home.is_some_and(&wanted))).collect();
    filter_record_batch(rows, &here).expect("rows")
}
