//! Many nights leave the same bytes as one run over the same files, whatever happens to the files between the nights.

use std::collections::BTreeMap;
use std::process::Stdio;

use drawoff_tests::nights::{Nights, changed, of_homes};
use drawoff_tests::small_fleet::HOMES;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

type Files = BTreeMap<String, Vec<u8>>;

fn assert_same(night: &Files, whole: &Files, what: &str) {
    let names = |files: &Files| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(night), names(whole), "{what}");
    let differ: Vec<&String> = whole.keys().filter(|name| night[*name] != whole[*name]).collect();
    assert!(differ.is_empty(), "{what}: {differ:?} differ");
}

/// The night must leave what one run leaves.
fn same(nights: &Nights, set: &[&str], what: &str) -> String {
    let (ended, night) = nights.night("kept", set);
    assert_same(&night, &nights.one_run(&[]), what);
    ended.stderr
}

#[test]
fn night_by_night_as_in_one_run() {
    let nights = Nights::new(DRAWOFF);
    for day in 0..nights.days.len() {
        nights.put(day);
        let (ended, night) = nights.night("kept", &["daybook.compact_after=4"]);
        // Stamps end their intervals, so that a file of a day of UTC is a file of a local day in winter.
        if day > 0 {
            let told = format!("kept daybook: 1 files new, {day} unchanged; 4 home-days of 4 homes reduced");
            assert!(ended.stderr.contains(&told), "{}", ended.stderr);
        }
        if day % 5 == 0 || day + 1 == nights.days.len() {
            assert_same(&night, &nights.one_run(&[]), &format!("night {day}"));
        }
    }
    let (ended, again) = nights.night("kept", &[]);
    assert!(
        ended.stderr.contains("0 files new") && ended.stderr.contains("; 0 home-days of 0 homes"),
        "{}",
        ended.stderr
    );
    assert_same(&again, &nights.one_run(&[]), "nothing new");
}

#[test]
fn rows_that_come_late_change_their_day_and_those_after_it() {
    let nights = Nights::new(DRAWOFF);
    for day in [0, 1, 2, 4, 5] {
        nights.put(day);
        nights.night("kept", &[]);
    }
    // A whole day of one home and half a day of another.
    nights.put_rows("late-a.parquet", &of_homes(&nights.days[3], |home| home == HOMES[0]));
    let told = same(&nights, &[], "a late day of one home");
    assert!(told.contains("3 home-days of 1 homes reduced, 1 of them from an earlier day on"), "{told}");
    let half = of_homes(&nights.days[3], |home| home == HOMES[1]);
    nights.put_rows("late-b.parquet", &half.slice(0, half.num_rows() / 2));
    nights.put(6);
    same(&nights, &[], "half a day and a new one");
    // A file alone, its later half first: how many rows came out of order is kept by file.
    let day = of_homes(&nights.days[7], |home| home == HOMES[3]);
    let middle = day.num_rows() / 2;
    let halves = [day.slice(middle, day.num_rows() - middle), day.slice(0, middle)];
    nights.put_rows("turned.parquet", &arrow::compute::concat_batches(&day.schema(), &halves).unwrap());
    same(&nights, &[], "a file whose later half comes first");
    // Older than anything.
    nights.put_rows("before.parquet", &of_homes(&nights.days[8], |home| home == HOMES[2]));
    same(&nights, &[], "days of silence before");
    nights.take("before.parquet");
    same(&nights, &["daybook.gone=forget"], "the silence is gone again");
}

#[test]
fn changed_renamed_and_vanished_files() {
    let nights = Nights::new(DRAWOFF);
    for day in 0..6 {
        nights.put(day);
    }
    // Copies of two days with other values: which of two rows counts depends on the order of the names.
    nights.put_rows("day-03-again.parquet", &changed(&nights.days[3], "probe_1_degc", |t| t - 1.0));
    nights.put_rows("a-copy.parquet", &changed(&nights.days[2], "probe_1_degc", |t| t + 0.5));
    same(&nights, &[], "the first night");

    for day in 0..6 {
        nights.rename(&Nights::name(day), &format!("{}-moved.parquet", 9 - day));
    }
    let told = same(&nights, &[], "other names");
    assert!(told.contains("0 files new, 8 unchanged"), "{told}");

    nights.put_rows("5-moved.parquet", &changed(&nights.days[4], "probe_2_degc", |t| t + 0.2));
    let told = same(&nights, &[], "a changed file");
    assert!(told.contains("0 files new, 1 changed, 7 unchanged"), "{told}");

    nights.take("7-moved.parquet");
    let told = same(&nights, &["daybook.gone=forget"], "a vanished day with a copy");
    assert!(told.contains("1 gone and forgotten"), "{told}");
    nights.take("4-moved.parquet");
    same(&nights, &["daybook.gone=forget"], "the last day vanished");
}

