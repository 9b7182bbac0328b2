//! One file of any format as a run of batches that hold only the needed columns.

use std::ops::Range;
use std::sync::Arc;

use arrow::array::{ArrayRef, DictionaryArray, Int32Array, RecordBatch, StringArray};
use arrow::datatypes::{DataType, Field, Int32Type, Schema, SchemaRef};
use arrow::error::ArrowError;
use drawoff_contract::ContractError;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder, RowSelection,
};

use crate::blob::{Blob, Origin};
use crate::intake::ipc::{open_file, open_stream};
use crate::intake::sizes::check_pages;
use crate::intake::source::{Format, Source, format};
use crate::intake::survey::Piece;
use crate::intake::text::TextFile;

/// Rows of a batch: large enough that work per batch does not show, small enough to stay in the cache.
pub(crate) const BATCH_ROWS: usize = 32_768;

/// A file that was opened and tells its columns.
pub(crate) struct Opened<'s> {
    source: &'s Source,
    separator: u8,
    body: Body,
    /// Columns of the file itself, without those of its folders.
    schema: SchemaRef,
}

enum Body {
    Parquet(Blob, ArrowReaderMetadata),
    IpcFile,
    IpcStream,
    Text,
}

impl<'s> Opened<'s> {
    /// Opens a file and reads its columns, no rows.
    ///
    /// # Errors
    /// Names the file and what is wrong with it.
    pub(crate) fn open(source: &'s Source, separator: u8) -> Result<Self, ContractError> {
        Self::open_known(source, separator, None)
    }

    /// As [`Self::open`], with the metadata of a Parquet file that was read before.
    pub(crate) fn open_known(
        source: &'s Source,
        separator: u8,
        known: Option<&ArrowReaderMetadata>,
    ) -> Result<Self, ContractError> {
        let damaged = |e: &dyn std::fmt::Display| damaged(source, "", e);
        let format = match (&source.origin, known) {
            // Of an object, which stays the same, nothing needs to be looked at again.
            (Origin::Object(_), Some(_)) => Format::Parquet,
            _ => format(source)?,
        };
        let (body, schema) = match format {
            Format::Parquet => {
                let file = source.open()?;
                let metadata = match known {
                    Some(metadata) => metadata.clone(),
                    None => ArrowReaderMetadata::load(&file, ArrowReaderOptions::new())
                        .map_err(|e| damaged(&e))?,
                };
                let schema = metadata.schema().clone();
                (Body::Parquet(file, metadata), schema)
            }
            Format::IpcFile => {
                let reader = open_file(source, None).map_err(|e| damaged(&e))?;
                (Body::IpcFile, reader.schema())
            }
            Format::IpcStream => {
                let reader = open_stream(source, None).map_err(|e| damaged(&e))?;
                (Body::IpcStream, reader.schema())
            }
            Format::Text => {
                let text = TextFile::open(source, separator)?;
                (Body::Text, text.schema())
            }
        };
        if let Origin::Object(object) = &source.origin {
            object.forget();
        }
        Ok(Self { source, separator, body, schema })
    }

    /// The type of a column; text for a column that a folder name gives.
    pub(crate) fn column_type(&self, name: &str) -> Option<DataType> {
        let own = self.schema.column_with_name(name).map(|(_, field)| field.data_type().clone());
        own.or_else(|| self.folder_value(name).map(|_| DataType::Utf8))
    }

    /// Names of all columns, those of folders last.
    pub(crate) fn column_names(&self) -> Vec<&str> {
        let own = self.schema.fields().iter().map(|f| f.name().as_str());
        own.chain(self.source.folder_columns.iter().map(|(key, _)| key.as_str())).collect()
    }

    /// Metadata of a Parquet file.
    pub(crate) fn metadata(&self) -> Option<&ArrowReaderMetadata> {
        match &self.body {
            Body::Parquet(_, metadata) => Some(metadata),
            _ => None,
        }
    }

    /// Whether the file itself, and not its folder, has a column.
    pub(crate) fn has_own_column(&self, name: &str) -> bool {
        self.schema.index_of(name).is_ok()
    }

    /// What the names of its folders say of a column.
    pub(crate) fn folder_value(&self, name: &str) -> Option<&str> {
        self.source.folder_columns.iter().rev().find(|(key, _)| key == name).map(|(_, v)| v.as_str())
    }

    /// Refuses a file whose `wanted` columns unpack to more than any export needs, before they are unpacked.
    ///
    /// # Errors
    /// Names the file, row group and column.
    pub(crate) fn check_sizes(&self, wanted: &[&str]) -> Result<(), ContractError> {
        // What lies in a storage is looked at when it is fetched, row group by row group.
        let Body::Parquet(file @ Blob::File(_), metadata) = &self.body else { return Ok(()) };
        let own: Vec<&str> = wanted.iter().copied().filter(|w| self.schema.index_of(w).is_ok()).collect();
        let groups = 0..metadata.metadata().num_row_groups();
        check_pages(file, metadata.metadata(), groups, &self.positions(&own))
            .map_err(|(place, problem)| damaged(self.source, &place, &problem))
    }

