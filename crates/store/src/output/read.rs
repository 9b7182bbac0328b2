//! Reading tables back.

use std::path::{Path, PathBuf};

use arrow::array::{Array, AsArray, BooleanArray, RecordBatch};
use arrow::compute::filter_record_batch;
use drawoff_contract::{ContractError, Table};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder,
};
use parquet::file::metadata::{ParquetMetaDataReader, RowGroupMetaData};

use crate::blob::Blob;
use crate::guard::caught;

/// Reads all rows of a table.
///
/// # Errors
/// Names the path, and the column where one is missing or of another type.
pub fn read_table<T: Table>(path: &Path) -> Result<Vec<T>, ContractError> {
    let mut rows = Vec::new();
    for batch in read_batches(path)? {
        let of_batch = T::from_batch(&batch).map_err(|mut e| {
            e.subject = format!("{}, {}", path.display(), e.subject);
            e
        })?;
        rows.extend(of_batch);
    }
    Ok(rows)
}

/// The rows of a table one after another, few of them in memory.
pub struct TableRows<T> {
    path: PathBuf,
    reader: ParquetRecordBatchReader,
    rows: std::vec::IntoIter<T>,
}

/// Rows of a table that are in memory at a time.
const ROWS_AT_ONCE: usize = 256;

impl<T: Table> TableRows<T> {
    /// Opens a table.
    ///
    /// # Errors
    /// Names the path and what is wrong.
    pub fn open(path: &Path) -> Result<Self, ContractError> {
        Self::open_wide(path, ROWS_AT_ONCE)
    }

    /// As [`TableRows::open`], with at most so many rows in memory: for rows that are large.
    ///
    /// # Errors
    /// Names the path and what is wrong.
    pub fn open_wide(path: &Path, rows_at_once: usize) -> Result<Self, ContractError> {
        let reader = batches_of(path, Some(rows_at_once), &|_, _| true, None)?;
        Ok(Self { path: path.to_owned(), reader, rows: Vec::new().into_iter() })
    }

    /// The next row, which stays the next; `None` after the last.
    ///
    /// # Errors
    /// As [`read_table`].
    pub fn peek(&mut self) -> Result<Option<&T>, ContractError> {
        while self.rows.len() == 0 {
            let batch = caught(|| self.reader.next()).map_err(|panic| broken(&self.path, &panic))?;
            let Some(batch) = batch else { return Ok(None) };
            let batch = batch.map_err(|e| broken(&self.path, &e))?;
            self.rows = T::from_batch(&batch)
                .map_err(|mut e| {
                    e.subject = format!("{}, {}", self.path.display(), e.subject);
                    e
                })?
                .into_iter();
        }
        Ok(self.rows.as_slice().first())
    }

    /// Takes the next row off; `None` after the last.
    ///
    /// # Errors
    /// As [`read_table`].
    pub fn take(&mut self) -> Result<Option<T>, ContractError> {
        self.peek()?;
        Ok(self.rows.next())
    }
}

fn broken(path: &Path, reason: &dyn std::fmt::Display) -> ContractError {
    ContractError::new(path.display().to_string(), format!("cannot be read: {reason}"))
        .with_hint("the file may be cut short or damaged, or no Parquet file")
}

/// Number of row groups of a table.
///
/// # Errors
/// Names the path and what is wrong.
pub fn read_groups(path: &Path) -> Result<usize, ContractError> {
    let file = Blob::open(path)?;
    let broken = |reason: &dyn std::fmt::Display| {
        ContractError::new(path.display().to_string(), format!("cannot be read: {reason}"))
    };
    let read = caught(|| ParquetMetaDataReader::new().parse_and_finish(&file));
    Ok(read.map_err(|panic| broken(&panic))?.map_err(|e| broken(&e))?.num_row_groups())
}

/// A table whose row groups are read one by one, its metadata once.
#[derive(Debug)]
pub struct TableGroups {
    path: PathBuf,
    stored: Option<Blob>,
    metadata: ArrowReaderMetadata,
}

impl TableGroups {
    /// Opens a table.
    ///
    /// # Errors
    /// Names the path and what is wrong.
    pub fn open(path: &Path) -> Result<Self, ContractError> {
        let file = Blob::open(path)?;
        let metadata = caught(|| ArrowReaderMetadata::load(&file, ArrowReaderOptions::new()));
        let metadata = metadata.map_err(|panic| broken(path, &panic))?.map_err(|e| broken(path, &e))?;
        // Another handle for each reading on a disk: rows are read from many threads.
        let stored = matches!(file, Blob::Object(_)).then_some(file);
        Ok(Self { path: path.to_owned(), stored, metadata })
    }

    /// All rows of one row group.
    ///
    /// # Errors
    /// As [`read_table`].
    pub fn rows<T: Table>(&self, group: usize) -> Result<Vec<T>, ContractError> {
        let file = match &self.stored {
            Some(file) => file.again().map_err(|e| broken(&self.path, &e))?,
            None => Blob::open(&self.path)?,
        };
        let metadata = self.metadata.clone();
        let read = caught(|| {
            let file = file.for_groups(metadata.metadata(), &[group], None)?;
            let builder = ParquetRecordBatchReaderBuilder::new_with_metadata(file, metadata);
            builder
                .with_row_groups(vec![group])
                .build()?
                .collect::<Result<Vec<RecordBatch>, _>>()
                .map_err(parquet::errors::ParquetError::from)
        });
        let batches =
            read.map_err(|panic| broken(&self.path, &panic))?.map_err(|e| broken(&self.path, &e))?;
        let mut rows = Vec::new();
        for batch in batches {
            rows.extend(T::from_batch(&batch).map_err(|mut e| {
                e.subject = format!("{}, {}", self.path.display(), e.subject);
                e
            })?);
        }
        Ok(rows)
    }
}

