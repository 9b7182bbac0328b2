//! Writing a run so that it is complete or not there.
//!
//! A run is written to a hidden folder within its output folder. Once every byte is on the disk that folder is
//! renamed: from this instant the run is decided, and moving its files into place can be taken up again after any
//! interruption. The manifest is moved last.

pub mod export;
mod ordered;
pub(crate) mod place;
pub(crate) mod published;
mod read;
mod stream;

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use arrow::array::RecordBatch;
use arrow::datatypes::SchemaRef;
use drawoff_contract::{ContractError, Table};
use drawoff_objects::Address;
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::properties::WriterProperties;
use sha2::{Digest, Sha256};

use crate::disk::{self, failed};
use crate::failing;
pub use ordered::HomesInOrder;
pub use place::settle;
use published::Publishing;
pub use published::{fetch, publish, run_root};
pub use read::{TableGroups, TableRows, each_batch, read_batches, read_groups, read_home, read_table};
pub use stream::{BatchStream, TableStream, TextStream};

/// Name of the manifest.
pub const MANIFEST: &str = "manifest.json";
/// Key of the manifest that holds every file's size and hash.
pub const MANIFEST_FILES: &str = "files";

/// Folder for rows that do not fit into memory.
const ROWS_ASIDE: &str = ".rows-aside";

/// Written into every Parquet file; the version, never the time.
const CREATED_BY: &str = concat!("drawoff ", env!("CARGO_PKG_VERSION"));
/// Small tables: a middling level costs milliseconds and saves a third against the lowest.
const ZSTD_LEVEL: i32 = 6;

/// Large tables are written as fast as they are made.
const STREAM_ZSTD_LEVEL: i32 = 1;

fn properties(path: &Path, zstd_level: i32) -> Result<WriterProperties, ContractError> {
    let level = ZstdLevel::try_new(zstd_level)
        .map_err(|e| ContractError::new(path.display().to_string(), e.to_string()))?;
    let properties = WriterProperties::builder().set_created_by(CREATED_BY.to_owned());
    Ok(properties.set_compression(Compression::ZSTD(level)).build())
}

/// A run being written aside; it appears in its folder only when [`RunFolder::finish`] has succeeded.
///
/// Dropped unfinished, it leaves the output folder as it was.
#[derive(Debug)]
pub struct RunFolder {
    dir: PathBuf,
    aside: PathBuf,
    files: BTreeMap<String, (u64, String)>,
    /// Held locked for as long as the run lives; the system frees it when the program ends in any way.
    lock: File,
    decided: bool,
    /// For a run that is to lie in a storage.
    publishing: Option<Publishing>,
}

impl RunFolder {
    /// Begins a run in `dir`, which is made if it is not there. What a killed run left is completed or removed.
    ///
    /// An address of a storage is looked at, and the run is made in a folder below `out/staged` until it is finished.
    ///
    /// # Errors
    /// When the folder cannot be written, or another run is writing it, or the storage cannot be reached.
    pub fn begin(dir: &Path) -> Result<Self, ContractError> {
        Self::begin_staged(dir, None)
    }

    /// As [`RunFolder::begin`], with the folder in which a run is made that is to lie in a storage.
    ///
    /// # Errors
    /// As [`RunFolder::begin`].
    pub fn begin_staged(dir: &Path, staging: Option<&Path>) -> Result<Self, ContractError> {
        let Some(address) = Address::of(dir) else { return Self::begin_here(dir) };
        let publishing = Publishing::begin(&address)?;
        let mut folder = Self::begin_here(&publishing.staging(staging))?;
        folder.publishing = Some(publishing);
        Ok(folder)
    }

    fn begin_here(dir: &Path) -> Result<Self, ContractError> {
        disk::make_folder(dir)
            .map_err(|e| failed(dir, "cannot be made", &e).with_hint("check `outputs.dir`"))?;
        let lock = place::lock(dir)?;
        place::take_up(dir)?;
        let aside = dir.join(place::UNFINISHED);
        for left in [&aside, &dir.join(ROWS_ASIDE)] {
            if left.exists() {
                std::fs::remove_dir_all(left).map_err(|e| failed(left, "cannot be removed", &e))?;
            }
        }
        disk::make_folder(&aside).map_err(|e| failed(&aside, "cannot be made", &e))?;
        Ok(Self {
            dir: dir.to_owned(),
            aside,
            files: BTreeMap::new(),
            lock,
            decided: false,
            publishing: None,
        })
    }

