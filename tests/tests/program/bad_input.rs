//! Bad input: a clear message with a hint, the documented exit code, and the rest of the fleet still done.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::disallowed_methods, reason = "a test holds the lock of another run")]

use std::fs::File;

use drawoff_contract::results::{FileRow, HomeRow};
use drawoff_store::output::{read_batches, read_table};
use drawoff_tests::program::{Ended, run, text_of};
use drawoff_tests::small_fleet::SmallFleet;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

/// The whole of what a command said, with nothing on standard output.
fn assert_refused(fleet: &SmallFleet, ended: &Ended, code: i32, stderr: &str) {
    let expected = format!("exit {code}\n-- stdout\n-- stderr\n{stderr}");
    assert_eq!(ended.snapshot(fleet.dir()), expected);
    assert!(!fleet.path("out/manifest.json").exists(), "a run that failed leaves no results");
}

/// The whole of what a run said besides its list; gives the homes that it assessed.
fn assert_done(fleet: &SmallFleet, ended: &Ended, code: i32, stderr: &str) -> Vec<String> {
    let expected = format!("exit {code}\n-- stdout\n-- stderr\n{stderr}");
    let said = Ended { stdout: String::new(), ..ended.clone() }.snapshot(fleet.dir());
    // How many pages there are, and where, comes last and is looked at elsewhere.
    let (before, pages) = said.rsplit_once("made ").unwrap();
    assert_eq!(before, expected);
    assert!(pages.ends_with("pages in TIME\npages: DIR/out/site/index.html\n"), "{pages}");
    assert!(ended.stdout.contains("page: ") && ended.stdout.contains("competent"), "{}", ended.stdout);
    drawoff_store::output::verify(&fleet.path("out")).unwrap();
    let homes: Vec<HomeRow> = read_table(&fleet.path("out/homes.parquet")).unwrap();
    homes.into_iter().filter(|h| h.good_days > 7).map(|h| h.home).collect()
}

#[test]
fn a_good_fleet_is_done() {
    let fleet = SmallFleet::new();
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    let homes = assert_done(
        &fleet,
        &ended,
        0,
        "read 15,807 rows of 4 homes from 2 files in TIME\nassessed 4 homes in TIME\n",
    );
    assert_eq!(homes.len(), 4);
}

#[test]
fn a_truncated_file_costs_that_file() {
    let fleet = SmallFleet::new();
    let week = read_batches(&fleet.path("readings/week-2.parquet")).unwrap();
    fleet.write_batch("readings/week-3.parquet", &week[0]);
    fleet.cut("readings/week-3.parquet", 10_000);
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    let homes = assert_done(
        &fleet,
        &ended,
        4,
        "read 15,807 rows of 4 homes from 3 files in TIME\nassessed 4 homes in TIME\n\
         warning: week-3.parquet: cannot be read: Parquet error: Invalid Parquet file. Corrupt footer\n\
         hint: the file may be cut short or damaged: export it again; its rows are not counted\n",
    );
    assert_eq!(homes.len(), 4);
    let files: Vec<FileRow> = read_table(&fleet.path("out/files.parquet")).unwrap();
    assert!(files[0].status == "ok" && files[2].status.contains("Corrupt footer"), "{files:?}");
    assert_eq!(files[2].rows_in, 0);
}

#[test]
fn a_column_missing_in_one_file_costs_that_file() {
    let fleet = SmallFleet::new();
    let week = read_batches(&fleet.path("readings/week-2.parquet")).unwrap();
    // All but the column `time`.
    let rest: Vec<usize> = (0..week[0].num_columns()).filter(|&i| i != 1).collect();
    fleet.write_batch("readings/week-3.parquet", &week[0].project(&rest).unwrap());
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    let homes = assert_done(
        &fleet,
        &ended,
        4,
        "read 15,807 rows of 4 homes from 3 files in TIME\nassessed 4 homes in TIME\n\
         warning: week-3.parquet, column `time`: the column is missing\n\
         hint: valid here: home, probe_1_degc, probe_2_degc, probe_3_degc, probe_4_degc, probe_5_degc, \
         probe_6_degc, probe_7_degc, probe_8_degc, power_lower_w, power_upper_w, call_lower, call_upper, \
         register_wh, surroundings_degc (a value column that a file may lack needs `optional = true`)\n",
    );
    assert_eq!(homes.len(), 4);
}

