//! More homes declared than there can be: every one is counted, within bounded memory. `DRAWOFF_MANY_NAMES` says how many, and `DRAWOFF_RELEASE`
//! which program is tried, as ten million take a release build some time.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::print_stdout, reason = "the figures are what is looked for")]

use std::fmt::Write as _;
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

use arrow::array::{ArrayRef, RecordBatch, StringArray, UInt32Array};
use drawoff_store::output::export::{ColumnCode, ExportFile};
use drawoff_store::output::read_batches;
use drawoff_tests::confined::MOST_KB;
use drawoff_tests::program::{text_of, tried};
use drawoff_tests::small_fleet::{FILES, HOMES, SmallFleet};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
/// Names in a test of every day.
const SOME: usize = 200_000;
/// Rows of a row group.
const GROUP: usize = 100_000;

fn how_many() -> usize {
    std::env::var("DRAWOFF_MANY_NAMES").ok().and_then(|n| n.parse().ok()).unwrap_or(SOME)
}

/// `1234567` as messages write it.
fn with_commas(n: usize) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// Runs the main job under 2 GiB of address space.
fn run(fleet: &SmallFleet, what: &str) -> (i32, String) {
    let program = tried(DRAWOFF, None);
    let path = |name: &str| fleet.path(name).display().to_string();
    let mut command = Command::new("sh");
    command.args(["-c", &format!("ulimit -v {MOST_KB} && exec \"$@\""), "confined", &program]);
    command.args(["--threads", "2", "run", &path("pipeline.toml")]);
    for item in [
        format!("inputs.readings={}", path("readings")),
        format!("inputs.register={}", path("register.csv")),
        format!("inputs.mapping={}", path("mapping.toml")),
        format!("outputs.dir={}", path("out")),
        "inputs.tariffs=".to_owned(),
        "inputs.carbon=".to_owned(),
        "inputs.visits=".to_owned(),
    ] {
        command.args(["--set", &item]);
    }
    let started = Instant::now();
    let ended = command.output().unwrap();
    println!("{} {what}: {:.1} s", how_many(), started.elapsed().as_secs_f64());
    (ended.status.code().unwrap_or(-1), String::from_utf8_lossy(&ended.stderr).into_owned())
}

#[test]
fn names_that_no_register_lists_are_all_counted() {
    let fleet = SmallFleet::new();
    let week = read_batches(&fleet.path(&format!("readings/{}", FILES[0]))).unwrap().swap_remove(0);
    let path = fleet.path("readings/week-3.parquet");
    let mut file = ExportFile::begin(&path, &week.schema(), 1, |_| ColumnCode::Plain).unwrap();
    for from in (0..how_many()).step_by(GROUP) {
        let rows = GROUP.min(how_many() - from);
        let first = UInt32Array::from(vec![0; rows]);
        let mut columns: Vec<ArrayRef> =
            week.columns().iter().map(|c| arrow::compute::take(c, &first, None).unwrap()).collect();
        columns[0] =
            Arc::new((from..from + rows).map(|n| Some(format!("X-{n:08}"))).collect::<StringArray>());
        file.group(&RecordBatch::try_new(week.schema(), columns).unwrap()).unwrap();
    }
    file.finish().unwrap();
    let (code, said) = run(&fleet, "names in readings");
    assert_eq!(code, 4, "{said}");
    // Twenty are named, a million are counted, and all rows are.
    let (rest, counted) = (with_commas(how_many() - 20), with_commas(how_many().min(1_000_001) - 20));
    let at_least = if how_many() > 1_000_000 { "at least " } else { "" };
    assert!(said.contains(&format!("{at_least}{counted} more homes")), "{said}");
    assert!(said.contains(&format!("their {rest} rows were rejected")), "{said}");
    let homes = text_of(&fleet.path("out/homes.csv"));
    assert_eq!(homes.lines().count(), HOMES.len() + 1);
}

#[test]
fn a_register_of_many_homes_is_read_whole() {
    let fleet = SmallFleet::new();
    let mut register = text_of(&fleet.path("register.csv"));
    let line = register.lines().nth(1).unwrap().to_owned();
    // Every home of a register is worked on, and few are enough by day.
    let homes = if std::env::var_os("DRAWOFF_MANY_NAMES").is_some() { how_many() } else { 3000 };
    for n in 0..homes {
        let _ = writeln!(register, "{}", line.replacen(HOMES[0], &format!("Y-{n:08}"), 1));
    }
    fleet.write("register.csv", &register);
    let (code, said) = run(&fleet, "homes in a register");
    if HOMES.len() + homes > 1_000_000 {
        // Too many is an error that says so, never an abort.
        assert!(code == 2 && said.contains("lists more than 1000000 homes"), "{code} {said}");
    } else {
        assert_eq!(code, 0, "{said}");
        assert_eq!(text_of(&fleet.path("out/homes.csv")).lines().count(), HOMES.len() + homes + 1);
    }
}
