//! Reading from a storage gives what reading from a folder gives, and asks for what is needed alone.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, Int64Array, RecordBatch};
use arrow::ipc::writer::{FileWriter, StreamWriter};
use drawoff_contract::Cylinder;
use drawoff_objects::Storage;

use super::testing::{register, strings, wide_mapping, write_parquet, write_text};
use super::*;

/// Homes in order with rows of their own, every five minutes from `at` on, and columns that no mapping names.
fn columns(homes: u32, rows: i64, at: i64) -> Vec<(&'static str, ArrayRef)> {
    let all = || (0..homes).flat_map(|home| (0..rows).map(move |row| (home, row)));
    let names: Vec<String> = all().map(|(home, _)| format!("h{home:02}")).collect();
    let texts: Vec<String> =
        all().map(|(home, row)| format!("{:x}", u64::from(home) * 7_919 + row as u64 * 104_729)).collect();
    let number = |scale: f64| -> ArrayRef {
        Arc::new(
            all()
                .map(|(home, row)| Some(20.0 + f64::from(home) + scale * (row % 97) as f64))
                .collect::<Float64Array>(),
        )
    };
    vec![
        ("home", strings(&names.iter().map(String::as_str).collect::<Vec<_>>())),
        (
            "time",
            Arc::new(Int64Array::from_iter_values(all().map(|(_, row)| 1_700_000_000 + at + 300 * row))),
        ),
        ("t1", number(0.1)),
        ("t2", number(0.07)),
        ("p", number(1.0)),
        ("note", strings(&texts.iter().map(String::as_str).collect::<Vec<_>>())),
        ("more", strings(&texts.iter().map(String::as_str).collect::<Vec<_>>())),
    ]
}

fn cylinders(homes: u32) -> BTreeMap<String, Cylinder> {
    let names: Vec<String> = (0..homes).map(|home| format!("h{home:02}")).collect();
    register(&names.iter().map(|name| (name.as_str(), "0.9|0.1")).collect::<Vec<_>>())
}

/// An export with files of all formats, in a folder and in a folder of a column.
#[expect(clippy::disallowed_methods, reason = "tests make their own inputs")]
fn export(dir: &Path) {
    write_parquet(&dir.join("a.parquet"), columns(6, 40, 0), 60);
    let batch = RecordBatch::try_from_iter(columns(6, 30, 12_000)).unwrap();
    let mut file =
        FileWriter::try_new(std::fs::File::create(dir.join("b.arrow")).unwrap(), &batch.schema()).unwrap();
    file.write(&batch).unwrap();
    file.write(&batch).unwrap();
    file.finish().unwrap();
    let file = std::fs::File::create(dir.join("c.arrows")).unwrap();
    let mut stream = StreamWriter::try_new(file, &batch.schema()).unwrap();
    stream.write(&batch).unwrap();
    stream.finish().unwrap();
    let lines: String =
        (0..50).map(|i| format!("{},{}.5,40.5,\n", 1_700_100_000 + 300 * i, 30 + i % 9)).collect();
    write_text(&dir.join("home=h03/d.csv"), &format!("time,t1,t2,p\n{lines}"));
    write_text(&dir.join("_left/e.csv"), "time\n");
    write_text(&dir.join("README.md"), "not readings\n");
    write_text(&dir.join("f.parquet"), "no Parquet at all, whatever its name says");
}

fn put(storage: &Storage, dir: &Path, below: &Path) {
    for entry in std::fs::read_dir(below).unwrap().flatten() {
        if entry.path().is_dir() {
            put(storage, dir, &entry.path());
            continue;
        }
        let name = entry.path().strip_prefix(dir).unwrap().to_string_lossy().into_owned();
        storage.write(&format!("exports/{name}"), crate::disk::bytes(&entry.path()).unwrap()).unwrap();
    }
}

fn told(source: &Path, memory_bytes: u64) -> String {
    let (mapping, cylinders) = (wide_mapping(), cylinders(6));
    let scratch = tempfile::tempdir().unwrap();
    let limits = Limits { memory_bytes, aside: scratch.path().join("aside") };
    let mut intake = Intake::open(source, &mapping, &cylinders, &limits);
    loop {
        let mut homes = BTreeMap::new();
        let take = &mut |home, rows| {
            homes.insert(home, rows);
            Ok(())
        };
        if let Some(streamed) = intake.each_home(&|_| {}, &|_, rows| rows, take).unwrap() {
            return format!("{homes:#?} {:#?}", streamed.files);
        }
    }
}

