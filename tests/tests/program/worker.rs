//! A stage as a child of another program: the same results as a direct run, and no half of them from a half of a stream.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::disallowed_methods, reason = "tests look at what the system says of a process")]

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use arrow::array::{ArrayRef, RecordBatch};
use arrow::compute::{cast, concat_batches};
use arrow::datatypes::{DataType, Field, Schema, TimeUnit};
use drawoff_contract::Table;
use drawoff_contract::part_tables::ReducedHome;
use drawoff_store::output::read_table;
use drawoff_tests::program::{Ended, bytes_of, run, text_of};
use drawoff_tests::small_fleet::{FILES, SmallFleet};
use drawoff_tests::streams::{as_engine, batches, fed, sorted, stream};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

/// A small fleet whose arguments every command takes.
struct Fleet {
    small: SmallFleet,
    rows: RecordBatch,
}

impl Fleet {
    fn new() -> Self {
        let small = SmallFleet::new();
        let rows = sorted(&small.path("readings"), &FILES);
        Self { small, rows }
    }

    fn arguments(&self, command: &[&str]) -> Vec<String> {
        let path = |name: &str| self.small.path(name).display().to_string();
        let mut arguments: Vec<String> = command.iter().map(|a| (*a).to_owned()).collect();
        arguments.push(path("pipeline.toml"));
        for (key, file) in [
            ("inputs.readings", "readings"),
            ("inputs.mapping", "mapping.toml"),
            ("inputs.register", "register.csv"),
        ] {
            arguments.extend(["--set".to_owned(), format!("{key}={}", path(file))]);
        }
        arguments
    }

    fn run(&self, command: &[&str], more: &[&str]) -> Ended {
        let arguments = self.arguments(command);
        let all: Vec<&str> = arguments.iter().map(String::as_str).chain(more.iter().copied()).collect();
        run(DRAWOFF, &all)
    }

    fn work(&self, input: &[u8]) -> (Ended, Vec<u8>) {
        let arguments = self.arguments(&["worker", "reduce"]);
        fed(DRAWOFF, &arguments.iter().map(String::as_str).collect::<Vec<_>>(), input)
    }

    /// What a worker makes of rows, which it must accept.
    fn reduced(&self, rows: &RecordBatch, batch_rows: usize) -> Vec<ReducedHome> {
        let (ended, output) = self.work(&stream(rows, batch_rows).0);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        rows_of(&output)
    }

    /// What a worker says of rows that it must refuse.
    fn refused(&self, input: &[u8]) -> String {
        let (ended, _) = self.work(input);
        assert_eq!(ended.code, 3, "{}", ended.stderr);
        assert!(!ended.stderr.contains("homes_out"), "{}", ended.stderr);
        ended.stderr
    }
}

fn rows_of(output: &[u8]) -> Vec<ReducedHome> {
    batches(output).iter().flat_map(|b| ReducedHome::from_batch(b).unwrap()).collect()
}

/// The same rows with one column of another type.
fn with(rows: &RecordBatch, name: &str, kind: &DataType) -> RecordBatch {
    let at = rows.schema().index_of(name).unwrap();
    let mut columns: Vec<ArrayRef> = rows.columns().to_vec();
    columns[at] = cast(&columns[at], kind).unwrap();
    let mut fields: Vec<Arc<Field>> = rows.schema().fields().iter().cloned().collect();
    fields[at] = Arc::new(Field::new(name, kind.clone(), true));
    RecordBatch::try_new(Arc::new(Schema::new(fields)), columns).unwrap()
}