    /// A hidden folder within the output folder for rows that do not fit into memory; whoever makes it removes it, and so does the
    /// next begin.
    #[must_use]
    pub fn rows_aside(&self) -> PathBuf {
        self.dir.join(ROWS_ASIDE)
    }

    /// Writes a table as `NAME.parquet`.
    ///
    /// # Errors
    /// When the disk refuses, or the file was written before.
    pub fn table<T: Table>(&mut self, rows: Vec<T>) -> Result<(), ContractError> {
        self.batch(T::NAME, &T::to_batch(rows)?)
    }

    /// Writes a batch as `name.parquet`, with the units and descriptions of its schema.
    ///
    /// # Errors
    /// When the disk refuses, or the file was written before.
    pub fn batch(&mut self, name: &str, batch: &RecordBatch) -> Result<(), ContractError> {
        let broken = |e: &dyn std::fmt::Display| ContractError::new(format!("{name}.parquet"), e.to_string());
        let properties = properties(Path::new(&format!("{name}.parquet")), ZSTD_LEVEL)?;
        let mut bytes = Vec::new();
        let mut writer =
            ArrowWriter::try_new(&mut bytes, batch.schema(), Some(properties)).map_err(|e| broken(&e))?;
        writer.write(batch).map_err(|e| broken(&e))?;
        writer.close().map_err(|e| broken(&e))?;
        self.bytes(&format!("{name}.parquet"), &bytes)
    }

    /// Begins a table as `NAME.parquet` that is written row group by row group; [`RunFolder::end`] makes it part of the run.
    ///
    /// # Errors
    /// When the disk refuses, or the file was written before.
    pub fn begin_table<T: Table>(&self) -> Result<TableStream<T>, ContractError> {
        let name = format!("{}.parquet", T::NAME);
        if self.files.contains_key(&name) {
            return Err(ContractError::new(name, "was written already in this run"));
        }
        TableStream::begin(&self.aside.join(name), STREAM_ZSTD_LEVEL)
    }

