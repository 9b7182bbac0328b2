//! `propose` on exports that nobody described: the run on its mapping is the run on the one written by hand, or the line is marked.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::path::Path;

use drawoff_tests::program::{bytes_of, run, run_pipeline, text_of};
use drawoff_tests::shared;
use drawoff_tests::small_fleet::SmallFleet;
use drawoff_tests::variants::Layout;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
const DAYBOOK: [&str; 3] = ["daybook_days.parquet", "daybook_spells.parquet", "daybook_draws.parquet"];

fn propose(readings: &Path, register: &Path, out: &Path) -> (String, String) {
    let path = |p: &Path| p.display().to_string();
    let ended = run(DRAWOFF, &["propose", &path(readings), &path(register), "--out", &path(out)]);
    assert_eq!(ended.code, 0, "{ended:?}");
    (ended.stdout, text_of(out))
}

/// Runs the main job on both mappings and compares the files that `compared` takes.
fn assert_same(readings: &Path, register: &Path, mappings: [&Path; 2], compared: &dyn Fn(&str) -> bool) {
    let scratch = tempfile::tempdir().unwrap();
    let books = mappings.map(|mapping| {
        let out = scratch.path().join(mapping.file_name().unwrap());
        let mut set: Vec<String> = [
            ("inputs.readings", readings),
            ("inputs.register", register),
            ("inputs.mapping", mapping),
            ("outputs.dir", &out),
        ]
        .map(|(key, path)| format!("{key}={}", path.display()))
        .to_vec();
        set.extend(["inputs.carbon=".to_owned(), "inputs.visits=".to_owned()]);
        let ended = run_pipeline(DRAWOFF, "run", "pipelines/service-list.toml", &set);
        assert!([0, 4].contains(&ended.code), "{}: {ended:?}", mapping.display());
        let mut files = bytes_of(&out);
        files.retain(|name, _| compared(name));
        files
    });
    assert!(!books[0].is_empty() && books[0].keys().eq(books[1].keys()));
    let differ: Vec<&String> = books[0].iter().filter(|(n, b)| books[1][*n] != **b).map(|(n, _)| n).collect();
    assert!(differ.is_empty(), "the proposed mapping reads other bytes than the one by hand: {differ:?}");
}

fn assert_same_daybook(readings: &Path, register: &Path, mappings: [&Path; 2]) {
    assert_same(readings, register, mappings, &|name| DAYBOOK.contains(&name));
}