#[test]
fn a_worker_gives_what_a_direct_run_gives_whatever_the_batches() {
    let fleet = Fleet::new();
    let part = tempfile::tempdir().unwrap();
    let ended = fleet.run(&["reduce"], &["--out", part.path().to_str().unwrap()]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let direct: Vec<ReducedHome> = read_table(&part.path().join("reduced_homes.parquet")).unwrap();
    assert_eq!(direct.len(), 4);
    assert!(direct.iter().all(|row| row.status == "ok" && row.days.len() > 1000));
    for batch_rows in [1, 64, 10_000] {
        let (ended, output) = fleet.work(&stream(&fleet.rows, batch_rows).0);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        let last: serde_json::Value = serde_json::from_str(ended.stderr.lines().last().unwrap()).unwrap();
        assert_eq!(last["rows_in"], fleet.rows.num_rows());
        assert_eq!((&last["homes_out"], &last["without_daybook"]), (&4.into(), &0.into()));
        let found = rows_of(&output);
        for (worker, direct) in found.iter().zip(&direct) {
            assert_eq!(worker.home, direct.home);
            assert!(worker.days == direct.days && worker.draws == direct.draws, "{batch_rows}");
            assert!(worker.spells == direct.spells && worker.print == direct.print, "{batch_rows}");
        }
    }
}

#[test]
fn merged_rows_of_workers_are_the_run_itself() {
    let fleet = Fleet::new();
    let (direct, merged) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let parts = tempfile::tempdir().unwrap();
    let out = |dir: &Path| format!("outputs.dir={}", dir.display());
    assert_eq!(fleet.run(&["run"], &["--set", &out(direct.path())]).code, 0);
    // Two workers, each with some of the homes.
    let half = fleet.rows.num_rows() / 2;
    let homes = arrow::array::AsArray::as_string::<i32>(fleet.rows.column_by_name("home").unwrap()).clone();
    let cut = (half..fleet.rows.num_rows()).find(|&i| homes.value(i) != homes.value(i - 1)).unwrap();
    for (name, rows) in [
        ("part-1.parquet", fleet.rows.slice(cut, fleet.rows.num_rows() - cut)),
        ("part-0.parquet", fleet.rows.slice(0, cut)),
    ] {
        let (ended, output) = fleet.work(&stream(&rows, 1000).0);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        as_engine(parts.path(), name, &batches(&output));
    }
    let merge = |into: &Path, parts: &Path| {
        fleet.run(&["merge"], &["--set", &out(into), "--parts", parts.to_str().unwrap()])
    };
    let ended = merge(merged.path(), parts.path());
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let (direct, mut merged) = (bytes_of(direct.path()), bytes_of(merged.path()));
    assert_eq!(direct.keys().collect::<Vec<_>>(), merged.keys().collect::<Vec<_>>());
    // Rows of a stream have no file: the table of files, and the hashes in the manifest, are its own.
    for own in ["files.parquet", "manifest.json"] {
        merged.remove(own).unwrap();
    }
    merged.iter().for_each(|(name, bytes)| assert!(direct[name] == *bytes, "{name} differs"));
    // The same part twice, and one that its engine has not finished.
    let twice = tempfile::tempdir().unwrap();
    for name in ["part-0.parquet", "part-1.parquet"] {
        as_engine(twice.path(), name, &batches(&fleet.work(&stream(&fleet.rows, 1000).0).1));
    }
    let into = tempfile::tempdir().unwrap();
    let ended = merge(into.path(), twice.path());
    assert!(ended.code == 1 && ended.stderr.contains("in two parts"), "{}", ended.stderr);
    assert!(!into.path().join("manifest.json").exists());
    std::fs::remove_file(parts.path().join("_SUCCESS")).unwrap();
    let ended = merge(into.path(), parts.path());
    assert!(ended.code == 3 && ended.stderr.contains("is not finished"), "{}", ended.stderr);
}

#[test]
fn homes_assessed_by_workers_are_those_of_the_run() {
    let fleet = Fleet::new();
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name);
    let name = |name: &str| path(name).display().to_string();
    let out = |into: &str| format!("outputs.dir={}", name(into));
    assert_eq!(fleet.run(&["run"], &["--set", &out("direct")]).code, 0);
    let reduced = batches(&fleet.work(&stream(&fleet.rows, 1000).0).1);
    as_engine(&path("reduced"), "part-0.parquet", &reduced);
    let learnt = fleet.run(&["learn"], &["--parts", &name("reduced"), "--out", &name("learnt")]);
    assert_eq!(learnt.code, 0, "{}", learnt.stderr);
    let assess = |input: &[u8]| {
        let mut arguments = fleet.arguments(&["worker", "assess"]);
        arguments.extend(["--learnt".to_owned(), name("learnt")]);
        fed(DRAWOFF, &arguments.iter().map(String::as_str).collect::<Vec<_>>(), input)
    };
    let rows = concat_batches(&reduced[0].schema(), &reduced).unwrap();
    let (whole, ends) = stream(&rows, 1);
    let (ended, output) = assess(&whole);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(
        ended.stderr.ends_with("{\"rows_in\":4,\"homes_out\":4,\"without_daybook\":0}\n"),
        "{}",
        ended.stderr
    );
    let assessed = batches(&output);
    as_engine(&path("assessed"), "part-0.parquet", &assessed);
    let merge = |into: &str, assessed: &str, more: &[&str]| {
        let (reduced, assessed, learnt, into) = (name("reduced"), name(assessed), name("learnt"), out(into));
        let mut all = vec!["--set", &into, "--parts", &reduced, "--assessed", &assessed, "--learnt", &learnt];
        all.extend(more);
        fleet.run(&["merge"], &all)
    };
    let ended = merge("merged", "assessed", &[]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let (direct, merged) = (bytes_of(&path("direct")), bytes_of(&path("merged")));
    assert_eq!(direct.keys().collect::<Vec<_>>(), merged.keys().collect::<Vec<_>>());
    let own = ["files.parquet", "manifest.json"];
    for (name, bytes) in merged.iter().filter(|(name, _)| !own.contains(&name.as_str())) {
        assert!(direct[name] == *bytes, "{name} differs");
    }
    // Cut at the end of each home, and sorted otherwise.
    for &end in &ends {
        let (ended, _) = assess(&whole[..end]);
        assert!(ended.code == 3 && ended.stderr.contains("without its end mark"), "{}", ended.stderr);
    }
    let turned = concat_batches(&rows.schema(), [&rows.slice(2, 2), &rows.slice(0, 2)]).unwrap();
    let (ended, _) = assess(&stream(&turned, 10).0);
    assert!(ended.code == 3 && ended.stderr.contains("not in the order of the homes"), "{}", ended.stderr);
    // A home that was not assessed, and homes that were assessed for another run.
    let whole = concat_batches(&assessed[0].schema(), &assessed).unwrap();
    as_engine(&path("three"), "part-0.parquet", &[whole.slice(0, 3)]);
    let ended = merge("merged", "three", &[]);
    assert!(ended.code == 1 && ended.stderr.contains("was reduced, not assessed"), "{}", ended.stderr);
    let ended = merge("merged", "assessed", &["--set", "run.seed=2"]);
    assert!(ended.code == 1 && ended.stderr.contains("with other settings"), "{}", ended.stderr);
    assert_eq!(bytes_of(&path("merged")), merged, "a merge that fails leaves the one before");
}

#[test]
fn a_stream_cut_anywhere_ends_the_worker_with_an_error() {
    let fleet = Fleet::new();
    let rows = fleet.rows.slice(0, 3000);
    let (whole, ends) = stream(&rows, 1000);
    for &end in &ends {
        // At the end of a message: also the whole stream without its end mark.
        assert!(fleet.refused(&whole[..end]).contains("without its end mark"), "{end}");
        // Within the next one.
        assert!(fleet.refused(&whole[..end + 3]).contains("hint: "), "{end}");
    }
    fleet.refused(&whole[..ends[2] - 100]);
    fleet.refused(&[]);
    fleet.refused(b"no stream at all");
    let mut more = whole.clone();
    more.extend(&whole);
    assert!(fleet.refused(&more).contains("after its end mark"));
    assert_eq!(fleet.reduced(&rows, 1000).len(), 1);
}

#[test]
fn rows_that_are_not_sorted_or_have_no_zone_are_refused() {
    let fleet = Fleet::new();
    let rows = fleet.rows.slice(0, 6000);
    let homes =
        |rows: &RecordBatch| concat_batches(&rows.schema(), [rows, &fleet.rows.slice(0, 10)]).unwrap();
    assert!(fleet.refused(&stream(&homes(&rows), 500).0).contains("not grouped by home"));
    let back = concat_batches(&rows.schema(), [&rows.slice(100, 50), &rows.slice(0, 50)]).unwrap();
    for batch_rows in [7, 50, 1000] {
        assert!(fleet.refused(&stream(&back, batch_rows).0).contains("not in time order"));
    }
    let naive = with(&rows, "time", &DataType::Timestamp(TimeUnit::Microsecond, None));
    assert!(fleet.refused(&stream(&naive, 1000).0).contains("no zone"));
    let numbers = with(&rows, "time", &DataType::Int64);
    assert!(fleet.refused(&stream(&numbers, 1000).0).contains("column `time`"));
}

#[test]
fn texts_and_stamps_of_any_kind_give_the_same_rows() {
    let fleet = Fleet::new();
    let rows = fleet.rows.slice(0, 5000);
    let expected = fleet.reduced(&rows, 1000);
    let dictionary = DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8));
    for kind in [DataType::LargeUtf8, DataType::Utf8View, dictionary] {
        assert!(fleet.reduced(&with(&rows, "home", &kind), 1000) == expected, "{kind}");
    }
    for unit in [TimeUnit::Microsecond, TimeUnit::Nanosecond] {
        let kind = DataType::Timestamp(unit, Some("UTC".into()));
        assert!(fleet.reduced(&with(&rows, "time", &kind), 1000) == expected, "{kind}");
    }
}

