//! A table read home by home, for whoever needs many homes of many tables and none of them whole.

use std::path::{Path, PathBuf};

use arrow::array::{Array, AsArray, RecordBatch, StringArray};
use drawoff_contract::{ContractError, Table};
use parquet::arrow::arrow_reader::ParquetRecordBatchReader;

use crate::guard::caught;
use crate::output::read::batches_of;

/// Rows decoded at a time: enough to be quick, some megabytes of the widest table.
const ROWS_AT_ONCE: usize = 8_192;

/// The rows of one home after another from a table that lies in the order of its homes, as tables of a run do.
///
/// Rows of homes that nobody asks for are decoded in columns and never made.
pub struct HomesInOrder<T> {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
    batch: Option<Part>,
    rows: std::marker::PhantomData<T>,
}

/// A batch and how much of it is past.
struct Part {
    batch: RecordBatch,
    homes: StringArray,
    at: usize,
}

impl<T: Table> HomesInOrder<T> {
    /// Opens a table with a text column `home`.
    ///
    /// # Errors
    /// Names the path and what is wrong.
    pub fn open(path: &Path) -> Result<Self, ContractError> {
        // Columns that the rows have no field for are not decoded.
        let wanted = T::columns();
        let named = |name: &str| wanted.iter().any(|c| c.name == name);
        let reader = batches_of(path, Some(ROWS_AT_ONCE), &|_, _| true, Some(&named))?;
        Ok(Self { path: path.to_owned(), reader, batch: None, rows: std::marker::PhantomData })
    }

    /// All rows of a home, none when the table has none. Homes are asked for in ascending order; of one that comes too late nothing is
    /// left.
    ///
    /// # Errors
    /// As [`HomesInOrder::open`], and when the rows are not of this table.
    pub fn of(&mut self, home: &str) -> Result<Vec<T>, ContractError> {
        let mut rows = Vec::new();
        loop {
            if self.batch.is_none() && !self.next_batch()? {
                break;
            }
            let Some(part) = &mut self.batch else { break };
            let from = part.first(|name| name >= home);
            part.at = from;
            let to = part.first(|name| name > home);
            if to > from {
                let own = T::from_batch(&part.batch.slice(from, to - from));
                rows.extend(own.map_err(|mut e| {
                    e.subject = format!("{}, {}", self.path.display(), e.subject);
                    e
                })?);
            }
            part.at = to;
            if to < part.homes.len() {
                break;
            }
            self.batch = None;
        }
        Ok(rows)
    }

    fn next_batch(&mut self) -> Result<bool, ContractError> {
        let next = caught(|| self.reader.next()).map_err(|panic| broken(&self.path, &panic))?;
        let Some(batch) = next else { return Ok(false) };
        let batch = batch.map_err(|e| broken(&self.path, &e))?;
        let homes = batch.column_by_name("home").and_then(|c| c.as_string_opt::<i32>()).cloned();
        let homes = homes.ok_or_else(|| broken(&self.path, &"it has no column `home`"))?;
        self.batch = Some(Part { batch, homes, at: 0 });
        Ok(true)
    }
}

impl Part {
    /// The first place from here on whose home is as wanted; the length where there is none. Homes ascend.
    fn first(&self, is_there: impl Fn(&str) -> bool) -> usize {
        let (mut low, mut high) = (self.at, self.homes.len());
        while low < high {
            let middle = low + (high - low) / 2;
            if is_there(self.homes.value(middle)) { high = middle } else { low = middle + 1 }
        }
        low
    }
}

fn broken(path: &Path, reason: &dyn std::fmt::Display) -> ContractError {
    ContractError::new(path.display().to_string(), format!("cannot be read: {reason}"))
        .with_hint("the file may be cut short or damaged, or no Parquet file")
}

#[cfg(test)]
mod tests {
    use drawoff_contract::results::LeftOffRow;

    use super::*;
    use crate::RunFolder;

    #[test]
    fn homes_across_batches_come_whole_and_others_are_passed_over() {
        let dir = tempfile::tempdir().unwrap();
        let row = |home: usize, i: usize| LeftOffRow {
            home: format!("{home:03}"),
            fault: i.to_string(),
            why: String::new(),
        };
        // Homes of 700 rows: every twelfth lies across two batches.
        let rows: Vec<LeftOffRow> = (0..40).flat_map(|h| (0..700).map(move |i| row(2 * h, i))).collect();
        let mut folder = RunFolder::begin(dir.path()).unwrap();
        folder.table(rows).unwrap();
        folder.finish(serde_json::json!({})).unwrap();
        let mut table = HomesInOrder::<LeftOffRow>::open(&dir.path().join("left_off.parquet")).unwrap();
        for (home, count) in [("000", 700), ("001", 0), ("022", 700), ("024", 700), ("078", 700), ("079", 0)]
        {
            let found = table.of(home).unwrap();
            assert_eq!(found.len(), count, "{home}");
            assert!(found.iter().enumerate().all(|(i, r)| r.home == home && r.fault == i.to_string()));
        }
        assert!(table.of("022").unwrap().is_empty(), "what is past is past");
    }
}