#[test]
fn what_a_file_gave_stays_when_it_goes() {
    let nights = Nights::new(DRAWOFF);
    for day in 0..8 {
        nights.put(day);
    }
    let whole = nights.one_run(&[]);
    nights.night("kept", &[]);
    nights.take(&Nights::name(2));
    let (ended, night) = nights.night("kept", &[]);
    assert!(ended.stderr.contains("1 gone, their days stay"), "{}", ended.stderr);
    // The rows themselves are not there for the plots.
    let kept = |files: Files| {
        let plots = ["evidence.parquet", "service_list.html", "manifest.json"];
        let is_plot = |name: &str| plots.contains(&name) || name.starts_with("site/homes/");
        files.into_iter().filter(|(name, _)| !is_plot(name)).collect::<Files>()
    };
    assert_same(&kept(night), &kept(whole), "days stay");
    // A row for a day whose file is gone comes too late, and is counted as such.
    nights.put_rows("late.parquet", &nights.days[1].slice(0, 40));
    let (_, night) = nights.night("kept", &[]);
    let manifest: serde_json::Value = serde_json::from_slice(&night["manifest.json"]).unwrap();
    assert_eq!((&manifest["accounts_balance"], manifest["rows_masked"].as_u64()), (&true.into(), Some(40)));
}

#[test]
fn a_change_of_register_or_mapping_is_seen() {
    let nights = Nights::new(DRAWOFF);
    let register = drawoff_tests::program::text_of(&nights.fleet.path("register.csv"));
    let mut lines: Vec<&str> = register.lines().collect();
    let last = lines.pop().unwrap();
    nights.fleet.write("register.csv", &(lines.join("\n") + "\n"));
    for day in 0..5 {
        nights.put(day);
    }
    same(&nights, &[], "a home that the register lacks");
    nights.fleet.write("register.csv", &register);
    nights.put(5);
    let told = same(&nights, &[], "the home is in the register");
    assert!(told.contains("of 4 homes reduced"), "{told}");
    nights.fleet.write("register.csv", &(lines.join("\n") + "\n"));
    nights.put(6);
    same(&nights, &[], "and gone from it");
    nights.fleet.write("register.csv", &register);
    same(&nights, &[], "and back");
    let volume = last.split(',').find(|f| f.parse::<f64>().is_ok_and(|v| v > 90.0)).unwrap();
    nights.fleet.edit("register.csv", last, &last.replacen(&format!(",{volume},"), ",141,", 1));
    let told = same(&nights, &[], "another volume");
    assert!(told.contains("7 home-days of 1 homes reduced"), "{told}");
    nights.fleet.edit("register.csv", ",141,", ",,");
    same(&nights, &[], "no volume");
    nights.put(7);
    same(&nights, &[], "a day without a volume");
    nights.fleet.edit("mapping.toml", "probe_order", "sentinels = [-999]\nprobe_order");
    let told = same(&nights, &[], "another mapping");
    assert!(told.contains("all files are read again"), "{told}");
}

#[test]
fn a_damaged_file_is_named_every_night_and_read_when_it_is_sound() {
    let nights = Nights::new(DRAWOFF);
    for day in 0..4 {
        nights.put(day);
    }
    nights.fleet.cut("readings/day-03.parquet", 3_000);
    same(&nights, &[], "damaged on the first night");
    nights.put(4);
    let told = same(&nights, &[], "damaged on the second");
    assert!(told.contains("day-03.parquet"), "{told}");
    nights.put(3);
    same(&nights, &[], "sound");
}

#[test]
fn only_the_last_days_may_be_kept() {
    let nights = Nights::new(DRAWOFF);
    let set = ["daybook.keep_days=5", "daybook.compact_after=3"];
    for day in 0..9 {
        nights.put(day);
        nights.night("kept", &set);
    }
    let (_, night) = nights.night("kept", &set);
    let (_, whole) = nights.night("anew", &set);
    assert_same(&night, &whole, "five days");
    let days: Vec<drawoff_contract::daybook::DayNote> =
        drawoff_store::output::read_table(&nights.fleet.path("night/daybook_days.parquet")).unwrap();
    assert_eq!(days.len(), 5 * HOMES.len());
}

#[test]
fn a_night_that_ends_anywhere_is_as_if_it_had_not_begun() {
    let nights = Nights::new(DRAWOFF);
    for day in 0..3 {
        nights.put(day);
    }
    nights.night("kept", &[]);
    nights.put(3);
    let whole = nights.one_run(&[]);
    let set = |key: &str, name: &str| format!("{key}={}", nights.fleet.path(name).display());
    let (mut step, mut ended) = (1, 0);
    while ended < 2 {
        let mut command = std::process::Command::new(DRAWOFF);
        command.args(["--threads", "1", "run", &nights.fleet.path("pipeline.toml").display().to_string()]);
        for item in [
            set("inputs.readings", "readings"),
            set("inputs.mapping", "mapping.toml"),
            set("inputs.register", "register.csv"),
            set("outputs.dir", "night"),
            set("daybook.keep", "kept"),
        ] {
            command.args(["--set", &item]);
        }
        let how = if step % 2 == 0 { "FAIL_AT" } else { "ABORT_AT" };
        command.env(how, step.to_string()).stdout(Stdio::null()).stderr(Stdio::null());
        command.current_dir(drawoff_tests::program::repository());
        ended += u32::from(command.status().unwrap().success());
        if step % 29 == 1 {
            assert_same(&nights.night("kept", &[]).1, &whole, &format!("{how} {step}"));
            std::fs::remove_dir_all(nights.fleet.path("kept")).unwrap();
            nights.take(&Nights::name(3));
            nights.night("kept", &[]);
            nights.put(3);
        }
        step += 13;
    }
    assert_same(&nights.night("kept", &[]).1, &whole, "after all of them");
    assert!(step > 100, "{step}");
}