#[test]
fn a_bad_home_is_a_row_and_the_others_are_done() {
    let fleet = Fleet::new();
    let register = text_of(&fleet.small.path("register.csv"));
    let without_volume = |line: &str| {
        let mut fields: Vec<&str> = line.split(',').collect();
        let volume = register.lines().next().unwrap().split(',').position(|c| c == "volume_l").unwrap();
        fields[volume] = "";
        fields.join(",")
    };
    let lines: Vec<String> = register
        .lines()
        .filter(|l| !l.starts_with("\"OS-00002\","))
        .map(|l| if l.starts_with("\"OS-00003\",") { without_volume(l) } else { l.to_owned() })
        .collect();
    fleet.small.write("register.csv", &(lines.join("\n") + "\n"));
    let found = fleet.reduced(&fleet.rows, 1000);
    let statuses: Vec<(&str, &str)> = found.iter().map(|r| (r.home.as_str(), r.status.as_str())).collect();
    assert_eq!(
        statuses,
        [("OS-00001", "ok"), ("OS-00002", "unlisted"), ("OS-00003", "lacking"), ("OS-00010", "ok")]
    );
    assert!(found[2].detail.contains("volume"), "{}", found[2].detail);
    // The run and the merged rows of the worker leave out, and name, the same homes.
    let parts = tempfile::tempdir().unwrap();
    as_engine(parts.path(), "part-0.parquet", &batches(&fleet.work(&stream(&fleet.rows, 1000).0).1));
    let (a, b) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let out = |dir: &Path| format!("outputs.dir={}", dir.display());
    let direct = fleet.run(&["run"], &["--set", &out(a.path())]);
    let merged = fleet.run(&["merge"], &["--set", &out(b.path()), "--parts", parts.path().to_str().unwrap()]);
    assert_eq!((direct.code, merged.code), (4, 4), "{}", merged.stderr);
    let warnings = |ended: &Ended| -> Vec<String> {
        ended.stderr.lines().filter(|l| l.starts_with("warning")).map(str::to_owned).collect()
    };
    assert_eq!(warnings(&direct), warnings(&merged));
    let (direct, merged) = (bytes_of(a.path()), bytes_of(b.path()));
    for name in ["service_list.csv", "quality.parquet", "findings.csv", "homes.csv", "daybook_days.parquet"] {
        assert!(direct[name] == merged[name], "{name} differs");
    }
    // Another register than the one that the rows were made with.
    fleet.small.write("register.csv", &register.replace(",300,0.93", ",310,0.93"));
    let ended = fleet.run(&["merge"], &["--set", &out(b.path()), "--parts", parts.path().to_str().unwrap()]);
    assert!(ended.code == 2 && ended.stderr.contains("another version"), "{}", ended.stderr);
}

