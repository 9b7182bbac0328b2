//! Row accounting of a run against the input files, counted without the program's own intake.
#![expect(clippy::disallowed_methods, reason = "tests look at files without the store that wrote them")]
#![expect(clippy::expect_used, reason = "a test cannot go on without the files")]

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;

use arrow::array::AsArray;
use arrow::datatypes::{DataType, Int32Type};
use drawoff_contract::results::{FileRow, QualityRow};
use drawoff_store::output::read_table;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

/// Rows of a Parquet file as its footer says.
///
/// # Panics
/// When it cannot be read.
#[must_use]
pub fn rows_of(path: &Path) -> i64 {
    let file = File::open(path).expect("a file of readings");
    let reader = ParquetRecordBatchReaderBuilder::try_new(file).expect("a Parquet file");
    reader.metadata().file_metadata().num_rows()
}

/// Rows by home of a Parquet file, counted row by row.
///
/// # Panics
/// When it cannot be read, or has no such column of texts.
#[must_use]
pub fn rows_by_home(path: &Path, home_column: &str) -> BTreeMap<String, i64> {
    let file = File::open(path).expect("a file of readings");
    let builder = ParquetRecordBatchReaderBuilder::try_new(file).expect("a Parquet file");
    let mask = ProjectionMask::columns(builder.parquet_schema(), [home_column]);
    let reader = builder.with_projection(mask).with_batch_size(65_536).build().expect("a column of homes");
    let packed = DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8));
    let mut rows = BTreeMap::new();
    for batch in reader {
        let batch = batch.expect("rows that can be read");
        let homes = arrow::compute::cast(batch.column(0), &packed).expect("a column of texts");
        let homes = homes.as_dictionary::<Int32Type>();
        let mut counts = vec![0_i64; homes.values().len()];
        homes.keys().iter().flatten().for_each(|key| counts[key as usize] += 1);
        for (home, count) in homes.values().as_string::<i32>().iter().zip(counts) {
            *rows.entry(home.expect("a name").to_owned()).or_default() += count;
        }
    }
    rows
}

/// What one line of an account must fulfil, whether of a file or of a home.
struct Line<'a> {
    of: &'a str,
    rows: [i64; 4],
    values: [i64; 4],
}

impl Line<'_> {
    fn assert_identities(&self) {
        for [whole, used, masked, rest] in [self.rows, self.values] {
            assert_eq!(whole, used + masked + rest, "{}", self.of);
            assert!([whole, used, masked, rest].iter().all(|&n| n >= 0), "{}", self.of);
        }
    }
}

/// Asserts that the accounts of a run are exact: rows of every file and home as stored, and both identities.
///
/// # Panics
/// When they are not.
pub fn assert_exact(run: &Path, exports: &Path, home_column: &str, values_per_row: i64) {
    let files: Vec<FileRow> = read_table(&run.join("files.parquet")).expect("accounts of the files");
    let homes: Vec<QualityRow> = read_table(&run.join("quality.parquet")).expect("accounts of the homes");
    assert!(!files.is_empty() && !homes.is_empty());
    let mut stored: BTreeMap<String, i64> = BTreeMap::new();
    for f in &files {
        let path = exports.join(&f.file);
        assert_eq!((f.status.as_str(), f.rows_in), ("ok", rows_of(&path)), "{}", f.file);
        assert_eq!(f.values_in, f.rows_in * values_per_row, "{}", f.file);
        Line {
            of: &f.file,
            rows: [f.rows_in, f.rows_used, f.rows_masked, f.rows_rejected],
            values: [f.values_in, f.values_used, f.values_masked, f.values_absent],
        }
        .assert_identities();
        for (home, rows) in rows_by_home(&path, home_column) {
            *stored.entry(home).or_default() += rows;
        }
    }
    for h in &homes {
        assert_eq!(h.rows_in, stored.remove(&h.home).unwrap_or(0), "{}", h.home);
        Line {
            of: &h.home,
            rows: [h.rows_in, h.rows_used, h.rows_masked, h.rows_rejected],
            values: [h.values_in, h.values_used, h.values_masked, h.values_absent],
        }
        .assert_identities();
    }
    assert!(stored.is_empty(), "homes without an account: {:?}", stored.keys());
    let sum = |get: fn(&FileRow) -> i64| files.iter().map(get).sum::<i64>();
    let sum_homes = |get: fn(&QualityRow) -> i64| homes.iter().map(get).sum::<i64>();
    assert_eq!(sum(|f| f.rows_used), sum_homes(|h| h.rows_used));
    assert_eq!(sum(|f| f.rows_masked), sum_homes(|h| h.rows_masked));
    assert_eq!(sum(|f| f.rows_rejected), sum_homes(|h| h.rows_rejected));
    assert_eq!(sum(|f| f.values_used), sum_homes(|h| h.values_used));
    let manifest: serde_json::Value =
        serde_json::from_str(&crate::program::text_of(&run.join("manifest.json"))).expect("a manifest");
    assert_eq!(manifest["rows_in"].as_i64(), Some(sum(|f| f.rows_in)));
    assert_eq!(manifest["accounts_balance"], true);
}
