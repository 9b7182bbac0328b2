//! Tables that are written row group by row group, because they would not fit into memory.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use arrow::array::RecordBatch;
use arrow::datatypes::SchemaRef;
use drawoff_contract::{ContractError, Table};
use parquet::arrow::ArrowWriter;
use sha2::{Digest, Sha256};

use super::{hex, properties};
use crate::{disk, failing};

/// Rows after which a row group ends by itself.
const GROUP_ROWS: usize = 1 << 15;

/// A Parquet file of one table being written in the folder of a run.
///
/// Rows lie in the order in which they are pushed.
#[derive(Debug)]
pub struct TableStream<T> {
    path: PathBuf,
    writer: ArrowWriter<Hashed>,
    rows: Vec<T>,
    /// Row groups so far.
    groups: usize,
}

/// A file with the hash of what was written to it.
#[derive(Debug)]
struct Hashed {
    file: File,
    hash: Sha256,
    bytes: u64,
}

impl Write for Hashed {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        failing::step()?;
        let written = self.file.write(bytes)?;
        self.hash.update(&bytes[..written]);
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}

impl<T: Table> TableStream<T> {
    pub(crate) fn begin(path: &Path, zstd_level: i32) -> Result<Self, ContractError> {
        let file = disk::create(path)?;
        let hashed = Hashed { file, hash: Sha256::new(), bytes: 0 };
        let writer = ArrowWriter::try_new(hashed, T::schema(), Some(properties(path, zstd_level)?))
            .map_err(|e| broken(path, &e))?;
        Ok(Self { path: path.to_owned(), writer, rows: Vec::new(), groups: 0 })
    }

    /// Where the file is as long as the run is not finished.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Adds rows; a row group ends when it has become large.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn push(&mut self, rows: impl IntoIterator<Item = T>) -> Result<(), ContractError> {
        self.rows.extend(rows);
        if self.rows.len() >= GROUP_ROWS { self.end_group().map(|_| ()) } else { Ok(()) }
    }

    /// Adds rows to the row group, however large it becomes, and gives its number of rows.
    pub fn push_to_group(&mut self, rows: impl IntoIterator<Item = T>) -> usize {
        self.rows.extend(rows);
        self.rows.len()
    }

    /// Ends the row group and gives its number in the file; without rows in it there is none.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn end_group(&mut self) -> Result<Option<usize>, ContractError> {
        if self.rows.is_empty() {
            return Ok(None);
        }
        let batch = T::to_batch(std::mem::take(&mut self.rows))?;
        let written = self.writer.write(&batch).and_then(|()| self.writer.flush());
        written.map_err(|e| broken(&self.path, &e))?;
        self.groups += 1;
        Ok(Some(self.groups - 1))
    }

    /// Ends a file that is no part of a run.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn end_aside(mut self) -> Result<PathBuf, ContractError> {
        self.end_group()?;
        self.writer.close().map_err(|e| broken(&self.path, &e))?;
        Ok(self.path)
    }

    /// Ends the file once it is on the disk, and gives its size and hash.
    pub(crate) fn end(mut self) -> Result<(u64, String), ContractError> {
        self.end_group()?;
        let hashed = self.writer.into_inner().map_err(|e| broken(&self.path, &e))?;
        disk::sync(&self.path, &hashed.file)?;
        Ok((hashed.bytes, hex(&hashed.hash.finalize())))
    }
}

/// A Parquet file of any columns being written in the folder of a run.
#[derive(Debug)]
pub struct BatchStream {
    pub(super) name: String,
    path: PathBuf,
    writer: ArrowWriter<Hashed>,
}

impl BatchStream {
    pub(super) fn begin(
        path: &Path,
        name: &str,
        schema: &SchemaRef,
        zstd_level: i32,
    ) -> Result<Self, ContractError> {
        let hashed = Hashed { file: disk::create(path)?, hash: Sha256::new(), bytes: 0 };
        let writer = ArrowWriter::try_new(hashed, schema.clone(), Some(properties(path, zstd_level)?))
            .map_err(|e| broken(path, &e))?;
        Ok(Self { name: name.to_owned(), path: path.to_owned(), writer })
    }

    /// Adds a batch; a row group ends when it has this many rows.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn push(&mut self, batch: &RecordBatch, group_rows: usize) -> Result<(), ContractError> {
        let mut written = self.writer.write(batch);
        if self.writer.in_progress_rows() >= group_rows {
            written = written.and_then(|()| self.writer.flush());
        }
        written.map_err(|e| broken(&self.path, &e))
    }

    /// Throws away what was written.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn abandon(self) -> Result<(), ContractError> {
        drop(self.writer);
        std::fs::remove_file(&self.path).map_err(|e| disk::failed(&self.path, "cannot be removed", &e))
    }

    pub(super) fn end(self) -> Result<(u64, String), ContractError> {
        let hashed = self.writer.into_inner().map_err(|e| broken(&self.path, &e))?;
        disk::sync(&self.path, &hashed.file)?;
        Ok((hashed.bytes, hex(&hashed.hash.finalize())))
    }
}

/// A text file being written in the folder of a run.
#[derive(Debug)]
pub struct TextStream {
    pub(super) name: String,
    path: PathBuf,
    hashed: Hashed,
}

impl TextStream {
    pub(super) fn begin(path: &Path, name: &str) -> Result<Self, ContractError> {
        let file = disk::create(path)?;
        let hashed = Hashed { file, hash: Sha256::new(), bytes: 0 };
        Ok(Self { name: name.to_owned(), path: path.to_owned(), hashed })
    }

    /// Adds text.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn push(&mut self, text: &str) -> Result<(), ContractError> {
        self.hashed.write_all(text.as_bytes()).map_err(|e| broken(&self.path, &e))
    }

    pub(super) fn end(self) -> Result<(u64, String), ContractError> {
        disk::sync(&self.path, &self.hashed.file)?;
        Ok((self.hashed.bytes, hex(&self.hashed.hash.finalize())))
    }
}

fn broken(path: &Path, error: &dyn std::fmt::Display) -> ContractError {
    ContractError::new(path.display().to_string(), format!("cannot be written: {error}"))
}