#[test]
fn the_contract_names_the_columns_of_both_streams() {
    let ended = Fleet::new().run(&["worker", "reduce"], &["--contract"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let contract: serde_json::Value = serde_json::from_str(&ended.stdout).unwrap();
    assert_eq!(contract["sorted_by"], serde_json::json!(["home", "time"]));
    assert!(
        contract["in"]
            .as_array()
            .unwrap()
            .iter()
            .any(|c| c["name"] == "probe_8_degc" && c["optional"] == true)
    );
    assert_eq!(contract["out"].as_array().unwrap().len(), ReducedHome::columns().len());
}

/// A shell starts a worker, tells its number and ends; the worker still has its input open, and nothing comes.
#[test]
#[cfg(target_os = "linux")]
fn a_worker_ends_with_the_process_that_started_it() {
    let fleet = Fleet::new();
    let script = "exec 3<&0; \"$0\" \"$@\" <&3 >/dev/null 2>/dev/null & echo $!; sleep 1";
    let mut shell = Command::new("sh")
        .args(["-c", script, DRAWOFF])
        .args(fleet.arguments(&["worker", "reduce"]))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = shell.stdin.take().unwrap();
    input.write_all(&stream(&fleet.rows, 1000).0[..20_000]).unwrap();
    let mut line = String::new();
    BufReader::new(shell.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let is_there = || {
        let status = std::fs::read_to_string(format!("/proc/{}/stat", line.trim())).unwrap_or_default();
        !status.is_empty() && !status.contains(") Z ")
    };
    assert!(is_there(), "the worker waits for more rows");
    shell.wait().unwrap();
    let until = Instant::now() + Duration::from_secs(10);
    while is_there() && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(50));
    }
    assert!(!is_there(), "the worker outlives its parent");
    drop(input);
}
