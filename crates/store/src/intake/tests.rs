//! Whole files in, accounts out.

use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, Int64Array, RecordBatch, StringViewArray};
use arrow::ipc::CompressionType;
use arrow::ipc::writer::{FileWriter, IpcWriteOptions, StreamWriter};
use drawoff_contract::account::count_home;
use drawoff_contract::{Channel, Mask};

use super::testing::*;
use super::*;

/// Used, masked and rejected rows of each file together.
pub(crate) fn accounts(gathered: &Gathered) -> Vec<Account> {
    let mut accounts: Vec<Account> = gathered.files.iter().map(|f| f.account.clone()).collect();
    for rows in gathered.homes.values() {
        count_home(rows, &mut accounts);
    }
    accounts
}

fn times(values: &[i64]) -> ArrayRef {
    Arc::new(Int64Array::from(values.iter().map(|t| 1_700_000_000 + t * 300).collect::<Vec<_>>()))
}

fn values(values: &[Option<f64>]) -> ArrayRef {
    Arc::new(Float64Array::from(values.to_vec()))
}

const N: Option<f64> = None;

#[test]
fn wide_rows_with_copies_nulls_and_rejects_are_all_counted() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.parquet");
    write_parquet(
        &path,
        vec![
            ("home", strings(&["a", "a", "a", "a", "b", "x", "a", ""])),
            ("time", times(&[0, 1, 1, 3, 0, 0, 2, 0])),
            (
                "t1",
                values(&[
                    Some(60.0),
                    Some(61.0),
                    Some(62.0),
                    N,
                    Some(-999.0),
                    Some(1.0),
                    Some(63.0),
                    Some(1.0),
                ]),
            ),
            ("t2", values(&[Some(50.0), N, Some(200.0), N, Some(-999.0), Some(1.0), Some(51.0), Some(1.0)])),
            ("p", values(&[N; 8])),
            ("unused", values(&[N; 8])),
        ],
        3,
    );
    let register = register(&[("a", "0.9|0.1"), ("b", "0.9|0.1")]);
    let gathered = gather(dir.path(), &wide_mapping(), &register, &|_| {});
    assert_eq!(gathered.files[0].status, Ok(()));
    let a = &gathered.homes["a"];
    assert_eq!(a.time_ms.iter().map(|t| (t / 1000 - 1_700_000_000) / 300).collect::<Vec<_>>(), [0, 1, 1, 2]);
    assert_eq!((a.out_of_order, a.null_columns), (0, 1));
    let top = a.get(Channel::Probe(0)).unwrap();
    assert_eq!(top.mask, [Mask::Used, Mask::Duplicate, Mask::Used, Mask::Used]);
    let next = a.get(Channel::Probe(1)).unwrap();
    assert_eq!(next.mask, [Mask::Used, Mask::Absent, Mask::OutOfRange, Mask::Used]);
    assert_eq!(next.value[2], 200.0);
    assert_eq!(gathered.homes["b"].get(Channel::Probe(0)).unwrap().mask, [Mask::Sentinel]);
    assert_eq!(gathered.unknown_homes, BTreeMap::from([("x".to_owned(), 1)]));
    assert_eq!(gathered.rejected_by_home["a"].all_rows_rejected(), 1);

    let account = &accounts(&gathered)[0];
    assert!(account.is_balanced(), "{account:?}");
    assert_eq!((account.rows_in, account.rows_used, account.all_rows_masked()), (8, 3, 2));
    assert_eq!(account.all_rows_rejected(), 3);
    assert_eq!(account.values_in, 8 * 3);
    assert_eq!(
        account.by_reason(),
        "duplicate 1/1, sentinel 1/2, out_of_range 0/1, no_home 1/0, no_value 1/0, home_not_in_register 1/0"
    );
}

#[test]
fn late_rows_are_sorted_back_and_counted() {
    let dir = tempfile::tempdir().unwrap();
    let csv = "home,time,t1,t2,p\na,1700000600,60,50,\na,1700000000,61,51,\na,1700000900,62,52,0\n";
    write_text(&dir.path().join("a.csv"), csv);
    let gathered = gather(dir.path(), &wide_mapping(), &register(&[("a", "0.9|0.1")]), &|_| {});
    let a = &gathered.homes["a"];
    assert!(a.time_ms.is_sorted());
    assert_eq!((a.out_of_order, a.out_of_order_by_file.as_slice()), (1, &[(0, 1)][..]));
    assert_eq!(a.get(Channel::Probe(0)).unwrap().value, [61.0, 60.0, 62.0]);
    assert_eq!(a.get(Channel::Power(0)).unwrap().mask, [Mask::Absent, Mask::Absent, Mask::Used]);
    assert_eq!(accounts(&gathered)[0].rows_used, 3);
}

