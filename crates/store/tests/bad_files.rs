//! Malformed and odd files (apache/parquet-testing and apache/arrow-testing, Apache-2.0): each ends in a clear error
//! or in a reading, never in a panic that gets out.
#![expect(
    clippy::unwrap_used,
    clippy::print_stderr,
    reason = "a test fails by unwrapping, and says what it passed over"
)]

use std::path::{Path, PathBuf};

use drawoff_contract::Mapping;
use drawoff_store::output::read_batches;
use drawoff_store::{gather, inspect};

/// Expands beyond 2 GiB; only the columns that a mapping names are ever read, so its columns are not.
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

/// A mapping whose home, time and value are columns that the file has, if it has three.
fn mapping(columns: [&str; 3]) -> Mapping {
    let [home, time, value] = columns;
    let text = format!(
        "[readings]\nshape = \"wide\"\nhome = {home:?}\ntime = {{ column = {time:?}, format = \"iso\", zone = \"UTC\" }}\n\
         stamp = \"end\"\nvalue = \"mean\"\nchannels = [{{ column = {value:?}, channel = \"probe_1\", unit = \"degC\" }}]\n\
         [register]\nhome = \"h\"\ndefault_zone = \"UTC\"\n"
    );
    Mapping::parse("mapping", &text).unwrap()
}

#[test]
fn each_ends_in_an_error_or_a_reading() {
    let Some(folder) = bad_files() else { return };
    drawoff_store::quiet_decoders();
    let mut files = Vec::new();
    files_below(&folder, &mut files);
    files.retain(|path| !path.to_string_lossy().contains(HUGE));
    assert!(files.len() > 100, "{}", files.len());
    let nobody = std::collections::BTreeMap::new();
    // Names of columns that the fuzzed files use.
    let mappings = [
        mapping(["f0", "f1", "f2"]),
        mapping(["utf8_nullable", "date64_nullable", "float64_nullable"]),
        mapping(["id", "timestamp_col", "double_col"]),
    ];
    let (mut read, mut refused) = (0, 0);
    for path in files {
        match read_batches(&path) {
            Ok(_) => read += 1,
            Err(error) => {
                assert!(error.to_string().contains(&*path.display().to_string()), "{error}");
                refused += 1;
            }
        }
        for mapping in &mappings {
            let gathered = gather(&path, mapping, &nobody, &|_| {});
            assert_eq!(gathered.files.len(), 1, "{}", path.display());
            if let Err(error) = &gathered.files[0].status {
                assert!(!error.message.is_empty() && error.hint.is_some(), "{error}");
            }
        }
        assert!(!inspect(&path, &mappings[0], &nobody).is_empty(), "{}", path.display());
    }
    eprintln!("{read} whole Parquet files read, {refused} refused");
    assert!(read > 0 && refused > 0);
}