/// Reads the rows of one home from a table with a text column `home`; row groups that cannot hold it are not decoded.
///
/// # Errors
/// As [`read_table`], and when there is no such column.
pub fn read_home<T: Table>(path: &Path, home: &str) -> Result<Vec<T>, ContractError> {
    let mut rows = Vec::new();
    let name = path.display().to_string();
    let wanted = |_, group: &RowGroupMetaData| may_hold(group, home);
    each_batch_of(path, &wanted, &mut |batch| {
        let column = batch.column_by_name(HOME).and_then(|c| c.as_string_opt::<i32>().cloned());
        let column = column.ok_or_else(|| ContractError::new(name.clone(), "has no column `home`"))?;
        let mask: BooleanArray =
            (0..column.len()).map(|i| Some(column.is_valid(i) && column.value(i) == home)).collect();
        if mask.true_count() == 0 {
            return Ok(());
        }
        let own = filter_record_batch(&batch, &mask)
            .map_err(|e| ContractError::new(name.clone(), e.to_string()))?;
        rows.extend(T::from_batch(&own).map_err(|mut e| {
            e.subject = format!("{name}, {}", e.subject);
            e
        })?);
        Ok(())
    })?;
    Ok(rows)
}

const HOME: &str = "home";

/// Whether a row group's smallest and largest home leave room for this one; without such statistics it may.
fn may_hold(group: &RowGroupMetaData, home: &str) -> bool {
    let column = group.columns().iter().find(|c| c.column_path().string() == HOME);
    let Some(statistics) = column.and_then(|c| c.statistics()) else { return true };
    let below = statistics.min_bytes_opt().is_some_and(|least| home.as_bytes() < least);
    let above = statistics.max_bytes_opt().is_some_and(|most| home.as_bytes() > most);
    // A largest value that was cut short is made larger by its writer, so that both comparisons hold.
    !(below || above)
}

/// Reads all batches of a Parquet file, whole.
///
/// # Errors
/// Names the path and what is wrong.
pub fn read_batches(path: &Path) -> Result<Vec<RecordBatch>, ContractError> {
    let mut batches = Vec::new();
    each_batch(path, &mut |batch| {
        batches.push(batch);
        Ok(())
    })?;
    Ok(batches)
}

/// Gives the batches of a Parquet file one after another, in file order.
///
/// # Errors
/// Names the path and what is wrong, or passes on what `take` refuses.
pub fn each_batch(
    path: &Path,
    take: &mut dyn FnMut(RecordBatch) -> Result<(), ContractError>,
) -> Result<(), ContractError> {
    each_batch_of(path, &|_, _| true, take)
}

fn each_batch_of(
    path: &Path,
    wanted: &dyn Fn(usize, &RowGroupMetaData) -> bool,
    take: &mut dyn FnMut(RecordBatch) -> Result<(), ContractError>,
) -> Result<(), ContractError> {
    let broken = |reason: &dyn std::fmt::Display| broken(path, reason);
    let mut reader = batches_of(path, None, wanted, None)?;
    while let Some(batch) = caught(|| reader.next()).map_err(|panic| broken(&panic))? {
        take(batch.map_err(|e| broken(&e))?)?;
    }
    Ok(())
}

/// The batches of the wanted row groups of a Parquet file, with so many rows each (the decoder's own number, if `None`) and the named columns
/// (all, if `None`).
///
/// # Errors
/// Names the path and what is wrong.
pub(super) fn batches_of(
    path: &Path,
    batch_rows: Option<usize>,
    wanted: &dyn Fn(usize, &RowGroupMetaData) -> bool,
    named: Option<&dyn Fn(&str) -> bool>,
) -> Result<ParquetRecordBatchReader, ContractError> {
    let file = Blob::open(path)?;
    let opened = caught(|| {
        let metadata = ArrowReaderMetadata::load(&file, ArrowReaderOptions::new())?;
        let groups = metadata.metadata().row_groups().iter().enumerate();
        let groups: Vec<usize> = groups.filter(|(i, g)| wanted(*i, g)).map(|(i, _)| i).collect();
        let roots = named.map(|named| -> Vec<usize> {
            let fields = metadata.schema().fields().iter().enumerate();
            fields.filter(|(_, f)| named(f.name())).map(|(i, _)| i).collect()
        });
        let file = file.for_groups(metadata.metadata(), &groups, roots.as_deref())?;
        let mask = match roots {
            Some(roots) => ProjectionMask::roots(metadata.parquet_schema(), roots),
            None => ProjectionMask::all(),
        };
        let builder = ParquetRecordBatchReaderBuilder::new_with_metadata(file, metadata)
            .with_row_groups(groups)
            .with_projection(mask);
        match batch_rows {
            Some(rows) => builder.with_batch_size(rows),
            None => builder,
        }
        .build()
    });
    opened.map_err(|panic| broken(path, &panic))?.map_err(|e| broken(path, &e))
}
