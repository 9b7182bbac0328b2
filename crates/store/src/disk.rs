//! Opening files, with errors that name the path and what to do.

use std::fs::File;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use drawoff_contract::ContractError;
use drawoff_objects::{Address, Storage};

use crate::{blob, failing};

/// A failure of the file system, named by path.
#[must_use]
pub(crate) fn failed(path: &Path, doing: &str, error: &std::io::Error) -> ContractError {
    let subject = path.display().to_string();
    let plain = match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file or folder".to_owned(),
        std::io::ErrorKind::PermissionDenied => "no permission".to_owned(),
        _ => error.to_string(),
    };
    ContractError::new(subject, format!("{doing}: {plain}"))
}

/// Opens a file for reading.
///
/// # Errors
/// Names the path and the reason.
#[expect(clippy::disallowed_methods, reason = "the one place where files are opened for reading")]
pub(crate) fn open(path: &Path) -> Result<File, ContractError> {
    regular(path)?;
    File::open(path).map_err(|e| failed(path, "cannot be opened", &e))
}

/// Refuses what is no plain file: a pipe would be waited for, and a device may never end.
fn regular(path: &Path) -> Result<(), ContractError> {
    let kind = std::fs::metadata(path).map_err(|e| failed(path, "cannot be opened", &e))?;
    if kind.is_file() {
        return Ok(());
    }
    let what = if kind.is_dir() { "is a folder, a file is needed" } else { "is no plain file" };
    Err(ContractError::new(path.display().to_string(), what))
}

/// Whether only the account that runs the program may read what it writes.
static OWNER_ONLY: AtomicBool = AtomicBool::new(false);

/// From now on only the account that runs this program may read the files and folders that it makes.
///
/// # Errors
/// Where the system has no such permissions.
pub fn owner_only() -> Result<(), ContractError> {
    if !cfg!(unix) {
        return Err(ContractError::new("outputs.owner_only", "this system has no permissions of that kind")
            .with_hint("leave it out, and write to a folder that only you can read"));
    }
    OWNER_ONLY.store(true, Ordering::Relaxed);
    Ok(())
}

/// Makes a folder and those above it, if it is not there.
///
/// # Errors
/// When the disk refuses.
pub(crate) fn make_folder(path: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(path)?;
    hidden_from_others(path)
}

/// Takes the permissions of all others from a file or folder, where that was asked for.
pub(crate) fn hidden_from_others(path: &Path) -> std::io::Result<()> {
    #[cfg(unix)]
    if OWNER_ONLY.load(Ordering::Relaxed) {
        use std::os::unix::fs::PermissionsExt;
        let mode = if std::fs::metadata(path)?.is_dir() { 0o700 } else { 0o600 };
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode))?;
    }
    #[cfg(not(unix))]
    let _ = path;
    Ok(())
}

/// Makes a new file, in place of one of that name.
///
/// # Errors
/// Names the path and the reason.
#[expect(clippy::disallowed_methods, reason = "the one place where files of a run are made")]
pub(crate) fn create(path: &Path) -> Result<File, ContractError> {
    let made = failing::step().and_then(|()| File::create(path));
    made.and_then(|file| hidden_from_others(path).map(|()| file))
        .map_err(|e| failed(path, "cannot be written", &e))
}

/// Waits until a file's bytes are on the disk.
///
/// # Errors
/// Names the path and the reason.
pub(crate) fn sync(path: &Path, file: &File) -> Result<(), ContractError> {
    failing::step().and_then(|()| file.sync_all()).map_err(|e| failed(path, "cannot be written", &e))
}

/// The whole text of a file; a byte order mark at its start is left out.
///
/// # Errors
/// Names the path and the reason; bytes that are no UTF-8 text are an error.
pub(crate) fn text(path: &Path) -> Result<String, ContractError> {
    match String::from_utf8(bytes(path)?) {
        Ok(text) => Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text)),
        Err(_) => Err(ContractError::new(path.display().to_string(), "is no UTF-8 text")
            .with_hint("save it as UTF-8, then try again")),
    }
}

/// As [`text`]; `None` where there is no such file or object.
///
/// # Errors
/// As [`text`].
pub(crate) fn text_if_any(path: &Path) -> Result<Option<String>, ContractError> {
    match Address::of(path) {
        Some(address) if Storage::open(&address)?.look(&address.key)?.is_none() => return Ok(None),
        None if !path.exists() => return Ok(None),
        _ => {}
    }
    text(path).map(Some)
}

/// All bytes of a file, or of the object at an address.
///
/// # Errors
/// Names the path and the reason.
#[expect(clippy::disallowed_methods, reason = "the one place where whole files are read")]
pub(crate) fn bytes(path: &Path) -> Result<Vec<u8>, ContractError> {
    if let Some(bytes) = blob::whole(path)? {
        return Ok(bytes.into());
    }
    let regular =
        regular(path).map_err(|e| ContractError { message: e.message.replacen("opened", "read", 1), ..e });
    regular.and_then(|()| std::fs::read(path).map_err(|e| failed(path, "cannot be read", &e)))
}

/// Opens a folder, to wait until its entries are on the disk.
///
/// # Errors
/// Names the path and the reason.
#[expect(clippy::disallowed_methods, reason = "a folder is synced through its handle")]
pub(crate) fn open_folder(path: &Path) -> Result<File, ContractError> {
    File::open(path).map_err(|e| failed(path, "cannot be opened", &e))
}
