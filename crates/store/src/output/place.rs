//! Moving a finished run into place, so that it can be taken up again after any interruption.

use std::collections::BTreeSet;
use std::fs::{File, TryLockError};
use std::path::Path;

use drawoff_contract::ContractError;

use crate::disk::{self, failed};
use crate::failing;
use crate::output::{MANIFEST, MANIFEST_FILES};

/// A run being written.
pub(super) const UNFINISHED: &str = ".unfinished";
/// A run that is complete and is being moved into place.
const DECIDED: &str = ".decided";
/// Files of the previous run that are to go; stays until they are gone.
const OLD_MANIFEST: &str = ".old-manifest.json";
const LOCK: &str = ".lock";

/// Takes the lock of an output folder.
///
/// # Errors
/// When another run holds it.
#[expect(clippy::disallowed_methods, reason = "the lock file is made here; it holds nothing")]
pub(crate) fn lock(dir: &Path) -> Result<File, ContractError> {
    let path = dir.join(LOCK);
    let file = File::create(&path).map_err(|e| failed(&path, "cannot be made", &e))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => {
            Err(ContractError::new(dir.display().to_string(), "another run is writing to this folder")
                .with_hint("wait for it to end, or give this run another `outputs.dir`"))
        }
        Err(TryLockError::Error(e)) => Err(failed(&path, "cannot be locked", &e)),
    }
}

/// Decides the run that lies ready in the folder of unfinished runs.
pub(super) fn decide(dir: &Path) -> Result<(), ContractError> {
    rename(&dir.join(UNFINISHED), &dir.join(DECIDED))?;
    sync(dir)
}

/// Moves a decided run into place, or what is left of it; without one nothing happens.
pub(super) fn take_up(dir: &Path) -> Result<(), ContractError> {
    let decided = dir.join(DECIDED);
    let manifest = dir.join(MANIFEST);
    let old = dir.join(OLD_MANIFEST);
    if decided.join(MANIFEST).exists() {
        if manifest.exists() && !old.exists() {
            failing::step()
                .and_then(|()| std::fs::copy(&manifest, &old))
                .map_err(|e| failed(&manifest, "cannot be copied", &e))?;
        }
        let mut names = BTreeSet::new();
        list(&decided, "", &mut names)?;
        names.remove(MANIFEST);
        for name in &names {
            let to = dir.join(name);
            if let Some(folder) = to.parent() {
                crate::disk::make_folder(folder).map_err(|e| failed(folder, "cannot be made", &e))?;
            }
            rename(&decided.join(name), &to)?;
        }
        sync_folders(dir)?;
        rename(&decided.join(MANIFEST), &manifest)?;
        sync(dir)?;
    }
    if decided.exists() {
        std::fs::remove_dir_all(&decided).map_err(|e| failed(&decided, "cannot be removed", &e))?;
    }
    if old.exists() {
        let kept = named_files(&manifest);
        for name in named_files(&old).difference(&kept) {
            // A file that its owner removed meanwhile needs no removing.
            let _ = std::fs::remove_file(dir.join(name));
        }
        std::fs::remove_file(&old).map_err(|e| failed(&old, "cannot be removed", &e))?;
    }
    Ok(())
}

/// Completes a run that was interrupted while its files were moved into place. Does nothing otherwise, nor while
/// another run holds the folder.
///
/// # Errors
/// When the disk refuses.
pub fn settle(dir: &Path) -> Result<(), ContractError> {
    if !dir.join(DECIDED).exists() {
        return Ok(());
    }
    match lock(dir) {
        Ok(_lock) => take_up(dir),
        Err(_) => Ok(()),
    }
}

/// Files that a manifest names; empty when it cannot be read. Names that leave the folder are not believed.
fn named_files(manifest: &Path) -> BTreeSet<String> {
    let text = disk::text(manifest).unwrap_or_default();
    let value: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
    let files = value.get(MANIFEST_FILES).and_then(serde_json::Value::as_object);
    let names = files.into_iter().flat_map(|f| f.keys().cloned());
    names.filter(|n| n.split('/').all(|part| !part.is_empty() && !part.starts_with('.'))).collect()
}

fn list(folder: &Path, prefix: &str, names: &mut BTreeSet<String>) -> Result<(), ContractError> {
    let entries = std::fs::read_dir(folder).map_err(|e| failed(folder, "cannot be listed", &e))?;
    for entry in entries {
        let entry = entry.map_err(|e| failed(folder, "cannot be listed", &e))?;
        let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
        if entry.path().is_dir() {
            list(&entry.path(), &format!("{name}/"), names)?;
        } else {
            names.insert(name);
        }
    }
    Ok(())
}

pub(crate) fn rename(from: &Path, to: &Path) -> Result<(), ContractError> {
    failing::step()
        .and_then(|()| std::fs::rename(from, to))
        .map_err(|e| failed(to, "cannot be moved into place", &e))
}

/// Waits until the entries of a folder and of those below it are on the disk.
pub(crate) fn sync_folders(dir: &Path) -> Result<(), ContractError> {
    let entries = std::fs::read_dir(dir).map_err(|e| failed(dir, "cannot be listed", &e))?;
    for entry in entries.flatten().filter(|e| e.path().is_dir()) {
        sync_folders(&entry.path())?;
    }
    sync(dir)
}

/// Waits until the entries of a folder are on the disk; folders cannot be opened everywhere, then it does nothing.
pub(crate) fn sync(dir: &Path) -> Result<(), ContractError> {
    if cfg!(unix) {
        let folder = disk::open_folder(dir)?;
        failing::step().and_then(|()| folder.sync_all()).map_err(|e| failed(dir, "cannot be synced", &e))?;
    }
    Ok(())
}
