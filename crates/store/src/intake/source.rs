//! Which files of a source are read, in which order, and in which format.

mod stored;

use std::io::Read;
use std::path::{Path, PathBuf};

use drawoff_contract::ContractError;
use drawoff_objects::Address;
use sha2::{Digest, Sha256};

use crate::blob::{Blob, Origin, Stream};
use crate::disk;
use crate::output::hex;

/// Folders nested deeper than this are refused: a guard against links that lead in circles.
const DEEPEST: usize = 12;

const ENDINGS: &[(&str, Format)] = &[
    ("parquet", Format::Parquet),
    ("arrow", Format::IpcFile),
    ("feather", Format::IpcFile),
    ("ipc", Format::IpcFile),
    ("arrows", Format::IpcStream),
    ("csv", Format::Text),
    ("tsv", Format::Text),
    ("txt", Format::Text),
];

/// One file to read.
#[derive(Clone, Debug)]
pub(crate) struct Source {
    /// Where it is.
    pub(crate) path: PathBuf,
    /// Its path below the source folder, with `/` between parts.
    pub(crate) name: String,
    /// Columns told by folder names of the form `key=value`.
    pub(crate) folder_columns: Vec<(String, String)>,
    /// Whether it lies in a storage.
    pub(crate) origin: Origin,
}

impl Source {
    /// A file that is known by its name only.
    pub(crate) fn absent(name: &str) -> Self {
        Self {
            path: PathBuf::from(name),
            name: name.to_owned(),
            folder_columns: Vec::new(),
            origin: Origin::Path,
        }
    }

    /// Opens it, to be read in parts.
    ///
    /// # Errors
    /// Names it and the reason.
    pub(crate) fn open(&self) -> Result<Blob, ContractError> {
        Blob::of(&self.origin, &self.path)
    }

    /// Opens it, to be read from end to end.
    ///
    /// # Errors
    /// Names it and the reason.
    pub(crate) fn stream(&self) -> Result<Stream, ContractError> {
        Blob::stream(&self.origin, &self.path)
    }

    /// Its length, bytes; 0 where nothing tells.
    pub(crate) fn bytes(&self) -> u64 {
        match &self.origin {
            Origin::Path => std::fs::metadata(&self.path).map_or(0, |m| m.len()),
            Origin::Object(object) => object.size(),
        }
    }

    /// Refuses to go on after a storage failed: what was read, or not, says nothing of the file then.
    ///
    /// # Errors
    /// Why it failed.
    pub(crate) fn is_sound(&self) -> Result<(), ContractError> {
        match &self.origin {
            Origin::Object(object) => object.failure().map_or(Ok(()), Err),
            Origin::Path => Ok(()),
        }
    }
}

/// How a file is laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Format {
    /// Parquet.
    Parquet,
    /// Arrow IPC file.
    IpcFile,
    /// Arrow IPC stream.
    IpcStream,
    /// Separated text.
    Text,
}

/// All files at `source`, in the order of their names below it.
///
/// Hidden files, those that begin with an underscore and those with other endings are left out.
///
/// # Errors
/// When there is nothing at `source`, or no file of readings in it.
pub(crate) fn list(source: &Path) -> Result<Vec<Source>, ContractError> {
    if let Some(address) = Address::of(source) {
        return stored::list(&address);
    }
    let kind = std::fs::metadata(source).map_err(|e| {
        disk::failed(source, "readings cannot be found", &e)
            .with_hint("check `inputs.readings`; a relative path starts at the current folder")
    })?;
    if !kind.is_dir() {
        let name = source.file_name().unwrap_or(source.as_os_str()).to_string_lossy().into_owned();
        return Ok(vec![Source {
            path: source.to_owned(),
            name,
            folder_columns: Vec::new(),
            origin: Origin::Path,
        }]);
    }
    let mut found = Vec::new();
    walk(source, "", &[], 0, &mut found)?;
    in_order(found, source)
}

/// What was found in the order of the names.
fn in_order(mut found: Vec<Source>, source: &Path) -> Result<Vec<Source>, ContractError> {
    if found.is_empty() {
        let endings: Vec<&str> = ENDINGS.iter().map(|(ending, _)| *ending).collect();
        return Err(ContractError::new(source.display().to_string(), "no file of readings in this folder")
            .with_hint(format!("files are known by their endings: {}", endings.join(", "))));
    }
    found.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(found)
}

/// What a file is, wherever it lies and whatever it is called: a hash of its bytes, its ending and the columns that folder names tell.
///
/// # Errors
/// When it cannot be read.
pub(crate) fn content(source: &Source) -> Result<String, ContractError> {
    let mut hash = Sha256::new();
    let ending = source.path.extension().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
    if let Origin::Object(object) = &source.origin {
        // To read all of an export each night, only to know it again, is what a storage spares.
        let identity = object.identity().ok_or_else(|| {
            ContractError::new(
                source.path.display().to_string(),
                "the storage gives it no tag to know its content by",
            )
            .with_hint("leave `daybook.keep` out, or copy the readings to a folder first")
        })?;
        hash.update(format!("{identity}/{ending}/{:?}", source.folder_columns));
        return Ok(hex(&hash.finalize()));
    }
    let mut file = disk::open(&source.path)?;
    let mut buffer = vec![0_u8; 1 << 18];
    loop {
        match file.read(&mut buffer) {
            Ok(0) => break,
            Ok(n) => hash.update(&buffer[..n]),
            Err(e) => return Err(disk::failed(&source.path, "cannot be read", &e)),
        }
    }
    hash.update(format!("/{ending}/{:?}", source.folder_columns));
    Ok(hex(&hash.finalize()))
}