    /// Ends a table that was begun.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn end<T: Table>(&mut self, table: TableStream<T>) -> Result<(), ContractError> {
        let written = table.end()?;
        self.files.insert(format!("{}.parquet", T::NAME), written);
        Ok(())
    }

    /// Begins a Parquet file of any columns under its full name, which may have folders before it; [`RunFolder::end_batches`] makes
    /// it part of the run.
    ///
    /// # Errors
    /// As [`RunFolder::text`].
    pub fn begin_batches(&self, name: &str, schema: &SchemaRef) -> Result<BatchStream, ContractError> {
        self.is_free(name)?;
        let path = self.aside.join(name);
        if let Some(folder) = path.parent() {
            disk::make_folder(folder).map_err(|e| failed(folder, "cannot be made", &e))?;
        }
        BatchStream::begin(&path, name, schema, STREAM_ZSTD_LEVEL)
    }

    /// Ends a file that was begun.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn end_batches(&mut self, batches: BatchStream) -> Result<(), ContractError> {
        let name = batches.name.clone();
        let written = batches.end()?;
        self.files.insert(name, written);
        Ok(())
    }

    /// Begins a table that is no part of the run, in a folder for rows aside.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn begin_aside<T: Table>(folder: &Path) -> Result<TableStream<T>, ContractError> {
        disk::make_folder(folder).map_err(|e| failed(folder, "cannot be made", &e))?;
        TableStream::begin(&folder.join(format!("{}.parquet", T::NAME)), STREAM_ZSTD_LEVEL)
    }

    /// Where files of the run are as long as it is not finished.
    #[must_use]
    pub fn unfinished(&self) -> &Path {
        &self.aside
    }

    /// Writes a text under its full file name, which may have folders before it (`homes/a.html`).
    ///
    /// # Errors
    /// When the disk refuses, the file was written before, or the name leaves the folder.
    pub fn text(&mut self, name: &str, text: &str) -> Result<(), ContractError> {
        self.bytes(name, text.as_bytes())
    }

    /// Begins a text that is written bit by bit; [`RunFolder::end_text`] makes it part of the run.
    ///
    /// # Errors
    /// As [`RunFolder::text`].
    pub fn begin_text(&self, name: &str) -> Result<TextStream, ContractError> {
        self.is_free(name)?;
        TextStream::begin(&self.aside.join(name), name)
    }

    /// Ends a text that was begun.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn end_text(&mut self, text: TextStream) -> Result<(), ContractError> {
        let name = text.name.clone();
        let written = text.end()?;
        self.files.insert(name, written);
        Ok(())
    }

    fn is_free(&self, name: &str) -> Result<(), ContractError> {
        let is_plain = |part: &str| !part.is_empty() && !part.starts_with('.') && !part.contains(['\\', ':']);
        if name == MANIFEST || !name.split('/').all(is_plain) {
            return Err(ContractError::new(name, "is no name for a file of a run"));
        }
        if self.files.contains_key(name) {
            return Err(ContractError::new(name, "was written already in this run"));
        }
        Ok(())
    }

    fn bytes(&mut self, name: &str, bytes: &[u8]) -> Result<(), ContractError> {
        self.is_free(name)?;
        write(&self.aside.join(name), bytes)?;
        self.files.insert(name.to_owned(), (bytes.len() as u64, hash(bytes)));
        Ok(())
    }

    /// Adds size and SHA-256 of every file to the manifest, and moves all files into place, the manifest last.
    ///
    /// Files of the previous run that this one does not write again are removed. `manifest` must be an object; it
    /// gets the key `files`.
    ///
    /// Gives the folder of the files, or their address.
    ///
    /// # Errors
    /// When the disk refuses. Before the run is decided the old one stays; after it, the next begin completes it. In a storage the old one
    /// stays until all files of the new one are there, and for good where another run was put there since this one began.
    pub fn finish(mut self, manifest: serde_json::Value) -> Result<PathBuf, ContractError> {
        let mut manifest = manifest;
        let Some(object) = manifest.as_object_mut() else {
            return Err(ContractError::new(MANIFEST, "the manifest must be an object"));
        };
        let files: serde_json::Map<String, serde_json::Value> = self
            .files
            .iter()
            .map(|(name, (bytes, sha256))| {
                (name.clone(), serde_json::json!({ "bytes": bytes, "sha256": sha256 }))
            })
            .collect();
        object.insert(MANIFEST_FILES.to_owned(), serde_json::Value::Object(files));
        let text = serde_json::to_string_pretty(&manifest)
            .map_err(|e| ContractError::new(MANIFEST, e.to_string()))?;
        write(&self.aside.join(MANIFEST), format!("{text}\n").as_bytes())?;
        place::sync_folders(&self.aside)?;
        place::decide(&self.dir)?;
        self.decided = true;
        place::take_up(&self.dir)?;
        let Some(publishing) = self.publishing.take() else { return Ok(self.dir.clone()) };
        let at = publishing.publish(&self.dir).map_err(|e| {
            let kept = format!("the finished run lies in {}", self.dir.display());
            let hint = e.hint.clone().map_or(kept.clone(), |hint| format!("{hint}; {kept}"));
            e.with_hint(format!("{hint}; `drawoff publish` puts it there without running again"))
        })?;
        self.clear_staging();
        Ok(at.to_path())
    }
}

impl RunFolder {
    /// Removes the run that was staged and is published, and nothing else: whoever named a folder with other files keeps them. What cannot be removed is
    /// replaced by the next begin.
    fn clear_staging(&self) {
        let files = self.files.keys().map(|name| self.dir.join(name)).chain([self.dir.join(MANIFEST)]);
        let mut folders = std::collections::BTreeSet::new();
        for file in files {
            let _ = std::fs::remove_file(&file);
            let above = file.ancestors().skip(1).take_while(|f| f.starts_with(&self.dir) && *f != self.dir);
            folders.extend(above.map(Path::to_path_buf));
        }
        // Inner ones first; one that holds anything stays.
        for folder in folders.iter().rev() {
            let _ = std::fs::remove_dir(folder);
        }
        let Ok(left) = std::fs::read_dir(&self.dir) else { return };
        // What is hidden is the run's own: its lock, and its rows aside.
        if left.flatten().all(|e| e.file_name().to_string_lossy().starts_with('.')) {
            let _ = std::fs::remove_dir_all(&self.dir);
        }
    }
}

