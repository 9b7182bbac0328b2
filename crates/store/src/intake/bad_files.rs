//! Malformed and odd files (apache/parquet-testing and apache/arrow-testing, Apache-2.0): each ends in a clear error
//! or in a reading, never in a panic that gets out.

#![expect(clippy::print_stderr, reason = "a test says what it passed over")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::guard::{caught, quiet_decoders};
use crate::intake::open::Opened;
use crate::intake::source::Source;
use crate::intake::testing::wide_mapping;
use crate::intake::{gather, inspect};
use crate::output::read_batches;

/// Expands beyond 2 GiB. An export only costs the columns that a mapping names.
const HUGE: &str = "large_string_map";

fn bad_files() -> Option<PathBuf> {
    let shared = std::env::var_os("DRAWOFF_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"), PathBuf::from);
    let folder = shared.join("bad-files");
    if folder.exists() {
        return Some(folder);
    }
    eprintln!("passed over: the bad files are not here (set DRAWOFF_SHARED)");
    None
}

fn files_below(folder: &Path, found: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            files_below(&path, found);
        } else {
            found.push(path);
        }
    }
}

/// Rows of all columns, or why not.
fn read_all_columns(path: &Path) -> Result<usize, String> {
    let name = path.file_name().unwrap().to_string_lossy().into_owned();
    let source =
        Source { path: path.to_owned(), name, folder_columns: Vec::new(), origin: crate::blob::Origin::Path };
    caught(|| {
        let opened = Opened::open(&source, b',').map_err(|e| e.to_string())?;
        let columns = opened.column_names();
        let mut rows = 0;
        let read = opened.each_batch(&columns, None, &mut |_, batch| {
            rows += batch.num_rows();
            Ok(())
        });
        read.map(|()| rows).map_err(|e| e.to_string())
    })
    .unwrap_or_else(Err)
}

#[test]
fn each_ends_in_an_error_or_a_reading() {
    let Some(folder) = bad_files() else { return };
    quiet_decoders();
    let mut files = Vec::new();
    files_below(&folder, &mut files);
    files.retain(|path| !path.to_string_lossy().contains(HUGE));
    assert!(files.len() > 100, "{}", files.len());
    let (mapping, nobody) = (wide_mapping(), BTreeMap::new());
    let (mut read, mut refused) = (0, 0);
    for path in files {
        match read_all_columns(&path) {
            Ok(_) => read += 1,
            Err(message) => {
                assert!(!message.is_empty(), "{}", path.display());
                refused += 1;
            }
        }
        if let Err(error) = read_batches(&path) {
            assert!(error.subject.contains(&*path.display().to_string()), "{error}");
        }
        // None has the columns of the mapping: each is refused with something to do.
        let gathered = gather(&path, &mapping, &nobody, &|_| {});
        let error = gathered.files[0].status.clone().unwrap_err();
        assert!(error.hint.is_some(), "{error}");
        assert!(!inspect(&path, &mapping, &nobody).is_empty(), "{}", path.display());
    }
    eprintln!("{read} files read whole, {refused} refused");
    assert!(read > 50 && refused > 50);
}
