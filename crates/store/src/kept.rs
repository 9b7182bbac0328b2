//! A folder that is kept from night to night: segments, which never change, and a ledger that names them.
//!
//! A segment is written beside the others; the ledger is then replaced in one step. A folder without the new ledger still has the old
//! one and all that it names, so a night that is ended at any instant is as if it had not begun.

use std::collections::BTreeSet;
use std::fs::File;
use std::path::{Path, PathBuf};

use drawoff_contract::{ContractError, Table};
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::disk::{self, failed};
use crate::failing;
use crate::output::{TableStream, place, write};

const LEDGER: &str = "ledger.json";
const NEW_LEDGER: &str = ".ledger-new.json";
/// Segments begin with this; other folders are nobody's business here.
const SEGMENT: &str = "segment-";

/// A kept folder, held by this process alone.
#[derive(Debug)]
pub struct KeptFolder {
    dir: PathBuf,
    /// The system frees it when the program ends in any way.
    _lock: File,
}

impl KeptFolder {
    /// Takes the folder, which is made if it is not there, and gives its ledger, if it has one.
    ///
    /// # Errors
    /// When the folder cannot be written, another run holds it, or its ledger cannot be read.
    pub fn begin<L: DeserializeOwned>(dir: &Path) -> Result<(Self, Option<L>), ContractError> {
        crate::disk::make_folder(dir)
            .map_err(|e| failed(dir, "cannot be made", &e).with_hint("check `daybook.keep`"))?;
        let lock = place::lock(dir).map_err(|e| {
            e.with_hint("wait for it to end; each `daybook.keep` belongs to one pipeline at a time")
        })?;
        let folder = Self { dir: dir.to_owned(), _lock: lock };
        let path = dir.join(LEDGER);
        if !path.exists() {
            return Ok((folder, None));
        }
        let ledger = serde_json::from_str(&disk::text(&path)?).map_err(|e| {
            ContractError::new(path.display().to_string(), format!("cannot be read: {e}"))
                .with_hint("remove the folder of the kept daybook; all files are then read again")
        })?;
        Ok((folder, Some(ledger)))
    }

    /// Where a segment lies.
    #[must_use]
    pub fn segment(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }

    /// The name of the segment with this number.
    #[must_use]
    pub fn name(number: u64) -> String {
        format!("{SEGMENT}{number:06}")
    }

    /// Makes an empty segment, in place of what an ended night left under its name.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn begin_segment(&self, name: &str) -> Result<(), ContractError> {
        let path = self.segment(name);
        if path.exists() {
            std::fs::remove_dir_all(&path).map_err(|e| failed(&path, "cannot be removed", &e))?;
        }
        failing::step()
            .and_then(|()| crate::disk::make_folder(&path))
            .map_err(|e| failed(&path, "cannot be made", &e))
    }

    /// Begins a table of a segment.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn begin_table<T: Table>(&self, segment: &str) -> Result<TableStream<T>, ContractError> {
        TableStream::begin(&self.segment(segment).join(format!("{}.parquet", T::NAME)), 1)
    }

    /// Ends a table of a segment once it is on the disk.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn end_table<T: Table>(table: TableStream<T>) -> Result<(), ContractError> {
        table.end().map(|_| ())
    }

    /// Replaces the ledger, and removes the segments that the new one does not name.
    ///
    /// # Errors
    /// When the disk refuses; the old ledger and its segments are then still there.
    pub fn commit<L: Serialize>(&self, ledger: &L, segments: &[String]) -> Result<(), ContractError> {
        let (path, new) = (self.dir.join(LEDGER), self.dir.join(NEW_LEDGER));
        let text = serde_json::to_string(ledger)
            .map_err(|e| ContractError::new(path.display().to_string(), e.to_string()))?;
        write(&new, text.as_bytes())?;
        place::sync_folders(&self.dir)?;
        place::rename(&new, &path)?;
        place::sync(&self.dir)?;
        self.remove_others(segments);
        Ok(())
    }

    /// Nothing is lost if a segment cannot be removed: the next night tries again.
    fn remove_others(&self, segments: &[String]) {
        let named: BTreeSet<&str> = segments.iter().map(String::as_str).collect();
        for entry in std::fs::read_dir(&self.dir).into_iter().flatten().flatten() {
            let name = entry.file_name().to_string_lossy().into_owned();
            if name.starts_with(SEGMENT) && !named.contains(name.as_str()) {
                let _ = std::fs::remove_dir_all(entry.path());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ledger_is_replaced_whole_and_unnamed_segments_go() {
        let dir = tempfile::tempdir().unwrap();
        let (folder, ledger) = KeptFolder::begin::<Vec<String>>(dir.path()).unwrap();
        assert_eq!(ledger, None);
        for number in [1, 2] {
            folder.begin_segment(&KeptFolder::name(number)).unwrap();
        }
        let named = vec![KeptFolder::name(2)];
        folder.commit(&named, &named).unwrap();
        assert!(!folder.segment("segment-000001").exists() && folder.segment("segment-000002").exists());
        let held = KeptFolder::begin::<Vec<String>>(dir.path()).unwrap_err();
        assert!(held.to_string().contains("another run"), "{held}");
        drop(folder);
        let (folder, ledger) = KeptFolder::begin::<Vec<String>>(dir.path()).unwrap();
        assert_eq!(ledger, Some(named));
        drop(folder);
        let wrong = KeptFolder::begin::<u64>(dir.path()).unwrap_err();
        assert!(wrong.hint.unwrap().contains("remove the folder"));
    }
}
