//! Rows that come home after home and in time order, from whoever has sorted them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use arrow::array::RecordBatch;
use arrow::compute::cast;
use arrow::datatypes::{DataType, Field, Schema, SchemaRef};
use drawoff_contract::mapping::ReadingsMapping;
use drawoff_contract::{Account, ContractError, Cylinder, HomeRows, Mapping, Shape};

use crate::intake::file::Collector;
use crate::intake::merge;
use crate::intake::names::{NO_NAME, names};
use crate::intake::part::{FileRows, Filter};
use crate::intake::plan;
use crate::intake::shares::Shares;
use crate::intake::time::{NO_TIME, times};

/// All rows of one home.
#[derive(Clone, Debug, Default)]
pub struct GroupedHome {
    /// The export's own identifier, unchanged; empty for rows that name none.
    pub home: String,
    /// Rows as they came.
    pub rows_in: u64,
    /// Usable rows, as the intake of files gives them.
    pub rows: HomeRows,
    /// The others, counted.
    pub rejected: Account,
}

/// Cuts a stream of rows into homes, and demands that it is sorted: a batch is no group, and a group knows no batches.
///
/// Columns, units, masks and rejections are those of [`crate::Intake`] on one file. Of copies of an instant the last counts.
#[derive(Debug)]
pub struct Grouped<'a> {
    mapping: &'a ReadingsMapping,
    cylinders: &'a BTreeMap<String, Cylinder>,
    /// Mapped value columns of the stream.
    columns: usize,
    everything: Shares,
    open: Option<Open<'a>>,
    /// Homes that are complete.
    done: BTreeSet<String>,
    rows_in: u64,
}

struct Open<'a> {
    home: String,
    rows_in: u64,
    latest_ms: i64,
    collector: Collector<'a>,
}

impl std::fmt::Debug for Open<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Open").field("home", &self.home).field("rows_in", &self.rows_in).finish()
    }
}

/// What becomes of the rows of a home.
pub(crate) type TakeHome<'t> = dyn FnMut(GroupedHome) -> Result<(), ContractError> + 't;

