//! Separated text as batches of text columns.

use std::io::{Read, Seek, SeekFrom};
use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch, StringBuilder};
use arrow::datatypes::{DataType, Field, Schema, SchemaRef};
use drawoff_contract::ContractError;

use crate::blob::Stream;
use crate::disk;
use crate::intake::open::{BATCH_ROWS, damaged};
use crate::intake::source::Source;

/// Byte order mark of UTF-8.
const MARK: &[u8] = "\u{feff}".as_bytes();

/// A text file whose header was read.
pub(crate) struct TextFile<'s> {
    source: &'s Source,
    reader: csv::Reader<Stream>,
    header: Vec<String>,
}

impl<'s> TextFile<'s> {
    /// Opens a file and reads its header line.
    ///
    /// # Errors
    /// Names the file and the reason.
    pub(crate) fn open(source: &'s Source, separator: u8) -> Result<Self, ContractError> {
        let mut file = source.stream()?;
        pass_mark(&mut file).map_err(|e| disk::failed(&source.path, "cannot be read", &e))?;
        let mut reader =
            csv::ReaderBuilder::new().delimiter(separator).buffer_capacity(1 << 18).from_reader(file);
        let header = reader.headers().map_err(|e| damaged(source, "header", &e))?;
        let header = header.iter().map(|name| name.trim().to_owned()).collect();
        Ok(Self { source, reader, header })
    }

    /// All columns, as text.
    pub(crate) fn schema(&self) -> SchemaRef {
        let fields = self.header.iter().map(|name| Field::new(name, DataType::Utf8, true));
        Arc::new(Schema::new(fields.collect::<Vec<_>>()))
    }

    /// Gives every batch with the wanted columns; empty fields are null.
    ///
    /// # Errors
    /// Names the file and the line.
    pub(crate) fn each_batch(
        mut self,
        wanted: &[&str],
        take: &mut dyn FnMut(RecordBatch) -> Result<(), ContractError>,
    ) -> Result<(), ContractError> {
        let positions: Vec<usize> =
            wanted.iter().filter_map(|w| self.header.iter().position(|h| h == w)).collect();
        let fields: Vec<Field> =
            positions.iter().map(|&p| Field::new(&self.header[p], DataType::Utf8, true)).collect();
        let schema = Arc::new(Schema::new(fields));
        let mut record = csv::StringRecord::new();
        loop {
            let mut builders: Vec<StringBuilder> =
                positions.iter().map(|_| StringBuilder::with_capacity(BATCH_ROWS, BATCH_ROWS * 8)).collect();
            let mut rows = 0;
            while rows < BATCH_ROWS {
                match self.reader.read_record(&mut record) {
                    Ok(true) => rows += 1,
                    Ok(false) => break,
                    Err(e) => {
                        let line = e.position().map_or(0, csv::Position::line);
                        return Err(damaged(self.source, &format!("line {line}"), &e));
                    }
                }
                for (builder, &position) in builders.iter_mut().zip(&positions) {
                    let field = record.get(position).unwrap_or("").trim();
                    builder.append_option((!field.is_empty()).then_some(field));
                }
            }
            if rows == 0 {
                return Ok(());
            }
            let columns: Vec<ArrayRef> =
                builders.iter_mut().map(|b| Arc::new(b.finish()) as ArrayRef).collect();
            let batch =
                RecordBatch::try_new(schema.clone(), columns).map_err(|e| damaged(self.source, "", &e))?;
            take(batch)?;
        }
    }
}

/// Goes past a byte order mark, which would make a quoted first name look unquoted.
fn pass_mark(file: &mut Stream) -> std::io::Result<()> {
    let mut start = Vec::with_capacity(MARK.len());
    file.by_ref().take(MARK.len() as u64).read_to_end(&mut start)?;
    let after = if start == MARK { MARK.len() as u64 } else { 0 };
    file.seek(SeekFrom::Start(after))?;
    Ok(())
}
