//! Plain files outside a run: fleets that others read as exports.
//!
//! Each file is written aside under a hidden name, which no intake reads, and renamed once every byte is on the disk.

use std::fs::File;
use std::path::{Path, PathBuf};

use arrow::array::RecordBatch;
use arrow::datatypes::{Field, SchemaRef};
use drawoff_contract::ContractError;
use drawoff_objects::{Address, Storage};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::properties::WriterProperties;

use crate::disk::failed;

/// Written into every export; without the version, so that the same rows give the same bytes in the next one too.
const CREATED_BY: &str = "drawoff";

/// How the values of a column are laid down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ColumnCode {
    /// Distinct values once, and an index for each row: names, flags, values that repeat.
    Distinct,
    /// Values as they are: measured values.
    Plain,
    /// Differences from row to row: times and counters.
    Steps,
}

/// A Parquet file being written aside.
///
/// Dropped unfinished, it leaves what was there before.
#[derive(Debug)]
pub struct ExportFile {
    path: PathBuf,
    aside: PathBuf,
    writer: Option<ArrowWriter<File>>,
    rows: u64,
}

impl ExportFile {
    /// Begins a file; its folder is made if it is not there. `code` says how each column is laid down.
    ///
    /// # Errors
    /// When the disk refuses, or `zstd_level` is no level (1 to 22).
    #[expect(clippy::disallowed_methods, reason = "files are written in this crate only")]
    pub fn begin(
        path: &Path,
        schema: &SchemaRef,
        zstd_level: i32,
        code: impl Fn(&Field) -> ColumnCode,
    ) -> Result<Self, ContractError> {
        let level = ZstdLevel::try_new(zstd_level).map_err(|e| broken(path, &e))?;
        let mut properties = WriterProperties::builder()
            .set_created_by(CREATED_BY.to_owned())
            .set_compression(Compression::ZSTD(level));
        for field in schema.fields() {
            let name = || field.name().as_str().into();
            properties = match code(field) {
                ColumnCode::Distinct => properties,
                ColumnCode::Plain => properties.set_column_dictionary_enabled(name(), false),
                ColumnCode::Steps => properties
                    .set_column_dictionary_enabled(name(), false)
                    .set_column_encoding(name(), Encoding::DELTA_BINARY_PACKED),
            };
        }
        let aside = aside(path)?;
        let file = File::create(&aside).map_err(|e| failed(&aside, "cannot be written", &e))?;
        let writer = ArrowWriter::try_new(file, schema.clone(), Some(properties.build()));
        let writer = writer.map_err(|e| broken(path, &e))?;
        Ok(Self { path: path.to_owned(), aside, writer: Some(writer), rows: 0 })
    }

    /// Writes rows as a row group of their own; no rows, no group.
    ///
    /// # Errors
    /// When the disk refuses, or the batch is of another schema.
    pub fn group(&mut self, batch: &RecordBatch) -> Result<(), ContractError> {
        let Some(writer) = self.writer.as_mut().filter(|_| batch.num_rows() > 0) else { return Ok(()) };
        writer.write(batch).and_then(|()| writer.flush()).map_err(|e| broken(&self.path, &e))?;
        self.rows += batch.num_rows() as u64;
        Ok(())
    }

    /// Rows written so far.
    #[must_use]
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// Ends the file and moves it into place; gives its size in bytes.
    ///
    /// # Errors
    /// When the disk refuses; what was there before is then still there.
    pub fn finish(mut self) -> Result<u64, ContractError> {
        let Some(writer) = self.writer.take() else { return Ok(0) };
        let file = writer.into_inner().map_err(|e| broken(&self.path, &e))?;
        file.sync_all().map_err(|e| failed(&self.path, "cannot be written", &e))?;
        let bytes = file.metadata().map_err(|e| failed(&self.path, "cannot be read", &e))?.len();
        into_place(&self.aside, &self.path)?;
        Ok(bytes)
    }
}

impl Drop for ExportFile {
    fn drop(&mut self) {
        // After a finish there is nothing left; otherwise the next begin writes over it.
        let _ = std::fs::remove_file(&self.aside);
    }
}

/// Writes a text file aside, and moves it into place.
///
/// # Errors
/// When the disk refuses.
pub fn write_text(path: &Path, text: &str) -> Result<(), ContractError> {
    let aside = aside(path)?;
    super::write(&aside, text.as_bytes())?;
    into_place(&aside, path)
}