#[test]
fn a_column_missing_everywhere_leaves_nothing_to_read() {
    let fleet = SmallFleet::new();
    fleet.edit("mapping.toml", "column = \"probe_1_degc\"", "column = \"probe1_degc\"");
    let stderr = "read 0 rows of 0 homes from 2 files in TIME\n\
         error: week-1.parquet, column `probe1_degc`: the column is missing\n\
         hint: did you mean `probe_1_degc`? (a value column that a file may lack needs `optional = true`)\n\
         error: week-2.parquet, column `probe1_degc`: the column is missing\n\
         hint: did you mean `probe_1_degc`? (a value column that a file may lack needs `optional = true`)\n";
    assert_refused(&fleet, &fleet.drawoff(DRAWOFF, "run", &[]), 3, stderr);
    let checked = fleet.drawoff(DRAWOFF, "check", &[]);
    assert_eq!((checked.code, checked.stderr.contains("did you mean `probe_1_degc`?")), (3, true));
}

#[test]
fn an_empty_folder_and_none_at_all() {
    let fleet = SmallFleet::new();
    let empty = tempfile::tempdir_in(fleet.dir()).unwrap();
    let name = empty.path().file_name().unwrap().to_string_lossy().into_owned();
    let ended = fleet.drawoff(DRAWOFF, "run", &[&format!("inputs.readings={}", empty.path().display())]);
    let stderr = format!(
        "read 0 rows of 0 homes from 1 files in TIME\n\
         error: DIR/{name}: no file of readings in this folder\n\
         hint: files are known by their endings: parquet, arrow, feather, ipc, arrows, csv, tsv, txt\n"
    );
    assert_refused(&fleet, &ended, 3, &stderr);
    let nowhere = fleet.path("nowhere");
    let ended = fleet.drawoff(DRAWOFF, "run", &[&format!("inputs.readings={}", nowhere.display())]);
    let stderr = "read 0 rows of 0 homes from 1 files in TIME\n\
         error: DIR/nowhere: readings cannot be found: there is no such file or folder\n\
         hint: check `inputs.readings`; a relative path starts at the current folder\n";
    assert_refused(&fleet, &ended, 3, stderr);
}

#[test]
fn a_home_absent_from_the_register_costs_that_home() {
    let fleet = SmallFleet::new();
    fleet.edit("register.csv", "OS-00003", "OS-99999");
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    let homes = assert_done(
        &fleet,
        &ended,
        4,
        "read 15,807 rows of 3 homes from 2 files in TIME\nassessed 4 homes in TIME\n\
         warning: home OS-00003: not in the register; its 3,934 rows were rejected\n\
         hint: add it to DIR/register.csv\n",
    );
    assert_eq!(homes, ["OS-00001", "OS-00002", "OS-00010"]);
}

#[test]
fn no_home_in_the_register() {
    let fleet = SmallFleet::new();
    fleet.edit(
        "mapping.toml",
        "home = \"home\"                                           # the same",
        "home = \"area\" # the same",
    );
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    let stderr = "read 15,807 rows of 0 homes from 2 files in TIME\n\
         error: DIR/readings: none of its 4 homes is in the register (such as OS-00001, OS-00002, OS-00003)\n\
         hint: check the home columns of mapping and register\n";
    assert_refused(&fleet, &ended, 3, stderr);
}

#[test]
fn a_broken_row_of_the_register_costs_what_it_says() {
    let fleet = SmallFleet::new();
    fleet.edit("register.csv", "Europe/London", "Europe/Londn");
    fleet.edit("register.csv", ",1.25,62,two-rate", ",1.25,very hot,two-rate");
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    let homes = assert_done(
        &fleet,
        &ended,
        4,
        "read 15,807 rows of 3 homes from 2 files in TIME\nassessed 3 homes in TIME\n\
         warning: DIR/register.csv line 2: column `zone`: `Europe/Londn` is no zone of the tz database; \
         did you mean `Europe/London`?\n\
         hint: mend the line; its home is left out\n\
         warning: DIR/register.csv line 3: column `set_point_degc`: `very hot` is no number\n\
         hint: mend the line; the rest of it is used\n\
         warning: home OS-00001: not in the register; its 3,901 rows were rejected\n\
         hint: add it to DIR/register.csv\n",
    );
    assert_eq!(homes, ["OS-00002", "OS-00003", "OS-00010"]);
}

#[test]
fn a_register_without_a_mapped_column_or_none_at_all() {
    let fleet = SmallFleet::new();
    fleet.edit("register.csv", ",volume_l,", ",volume,");
    let stderr =
        "error: DIR/register.csv: column `volume_l` is missing\nhint: volume_l: did you mean `volume`?\n";
    assert_refused(&fleet, &fleet.drawoff(DRAWOFF, "run", &[]), 2, stderr);
    let ended =
        fleet.drawoff(DRAWOFF, "run", &[&format!("inputs.register={}", fleet.path("none.csv").display())]);
    let stderr = "error: DIR/none.csv: cannot be read: there is no such file or folder\nhint: check `inputs.register`\n";
    assert_refused(&fleet, &ended, 2, stderr);
}

