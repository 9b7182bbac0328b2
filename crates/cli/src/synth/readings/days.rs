//! A file a day, all homes mixed in the order of arrival, as a nightly export has them.
//!
//! Homes are made a portion at a time, so each day is first written in parts, a portion after the other, and in the
//! end sorted from its parts, a slice of the day at a time: memory does not grow with the number of homes.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow::array::{AsArray, BooleanArray, Int64Array, RecordBatch, UInt32Array};
use arrow::compute::{concat_batches, filter_record_batch, take_record_batch};
use arrow::datatypes::{DataType, Field, Int64Type, Schema, SchemaRef};
use chrono::DateTime;
use drawoff_contract::ContractError;
use drawoff_store::output::each_batch;
use drawoff_store::output::export::{ColumnCode, ExportFile, remove};
use drawoff_synth::{FleetPlan, readings_schema};
use rayon::prelude::*;

use super::{DAY_MS, Size, odd, stamps};
use crate::synth::column_code;

/// Most rows of a day that are sorted at once, about 100 MB.
const ROWS_SORTED_AT_ONCE: u64 = 1_000_000;
/// Column of the parts: instant of arrival, UTC ms.
const ARRIVED: &str = "arrived";
/// Parts live for seconds only.
const PART_ZSTD: i32 = 1;

/// Names of the files of a plan, by UTC day.
pub(super) fn names(plan: &FleetPlan) -> Vec<String> {
    let date = |day: u32| DateTime::from_timestamp_millis(plan.start_ms + i64::from(day) * DAY_MS);
    let name = |day| format!("day-{}.parquet", date(day).unwrap_or_default().format("%Y-%m-%d"));
    (0..plan.days).map(name).collect()
}

/// The days of a fleet on their way to the disk.
pub(crate) struct DayFiles {
    days: Vec<DayFile>,
    parts_schema: SchemaRef,
    zstd_level: i32,
    rows_sorted_at_once: u64,
}

struct DayFile {
    path: PathBuf,
    parts: PathBuf,
    part: ExportFile,
    /// Of the readings.
    schema: SchemaRef,
    /// First and last instant of arrival: after the one, up to the other.
    after_ms: i64,
    to_ms: i64,
}

impl DayFiles {
    pub(super) fn begin(
        paths: Vec<PathBuf>,
        plan: &FleetPlan,
        zstd_level: i32,
    ) -> Result<Self, ContractError> {
        let (schema, start_ms) = (readings_schema(plan), plan.start_ms);
        let parts_schema = parts_schema(&schema);
        let begin = |(day, path): (usize, PathBuf)| {
            let parts = hidden(&path);
            let code = |field: &Field| match field.name().as_str() {
                ARRIVED => ColumnCode::Steps,
                _ => column_code(field),
            };
            let part = ExportFile::begin(&parts, &parts_schema, PART_ZSTD, code)?;
            let after_ms = start_ms + day as i64 * DAY_MS;
            let schema = schema.clone();
            Ok(DayFile { path, parts, part, schema, after_ms, to_ms: after_ms + DAY_MS })
        };
        let mut days: Vec<DayFile> =
            paths.into_iter().enumerate().map(begin).collect::<Result<_, ContractError>>()?;
        // A wrong clock may stamp rows outside the period.
        if let Some(first) = days.first_mut() {
            first.after_ms = i64::MIN;
        }
        if let Some(last) = days.last_mut() {
            last.to_ms = i64::MAX;
        }
        Ok(Self { days, parts_schema, zstd_level, rows_sorted_at_once: ROWS_SORTED_AT_ONCE })
    }

    pub(super) fn push(&mut self, homes: &[RecordBatch]) -> Result<(), ContractError> {
        let homes = homes.iter().map(with_arrival).collect::<Result<Vec<_>, _>>()?;
        let rows = concat_batches(&self.parts_schema, &homes).map_err(|e| odd(&e))?;
        self.days.par_iter_mut().try_for_each(|day| day.part.group(&arrived(&rows, day.after_ms, day.to_ms)?))
    }

    pub(super) fn finish(self) -> Result<Size, ContractError> {
        let (zstd_level, at_once) = (self.zstd_level, self.rows_sorted_at_once);
        let sizes: Vec<Size> =
            self.days.into_par_iter().map(|day| day.finish(zstd_level, at_once)).collect::<Result<_, _>>()?;
        Ok(sizes.into_iter().fold(Size::default(), |all, day| Size {
            rows: all.rows + day.rows,
            bytes: all.bytes + day.bytes,
        }))
    }
}