impl Drop for RunFolder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(self.dir.join(ROWS_ASIDE));
        if !self.decided {
            // Nothing is lost if this fails: the next begin removes it.
            let _ = std::fs::remove_dir_all(&self.aside);
        }
        let _ = self.lock.unlock();
    }
}

/// Writes a new file and waits until it is on the disk.
pub(crate) fn write(path: &Path, bytes: &[u8]) -> Result<(), ContractError> {
    if let Some(folder) = path.parent() {
        disk::make_folder(folder).map_err(|e| failed(folder, "cannot be made", &e))?;
    }
    let mut file = disk::create(path)?;
    failing::step()
        .and_then(|()| file.write_all(bytes))
        .map_err(|e| failed(path, "cannot be written", &e))?;
    disk::sync(path, &file)
}

/// A hash of a text, to know it again by.
#[must_use]
pub fn fingerprint(text: &str) -> String {
    hash(text.as_bytes())
}

fn hash(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

pub(crate) fn hex(digest: &[u8]) -> String {
    digest.iter().map(|b| format!("{b:02x}")).collect()
}

/// The manifest of a folder; `None` without one.
///
/// # Errors
/// When it cannot be read.
pub fn read_manifest(dir: &Path) -> Result<Option<serde_json::Value>, ContractError> {
    let path = dir.join(MANIFEST);
    let Some(text) = disk::text_if_any(&path)? else { return Ok(None) };
    serde_json::from_str(&text)
        .map(Some)
        .map_err(|e| ContractError::new(path.display().to_string(), e.to_string()))
}

/// What engines leave beside the files of a table once all of them are complete: common practice, no source.
const ENGINE_IS_DONE: &str = "_SUCCESS";

/// The Parquet files that an engine has written into a folder, in the order of their names.
///
/// # Errors
/// When there are none, or the engine has not finished.
pub fn part_files(dir: &Path) -> Result<Vec<PathBuf>, ContractError> {
    let subject = dir.display().to_string();
    let names = export::names_in(dir)?;
    if !names.iter().any(|name| name == ENGINE_IS_DONE) {
        return Err(ContractError::new(subject, "is not finished: it has no manifest, and no _SUCCESS")
            .with_hint("wait for whoever writes it, or write it again"));
    }
    let shown = names.iter().filter(|n| !n.starts_with('_') && n.ends_with(".parquet"));
    let mut found: Vec<PathBuf> = shown.map(|name| dir.join(name)).collect();
    if found.is_empty() {
        return Err(ContractError::new(subject, "has no Parquet file in it"));
    }
    found.sort();
    Ok(found)
}

/// Whether every file that the manifest in `dir` names is there with its size and hash.
///
/// # Errors
/// Names the first file that differs, or why the manifest cannot be read.
pub fn verify(dir: &Path) -> Result<(), ContractError> {
    let path = dir.join(MANIFEST);
    let text = disk::text(&path)?;
    let manifest: serde_json::Value = serde_json::from_str(&text)
        .map_err(|e| ContractError::new(path.display().to_string(), e.to_string()))?;
    let Some(files) = manifest.get(MANIFEST_FILES).and_then(serde_json::Value::as_object) else {
        return Err(ContractError::new(path.display().to_string(), "the manifest names no files"));
    };
    for (name, entry) in files {
        let path = dir.join(name);
        let bytes = disk::bytes(&path)?;
        let same = entry.get("bytes").and_then(serde_json::Value::as_u64) == Some(bytes.len() as u64)
            && entry.get("sha256").and_then(serde_json::Value::as_str) == Some(hash(&bytes).as_str());
        if !same {
            return Err(ContractError::new(
                path.display().to_string(),
                "differs from what the manifest says",
            ));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests;