fn long_file(dir: &Path, name: &str, rows: &[(&str, i64, &str, Option<f64>)]) {
    write_parquet(
        &dir.join(name),
        vec![
            ("home", strings(&rows.iter().map(|r| r.0).collect::<Vec<_>>())),
            ("time", times(&rows.iter().map(|r| r.1).collect::<Vec<_>>())),
            ("channel", strings(&rows.iter().map(|r| r.2).collect::<Vec<_>>())),
            ("value", values(&rows.iter().map(|r| r.3).collect::<Vec<_>>())),
        ],
        4,
    );
}

#[test]
fn long_rows_with_copies_nulls_and_rejects_are_all_counted() {
    let dir = tempfile::tempdir().unwrap();
    long_file(
        dir.path(),
        "a.parquet",
        &[
            ("a", 0, "T1", Some(200.0)),
            ("a", 1, "T1", Some(210.0)),
            ("a", 1, "T1", Some(220.0)),
            ("a", 0, "T2", Some(600.0)),
            ("a", 1, "T2", Some(610.0)),
            ("a", 2, "P", Some(3.0)),
            ("a", 2, "P", N),
            ("a", 2, "humidity", Some(1.0)),
            ("x", 2, "P", Some(1.0)),
            ("", 2, "P", Some(1.0)),
        ],
    );
    // A later file says one value again, and adds another channel at an instant that is there already.
    long_file(dir.path(), "b.parquet", &[("a", 1, "T2", Some(620.0)), ("a", 1, "P", Some(2.0))]);
    let gathered = gather(dir.path(), &long_mapping(), &register(&[("a", "0.9|0.1")]), &|_| {});
    let a = &gathered.homes["a"];
    // T1 is the lowest of two probes: the second from the top.
    let low = a.get(Channel::Probe(1)).unwrap();
    let top = a.get(Channel::Probe(0)).unwrap();
    assert_eq!(a.file, [0, 0, 0, 1, 0]);
    assert_eq!(low.mask, [Mask::Used, Mask::Duplicate, Mask::Used, Mask::Absent, Mask::Absent]);
    assert_eq!(top.mask, [Mask::Used, Mask::Absent, Mask::Duplicate, Mask::Used, Mask::Absent]);
    assert_eq!(top.value[3], 62.0);
    assert_eq!(a.get(Channel::Power(0)).unwrap().value[4], 3000.0);
    let accounts = accounts(&gathered);
    assert!(accounts.iter().all(Account::is_balanced), "{accounts:?}");
    assert_eq!((accounts[0].rows_in, accounts[1].rows_in), (10, 2));
    assert_eq!((accounts[0].rows_used, accounts[0].all_rows_masked()), (4, 2));
    assert_eq!(
        accounts[0].by_reason(),
        "duplicate 2/2, no_home 1/0, no_value 1/0, unknown_channel 1/0, home_not_in_register 1/0"
    );
}

#[test]
fn a_truncated_file_costs_that_file_alone() {
    let dir = tempfile::tempdir().unwrap();
    let row = |i: i64| ("a", i, "T1", Some(200.0 + i as f64));
    let rows: Vec<_> = (0..200).map(row).collect();
    long_file(dir.path(), "a.parquet", &rows[..100]);
    long_file(dir.path(), "b.parquet", &rows[100..]);
    let path = dir.path().join("b.parquet");
    let bytes = crate::disk::bytes(&path).unwrap();
    cut(&path, &bytes[..bytes.len() / 2]);
    let register = register(&[("a", "0.9|0.1")]);
    let gathered = gather(dir.path(), &long_mapping(), &register, &|_| {});
    assert_eq!(gathered.homes["a"].len(), 100);
    let error = gathered.files[1].status.clone().unwrap_err();
    assert!(error.subject.contains("b.parquet") && error.hint.is_some(), "{error}");
    assert_eq!(accounts(&gathered)[1], Account::default());
    assert_eq!(inspect(dir.path(), &long_mapping(), &register).len(), 1);
}