#[test]
fn an_unknown_tariff_is_noted_and_costed_at_the_default() {
    let fleet = SmallFleet::new();
    // Of the four homes the one with a finding, which has a cost.
    fleet.edit("register.csv", ",1.96,64,single-rate", ",1.96,64,mystery");
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    let homes = assert_done(
        &fleet,
        &ended,
        0,
        "read 15,807 rows of 4 homes from 2 files in TIME\nassessed 4 homes in TIME\n\
         note: tariff \"mystery\" is not in the settings; costed at \"single-rate\" for OS-00010\n",
    );
    assert_eq!(homes.len(), 4);
}

#[test]
fn small_tables_that_are_not_there_or_have_a_broken_row() {
    let fleet = SmallFleet::new();
    let nowhere =
        ["tariffs", "carbon", "visits"].map(|t| format!("inputs.{t}={}", fleet.path("no.csv").display()));
    let ended = fleet.drawoff(DRAWOFF, "run", &nowhere.each_ref().map(String::as_str));
    assert_eq!((ended.code, ended.stdout.as_str()), (2, ""));
    assert_eq!(ended.stderr.matches("/no.csv: ").count(), 3, "{}", ended.stderr);
    assert_eq!(ended.stderr.lines().filter(|l| l.starts_with("hint: ")).count(), 3, "{}", ended.stderr);
    fleet.write("visits.csv", "home,date,finding,parts,minutes\nOS-00001,yesterday,other,,20\n");
    let visits = format!("inputs.visits={}", fleet.path("visits.csv").display());
    let ended = fleet.drawoff(DRAWOFF, "run", &[&visits]);
    assert_eq!(ended.code, 4, "{}", ended.stderr);
    assert!(ended.stderr.contains("visits.csv line 2"), "{}", ended.stderr);
}

#[test]
fn all_mistakes_of_a_mapping_at_once() {
    let fleet = SmallFleet::new();
    fleet.edit("mapping.toml", "cadence_min = 5", "cadence_mins = 5");
    fleet.edit("mapping.toml", "unit = \"degC\", optional", "unit = \"degX\", optional");
    fleet.edit("mapping.toml", "unit = \"W\", optional", "unit = \"Wh\", optional");
    let stderr = "error: DIR/mapping.toml line 9: `cadence_mins` is not a key of `readings`\n\
         hint: did you mean `cadence_min`?\n\
         error: DIR/mapping.toml line 13: `degX` is no value of `unit`\n\
         hint: did you mean `degC`?\n\
         error: DIR/mapping.toml line 20: unit `Wh` needs `cadence_min`\n\
         hint: add `cadence_min`, so that the energy of an interval can become its mean power\n";
    assert_refused(&fleet, &fleet.drawoff(DRAWOFF, "run", &[]), 2, stderr);
}

#[test]
fn an_unknown_key_of_a_pipeline_is_named_by_line() {
    let fleet = SmallFleet::new();
    fleet.edit("pipeline.toml", "visit_cost", "visitcost");
    let text = text_of(&fleet.path("pipeline.toml"));
    let line = 1 + text.lines().position(|l| l.starts_with("visitcost")).unwrap();
    let pipeline = fleet.path("pipeline.toml").display().to_string();
    for ended in [run(DRAWOFF, &["run", &pipeline]), fleet.drawoff(DRAWOFF, "check", &[])] {
        assert_eq!((ended.code, ended.stdout.as_str()), (2, ""));
        let expected = format!("/pipeline.toml line {line}: unknown field `visitcost`");
        assert!(ended.stderr.contains(&expected), "{}", ended.stderr);
        assert!(ended.stderr.ends_with("\nhint: did you mean `visit_cost`?\n"), "{}", ended.stderr);
    }
}

