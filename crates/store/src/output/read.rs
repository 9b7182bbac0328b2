//! Reading tables back.

use std::path::Path;

use arrow::array::RecordBatch;
use drawoff_contract::{ContractError, Table};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

use crate::disk;
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
    let file = disk::open(path)?;
    let broken = |reason: &dyn std::fmt::Display| {
        ContractError::new(path.display().to_string(), format!("cannot be read: {reason}"))
            .with_hint("the file may be cut short or damaged, or no Parquet file")
    };
    let opened = caught(|| ParquetRecordBatchReaderBuilder::try_new(file).and_then(|b| b.build()));
    let mut reader = opened.map_err(|panic| broken(&panic))?.map_err(|e| broken(&e))?;
    while let Some(batch) = caught(|| reader.next()).map_err(|panic| broken(&panic))? {
        take(batch.map_err(|e| broken(&e))?)?;
    }
    Ok(())
}