    /// Gives every batch of the `pieces` with the `wanted` columns that exist, in file order, with the number of its piece.
    ///
    /// Pieces are runs of rows in the row groups of a Parquet file, given as (all pieces of the file, numbers of those that are
    /// read); any other file is one piece, 0. `None` is all rows, and the number that of the row group.
    ///
    /// # Errors
    /// Names the file, the row group or batch, and the column where the damage is.
    pub(crate) fn each_batch(
        &self,
        wanted: &[&str],
        pieces: Option<(&[Piece], &[usize])>,
        take: &mut dyn FnMut(usize, &RecordBatch) -> Result<(), ContractError>,
    ) -> Result<(), ContractError> {
        let own: Vec<&str> = wanted.iter().copied().filter(|w| self.schema.index_of(w).is_ok()).collect();
        let mut take_of = |piece: usize, batch: RecordBatch| match self.with_folder_columns(batch, wanted) {
            Ok(batch) => take(piece, &batch),
            Err(e) => Err(damaged(self.source, "", &e)),
        };
        if let Body::Parquet(file, metadata) = &self.body {
            return self.parquet(file, metadata, &own, pieces, &mut take_of);
        }
        if pieces.is_some_and(|(_, wanted)| !wanted.contains(&0)) {
            return Ok(());
        }
        let mut take = |batch: RecordBatch| take_of(0, batch);
        match &self.body {
            Body::Parquet(..) => Ok(()),
            Body::IpcFile => {
                let reader = open_file(self.source, Some(self.positions(&own)));
                self.ipc(reader.map_err(|e| damaged(self.source, "", &e))?, &mut take)
            }
            Body::IpcStream => {
                let reader = open_stream(self.source, Some(self.positions(&own)));
                self.ipc(reader.map_err(|e| damaged(self.source, "", &e))?, &mut take)
            }
            Body::Text => TextFile::open(self.source, self.separator)?.each_batch(&own, &mut take),
        }
    }

    /// First position of each column, in file order.
    fn positions(&self, own: &[&str]) -> Vec<usize> {
        let mut positions: Vec<usize> = own.iter().filter_map(|w| self.schema.index_of(w).ok()).collect();
        positions.sort_unstable();
        positions.dedup();
        positions
    }

    fn parquet(
        &self,
        file: &Blob,
        metadata: &ArrowReaderMetadata,
        own: &[&str],
        pieces: Option<(&[Piece], &[usize])>,
        take: &mut dyn FnMut(usize, RecordBatch) -> Result<(), ContractError>,
    ) -> Result<(), ContractError> {
        let positions = self.positions(own);
        for (group, info) in metadata.metadata().row_groups().iter().enumerate() {
            let all_rows = usize::try_from(info.num_rows()).unwrap_or(0);
            // The wanted pieces: number and rows of the row group.
            let wanted: Vec<(usize, Range<usize>)> = match pieces {
                None => vec![(group, 0..all_rows)],
                Some((all, wanted)) => wanted
                    .iter()
                    .filter(|&&p| all[p].group == group)
                    .map(|&p| (p, all[p].range(all_rows)))
                    .collect(),
            };
            if wanted.is_empty() {
                continue;
            }
            let part = file.for_groups(metadata.metadata(), &[group], Some(&positions));
            let part = part.map_err(|e| damaged(self.source, &format!("row group {group}"), &e))?;
            if matches!(part, Blob::Object(_)) {
                check_pages(&part, metadata.metadata(), group..group + 1, &positions)
                    .map_err(|(place, problem)| damaged(self.source, &place, &problem))?;
            }
            let mut rows = Parts::new(&wanted);
            let read = parquet_group(&part, metadata, group, &positions, &wanted, &mut |batch| {
                rows.cut(&batch, &mut |piece, part| take(piece, part))
            });
            match read {
                Ok(Ok(())) => {}
                Ok(Err(refused)) => return Err(refused),
                Err(message) => {
                    let broken =
                        |&p: &usize| parquet_group(&part, metadata, group, &[p], &wanted, &mut |_| Ok(()));
                    let column = positions.iter().copied().find(|p| broken(p).is_err());
                    let column = column.map(|p| format!(", column `{}`", self.schema.field(p).name()));
                    let place = format!("row group {group}{}", column.unwrap_or_default());
                    return Err(damaged(self.source, &place, &message));
                }
            }
            let promised: usize = wanted.iter().map(|(_, rows)| rows.len()).sum();
            if rows.taken != promised {
                let message = format!("{} rows found where the file promises {promised}", rows.taken);
                return Err(damaged(self.source, &format!("row group {group}"), &message));
            }
        }
        Ok(())
    }