#[test]
fn damage_within_a_file_names_row_group_and_column() {
    let dir = tempfile::tempdir().unwrap();
    let rows: Vec<_> = (0..12).map(|i| ("a", i, "T1", Some(200.0 + i as f64))).collect();
    long_file(dir.path(), "a.parquet", &rows);
    let path = dir.path().join("a.parquet");
    let metadata = {
        let file = crate::disk::open(&path).unwrap();
        let options = parquet::arrow::arrow_reader::ArrowReaderOptions::new();
        parquet::arrow::arrow_reader::ArrowReaderMetadata::load(&file, options).unwrap()
    };
    let chunk = metadata.metadata().row_group(1).column(3);
    let (start, length) = chunk.byte_range();
    let mut bytes = crate::disk::bytes(&path).unwrap();
    for b in &mut bytes[start as usize..(start + length) as usize] {
        *b = 0xFF;
    }
    cut(&path, &bytes);
    let gathered = gather(dir.path(), &long_mapping(), &register(&[("a", "0.9|0.1")]), &|_| {});
    let error = gathered.files[0].status.clone().unwrap_err();
    assert!(error.subject.contains("a.parquet, row group 1, column `value`"), "{error}");
    assert!(gathered.homes.is_empty());
}

#[expect(clippy::disallowed_methods, reason = "tests damage their own inputs")]
fn cut(path: &Path, bytes: &[u8]) {
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn folder_names_are_columns() {
    let dir = tempfile::tempdir().unwrap();
    write_text(&dir.path().join("home=a/x.csv"), "time,t1,t2,p\n1700000000,60,50,0\n");
    write_text(&dir.path().join("home=b/x.csv"), "time,t1,t2,p\n1700000000,40,30,0\n");
    let register = register(&[("a", "0.9|0.1"), ("b", "0.9|0.1")]);
    let gathered = gather(dir.path(), &wide_mapping(), &register, &|_| {});
    assert_eq!(gathered.homes["b"].at(Channel::Probe(0), 0), 40.0);
    assert_eq!(inspect(dir.path(), &wide_mapping(), &register), Vec::new());
}

#[test]
fn all_problems_of_an_export_come_at_once() {
    let dir = tempfile::tempdir().unwrap();
    write_text(&dir.path().join("a.csv"), "home,stamp,t1,t3,p\na,1700000000,60,50,0\n");
    write_text(
        &dir.path().join("b.csv"),
        "home,time,t1,t2,p\nx,1700000000,60,50,0\nx,soon,60,50,0\n,1700000000,1,1,1\n",
    );
    write_text(&dir.path().join("c.parquet"), "no parquet");
    write_text(&dir.path().join("d.csv"), "");
    let problems = inspect(dir.path(), &wide_mapping(), &register(&[("a", "0.9|0.1")]));
    let all = problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
    for part in [
        "a.csv, column `time`: the column is missing",
        "a.csv, column `t2`: the column is missing",
        "did you mean `t1`?",
        "c.parquet: cannot be read",
        "d.csv: the file is empty",
        "1 rows name no home",
        "the register does not list `x` (2 rows)",
        "no row belongs to a home of the register",
    ] {
        assert!(all.contains(part), "{part}\n---\n{all}");
    }
    assert_eq!(inspect(&dir.path().join("none"), &wide_mapping(), &BTreeMap::new()).len(), 1);
}

#[test]
fn local_times_skip_and_repeat_with_the_change_of_hour() {
    let dir = tempfile::tempdir().unwrap();
    let stamps = [
        "2025-10-26 01:40",
        "2025-10-26 02:00",
        "2025-10-26 02:40",
        "2025-10-26 02:00",
        "2025-10-26 02:40",
        "2025-10-26 03:00",
        "2026-03-29 02:20",
    ];
    let rows: String = stamps.iter().map(|t| format!("a,{t},60,50,0\n")).collect();
    write_text(&dir.path().join("a.csv"), &format!("home,time,t1,t2,p\n{rows}"));
    let mut mapping = wide_mapping();
    mapping.readings.time_format = drawoff_contract::mapping::TimeFormat::Iso;
    let register = register(&[("a", "0.9|0.1")]);
    let problems = inspect(dir.path(), &mapping, &register);
    assert!(problems[0].to_string().contains("7 rows have a local time"), "{problems:?}");
    mapping.readings.zone = Some(chrono_tz::Europe::Berlin);
    let gathered = gather(dir.path(), &mapping, &register, &|_| {});
    let a = &gathered.homes["a"];
    let minutes: Vec<i64> = a.time_ms.iter().map(|t| (t - a.time_ms[0]) / 60_000).collect();
    assert_eq!(minutes, [0, 20, 60, 80, 120, 140]);
    assert_eq!(a.out_of_order, 0);
    assert_eq!(accounts(&gathered)[0].by_reason(), "no_time 1/0");
}

#[test]
fn stamps_at_the_start_move_to_the_end() {
    let dir = tempfile::tempdir().unwrap();
    write_text(&dir.path().join("a.csv"), "home,time,t1,t2,p\na,1700000000,60,50,0\n");
    let mut mapping = wide_mapping();
    mapping.readings.stamp = drawoff_contract::mapping::Stamp::Start;
    mapping.readings.cadence_min = Some(5.0);
    let gathered = gather(dir.path(), &mapping, &register(&[("a", "0.9|0.1")]), &|_| {});
    assert_eq!(gathered.homes["a"].time_ms, [1_700_000_300_000]);
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    for (i, name) in ["c.parquet", "a.parquet", "b.parquet"].into_iter().enumerate() {
        let rows: Vec<_> = (0..50).map(|t| ("a", t, "T1", Some(200.0 + i as f64))).collect();
        long_file(dir.path(), name, &rows);
    }
    let register = register(&[("a", "0.9|0.1")]);
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| gather(dir.path(), &long_mapping(), &register, &|_| {}).homes)
    };
    assert_eq!(run(1), run(2));
    // The last file by path is c: its value counts.
    assert_eq!(run(2)["a"].at(Channel::Probe(1), 2), 20.0);
}

