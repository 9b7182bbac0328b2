//! Opening files, with errors that name the path and what to do.

use std::fs::File;
use std::path::Path;

use drawoff_contract::ContractError;

use crate::failing;

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

/// Makes a new file, in place of one of that name.
///
/// # Errors
/// Names the path and the reason.
#[expect(clippy::disallowed_methods, reason = "the one place where files of a run are made")]
pub(crate) fn create(path: &Path) -> Result<File, ContractError> {
    failing::step().and_then(|()| File::create(path)).map_err(|e| failed(path, "cannot be written", &e))
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

/// All bytes of a file.
///
/// # Errors
/// Names the path and the reason.
#[expect(clippy::disallowed_methods, reason = "the one place where whole files are read")]
pub(crate) fn bytes(path: &Path) -> Result<Vec<u8>, ContractError> {
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