    fn ipc(
        &self,
        reader: impl Iterator<Item = Result<RecordBatch, ArrowError>>,
        take: &mut dyn FnMut(RecordBatch) -> Result<(), ContractError>,
    ) -> Result<(), ContractError> {
        for (number, batch) in reader.enumerate() {
            let batch = batch.map_err(|e| damaged(self.source, &format!("record batch {number}"), &e))?;
            // A batch may be of any length; what is made of its rows at a time may not.
            for start in (0..batch.num_rows()).step_by(BATCH_ROWS) {
                take(batch.slice(start, BATCH_ROWS.min(batch.num_rows() - start)))?;
            }
        }
        Ok(())
    }

    fn with_folder_columns(&self, batch: RecordBatch, wanted: &[&str]) -> Result<RecordBatch, ArrowError> {
        let missing: Vec<&str> =
            wanted.iter().copied().filter(|w| batch.column_by_name(w).is_none()).collect();
        if missing.is_empty() || self.source.folder_columns.is_empty() {
            return Ok(batch);
        }
        let rows = batch.num_rows();
        let mut fields: Vec<Arc<Field>> = batch.schema().fields().iter().cloned().collect();
        let mut columns: Vec<ArrayRef> = batch.columns().to_vec();
        for (name, value) in missing.into_iter().filter_map(|n| Some((n, self.folder_value(n)?))) {
            let keys = Int32Array::from(vec![0; rows]);
            let array =
                DictionaryArray::<Int32Type>::try_new(keys, Arc::new(StringArray::from(vec![value])))?;
            fields.push(Arc::new(Field::new(name, arrow::array::Array::data_type(&array).clone(), false)));
            columns.push(Arc::new(array));
        }
        RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)
    }
}

/// The rows of a row group on their way into its pieces.
struct Parts<'w> {
    wanted: &'w [(usize, Range<usize>)],
    /// Rows so far, and where among them the first piece of `wanted` ends.
    taken: usize,
    end: usize,
}

impl<'w> Parts<'w> {
    fn new(wanted: &'w [(usize, Range<usize>)]) -> Self {
        Self { wanted, taken: 0, end: wanted.first().map_or(0, |(_, rows)| rows.len()) }
    }

    /// Gives the rows of a batch piece by piece; rows that no piece promises go with the last.
    fn cut(
        &mut self,
        batch: &RecordBatch,
        take: &mut dyn FnMut(usize, RecordBatch) -> Result<(), ContractError>,
    ) -> Result<(), ContractError> {
        let mut start = 0;
        while start < batch.num_rows() {
            while let ([_, (_, next), ..], true) = (self.wanted, self.taken >= self.end) {
                self.end += next.len();
                self.wanted = &self.wanted[1..];
            }
            let is_last = self.wanted.len() < 2;
            let left = batch.num_rows() - start;
            let rows = if is_last { left } else { left.min(self.end - self.taken) };
            take(self.wanted[0].0, batch.slice(start, rows))?;
            self.taken += rows;
            start += rows;
        }
        Ok(())
    }
}

/// Reads pieces of one row group; the outer error is damage, the inner one came from `take`.
fn parquet_group(
    file: &Blob,
    metadata: &ArrowReaderMetadata,
    group: usize,
    positions: &[usize],
    wanted: &[(usize, Range<usize>)],
    take: &mut dyn FnMut(RecordBatch) -> Result<(), ContractError>,
) -> Result<Result<(), ContractError>, String> {
    let file = file.again().map_err(|e| e.to_string())?;
    let mask = ProjectionMask::roots(metadata.parquet_schema(), positions.iter().copied());
    let mut builder = ParquetRecordBatchReaderBuilder::new_with_metadata(file, metadata.clone())
        .with_row_groups(vec![group])
        .with_projection(mask)
        .with_batch_size(BATCH_ROWS);
    let all_rows = usize::try_from(metadata.metadata().row_group(group).num_rows()).unwrap_or(0);
    if wanted.iter().map(|(_, rows)| rows.len()).sum::<usize>() != all_rows {
        let ranges = wanted.iter().map(|(_, rows)| rows.clone());
        builder = builder.with_row_selection(RowSelection::from_consecutive_ranges(ranges, all_rows));
    }
    let reader = builder.build().map_err(|e| e.to_string())?;
    for batch in reader {
        if let Err(refused) = take(batch.map_err(|e| e.to_string())?) {
            return Ok(Err(refused));
        }
    }
    Ok(Ok(()))
}

/// A file whose bytes are not what its format says.
pub(crate) fn damaged(source: &Source, place: &str, reason: &dyn std::fmt::Display) -> ContractError {
    let place = if place.is_empty() { String::new() } else { format!(", {place}") };
    ContractError::new(format!("{}{place}", source.name), format!("cannot be read: {reason}"))
        .with_hint("the file may be cut short or damaged: export it again; its rows are not counted")
}
