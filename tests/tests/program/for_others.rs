//! Results for others: no home, no area, no time of use, no small group, and no key in them, whatever the job.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::collections::BTreeSet;
use std::path::Path;

use drawoff_contract::for_others::PASSED_ON;
use drawoff_tests::program::{Ended, bytes_of, run_pipeline, text_of};
use drawoff_tests::small_fleet::SmallFleet;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
const KEY: &str = "a secret word of some length";

/// Names that are found nowhere by chance, two homes of one area and two of areas of their own.
fn fleet() -> SmallFleet {
    let fleet = SmallFleet::named(&[
        ("OS-00001", "Zq-home-A"),
        ("OS-00010", "Zq-home-B"),
        ("OS-00021", "Zq-home-C"),
        ("OS-00041", "Zq-home-D"),
    ]);
    let register = text_of(&fleet.path("register.csv"));
    let area = register.lines().next().unwrap().split(',').position(|c| c == "area").unwrap();
    let areas = ["area", "Zq-area-1", "Zq-area-1", "Zq-area-2", "Zq-area-3"];
    let lines = register.lines().zip(areas).map(|(line, name)| {
        let mut cells: Vec<&str> = line.split(',').collect();
        cells[area] = name;
        cells.join(",") + "\n"
    });
    fleet.write("register.csv", &lines.collect::<String>());
    fleet.write("key", &format!("{KEY}\n"));
    fleet
}

fn run(fleet: &SmallFleet, pipeline: &str, more: &[&str]) -> Ended {
    let path = |name: &str| fleet.path(name).display().to_string();
    let mut set = vec![
        format!("inputs.readings={}", path("readings")),
        format!("inputs.register={}", path("register.csv")),
        format!("outputs.dir={}", path("out")),
        format!("outputs.for_others.dir={}", path("others")),
        format!("outputs.for_others.key_file={}", path("key")),
        "outputs.for_others.fewest_homes=2".to_owned(),
        "inputs.visits=".to_owned(),
    ];
    set.extend(more.iter().map(|m| (*m).to_owned()));
    run_pipeline(DRAWOFF, "run", pipeline, &set)
}

/// The head of each CSV file, and that nothing of the folder tells a name or the key.
fn assert_tells_nobody(folder: &Path) -> BTreeSet<String> {
    let files = bytes_of(folder);
    for (name, bytes) in &files {
        let text = String::from_utf8_lossy(bytes);
        for secret in ["Zq-home", "Zq-area", KEY] {
            assert!(!text.contains(secret), "{name} tells {secret}");
        }
        let Some(table) = name.strip_suffix(".csv") else { continue };
        let of = PASSED_ON.iter().find(|p| p.table == table).unwrap();
        assert_eq!(text.lines().next().unwrap(), of.columns.join(","), "{name}");
        assert!(files.contains_key(&format!("{table}.parquet")), "{name}");
    }
    drawoff_store::output::verify(folder).unwrap();
    files.into_keys().filter_map(|n| n.strip_suffix(".csv").map(str::to_owned)).collect()
}

#[test]
fn a_service_list_for_others_names_no_home_and_no_time() {
    let fleet = fleet();
    let ended = run(&fleet, "pipelines/service-list.toml", &["inputs.carbon="]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let tables = assert_tells_nobody(&fleet.path("others"));
    assert_eq!(tables, ["habit_groups", "homes", "service_list"].map(str::to_owned).into());
    let list = text_of(&fleet.path("others/service_list.csv"));
    let own = text_of(&fleet.path("out/service_list.csv"));
    assert_eq!(list.lines().count(), own.lines().count(), "as many visits");
    assert!(list.lines().count() > 1, "{list}");
    // An area of two homes is told under another name, one of a single home not at all.
    let alias = |name: &str| drawoff_store::keyed_hash(KEY, name);
    assert!(list.contains(&format!("{},{}", alias("Zq-home-B"), alias("Zq-area-1"))), "{list}");
    assert!(!list.contains(&alias("Zq-area-2")), "{list}");
    let homes = text_of(&fleet.path("others/homes.csv"));
    let names: Vec<&str> = homes.lines().skip(1).filter_map(|l| l.split(',').next()).collect();
    assert!(names.len() == 4 && names.is_sorted(), "in the order of their other names: {names:?}");
}

#[test]
fn savings_for_others_name_no_home_and_no_small_sum() {
    let fleet = fleet();
    let ended =
        run(&fleet, "pipelines/savings.toml", &["savings.changes=", "outputs.for_others.fewest_homes=4"]);
    assert!([0, 4].contains(&ended.code), "{}", ended.stderr);
    let tables = assert_tells_nobody(&fleet.path("others"));
    for name in ["savings", "savings_fleet", "savings_still_open"] {
        assert!(tables.contains(name), "{tables:?}");
    }
    let sums = text_of(&fleet.path("others/savings_fleet.csv"));
    let own = text_of(&fleet.path("out/savings_fleet.csv"));
    assert!(sums.contains("homes in") && sums.lines().count() < own.lines().count(), "{sums}\n{own}");
}

#[test]
fn what_is_wrong_with_it_is_told_at_once_and_without_the_key() {
    let fleet = fleet();
    fleet.write("key", "short");
    let inside = format!("outputs.for_others.dir={}", fleet.path("out/others").display());
    let ended = run(&fleet, "pipelines/service-list.toml", &[&inside, "outputs.for_others.fewest_homes=1"]);
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    for key in ["outputs.for_others.dir", "outputs.for_others.key_file", "outputs.for_others.fewest_homes"] {
        assert!(ended.stderr.contains(key), "{key}: {}", ended.stderr);
    }
    assert!(!ended.stderr.contains("short\n") && !fleet.path("out").exists(), "{}", ended.stderr);
    let few = run_pipeline(
        DRAWOFF,
        "run",
        "pipelines/flexible-load.toml",
        &[
            format!("outputs.for_others.dir={}", fleet.path("others").display()),
            format!("outputs.for_others.key_file={}", fleet.path("none").display()),
            "flexible_load.fewest_homes=3".to_owned(),
        ],
    );
    assert_eq!(few.code, 2);
    assert!(few.stderr.contains("flexible_load.fewest_homes"), "{}", few.stderr);
    assert!(few.stderr.contains("none"), "{}", few.stderr);
}

#[test]
fn a_folder_for_others_that_cannot_be_written_is_told_before_anything_is_read() {
    let fleet = fleet();
    fleet.write("plain", "a file, where a folder is asked for");
    let below = format!("outputs.for_others.dir={}", fleet.path("plain/others").display());
    for pipeline in ["pipelines/service-list.toml", "pipelines/savings.toml"] {
        let ended = run(
            &fleet,
            pipeline,
            &[&below, "savings.changes="][..if pipeline.contains("savings") { 2 } else { 1 }],
        );
        assert!(ended.code != 0 && ended.stderr.contains("plain"), "{}", ended.stderr);
        assert!(!ended.stderr.contains(" rows of "), "{}", ended.stderr);
        assert!(!fleet.path("out/manifest.json").exists());
    }
}
