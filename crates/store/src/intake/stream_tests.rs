//! Reading in shares gives what reading at once gives.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, Int64Array};
use drawoff_contract::{Cylinder, Mapping};

use super::testing::{register, strings, wide_mapping, write_parquet, write_text};
use super::*;

/// A small generator (Knuth's MMIX constants), so that every run of the test sees the same exports.
fn next(state: &mut u64, below: u64) -> u64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 33) % below
}

/// Everything read, as text, because absent values are NaN and NaN equals nothing.
fn told(gathered: &Gathered) -> String {
    format!("{gathered:#?}")
}

fn in_shares(
    dir: &Path,
    mapping: &Mapping,
    cylinders: &BTreeMap<String, Cylinder>,
    bytes: u64,
) -> (Gathered, (usize, bool)) {
    let scratch = tempfile::tempdir().unwrap();
    let limits = Limits { memory_bytes: bytes, aside: scratch.path().join("aside") };
    let mut intake = Intake::open(dir, mapping, cylinders, &limits);
    for _ in 0..5 {
        let mut homes = BTreeMap::new();
        let mut before = String::new();
        let streamed = intake
            .each_home(&|_| {}, &|_, rows| rows, &mut |home, rows| {
                assert!(home > before, "homes come in order");
                before.clone_from(&home);
                homes.insert(home, rows);
                Ok(())
            })
            .unwrap();
        let Some(s) = streamed else { continue };
        let shares = intake.shares();
        let named: BTreeSet<String> = homes.keys().take(2).cloned().collect();
        let again = intake.homes(&named).unwrap();
        named.iter().for_each(|n| assert_eq!(format!("{:?}", again[n]), format!("{:?}", homes[n])));
        assert_eq!(again.len(), named.len());
        let all = Gathered {
            homes,
            files: s.files,
            rejected_by_home: s.rejected_by_home,
            unknown_homes: s.unknown_homes,
        };
        drop(intake);
        assert!(!limits.aside.exists(), "what was written aside is removed");
        return (all, shares);
    }
    panic!("no end of damage");
}

const HOMES: [&str; 8] = ["a", "b", "c", "d", "e", "f", "x", ""];

/// Rows of random homes, instants and values; homes together if `by_home`.
fn rows(state: &mut u64, count: u64, by_home: bool) -> Vec<(&'static str, i64, Option<f64>, Option<f64>)> {
    let mut rows: Vec<_> = (0..count)
        .map(|_| {
            let value = |state: &mut u64| (next(state, 6) > 0).then(|| next(state, 120) as f64);
            let home = HOMES[next(state, 8) as usize];
            (home, 1_700_000_000 + 300 * next(state, 30) as i64, value(state), value(state))
        })
        .collect();
    if by_home {
        rows.sort_by_key(|r| r.0);
    }
    rows
}

fn parquet(path: &Path, rows: &[(&'static str, i64, Option<f64>, Option<f64>)], group: usize) {
    let homes: Vec<&str> = rows.iter().map(|r| r.0).collect();
    let columns: Vec<(&str, ArrayRef)> = vec![
        ("home", strings(&homes)),
        ("time", Arc::new(Int64Array::from_iter_values(rows.iter().map(|r| r.1)))),
        ("t1", Arc::new(rows.iter().map(|r| r.2).collect::<Float64Array>())),
        ("t2", Arc::new(rows.iter().map(|r| r.3).collect::<Float64Array>())),
        ("p", Arc::new(rows.iter().map(|_| None).collect::<Float64Array>())),
    ];
    write_parquet(path, columns, group);
}

fn six() -> BTreeMap<String, Cylinder> {
    register(&[
        ("a", "0.9|0.1"),
        ("b", "0.9|0.1"),
        ("c", "0.9|0.1"),
        ("d", "0.9|0.1"),
        ("e", "0.9"),
        ("f", "0.9|0.1"),
    ])
}

#[test]
fn any_layout_in_any_shares_gives_the_same() {
    let register = six();
    let (mut aside, mut direct) = (0, 0);
    for seed in 0..30 {
        let mut state = seed;
        let dir = tempfile::tempdir().unwrap();
        for file in 0..3 {
            let by_home = seed % 3 != 0;
            let rows = rows(&mut state, 40 + 200 * (seed % 2), by_home);
            // Row groups of a home or two, and such as are cut into runs of homes.
            let group = if seed % 4 < 2 { 15 } else { 60 };
            parquet(&dir.path().join(format!("{file}.parquet")), &rows, group);
            if seed % 5 == 0 {
                let text: String = rows
                    .iter()
                    .map(|(h, t, a, _)| format!("{h},{t},{},\n", a.map_or(String::new(), |v| v.to_string())))
                    .collect();
                write_text(&dir.path().join(format!("{file}.csv")), &format!("home,time,t1,t2,p\n{text}"));
            }
        }
        let whole = gather(dir.path(), &wide_mapping(), &register, &|_| {});
        for bytes in [200, 5_000, 40_000, u64::MAX] {
            let (read, (shares, was_aside)) = in_shares(dir.path(), &wide_mapping(), &register, bytes);
            assert!(told(&read) == told(&whole), "seed {seed}, {bytes} bytes");
            assert!(bytes > 200 || shares > 1);
            aside += usize::from(was_aside);
            direct += usize::from(!was_aside && shares > 1);
        }
    }
    assert!(aside > 10 && direct > 10, "{aside} written aside, {direct} not");
}

#[test]
fn a_file_damaged_in_its_last_row_group_costs_that_file_alone() {
    let register = six();
    for by_home in [true, false] {
        let dir = tempfile::tempdir().unwrap();
        let mut state = 7;
        for file in 0..3 {
            parquet(&dir.path().join(format!("{file}.parquet")), &rows(&mut state, 300, by_home), 50);
        }
        let path = dir.path().join("1.parquet");
        let mut bytes = crate::disk::bytes(&path).unwrap();
        // The footer and the headers of the pages stay whole; what the last page of a column in the last row group holds does not.
        let file = crate::disk::open(&path).unwrap();
        let metadata = parquet::file::metadata::ParquetMetaDataReader::new().parse_and_finish(&file).unwrap();
        let (start, length) = metadata.row_groups().last().unwrap().column(1).byte_range();
        let (start, length) = (usize::try_from(start).unwrap(), usize::try_from(length).unwrap());
        bytes[start + length - 20..start + length].fill(0xEE);
        write_bytes(&path, &bytes);
        let whole = gather(dir.path(), &wide_mapping(), &register, &|_| {});
        assert!(whole.files[1].status.is_err() && whole.files[0].status.is_ok());
        let (read, (shares, aside)) = in_shares(dir.path(), &wide_mapping(), &register, 60_000);
        assert!(shares > 1 && aside != by_home);
        // Where in the file the damage is first met depends on the order of reading; the rest does not.
        assert!(read.files[1].status.is_err());
        assert_eq!(format!("{:?}", read.homes), format!("{:?}", whole.homes));
        assert_eq!(read.files[1].account, whole.files[1].account);
    }
}

#[expect(clippy::disallowed_methods, reason = "tests make their own inputs")]
fn write_bytes(path: &Path, bytes: &[u8]) {
    std::fs::write(path, bytes).unwrap();
}
