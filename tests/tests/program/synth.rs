//! `drawoff synth`: the same rows in both layouts, the same bytes for any number of threads, and no mixing of fleets.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::collections::BTreeSet;
use std::path::Path;

use arrow::array::{ArrayRef, AsArray, RecordBatch};
use arrow::compute::cast;
use arrow::datatypes::{DataType, TimestampMillisecondType};
use arrow::util::display::{ArrayFormatter, FormatOptions};
use drawoff_store::output::read_batches;
use drawoff_tests::program::{bytes_of, repository, run, run_pipeline};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
const DAY_MS: i64 = 86_400_000;

/// Home 13 of this seed loses, doubles and delays rows.
const SEED: &str = "12";

fn synth(folder: &Path, more: &[&str]) -> drawoff_tests::program::Ended {
    let folder = folder.display().to_string();
    let mut arguments = vec!["synth", &folder, "--seed", SEED];
    arguments.extend(more);
    run(DRAWOFF, &arguments)
}

/// All rows of a folder of readings as text, file after file.
fn rows(folder: &Path) -> Vec<(String, Vec<String>)> {
    let names: Vec<String> = bytes_of(folder).into_keys().collect();
    names.into_iter().map(|name| (name.clone(), lines(&read_batches(&folder.join(name)).unwrap()))).collect()
}

fn lines(batches: &[RecordBatch]) -> Vec<String> {
    let mut out = Vec::new();
    for batch in batches {
        let options = FormatOptions::default();
        let times = cast(batch.column(1), &DataType::Int64).unwrap();
        let columns: Vec<&ArrayRef> =
            batch.columns().iter().enumerate().map(|(i, c)| if i == 1 { &times } else { c }).collect();
        let columns: Vec<ArrayFormatter<'_>> =
            columns.into_iter().map(|c| ArrayFormatter::try_new(c, &options).unwrap()).collect();
        let line = |i| columns.iter().map(|c| c.value(i).to_string()).collect::<Vec<_>>().join(",");
        out.extend((0..batch.num_rows()).map(line));
    }
    out
}

#[test]
fn both_layouts_hold_the_same_rows() {
    let dir = tempfile::tempdir().unwrap();
    let (by_home, by_day) = (dir.path().join("by-home"), dir.path().join("by-day"));
    let size = ["--homes", "14", "--days", "8"];
    let ended = synth(&by_home, &size);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(
        ended.stdout.contains("14 homes, ") && ended.stdout.contains(" rows a second"),
        "{}",
        ended.stdout
    );
    assert_eq!(synth(&by_day, &[&size[..], &["--layout", "day"]].concat()).code, 0);

    let weeks = rows(&by_home.join("readings"));
    let days = rows(&by_day.join("readings"));
    let names = |files: &[(String, Vec<String>)]| files.iter().map(|f| f.0.clone()).collect::<Vec<_>>();
    assert_eq!(names(&weeks), ["week-1.parquet", "week-2.parquet"]);
    assert_eq!((days.len(), days[0].0.as_str()), (8, "day-2026-03-09.parquet"));
    let sorted = |files: Vec<(String, Vec<String>)>| {
        let mut all: Vec<String> = files.into_iter().flat_map(|f| f.1).collect();
        all.sort_unstable();
        all
    };
    assert!(sorted(weeks) == sorted(days));
    for name in ["register.csv", "truth/truth_homes.parquet", "truth/truth_draws.parquet"] {
        assert!(bytes_of(&by_home)[name] == bytes_of(&by_day)[name], "{name}");
    }
}

#[test]
fn a_day_holds_all_homes_in_the_order_of_arrival() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(synth(dir.path(), &["--homes", "5", "--days", "3", "--layout", "day"]).code, 0);
    let day = read_batches(&dir.path().join("readings/day-2026-03-10.parquet")).unwrap();
    let homes: BTreeSet<&str> =
        day.iter().flat_map(|b| b.column(0).as_string::<i32>().iter().flatten()).collect();
    assert_eq!(homes.len(), 5);
    let times: Vec<i64> = day
        .iter()
        .flat_map(|b| b.column(1).as_primitive::<TimestampMillisecondType>().values().to_vec())
        .collect();
    // None of these five loses or delays rows.
    assert!(times.is_sorted());
    let start = times[0].div_euclid(DAY_MS) * DAY_MS;
    assert!(times.iter().all(|&t| start < t && t <= start + DAY_MS));
    let first_homes: BTreeSet<&str> = day[0].column(0).as_string::<i32>().iter().take(5).flatten().collect();
    assert!(first_homes.len() > 1, "homes are mixed");
}