#[test]
fn the_same_rows_in_every_format_give_the_same_readings() {
    let text = "home,time,t1,t2,p\na,1700000000,60.5,50,\na,1700000300,61.5,51,3000\n";
    let batch = RecordBatch::try_from_iter(vec![
        ("home", Arc::new(StringViewArray::from(vec!["a", "a"])) as ArrayRef),
        ("time", times(&[0, 1])),
        ("t1", values(&[Some(60.5), Some(61.5)])),
        ("t2", values(&[Some(50.0), Some(51.0)])),
        ("unused", values(&[N, N])),
        ("p", values(&[N, Some(3000.0)])),
    ])
    .unwrap();
    let packed = IpcWriteOptions::default().try_with_compression(Some(CompressionType::LZ4_FRAME)).unwrap();
    let mut file = FileWriter::try_new_with_options(Vec::new(), &batch.schema(), packed).unwrap();
    file.write(&batch).unwrap();
    let mut stream = StreamWriter::try_new(Vec::new(), &batch.schema()).unwrap();
    stream.write(&batch).unwrap();
    let register = register(&[("a", "0.9|0.1")]);
    let read = |name: &str, bytes: &[u8]| {
        let dir = tempfile::tempdir().unwrap();
        cut(&dir.path().join(name), bytes);
        let gathered = gather(dir.path(), &wide_mapping(), &register, &|_| {});
        assert_eq!(gathered.files[0].status, Ok(()), "{name}");
        assert_eq!(gathered.homes["a"].at(Channel::Power(0), 1), 3000.0);
        // As text, because absent values are NaN and NaN equals nothing.
        format!("{:?}", gathered.homes)
    };
    let expected = read("a.csv", text.as_bytes());
    // The first bytes tell the format, whatever the ending says.
    assert_eq!(read("a.csv", &file.into_inner().unwrap()), expected);
    assert_eq!(read("a.arrows", &stream.into_inner().unwrap()), expected);
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.parquet");
    let schema = batch.schema();
    let columns = schema.fields().iter().map(|f| f.name().as_str()).zip(batch.columns().iter().cloned());
    write_parquet(&path, columns.collect(), 1);
    assert_eq!(read("a.parquet", &crate::disk::bytes(&path).unwrap()), expected);
}