#[test]
fn overrides_that_make_no_sense() {
    let fleet = SmallFleet::new();
    let ended = fleet.drawoff(DRAWOFF, "run", &["nonsense", "inputs.readings.deeper=1"]);
    let stderr = "error: --set nonsense: not of the form key.path=value\n\
         hint: for example --set inputs.readings=exports\n\
         error: --set inputs.readings.deeper=1: `readings` is a value, not a section\n\
         hint: leave out what follows it\n";
    assert_refused(&fleet, &ended, 2, stderr);
    let ended = fleet.drawoff(DRAWOFF, "run", &["run.tops=3"]);
    assert_eq!(ended.code, 2);
    assert!(ended.stderr.contains("--set run.tops=3: unknown field `tops`"), "{}", ended.stderr);
    assert!(ended.stderr.ends_with("hint: did you mean `top`?\n"), "{}", ended.stderr);
    let ended = fleet.drawoff(DRAWOFF, "run", &["worth.visit_cost=-3"]);
    let stderr = "error: --set worth.visit_cost=-3: worth.visit_cost is -3; it must be a number of 0 or more\n\
         hint: mend the key, or leave it out: it takes its default\n";
    assert_refused(&fleet, &ended, 2, stderr);
}

#[test]
fn a_folder_that_another_run_holds_is_left_alone() {
    let fleet = SmallFleet::new();
    std::fs::create_dir(fleet.path("out")).unwrap();
    let lock = File::create(fleet.path("out/.lock")).unwrap();
    lock.lock().unwrap();
    let stderr = "error: DIR/out: another run is writing to this folder\n\
         hint: wait for it to end, or give this run another `outputs.dir`\n";
    assert_refused(&fleet, &fleet.drawoff(DRAWOFF, "run", &[]), 1, stderr);
    drop(lock);
    assert_eq!(fleet.drawoff(DRAWOFF, "run", &[]).code, 0);
}

#[test]
fn a_run_that_fails_leaves_the_results_of_the_last_one() {
    let fleet = SmallFleet::new();
    assert_eq!(fleet.drawoff(DRAWOFF, "run", &[]).code, 0);
    for file in drawoff_tests::small_fleet::FILES {
        fleet.cut(&format!("readings/{file}"), 10_000);
    }
    assert_eq!(fleet.drawoff(DRAWOFF, "run", &[]).code, 3);
    drawoff_store::output::verify(&fleet.path("out")).unwrap();
}

#[test]
fn an_output_folder_that_cannot_be_made() {
    let fleet = SmallFleet::new();
    fleet.write("out", "a file stands here");
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    assert_eq!((ended.code, ended.stdout.as_str()), (1, ""));
    assert!(ended.stderr.contains("/out: cannot be made: "), "{}", ended.stderr);
    assert!(ended.stderr.ends_with("\nhint: check `outputs.dir`\n"), "{}", ended.stderr);
}

#[test]
fn check_names_every_problem_at_once() {
    let fleet = SmallFleet::new();
    fleet.edit("register.csv", "OS-00003", "OS-99999");
    fleet.edit("register.csv", ",1.25,62,two-rate", ",1.25,very hot,two-rate");
    fleet.cut("readings/week-1.parquet", 20_000);
    let ended = fleet.drawoff(DRAWOFF, "check", &[]);
    assert_eq!(ended.code, 4);
    for problem in ["`very hot` is no number", "week-1.parquet: cannot be read", "does not list `OS-00003`"] {
        assert!(ended.stderr.contains(problem), "{problem} in {}", ended.stderr);
    }
    assert_eq!(ended.stderr.lines().filter(|l| l.starts_with("error: ")).count(), 3, "{}", ended.stderr);
    assert!(ended.stdout.contains("the accounts balance"), "{}", ended.stdout);
    assert!(!fleet.path("out").exists(), "check writes nothing");
}

#[test]
fn a_score_without_a_run_or_a_truth() {
    let fleet = SmallFleet::new();
    let out = fleet.path("out").display().to_string();
    let ended = run(DRAWOFF, &["score", &out, "--truth", "sample-fleet/truth"]);
    let stderr = "error: DIR/out/homes.parquet: cannot be opened: there is no such file or folder\n\
         hint: give output folders of finished runs, and --truth with a folder of truth tables for each\n";
    assert_refused(&fleet, &ended, 3, stderr);
    let ended = run(DRAWOFF, &["score", &out, &out, "--truth", "sample-fleet/truth"]);
    let stderr = "error: --truth: 2 runs and 1 folders of truth\n\
         hint: give one --truth for each run, in the same order\n";
    assert_refused(&fleet, &ended, 2, stderr);
}

#[test]
fn help_lists_the_exit_codes() {
    let help = run(DRAWOFF, &["--help"]);
    assert_eq!(help.code, 0);
    for code in [0, 1, 2, 3, 4, 130] {
        assert!(help.stdout.contains(&format!("\n  {code}  ")), "{}", help.stdout);
    }
    assert_eq!(run(DRAWOFF, &["run"]).code, 2);
}
