//! Paths may be written as `file://` addresses wherever a pipeline or a command line names one, and nothing is written at an address that a
//! command cannot write at.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::disallowed_methods, reason = "a test writes its pipeline")]

use std::collections::BTreeMap;
use std::path::Path;

use drawoff_tests::invented::Invented;
use drawoff_tests::program::{Ended, bytes_of, repository, run, run_pipeline, text_of};
use drawoff_tests::small_fleet::SmallFleet;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

fn address(path: &Path) -> String {
    format!("file://{}", path.display())
}

/// The files of a job whose inputs and outputs are all named below one folder, as paths or as addresses.
fn files_of_job(fleet: &Invented, pipeline: &str, as_address: bool) -> BTreeMap<String, Vec<u8>> {
    let root = repository();
    let named = |path: &Path| if as_address { address(path) } else { path.display().to_string() };
    let prices = format!("{{ file = \"{}\", factor = 0.01 }}", named(&fleet.path("prices.csv")));
    let text = text_of(&root.join("pipelines").join(pipeline));
    let (mut small, job, text) = match pipeline {
        "savings.toml" => {
            let (head, _) = text.split_once("[[savings.tariffs]]").unwrap();
            let tariff = format!("name = \"half-hourly\"\nhalf_hourly = {prices}\ndefault = true\n");
            let small = vec![("savings.marginal", "carbon.csv"), ("savings.changes", "changes.csv")];
            // The table of tariffs would give homes their own.
            let job = ["inputs.tariffs=", "savings.members=2"].as_slice();
            (small, job, format!("{head}[[savings.tariffs]]\n{tariff}"))
        }
        _ => {
            let section = "[flexible_load]\n";
            let job = ["flexible_load.fewest_homes=2"].as_slice();
            (Vec::new(), job, text.replace(section, &format!("{section}prices = {prices}\n")))
        }
    };
    let name = if as_address { "by-address" } else { "by-path" };
    let file = fleet.path(&format!("{name}.toml"));
    std::fs::write(&file, text).unwrap();
    small.extend([
        ("inputs.readings", "readings"),
        ("inputs.register", "register.csv"),
        ("inputs.carbon", "carbon.csv"),
        ("outputs.dir", name),
    ]);
    let mapping = ("inputs.mapping", root.join("pipelines/mappings/drawoff.toml"));
    let paths = small.into_iter().map(|(key, name)| (key, fleet.path(name))).chain([mapping]);
    let set =
        paths.map(|(key, path)| format!("{key}={}", named(&path))).chain(job.iter().map(|s| (*s).to_owned()));
    let ended = run_pipeline(DRAWOFF, "run", &named(&file), &set.collect::<Vec<_>>());
    assert_eq!(ended.code, 0, "{pipeline}: {}", ended.stderr);
    bytes_of(&fleet.path(name))
}

#[test]
fn every_small_input_may_be_named_by_an_address() {
    let fleet = Invented::by(DRAWOFF);
    for (pipeline, table) in [("savings.toml", "savings.csv"), ("flexible-load.toml", "flexible_load.csv")] {
        let by_path = files_of_job(&fleet, pipeline, false);
        let by_address = files_of_job(&fleet, pipeline, true);
        assert!(by_path.keys().eq(by_address.keys()), "{pipeline}");
        for (name, bytes) in &by_path {
            assert!(by_address[name] == *bytes, "{pipeline}: {name} differs");
        }
        // The prices were read: others give other amounts.
        fleet.write_prices(23);
        assert!(files_of_job(&fleet, pipeline, true)[table] != by_path[table], "{pipeline}");
        fleet.write_prices(41);
    }
}

#[test]
fn what_a_command_writes_may_be_named_by_an_address_of_this_machine_only() {
    let fleet = SmallFleet::new();
    let ended = fleet.drawoff(DRAWOFF, "run", &["inputs.carbon=", "inputs.visits="]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let path = |name: &str| fleet.path(name).display().to_string();
    let (readings, register, out) = (path("readings"), path("register.csv"), path("out"));
    let commands = |to: &str| -> Vec<Vec<String>> {
        let to = |name: &str| format!("{to}/{name}");
        [
            vec!["propose", &readings, &register, "--out", &to("mapping")],
            vec!["explain", "OS-00010", "--run", &out, "--html", &to("home.html")],
            vec!["pages", &out, "--single-file", &to("list.html")],
            vec!["synth", &to("fleet"), "--homes", "1", "--days", "2"],
        ]
        .map(|arguments| arguments.into_iter().map(str::to_owned).collect())
        .into()
    };
    let run_all = |to: &str| -> Vec<Ended> {
        let run = |a: Vec<String>| run(DRAWOFF, &a.iter().map(String::as_str).collect::<Vec<_>>());
        commands(to).into_iter().map(run).collect()
    };
    for ended in run_all(&address(fleet.dir())) {
        assert_eq!(ended.code, 0, "{}", ended.stderr);
    }
    for name in ["mapping", "home.html", "list.html", "fleet/register.csv", "fleet/truth"] {
        assert!(fleet.path(name).exists(), "{name}");
    }
    for ended in run_all("s3://fleet/x") {
        assert!(ended.code == 2 && ended.stderr.contains("it must be on this machine"), "{}", ended.stderr);
    }
    for ended in run_all("s3://user:hush@fleet/x") {
        assert!(ended.code == 2 && !ended.stderr.contains("hush"), "{}", ended.stderr);
    }
    let score = |truth: &str| run(DRAWOFF, &["score", &out, "--truth", truth]);
    let truth = fleet.path("fleet/truth");
    assert_eq!(score(&address(&truth)), score(&truth.display().to_string()));
    for name in ["file:", "s3:"] {
        assert!(!repository().join(name).exists(), "a folder of the name {name} was made");
    }
}