fn walk(
    folder: &Path,
    prefix: &str,
    columns: &[(String, String)],
    depth: usize,
    found: &mut Vec<Source>,
) -> Result<(), ContractError> {
    let entries = std::fs::read_dir(folder).map_err(|e| disk::failed(folder, "cannot be listed", &e))?;
    for entry in entries {
        let entry = entry.map_err(|e| disk::failed(folder, "cannot be listed", &e))?;
        let file_name = entry.file_name().to_string_lossy().into_owned();
        if file_name.starts_with('.') || file_name.starts_with('_') {
            continue;
        }
        let path = entry.path();
        let name = format!("{prefix}{file_name}");
        // A link that leads nowhere is named when it is opened; what may not be looked at could be a folder of readings.
        let is_folder = match std::fs::metadata(&path) {
            Ok(kind) => kind.is_dir(),
            Err(e) if e.kind() == std::io::ErrorKind::PermissionDenied => {
                return Err(disk::failed(&path, "cannot be looked at", &e));
            }
            Err(_) => false,
        };
        if is_folder {
            let mut columns = columns.to_vec();
            if let Some((key, value)) = file_name.split_once('=') {
                columns.push((key.to_owned(), plain_value(value)));
            }
            if depth == DEEPEST {
                let message = format!("folders lie deeper than {DEEPEST} in each other");
                return Err(ContractError::new(path.display().to_string(), message)
                    .with_hint("a link may lead in a circle: take it out, or move the files up"));
            }
            walk(&path, &format!("{name}/"), &columns, depth + 1, found)?;
        } else if format_of_ending(&path).is_some() {
            found.push(Source { path, name, folder_columns: columns.to_vec(), origin: Origin::Path });
        }
    }
    Ok(())
}

/// The value of a folder name, with its %XX escapes undone; empty for the name that stands for null.
fn plain_value(value: &str) -> String {
    if value == "__HIVE_DEFAULT_PARTITION__" {
        return String::new();
    }
    let bytes = value.as_bytes();
    let mut plain = Vec::with_capacity(bytes.len());
    let mut at = 0;
    while at < bytes.len() {
        let escape = value.get(at + 1..at + 3).filter(|_| bytes[at] == b'%');
        match escape.and_then(|hex| u8::from_str_radix(hex, 16).ok()) {
            Some(byte) => {
                plain.push(byte);
                at += 3;
            }
            None => {
                plain.push(bytes[at]);
                at += 1;
            }
        }
    }
    String::from_utf8(plain).unwrap_or_else(|_| value.to_owned())
}

fn format_of_ending(path: &Path) -> Option<Format> {
    let ending = path.extension()?.to_str()?.to_ascii_lowercase();
    ENDINGS.iter().find(|(e, _)| *e == ending).map(|(_, format)| *format)
}

/// Bytes at the start of a file that tell its format.
const FIRST_BYTES: u64 = 6;

fn first_bytes(path: &Path) -> Result<Vec<u8>, ContractError> {
    let mut start = Vec::new();
    let read = disk::open(path)?.take(FIRST_BYTES).read_to_end(&mut start);
    read.map_err(|e| disk::failed(path, "cannot be read", &e))?;
    Ok(start)
}

/// The format of a file: by its first bytes where they are telling, otherwise by its ending.
///
/// # Errors
/// When the file cannot be opened, is empty, or is of no known format.
pub(crate) fn format(source: &Source) -> Result<Format, ContractError> {
    let path = &source.path;
    let start = match &source.origin {
        Origin::Path => first_bytes(path)?,
        Origin::Object(object) => {
            // What tells the columns of most files is asked for at once.
            object.keep_tail()?;
            object.range(0..FIRST_BYTES)?.to_vec()
        }
    };
    let subject = path.display().to_string();
    match start.as_slice() {
        [] => {
            Err(ContractError::new(subject, "the file is empty").with_hint("remove it, or export it again"))
        }
        [b'P', b'A', b'R', b'1', ..] => Ok(Format::Parquet),
        b"ARROW1" => Ok(Format::IpcFile),
        [0xFF, 0xFF, 0xFF, 0xFF, ..] => Ok(Format::IpcStream),
        _ => format_of_ending(path).ok_or_else(|| {
            ContractError::new(subject, "neither Parquet nor Arrow IPC, and no ending of a text file")
                .with_hint("export it as Parquet, Arrow IPC or .csv")
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::testing::write_text;

    #[test]
    fn nested_folders_are_listed_by_name_with_their_columns() {
        let dir = tempfile::tempdir().unwrap();
        write_text(&dir.path().join("month=2/home=b/x.csv"), "a\n");
        write_text(&dir.path().join("month=1/x.csv"), "a\n");
        write_text(&dir.path().join("month=1/.x.csv"), "a\n");
        write_text(&dir.path().join("README.md"), "a\n");
        let found = list(dir.path()).unwrap();
        let names: Vec<&str> = found.iter().map(|s| s.name.as_str()).collect();
        assert_eq!(names, ["month=1/x.csv", "month=2/home=b/x.csv"]);
        assert_eq!(found[1].folder_columns[1], ("home".to_owned(), "b".to_owned()));
    }

    #[test]
    fn folder_values_are_plain() {
        assert_eq!(plain_value("a%2Fb"), "a/b");
        assert_eq!(plain_value("50%"), "50%");
        assert_eq!(plain_value("__HIVE_DEFAULT_PARTITION__"), "");
    }

    #[test]
    fn an_empty_folder_is_an_error_with_a_hint() {
        let dir = tempfile::tempdir().unwrap();
        let error = list(dir.path()).unwrap_err();
        assert!(error.to_string().contains("no file of readings"), "{error}");
        assert!(error.hint.unwrap().contains("parquet"));
        assert!(list(&dir.path().join("nowhere")).is_err());
    }
}