/// Names of everything in a folder that is not hidden, in order; none when there is no such folder.
///
/// # Errors
/// When the folder cannot be listed.
pub fn names_in(folder: &Path) -> Result<Vec<String>, ContractError> {
    if let Some(address) = Address::of(folder) {
        let prefix = if address.key.is_empty() { String::new() } else { format!("{}/", address.key) };
        let listed = Storage::open(&address)?.list(&address.key)?;
        let names = listed.iter().filter_map(|found| found.key.strip_prefix(&prefix));
        let mut names: Vec<String> = names
            .filter_map(|n| n.split('/').next())
            .filter(|n| !n.starts_with('.'))
            .map(str::to_owned)
            .collect();
        names.dedup();
        return Ok(names);
    }
    if !folder.exists() {
        return Ok(Vec::new());
    }
    let entries = std::fs::read_dir(folder).map_err(|e| failed(folder, "cannot be listed", &e))?;
    let mut names: Vec<String> =
        entries.flatten().map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    names.retain(|name| !name.starts_with('.'));
    names.sort_unstable();
    Ok(names)
}

/// Removes a file that this program made for itself; one that is not there needs no removing.
pub fn remove(path: &Path) {
    let _ = std::fs::remove_file(path);
}

/// The hidden name beside a file, in a folder that is there.
fn aside(path: &Path) -> Result<PathBuf, ContractError> {
    let Some(name) = path.file_name() else {
        return Err(ContractError::new(path.display().to_string(), "is no name of a file"));
    };
    if let Some(address) = Address::of(path) {
        return Err(ContractError::new(
            address.to_string(),
            "is an address; this file is written to a folder here",
        ));
    }
    let folder = path.parent().unwrap_or(Path::new(""));
    if !folder.as_os_str().is_empty() {
        std::fs::create_dir_all(folder).map_err(|e| failed(folder, "cannot be made", &e))?;
    }
    Ok(folder.join(format!(".{}.unfinished", name.to_string_lossy())))
}

fn into_place(aside: &Path, path: &Path) -> Result<(), ContractError> {
    std::fs::rename(aside, path).map_err(|e| failed(path, "cannot be moved into place", &e))
}

fn broken(path: &Path, error: &dyn std::fmt::Display) -> ContractError {
    ContractError::new(path.display().to_string(), format!("cannot be written: {error}"))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use arrow::array::Int64Array;
    use arrow::datatypes::{DataType, Schema};

    use super::*;
    use crate::output::read_batches;

    fn batch(from: i64) -> RecordBatch {
        let schema = Arc::new(Schema::new(vec![Field::new("n", DataType::Int64, false)]));
        RecordBatch::try_new(schema, vec![Arc::new(Int64Array::from_iter_values(from..from + 3))]).unwrap()
    }

    #[test]
    fn a_file_appears_when_it_is_finished() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("deep/n.parquet");
        let begin = || ExportFile::begin(&path, &batch(0).schema(), 1, |_| ColumnCode::Steps).unwrap();
        let mut file = begin();
        file.group(&batch(0)).unwrap();
        file.group(&batch(0).slice(0, 0)).unwrap();
        file.group(&batch(7)).unwrap();
        assert!(!path.exists() && names_in(&dir.path().join("deep")).unwrap().is_empty());
        assert_eq!(file.rows(), 6);
        let bytes = file.finish().unwrap();
        assert_eq!(path.metadata().unwrap().len(), bytes);
        assert_eq!(names_in(&dir.path().join("deep")).unwrap(), ["n.parquet"]);

        let mut dropped = begin();
        dropped.group(&batch(1)).unwrap();
        drop(dropped);
        let rows: usize = read_batches(&path).unwrap().iter().map(RecordBatch::num_rows).sum();
        assert_eq!(rows, 6);
        let all = std::fs::read_dir(dir.path().join("deep")).unwrap().count();
        assert_eq!(all, 1, "an unfinished file leaves nothing");
    }

    #[test]
    fn a_text_takes_the_place_of_the_old_one() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("register.csv");
        write_text(&path, "a\n").unwrap();
        write_text(&path, "b\n").unwrap();
        assert_eq!(crate::disk::text(&path).unwrap(), "b\n");
        assert_eq!(names_in(dir.path()).unwrap(), ["register.csv"]);
    }
}