#[test]
fn the_same_bytes_for_any_number_of_threads() {
    let made = |threads: &str, layout: &str| {
        let dir = tempfile::tempdir().unwrap();
        let size = ["--homes", "6", "--days", "3", "--threads", threads, "--layout", layout];
        assert_eq!(synth(dir.path(), &size).code, 0);
        bytes_of(dir.path())
    };
    for layout in ["home", "day"] {
        assert!(made("1", layout) == made("2", layout), "{layout}");
    }
}

#[test]
fn fleets_are_not_mixed() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(synth(dir.path(), &["--homes", "2", "--days", "8"]).code, 0);
    let before = bytes_of(dir.path());
    let ended = synth(dir.path(), &["--homes", "2", "--days", "2"]);
    let expected = "exit 2\n-- stdout\n-- stderr\n\
         error: DIR/readings: holds other files, such as week-2.parquet\n\
         hint: give a folder without readings, or remove them\n";
    assert_eq!(ended.snapshot(dir.path()), expected);
    assert!(bytes_of(dir.path()) == before);
    // The same fleet again takes its own place.
    assert_eq!(synth(dir.path(), &["--homes", "2", "--days", "8"]).code, 0);
    assert!(bytes_of(dir.path()) == before);
}

#[test]
fn a_fleet_of_every_source_is_read_by_its_mapping() {
    let dir = tempfile::tempdir().unwrap();
    let more = ["--probes", "12", "--cadence-min", "15", "--gaps", "0.1", "--quick", "--truth-stored"];
    let size = ["--homes", "8", "--days", "3", "--source", "mixed", "--faults", "none"];
    assert_eq!(synth(dir.path(), &[&size[..], &more].concat()).code, 0);
    let files = bytes_of(dir.path());
    for name in ["truth/truth_stored.parquet", "truth/truth_sources.parquet"] {
        assert!(files.contains_key(name), "{name}");
    }
    let register = String::from_utf8(files["register.csv"].clone()).unwrap();
    for word in [",coil,", ",top_pump,"] {
        assert!(register.contains(word), "{word}");
    }
    let set = |key: &str, value: String| format!("inputs.{key}={value}");
    let mapping = repository().join("pipelines/mappings/drawoff-sources.toml");
    let all = [
        set("readings", dir.path().join("readings").display().to_string()),
        set("mapping", mapping.display().to_string()),
        set("register", dir.path().join("register.csv").display().to_string()),
        set("carbon", String::new()),
        set("visits", String::new()),
    ];
    let ended = run_pipeline(DRAWOFF, "check", "pipelines/service-list.toml", &all);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(ended.stdout.contains("the accounts balance"), "{}", ended.stdout);
}

#[test]
fn tapping_profiles_are_homes_of_their_own() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(synth(dir.path(), &["--tapping", "S,XL", "--days", "2", "--cadence-min", "1"]).code, 0);
    let readings = read_batches(&dir.path().join("readings/week-1.parquet")).unwrap();
    assert_eq!(readings.iter().map(RecordBatch::num_rows).sum::<usize>(), 2 * 2 * 1440);
    let register = String::from_utf8(bytes_of(dir.path())["register.csv"].clone()).unwrap();
    let homes: Vec<&str> = register.lines().skip(1).filter_map(|line| line.split(',').next()).collect();
    assert_eq!(homes, ["TP-S", "TP-XL"]);
    let draws = read_batches(&dir.path().join("truth/truth_draws.parquet")).unwrap();
    assert_eq!(draws.iter().map(RecordBatch::num_rows).sum::<usize>(), 2 * (11 + 30));
    // A profile has no faults or people to choose.
    let ended = synth(&dir.path().join("none"), &["--tapping", "S", "--faults", "none"]);
    assert_eq!(ended.code, 2, "{}", ended.stderr);
}

#[test]
fn impossible_fleets_are_refused_all_at_once() {
    let dir = tempfile::tempdir().unwrap();
    let odd = ["--probes", "13", "--cadence-min", "7", "--gaps", "1.5", "--small-draws-per-hour", "-1"];
    let ended = synth(&dir.path().join("none"), &odd);
    assert_eq!((ended.code, ended.stderr.matches("error: ").count()), (2, 4), "{}", ended.stderr);
    assert!(!dir.path().join("none").exists());
}

#[test]
fn no_homes_or_no_days() {
    let dir = tempfile::tempdir().unwrap();
    for size in [["--homes", "0"], ["--days", "0"]] {
        let ended = synth(&dir.path().join("none"), &size);
        assert_eq!((ended.code, ended.stderr.lines().count()), (2, 2), "{}", ended.stderr);
        assert!(!dir.path().join("none").exists());
    }
}
