//! What the README promises: its example works as printed, and its lists are those of the program.

use drawoff_contract::Fault;
use drawoff_tests::program::{bytes_of, repository, run, run_pipeline, text_of};
use drawoff_tests::small_fleet::SmallFleet;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

fn readme() -> String {
    text_of(&repository().join("README.md"))
}

/// Fenced blocks of a language.
fn blocks(text: &str, language: &str) -> Vec<String> {
    let mut parts = text.split("```");
    let mut found = Vec::new();
    while let (Some(_), Some(block)) = (parts.next(), parts.next()) {
        found.extend(block.strip_prefix(&format!("{language}\n")).map(str::to_owned));
    }
    found
}

#[test]
fn the_example_of_own_exports_works_as_printed() {
    let text = readme();
    let (csv, toml) = (blocks(&text, "csv"), blocks(&text, "toml"));
    let [readings, register] = csv.as_slice() else { panic!("two CSV blocks, {}", csv.len()) };
    let [mapping] = toml.as_slice() else { panic!("one TOML block, {}", toml.len()) };
    let fleet = SmallFleet::new();
    for (name, block) in [("march.csv", readings), ("assets.csv", register), ("own.toml", mapping)] {
        fleet.write(name, block);
    }
    let set = |key: &str, name: &str| format!("{key}={}", fleet.path(name).display());
    let all = [
        set("inputs.readings", "march.csv"),
        set("inputs.mapping", "own.toml"),
        set("inputs.register", "assets.csv"),
        "inputs.carbon=".to_owned(),
        "inputs.visits=".to_owned(),
    ];
    for key in ["readings", "mapping", "register", "carbon", "visits"] {
        assert!(text.contains(&format!("--set inputs.{key}=")), "{key}");
    }
    let ended = run_pipeline(DRAWOFF, "check", "pipelines/service-list.toml", &all);
    let expected = "exit 0\n-- stdout\n\
         march.csv: 2 rows in = 2 used + 0 masked + 0 rejected; 8 values in = 8 used + 0 masked + 0 absent\n\
         all: 2 rows in = 2 used + 0 masked + 0 rejected; the accounts balance\n\
         -- stderr\nread 2 rows of 1 homes from 1 files in TIME\n";
    assert_eq!(ended.snapshot(fleet.dir()), expected);
}

#[test]
fn every_file_of_a_run_and_every_fault_is_explained() {
    let text = readme();
    let fleet = SmallFleet::new();
    assert_eq!(fleet.drawoff(DRAWOFF, "run", &[]).code, 0);
    for name in bytes_of(&fleet.path("out")).keys() {
        if name.starts_with("site/") {
            assert!(text.contains("`site/`"), "the pages");
            continue;
        }
        let stem = name.split('.').next().unwrap();
        assert!(text.contains(&format!("`{stem}`")) || text.contains(&format!("`{name}`")), "{name}");
    }
    for fault in Fault::ALL {
        assert!(text.contains(&format!("`{}`", fault.code())), "{}", fault.code());
    }
}

#[test]
fn exit_codes_are_those_of_the_help() {
    let text = readme();
    let help = run(DRAWOFF, &["--help"]).stdout;
    let lines: Vec<&str> = help.lines().skip_while(|l| *l != "Exit codes:").skip(1).collect();
    assert_eq!(lines.len(), 6, "{help}");
    for line in lines {
        let (code, meaning) = line.trim().split_once("  ").unwrap();
        assert!(text.contains(&format!("| {code} | {meaning} |")), "{line}");
    }
}
