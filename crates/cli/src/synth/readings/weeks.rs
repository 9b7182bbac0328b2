//! A file a week, homes one after the other, each with its rows in the order of their arrival.

use std::path::PathBuf;

use arrow::array::{BooleanArray, RecordBatch};
use arrow::compute::{concat_batches, filter_record_batch};
use arrow::datatypes::SchemaRef;
use drawoff_contract::ContractError;
use drawoff_store::output::export::ExportFile;
use drawoff_synth::{FleetPlan, readings_schema};
use rayon::prelude::*;

use super::{DAY_MS, Size, odd, stamps};
use crate::synth::column_code;

const WEEK_DAYS: u32 = 7;

/// Names of the files of a plan.
pub(super) fn names(plan: &FleetPlan) -> Vec<String> {
    (1..=plan.days.div_ceil(WEEK_DAYS)).map(|week| format!("week-{week}.parquet")).collect()
}

/// The weeks of a fleet on their way to the disk.
pub(crate) struct WeekFiles {
    files: Vec<ExportFile>,
    start_ms: i64,
    schema: SchemaRef,
}

impl WeekFiles {
    pub(super) fn begin(
        paths: Vec<PathBuf>,
        plan: &FleetPlan,
        zstd_level: i32,
    ) -> Result<Self, ContractError> {
        let schema = readings_schema(plan);
        let begin = |path: PathBuf| ExportFile::begin(&path, &schema, zstd_level, column_code);
        let files = paths.into_iter().map(begin).collect::<Result<_, _>>()?;
        Ok(Self { files, start_ms: plan.start_ms, schema })
    }

    pub(super) fn push(&mut self, homes: &[RecordBatch]) -> Result<(), ContractError> {
        let rows = concat_batches(&self.schema, homes).map_err(|e| odd(&e))?;
        let edge = |week: usize| self.start_ms + week as i64 * i64::from(WEEK_DAYS) * DAY_MS;
        let last = self.files.len().saturating_sub(1);
        self.files.par_iter_mut().enumerate().try_for_each(|(week, file)| {
            // A wrong clock may stamp rows outside the period: they go into the first and the last file.
            let after_ms = if week == 0 { i64::MIN } else { edge(week) };
            let to_ms = if week == last { i64::MAX } else { edge(week + 1) };
            file.group(&stamped(&rows, after_ms, to_ms)?)
        })
    }

    pub(super) fn finish(self) -> Result<Size, ContractError> {
        let mut size = Size::default();
        for file in self.files {
            size.rows += file.rows();
            size.bytes += file.finish()?;
        }
        Ok(size)
    }
}

/// The rows stamped after one instant and up to another, in the order in which they arrived.
fn stamped(readings: &RecordBatch, after_ms: i64, to_ms: i64) -> Result<RecordBatch, ContractError> {
    let inside: BooleanArray = stamps(readings)?.iter().map(|&t| Some(after_ms < t && t <= to_ms)).collect();
    filter_record_batch(readings, &inside).map_err(|e| odd(&e))
}