#[test]
fn a_storage_gives_what_a_folder_gives() {
    let dir = tempfile::tempdir().unwrap();
    export(dir.path());
    let storage = Storage::in_memory("formats");
    put(&storage, dir.path(), dir.path());
    for memory in [u64::MAX, 2_000] {
        let here = told(dir.path(), memory);
        assert!(here.contains("\"home=h03/d.csv\"") && here.contains("h05"), "{here}");
        assert_eq!(here, told("s3://formats/exports".as_ref(), memory));
    }
    let one = told(&dir.path().join("a.parquet"), u64::MAX);
    assert_eq!(one, told("s3://formats/exports/a.parquet".as_ref(), u64::MAX));
    let nowhere = source::list("s3://formats/nowhere".as_ref()).unwrap_err();
    assert!(nowhere.to_string().starts_with("s3://formats/nowhere: no file of readings"), "{nowhere}");
}

#[test]
fn a_page_that_unpacks_to_too_much_is_refused_in_a_storage_too() {
    let dir = tempfile::tempdir().unwrap();
    export(dir.path());
    // Field 1 of the first page header of another kind, as in the test of sizes.
    let path = dir.path().join("a.parquet");
    let mut bytes = crate::disk::bytes(&path).unwrap();
    bytes[4] = 0x1f;
    write_bytes(&path, &bytes);
    let storage = Storage::in_memory("bombs");
    put(&storage, dir.path(), dir.path());
    let here = told(dir.path(), u64::MAX);
    assert!(here.contains("cannot be followed"), "{here}");
    assert_eq!(here, told("s3://bombs/exports".as_ref(), u64::MAX));
}

#[expect(clippy::disallowed_methods, reason = "a test spoils a file, which the store would not")]
fn write_bytes(path: &Path, bytes: &[u8]) {
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn only_row_groups_and_columns_that_are_needed_are_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.parquet");
    write_parquet(&path, columns(20, 3_000, 0), 3_000);
    let bytes = crate::disk::bytes(&path).unwrap();
    let size = bytes.len() as u64;
    let storage = Storage::in_memory("ranges");
    storage.write("a.parquet", bytes).unwrap();
    let (mapping, cylinders) = (wide_mapping(), cylinders(20));
    let limits = Limits { memory_bytes: u64::MAX, aside: dir.path().join("aside") };
    let asked = |only: Option<&str>| {
        let before = storage.asked();
        let files = inputs("s3://ranges/a.parquet".as_ref()).unwrap();
        let only: Option<BTreeSet<String>> = only.map(|home| BTreeSet::from([home.to_owned()]));
        let mut own = cylinders.clone();
        own.retain(|home, _| only.as_ref().is_none_or(|o| o.contains(home)));
        let limits =
            Limits { memory_bytes: if only.is_some() { 100_000 } else { u64::MAX }, ..limits.clone() };
        let mut rows = 0;
        let intake = Intake::of_files(&files, &[], only.clone(), &mapping, &cylinders, &limits);
        match &only {
            Some(only) => {
                rows += intake.homes(only).unwrap().values().map(|h| h.time_ms.len()).sum::<usize>()
            }
            None => {
                let mut intake = intake;
                let take = &mut |_: String, read: HomeRows| {
                    rows += read.time_ms.len();
                    Ok(())
                };
                intake.each_home(&|_| {}, &|_, rows| rows, take).unwrap().unwrap();
            }
        }
        let now = storage.asked();
        (rows, now.requests - before.requests, now.read - before.read)
    };
    let (rows, requests, read) = asked(None);
    assert_eq!(rows, 60_000);
    assert!(read < size * 6 / 10, "columns that no mapping names were read: {read} of {size} bytes");
    assert!(requests < 20 * 6 + 8, "{requests} requests");
    let (rows, requests, read) = asked(Some("h07"));
    assert_eq!(rows, 3_000);
    // The end of the file, and the row groups of a share of homes.
    assert!(read < size / 3 && requests < 40, "one home took {requests} requests and {read} of {size} bytes");
}

#[test]
fn a_storage_that_fails_is_no_damage_of_a_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.parquet");
    write_parquet(&path, columns(6, 3_000, 0), 3_000);
    let storage = Storage::in_memory("changing");
    storage.write("a.parquet", crate::disk::bytes(&path).unwrap()).unwrap();
    let (mapping, cylinders) = (wide_mapping(), cylinders(6));
    let limits = Limits { memory_bytes: u64::MAX, aside: dir.path().join("aside") };
    let mut intake = Intake::open("s3://changing/a.parquet".as_ref(), &mapping, &cylinders, &limits);
    storage.write("a.parquet", vec![0; 10]).unwrap();
    let error = intake.each_home(&|_| {}, &|_, _| (), &mut |_, ()| Ok(())).unwrap_err();
    assert!(
        error.to_string().starts_with("s3://changing/a.parquet: was changed or removed while"),
        "{error}"
    );
}