#[test]
fn invented_layouts_are_read_as_by_hand() {
    let mut wrong = Vec::new();
    for layout in Layout::ALL {
        let fleet = SmallFleet::named(&[
            ("OS-00001", "OS-00001"),
            ("OS-00002", "OS-00002"),
            ("OS-00004", "OS-00004"),
            ("OS-00005", "OS-00005"),
            ("OS-00010", "OS-00010"),
        ]);
        layout.write(&fleet);
        let (readings, register, out) =
            (fleet.path("variant"), fleet.path("register.csv"), fleet.path("proposed.toml"));
        let (said, text) = propose(&readings, &register, &out);
        let ended = std::panic::catch_unwind(|| {
            assert_same_daybook(&readings, &register, [&out, &fleet.path("by-hand.toml")])
        });
        if ended.is_err() {
            wrong.push(format!("{layout:?}:\n{said}\n{text}"));
        }
        // Balance and rejections are for the user to see.
        assert!(said.contains("hours of heating the metered energy is"), "{layout:?}: {said}");
        if layout == Layout::NaiveLocal {
            // These two weeks hold no change of clocks: nothing proves the zone.
            assert!(said.contains("unsure: time = "), "{said}");
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

#[test]
fn the_sample_fleet_is_read_as_by_hand() {
    let dir = tempfile::tempdir().unwrap();
    let root = drawoff_tests::program::repository();
    let (readings, register, out) = (
        root.join("sample-fleet/readings"),
        root.join("sample-fleet/register.csv"),
        dir.path().join("m.toml"),
    );
    let (said, text) = propose(&readings, &register, &out);
    assert!(said.contains("no line is marked UNSURE"), "{said}\n{text}");
    assert_same(&readings, &register, [&out, &root.join("pipelines/mappings/drawoff.toml")], &|_| true);
}

#[test]
fn the_reference_layouts_are_read_as_by_hand() {
    let dir = tempfile::tempdir().unwrap();
    let root = drawoff_tests::program::repository();
    for (name, readings, register) in [("wide", "readings", "assets.csv"), ("tall", "points", "register.csv")]
    {
        let Some(fleet) = shared(&format!("reference-fleet/{name}")) else { return };
        let (readings, register, out) =
            (fleet.join(readings), fleet.join(register), dir.path().join(format!("{name}.toml")));
        let (said, text) = propose(&readings, &register, &out);
        assert!(said.contains("no line is marked UNSURE"), "{said}\n{text}");
        let by_hand = root.join(format!("pipelines/mappings/reference-{name}.toml"));
        let parsed = |text: &str| {
            let mut mapping = drawoff_contract::Mapping::parse("a mapping", text).unwrap();
            // Which line comes first means nothing.
            mapping.readings.wide.sort_by(|a, b| a.column.cmp(&b.column));
            mapping.readings.long.sort_by(|a, b| a.name.cmp(&b.name));
            mapping
        };
        let (proposed, text_of_hand) = (parsed(&text), parsed(&text_of(&by_hand)));
        // The same reading of every column; `reference.rs` holds the runs on both to the byte.
        assert_eq!(proposed.readings, text_of_hand.readings, "{text}");
        assert_eq!(proposed.register, text_of_hand.register, "{text}");
    }
}

#[test]
fn check_shows_the_balance_that_proves_the_units() {
    let fleet = SmallFleet::new();
    let told = |fleet: &SmallFleet| {
        let ended = fleet.drawoff(DRAWOFF, "check", &[]);
        let line =
            ended.stdout.lines().find(|l| l.starts_with("balance: ")).unwrap_or_else(|| panic!("{ended:?}"));
        let ratio = line.split(" is ").nth(1).and_then(|rest| rest.split(' ').next()).unwrap();
        ratio.parse::<f64>().unwrap()
    };
    let right = told(&fleet);
    assert!((0.8..1.3).contains(&right), "{right}");
    // Degrees that are taken for smaller ones: the water seems to take up less than the meter gave.
    let text = text_of(&fleet.path("mapping.toml")).replace("unit = \"degC\"", "unit = \"degF\"");
    fleet.write("mapping.toml", &text);
    let wrong = told(&fleet);
    assert!(wrong > 1.6, "{wrong}");
}

#[test]
fn a_mapping_that_is_there_is_left_alone() {
    let fleet = SmallFleet::new();
    let path = |name: &str| fleet.path(name).display().to_string();
    let before = text_of(&fleet.path("mapping.toml"));
    let ended =
        run(DRAWOFF, &["propose", &path("readings"), &path("register.csv"), "--out", &path("mapping.toml")]);
    assert_eq!((ended.code, ended.stdout.as_str()), (2, ""));
    assert!(ended.stderr.contains("is there already"), "{}", ended.stderr);
    assert_eq!(text_of(&fleet.path("mapping.toml")), before);
    // Without a register nothing of energy is proved, and every line that hangs on it is marked.
    let ended = run(DRAWOFF, &["propose", &path("readings"), "--out", &path("other.toml")]);
    assert_eq!(ended.code, 0, "{ended:?}");
    let text = text_of(&fleet.path("other.toml"));
    for line in text.lines().filter(|l| {
        l.contains("channel = \"power") || l.contains("channel = \"register") || l.starts_with("default_zone")
    }) {
        assert!(line.contains("# UNSURE: "), "{line}");
    }
}