impl<'a> Grouped<'a> {
    /// Before the first batch of a stream.
    ///
    /// # Errors
    /// All that is wrong with its columns.
    pub fn begin(
        schema: &SchemaRef,
        mapping: &'a Mapping,
        cylinders: &'a BTreeMap<String, Cylinder>,
    ) -> Result<Self, Vec<ContractError>> {
        let readings = &mapping.readings;
        let mut problems = plan::problems_of_schema("the stream", schema, readings);
        if let Ok(field) = schema.field_with_name(&readings.time_column)
            && matches!(field.data_type(), DataType::Timestamp(_, None))
        {
            problems.push(zone_less(&readings.time_column));
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        let has = |column: &str| schema.index_of(column).is_ok();
        Ok(Self {
            mapping: readings,
            cylinders,
            columns: readings.wide.iter().filter(|w| has(&w.column)).count(),
            everything: Shares::default(),
            open: None,
            done: BTreeSet::new(),
            rows_in: 0,
        })
    }

    /// Rows so far.
    #[must_use]
    pub fn rows_in(&self) -> u64 {
        self.rows_in
    }

    /// Adds the rows of a batch; homes that it completes go to `take`.
    ///
    /// # Errors
    /// When a home comes a second time, its rows are not in time order, or their times have no zone, and what `take` gives.
    pub fn push(&mut self, batch: &RecordBatch, take: &mut TakeHome<'_>) -> Result<(), ContractError> {
        let odd = |e: arrow::error::ArrowError| ContractError::new("the stream", e.to_string());
        let batch = self.with_plain_homes(batch).map_err(odd)?;
        let column = |name: &str| batch.column_by_name(name).cloned().ok_or_else(|| missing(name));
        let homes = names(&column(&self.mapping.home)?).map_err(odd)?;
        let time = times(&column(&self.mapping.time_column)?, self.mapping.time_format).map_err(odd)?;
        if time.naive.is_some_and(|rows| rows.contains(&true)) {
            return Err(zone_less(&self.mapping.time_column));
        }
        let mut start = 0;
        for run in homes.codes.chunk_by(|a, b| a == b) {
            let rows = start..start + run.len();
            start = rows.end;
            let home = if run[0] == NO_NAME { "" } else { &homes.names[run[0] as usize] };
            self.enter(home, take)?;
            let Some(open) = &mut self.open else { continue };
            for &ms in time.ms[rows.clone()].iter().filter(|&&ms| ms != NO_TIME) {
                if ms < open.latest_ms && !open.home.is_empty() {
                    return Err(unordered(home, ms, open.latest_ms));
                }
                open.latest_ms = ms;
            }
            let filter =
                Filter { shares: &self.everything, share: 0, nobody: true, promised: None, only: None };
            let slice = batch.slice(rows.start, rows.len());
            open.collector.batch(&slice, filter).map_err(odd)?;
            open.rows_in += run.len() as u64;
            self.rows_in += run.len() as u64;
        }
        Ok(())
    }

    /// Gives the last home; call it only after the end mark of the stream.
    ///
    /// # Errors
    /// What `take` gives.
    pub fn end(&mut self, take: &mut TakeHome<'_>) -> Result<(), ContractError> {
        self.open.take().map_or(Ok(()), |open| take(self.closed(open)))
    }

    /// Makes `home` the one that is open.
    fn enter(&mut self, home: &str, take: &mut TakeHome<'_>) -> Result<(), ContractError> {
        if self.open.as_ref().is_some_and(|open| open.home == home) {
            return Ok(());
        }
        if let Some(open) = self.open.take() {
            self.done.insert(open.home.clone());
            take(self.closed(open))?;
        }
        if self.done.contains(home) {
            let message = "its rows do not lie together: the stream is not grouped by home";
            return Err(ContractError::new(format!("home {home}"), message)
                .with_hint("send all rows of a home to one process, sorted by home and time"));
        }
        let values = if self.mapping.shape == Shape::Wide { self.columns as u64 } else { 1 };
        self.open = Some(Open {
            home: home.to_owned(),
            rows_in: 0,
            latest_ms: NO_TIME,
            collector: Collector::new(self.mapping, self.cylinders, values),
        });
        Ok(())
    }

    fn closed(&self, open: Open<'a>) -> GroupedHome {
        let FileRows { homes, lost } = open.collector.finish();
        // At most one: the stream as a file of one home.
        let parts = homes.into_values().map(|part| (0, part)).collect();
        GroupedHome {
            home: open.home,
            rows_in: open.rows_in,
            rows: merge::merge(self.mapping.shape, parts, self.columns),
            rejected: lost.account,
        }
    }

    /// The batch with identifiers as texts: a dictionary of all homes would be looked through for each of them.
    fn with_plain_homes(&self, batch: &RecordBatch) -> Result<RecordBatch, arrow::error::ArrowError> {
        let schema = batch.schema();
        let at = schema.index_of(&self.mapping.home)?;
        if *schema.field(at).data_type() == DataType::Utf8 {
            return Ok(batch.clone());
        }
        let mut columns = batch.columns().to_vec();
        columns[at] = cast(&columns[at], &DataType::Utf8)?;
        let mut fields: Vec<Arc<Field>> = schema.fields().iter().cloned().collect();
        fields[at] = Arc::new(Field::new(&self.mapping.home, DataType::Utf8, true));
        RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)
    }
}

fn missing(column: &str) -> ContractError {
    ContractError::new("the stream", format!("column `{column}` is missing"))
}

fn zone_less(column: &str) -> ContractError {
    ContractError::new(format!("the stream, column `{column}`"), "the times have no zone")
        .with_hint("send instants: an engine's session zone must not decide what a local time means")
}

fn unordered(home: &str, ms: i64, latest_ms: i64) -> ContractError {
    let message = format!("its rows are not in time order: {ms} ms after {latest_ms} ms");
    ContractError::new(format!("home {home}"), message).with_hint("sort by home and time before sending")
}

#[cfg(test)]
mod tests;
