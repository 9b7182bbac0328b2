//! Every malformed or odd file of the reference material ends as `tables/bad-files.tsv` says, within 2 GiB and 10 s.
//!
//! Files: apache/parquet-testing and apache/arrow-testing, Apache-2.0. A file without a row in the table fails, and so does a row without
//! a file. A release build goes on where a dev build stops at an overflow: where it ends otherwise, that stands in a third column, and is what holds
//! with `DRAWOFF_RELEASE`.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::print_stderr, reason = "a failing test says what the table should hold")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use drawoff_tests::confined::confined;
use drawoff_tests::program::{repository, text_of, tried};
use drawoff_tests::shared;

const READ_ODD_FILE: &str = env!("CARGO_BIN_EXE_read-odd-file");
const TABLE: &str = "tests/tables/bad-files.tsv";
/// Files that only describe the others.
const ENDINGS_OF_TEXTS: [&str; 2] = ["md", "gitignore"];

fn files_below(folder: &Path, found: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        let is_text = path.extension().is_some_and(|e| ENDINGS_OF_TEXTS.iter().any(|t| e == *t));
        match path.is_dir() {
            true => files_below(&path, found),
            false if !is_text => found.push(path),
            false => {}
        }
    }
}

/// Where files without a telling ending lie, and the ending under which an export of that format would come.
const ENDINGS_BY_FOLDER: [(&str, &str); 4] = [
    ("arrow-ipc/data/arrow-ipc-file", "arrow"),
    ("arrow-ipc/data/arrow-ipc-stream", "arrows"),
    ("arrow-ipc/data/parquet", "parquet"),
    ("parquet", "parquet"),
];
const KNOWN_ENDINGS: [&str; 8] = ["parquet", "arrow", "feather", "ipc", "arrows", "csv", "tsv", "txt"];

/// The file under a name by which it is taken for an export of its format.
fn as_export(path: &Path, name: &str, scratch: &Path) -> PathBuf {
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or_default();
    let of_folder = ENDINGS_BY_FOLDER.iter().find(|(folder, _)| name.starts_with(folder));
    match of_folder {
        Some((_, ending_there)) if !KNOWN_ENDINGS.contains(&ending) && ending != "gz" => {
            let copy = scratch.join(format!("{}.{ending_there}", name.replace('/', "+")));
            std::fs::copy(path, &copy).unwrap();
            copy
        }
        _ => path.to_owned(),
    }
}

/// Characters of an outcome that the table holds: decoders tell long stories.
const TOLD: usize = 90;

fn told(text: &str) -> String {
    text.chars()
        .take(TOLD)
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect::<String>()
        .trim_end()
        .to_owned()
}

/// The outcome of every file, by two threads.
fn outcomes(files: &[PathBuf], folder: &Path) -> BTreeMap<String, String> {
    let next = Mutex::new(files.iter());
    let found = Mutex::new(BTreeMap::new());
    let scratch = tempfile::tempdir().unwrap();
    let program = tried(READ_ODD_FILE, Some("read-odd-file"));
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let Some(path) = next.lock().unwrap().next() else { return };
                    let name = path.strip_prefix(folder).unwrap().to_string_lossy().into_owned();
                    let export = as_export(path, &name, scratch.path());
                    let outcome = confined(&program, &export);
                    let outcome =
                        outcome.map(|text| told(&text.replace(&*scratch.path().to_string_lossy(), "")));
                    let outcome = outcome.unwrap_or_else(|broken| format!("BROKEN: {broken}"));
                    found.lock().unwrap().insert(name, outcome);
                }
            });
        }
    });
    found.into_inner().unwrap()
}

#[test]
fn every_bad_file_ends_as_the_table_says() {
    let Some(folder) = shared("bad-files") else { return };
    let mut files = Vec::new();
    files_below(&folder, &mut files);
    assert!(files.len() > 600, "{}", files.len());
    let found = outcomes(&files, &folder);
    let text = text_of(&repository().join(TABLE));
    let expected: BTreeMap<&str, &str> = text
        .lines()
        .filter(|l| !l.starts_with('#'))
        .map(|line| {
            let (name, outcomes) =
                line.split_once('\t').unwrap_or_else(|| panic!("{TABLE}: no tab in {line}"));
            let (dev, release) = outcomes.split_once('\t').unwrap_or((outcomes, outcomes));
            (name, if std::env::var_os("DRAWOFF_RELEASE").is_some() { release } else { dev })
        })
        .collect();
    let mut wrong = Vec::new();
    for (name, outcome) in &found {
        let broken =
            outcome.contains("BROKEN") || outcome.contains("ROWS COUNTED") || outcome.contains("NO FILE");
        if broken || expected.get(name.as_str()) != Some(&outcome.as_str()) {
            wrong.push(format!("{name}\t{outcome}"));
        }
    }
    wrong.extend(
        expected
            .keys()
            .filter(|name| !found.contains_key(**name))
            .map(|name| format!("{name}: no such file")),
    );
    wrong.iter().for_each(|line| eprintln!("{line}"));
    assert!(
        wrong.is_empty(),
        "{} of {} files end in another way than {TABLE} says (above)",
        wrong.len(),
        found.len()
    );
}
