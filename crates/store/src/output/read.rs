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
    let file = disk::open(path)?;
    let broken = |reason: &dyn std::fmt::Display| {
        ContractError::new(path.display().to_string(), format!("cannot be read: {reason}"))
            .with_hint("the file may be cut short or damaged, or no Parquet file")
    };
    let read = caught(|| {
        let reader = ParquetRecordBatchReaderBuilder::try_new(file).and_then(|b| b.build())?;
        reader
            .map(|batch| batch.map_err(Into::into))
            .collect::<Result<Vec<_>, parquet::errors::ParquetError>>()
    });
    match read {
        Ok(Ok(batches)) => Ok(batches),
        Ok(Err(e)) => Err(broken(&e)),
        Err(panic) => Err(broken(&panic)),
    }
}
