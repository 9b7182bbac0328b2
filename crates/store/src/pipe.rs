//! Arrow IPC streams between this program and the one that started it.
//!
//! A decoder takes a stream that ends without its end mark for a complete one, so that a feeder that died would go unseen: here the
//! mark is demanded, and nothing may follow it.

use std::io::{BufReader, BufWriter, Read, Write};

use arrow::array::RecordBatch;
use arrow::datatypes::SchemaRef;
use arrow::ipc::CompressionType;
use arrow::ipc::reader::StreamReader;
use arrow::ipc::writer::{IpcWriteOptions, StreamWriter};
use drawoff_contract::{ContractError, Table};

use crate::guard::caught;

/// Bytes after which batches of a table are handed on: some homes, so that the reader has work and memory stays small.
const BATCH_BYTES: usize = 4 << 20;

/// A source of bytes that remembers whether it was asked for more than it had.
#[derive(Debug)]
struct Marked<R> {
    inner: R,
    ran_dry: bool,
}

impl<R: Read> Read for Marked<R> {
    fn read(&mut self, room: &mut [u8]) -> std::io::Result<usize> {
        let read = self.inner.read(room)?;
        self.ran_dry |= read == 0 && !room.is_empty();
        Ok(read)
    }
}

/// A stream of batches that comes in.
pub struct StreamIn<R: Read> {
    reader: StreamReader<Marked<BufReader<R>>>,
    batches: u64,
}

impl<R: Read> StreamIn<R> {
    /// Reads the schema.
    ///
    /// # Errors
    /// When there is none.
    pub fn open(input: R) -> Result<Self, ContractError> {
        let marked = Marked { inner: BufReader::new(input), ran_dry: false };
        let opened = caught(|| StreamReader::try_new(marked, None));
        let reader = opened.map_err(|panic| odd("its schema", &panic))?.map_err(|e| odd("its schema", &e))?;
        Ok(Self { reader, batches: 0 })
    }

    /// The schema of all batches.
    #[must_use]
    pub fn schema(&self) -> SchemaRef {
        self.reader.schema()
    }

    /// The next batch; `None` after the end mark.
    ///
    /// # Errors
    /// When the stream is cut, at the end of a batch or within one, is damaged, or goes on after its end mark.
    pub fn take(&mut self) -> Result<Option<RecordBatch>, ContractError> {
        let place = format!("batch {}", self.batches);
        let read = caught(|| self.reader.next()).map_err(|panic| odd(&place, &panic))?;
        if let Some(batch) = read {
            self.batches += 1;
            return batch.map(Some).map_err(|e| odd(&place, &e));
        }
        let source = self.reader.get_mut();
        if source.ran_dry {
            let message = format!("is cut: it ends after {} batches without its end mark", self.batches);
            return Err(ContractError::new("the stream", message)
                .with_hint("whoever feeds it died, or closed it too early: none of its rows may be used"));
        }
        match source.read(&mut [0]) {
            Ok(0) => Ok(None),
            Ok(_) => Err(ContractError::new("the stream", "goes on after its end mark")
                .with_hint("start one process for each stream")),
            Err(e) => Err(odd("its end", &e)),
        }
    }
}

fn odd(place: &str, reason: &dyn std::fmt::Display) -> ContractError {
    ContractError::new(format!("the stream, {place}"), format!("cannot be read: {reason}"))
        .with_hint("it must be one whole Arrow IPC stream; none of its rows may be used")
}

fn refused(reason: &dyn std::fmt::Display) -> ContractError {
    ContractError::new("the stream", format!("cannot be written: {reason}"))
        .with_hint("whoever reads it has left, or the disk is full")
}

/// Rows of a table going out, batch by batch.
pub struct StreamOut<W: Write, T> {
    writer: StreamWriter<BufWriter<W>>,
    rows: Vec<T>,
    bytes: usize,
}

impl<W: Write, T: Table> StreamOut<W, T> {
    /// Writes the schema.
    ///
    /// # Errors
    /// When the reader has left.
    pub fn begin(output: W) -> Result<Self, ContractError> {
        let writer = StreamWriter::try_new_buffered(output, &T::schema()).map_err(|e| refused(&e))?;
        Ok(Self { writer, rows: Vec::new(), bytes: 0 })
    }

    /// Adds a row of about so many bytes.
    ///
    /// # Errors
    /// When the reader has left.
    pub fn push(&mut self, row: T, bytes: usize) -> Result<(), ContractError> {
        self.rows.push(row);
        self.bytes += bytes;
        if self.bytes >= BATCH_BYTES { self.flush() } else { Ok(()) }
    }

    fn flush(&mut self) -> Result<(), ContractError> {
        self.bytes = 0;
        if self.rows.is_empty() {
            return Ok(());
        }
        let batch = T::to_batch(std::mem::take(&mut self.rows))?;
        self.writer.write(&batch).and_then(|()| self.writer.flush()).map_err(|e| refused(&e))
    }

    /// Writes the end mark.
    ///
    /// # Errors
    /// When the reader has left.
    pub fn end(mut self) -> Result<(), ContractError> {
        self.flush()?;
        self.writer.finish().and_then(|()| self.writer.flush()).map_err(|e| refused(&e))
    }
}

/// Rows of a table as one packed stream; no bytes for no rows. The same rows give the same bytes.
///
/// # Errors
/// Only when the row type's declaration contradicts itself.
pub fn packed<T: Table>(rows: Vec<T>) -> Result<Vec<u8>, ContractError> {
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let wrong = |e: &dyn std::fmt::Display| ContractError::table(T::NAME, "", &e.to_string());
    let batch = T::to_batch(rows)?;
    let options = IpcWriteOptions::default().try_with_compression(Some(CompressionType::ZSTD));
    let options = options.map_err(|e| wrong(&e))?;
    let mut bytes = Vec::new();
    let mut writer =
        StreamWriter::try_new_with_options(&mut bytes, &batch.schema(), options).map_err(|e| wrong(&e))?;
    writer.write(&batch).and_then(|()| writer.finish()).map_err(|e| wrong(&e))?;
    drop(writer);
    Ok(bytes)
}

/// The rows of a packed stream.
///
/// # Errors
/// When it is cut, damaged, or of another table.
pub fn unpacked<T: Table>(bytes: &[u8]) -> Result<Vec<T>, ContractError> {
    let mut rows = Vec::new();
    if bytes.is_empty() {
        return Ok(rows);
    }
    let mut stream = StreamIn::open(bytes)?;
    while let Some(batch) = stream.take()? {
        rows.extend(T::from_batch(&batch)?);
    }
    Ok(rows)
}

#[cfg(test)]
mod tests;