/// A small generator (Knuth's MMIX constants), so that every run of the test sees the same exports.
fn next(state: &mut u64, below: u64) -> u64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 33) % below
}

#[test]
fn any_long_export_is_accounted_for_and_the_last_copy_counts() {
    let register = register(&[("a", "0.9|0.1"), ("b", "0.9|0.1")]);
    for seed in 0..40 {
        let mut state = seed;
        let dir = tempfile::tempdir().unwrap();
        let mut last: BTreeMap<(String, i64, usize), f64> = BTreeMap::new();
        let mut promised = Vec::new();
        for file in 0..3 {
            let mut rows = Vec::new();
            for _ in 0..next(&mut state, 60) + 1 {
                let home = ["a", "b", "b", "x", ""][next(&mut state, 5) as usize];
                let channel = ["T1", "T2", "P", "odd"][next(&mut state, 4) as usize];
                let time = next(&mut state, 6) as i64;
                let value = (next(&mut state, 8) > 0).then(|| next(&mut state, 30) as f64);
                rows.push((home, time, channel, value));
                let slot = match channel {
                    "T1" => Channel::Probe(1).slot(),
                    "T2" => Channel::Probe(0).slot(),
                    _ => Channel::Power(0).slot(),
                };
                if let (true, true, Some(value)) = (home == "a" || home == "b", channel != "odd", value) {
                    let contract = if channel == "P" { value * 1000.0 } else { value / 10.0 };
                    last.insert((home.to_owned(), time, slot), contract);
                }
            }
            long_file(dir.path(), &format!("{file}.parquet"), &rows);
            promised.push(rows.len() as u64);
        }
        let gathered = gather(dir.path(), &long_mapping(), &register, &|_| {});
        let accounts = accounts(&gathered);
        assert!(accounts.iter().all(Account::is_balanced), "seed {seed}");
        assert_eq!(accounts.iter().map(|a| a.rows_in).collect::<Vec<_>>(), promised, "seed {seed}");
        let mut used = BTreeMap::new();
        for (home, rows) in &gathered.homes {
            assert!(rows.time_ms.is_sorted());
            for (slot, series) in rows.series.iter().enumerate() {
                for (i, series) in series.iter().flat_map(|s| (0..rows.len()).map(move |i| (i, s))) {
                    if series.mask[i] == Mask::Used {
                        let time = (rows.time_ms[i] / 1000 - 1_700_000_000) / 300;
                        let twice = used.insert((home.clone(), time, slot), series.value[i]);
                        assert_eq!(twice, None, "seed {seed}");
                    }
                }
            }
        }
        used.iter().for_each(|(key, value)| assert_eq!(last.get(key), Some(value), "seed {seed} {key:?}"));
        let possible = last.values().filter(|v| **v <= 30_000.0).count();
        assert_eq!(used.len(), possible, "seed {seed}");
    }
}

#[test]
fn any_wide_export_is_accounted_for() {
    let register = register(&[("a", "0.9|0.1"), ("b", "0.9|0.1")]);
    for seed in 0..40 {
        let mut state = seed;
        let dir = tempfile::tempdir().unwrap();
        let mut promised = Vec::new();
        for file in 0..3 {
            let mut text = "home,time,t1,t2,p\n".to_owned();
            let rows = next(&mut state, 60) + 1;
            for _ in 0..rows {
                let home = ["a", "b", "b", "x", ""][next(&mut state, 5) as usize];
                let time = ["1700000000", "1700000300", "1700000600", "17", "soon", ""]
                    [next(&mut state, 6) as usize];
                let mut cell =
                    || ["60", "50.5", "-999", "400", "ERR", "", "", "", ""][next(&mut state, 9) as usize];
                let (t1, t2, p) = (cell(), cell(), if file == 1 { cell() } else { "" });
                text.push_str(&format!("{home},{time},{t1},{t2},{p}\n"));
            }
            write_text(&dir.path().join(format!("{file}.csv")), &text);
            promised.push((rows, rows * 3));
        }
        let gathered = gather(dir.path(), &wide_mapping(), &register, &|_| {});
        let accounts = accounts(&gathered);
        assert!(accounts.iter().all(Account::is_balanced), "seed {seed}");
        let found: Vec<_> = accounts.iter().map(|a| (a.rows_in, a.values_in)).collect();
        assert_eq!(found, promised, "seed {seed}");
    }
}