impl DayFile {
    /// Sorts the parts of the day by arrival into its file; rows that arrive together keep the order of the homes.
    fn finish(self, zstd_level: i32, rows_sorted_at_once: u64) -> Result<Size, ContractError> {
        let rows = self.part.rows();
        self.part.finish()?;
        let mut file = ExportFile::begin(&self.path, &self.schema, zstd_level, column_code)?;
        let slices = rows.div_ceil(rows_sorted_at_once).max(1) as i64;
        // The first and the last day are open to one side; their slices are those of an ordinary day.
        let start_ms = if self.after_ms == i64::MIN { self.to_ms - DAY_MS } else { self.after_ms };
        let edge = |slice: i64| match slice {
            0 => self.after_ms,
            s if s == slices => self.to_ms,
            s => start_ms + DAY_MS * s / slices,
        };
        for slice in 0..slices {
            let mut found = Vec::new();
            each_batch(&self.parts, &mut |batch| {
                found.push(arrived(&batch, edge(slice), edge(slice + 1))?);
                Ok(())
            })?;
            file.group(&sorted(&parts_schema(&self.schema), &found)?)?;
        }
        remove(&self.parts);
        Ok(Size { rows: file.rows(), bytes: file.finish()? })
    }
}

/// Parts are hidden, so that no intake reads them.
fn hidden(path: &Path) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!(".parts-of-{name}"))
}

fn parts_schema(readings: &SchemaRef) -> SchemaRef {
    let mut fields: Vec<Arc<Field>> = readings.fields().iter().cloned().collect();
    fields.push(Arc::new(Field::new(ARRIVED, DataType::Int64, false)));
    Arc::new(Schema::new(fields))
}

/// Adds the instant of arrival to the rows of one home: the latest stamp up to there, since late rows lie where they came.
fn with_arrival(home: &RecordBatch) -> Result<RecordBatch, ContractError> {
    let mut latest = i64::MIN;
    let arrival = stamps(home)?.iter().map(|&t| {
        latest = latest.max(t);
        latest
    });
    let mut columns = home.columns().to_vec();
    columns.push(Arc::new(Int64Array::from_iter_values(arrival)));
    RecordBatch::try_new(parts_schema(&home.schema()), columns).map_err(|e| odd(&e))
}

fn arrivals(rows: &RecordBatch) -> Result<&[i64], ContractError> {
    let column = rows.column_by_name(ARRIVED).and_then(|c| c.as_primitive_opt::<Int64Type>());
    column
        .map(|c| c.values().as_ref())
        .ok_or_else(|| ContractError::new(ARRIVED, "is no column of whole numbers"))
}

/// The rows that arrived after one instant and up to another.
fn arrived(rows: &RecordBatch, after_ms: i64, to_ms: i64) -> Result<RecordBatch, ContractError> {
    let inside: BooleanArray = arrivals(rows)?.iter().map(|&t| Some(after_ms < t && t <= to_ms)).collect();
    filter_record_batch(rows, &inside).map_err(|e| odd(&e))
}

/// All rows in the order of their arrival, without the column that says it.
fn sorted(parts_schema: &SchemaRef, found: &[RecordBatch]) -> Result<RecordBatch, ContractError> {
    let rows = concat_batches(parts_schema, found).map_err(|e| odd(&e))?;
    let keys = arrivals(&rows)?;
    let mut order: Vec<u32> = (0..keys.len() as u32).collect();
    order.sort_by_key(|&i| keys[i as usize]);
    let rows = take_record_batch(&rows, &UInt32Array::from(order)).map_err(|e| odd(&e))?;
    let readings: Vec<usize> = (0..parts_schema.fields().len() - 1).collect();
    rows.project(&readings).map_err(|e| odd(&e))
}

#[cfg(test)]
mod tests {
    use drawoff_store::output::read_batches;
    use drawoff_synth::generate_home;

    use super::*;

    #[test]
    fn slices_of_a_day_make_the_whole() {
        let plan = FleetPlan { homes: 3, days: 2, cadence_min: 60, ..FleetPlan::default() };
        let homes: Vec<RecordBatch> = (0..3).map(|i| generate_home(&plan, i).unwrap().readings).collect();
        let made = |rows_sorted_at_once: u64| {
            let dir = tempfile::tempdir().unwrap();
            let paths: Vec<PathBuf> = names(&plan).iter().map(|name| dir.path().join(name)).collect();
            let mut files = DayFiles::begin(paths.clone(), &plan, 1).unwrap();
            files.rows_sorted_at_once = rows_sorted_at_once;
            files.push(&homes[..2]).unwrap();
            files.push(&homes[2..]).unwrap();
            let size = files.finish().unwrap();
            assert_eq!(size.rows, homes.iter().map(|h| h.num_rows() as u64).sum::<u64>());
            assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 2, "no part is left");
            paths
                .iter()
                .map(|path| concat_batches(&readings_schema(&plan), &read_batches(path).unwrap()).unwrap())
                .collect::<Vec<_>>()
        };
        assert_eq!(names(&plan), ["day-2026-03-09.parquet", "day-2026-03-10.parquet"]);
        let whole = made(1_000);
        for at_once in [7, 30] {
            assert_eq!(made(at_once), whole);
        }
    }
}
