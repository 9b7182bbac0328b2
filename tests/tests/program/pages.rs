//! The pages of a run, what changed between runs, and what the command line tells of itself.
#![expect(clippy::disallowed_methods, reason = "a test breaks a table of a run, which the store would not")]

use drawoff_contract::Table;
use drawoff_contract::daybook::PowerNote;
use drawoff_contract::news_table::NewsRow;
use drawoff_contract::results::{CoolingRow, CylinderRow, VisitRow};
use drawoff_store::output::{read_table, verify};
use drawoff_tests::program::{bytes_of, run, text_of};
use drawoff_tests::small_fleet::SmallFleet;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

/// Homes with clear faults, so that all of them are listed; one has a name that would like to be more than a name.
const HOSTILE: &str = "<script>alert(1)</script>../../\"'\u{1b}[2J\u{202e}=1+1";

fn fleet() -> SmallFleet {
    SmallFleet::named(&[("OS-00010", HOSTILE), ("OS-00027", "OS-00027"), ("OS-00021", "OS-00021")])
}

#[test]
fn every_listed_home_has_a_page_and_every_page_is_harmless() {
    let fleet = fleet();
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let site = bytes_of(&fleet.path("out/site"));
    for name in ["index.html", "list.html", "plan.html", "quality.html", "method.html", "columns.html"] {
        assert!(site.contains_key(name), "{name} of {:?}", site.keys());
    }
    let visits: Vec<VisitRow> = read_table(&fleet.path("out/service_list.parquet")).unwrap();
    assert!(visits.iter().any(|v| v.home == HOSTILE));
    let list = text_of(&fleet.path("out/site/list.html"));
    assert_eq!(list.matches("<tr role=\"row\"><td").count(), visits.len());
    let linked: Vec<&str> =
        list.split("<a href=\"homes/").skip(1).filter_map(|p| p.split('"').next()).collect();
    assert_eq!(linked.len(), visits.len());
    for name in linked {
        assert!(site.contains_key(&format!("homes/{name}")), "{name}");
    }
    for (name, bytes) in &site {
        let text = String::from_utf8(bytes.clone()).unwrap();
        let scripts = usize::from(name == "list.html");
        assert_eq!(text.matches("<script").count(), scripts, "{name}");
        assert!(!text.contains(|c: char| (c.is_control() && c != '\n') || c == '\u{202e}'), "{name}");
        assert!(!text.contains("://") && text.contains("default-src 'none'"), "{name}");
    }
    // The dictionary knows every table that the run left behind.
    let columns = text_of(&fleet.path("out/site/columns.html"));
    let tables = bytes_of(&fleet.path("out"));
    let tables: Vec<&str> = tables.keys().filter_map(|name| name.strip_suffix(".parquet")).collect();
    assert!(tables.len() > 20, "{tables:?}");
    for table in tables {
        assert!(columns.contains(&format!("<summary>{table}</summary>")), "{table}");
    }
    // The pages are part of the run: sizes and hashes stand in the manifest.
    verify(&fleet.path("out")).unwrap();
    assert!(text_of(&fleet.path("out/manifest.json")).contains("\"site/index.html\""));
    let without = fleet.drawoff(DRAWOFF, "run", &["pages.site=false"]);
    assert_eq!(without.code, 0, "{}", without.stderr);
    assert!(!fleet.path("out/site/index.html").exists());
}

/// Every figure has its table, and what a plot shows stands in a table of the run.
#[test]
fn plots_of_a_home_are_drawn_from_tables_of_the_run() {
    let fleet = fleet();
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let cooling: Vec<CoolingRow> = read_table(&fleet.path("out/cooling.parquet")).unwrap();
    let cylinders: Vec<CylinderRow> = read_table(&fleet.path("out/cylinders.parquet")).unwrap();
    let power: Vec<PowerNote> = read_table(&fleet.path("out/daybook_days.parquet")).unwrap();
    assert_eq!(cylinders.len(), 3);
    assert!(
        cylinders.iter().all(|c| c.probe_heights.len() > 1 && c.set_point_degc.is_some()),
        "{cylinders:?}"
    );
    let pages: Vec<String> = bytes_of(&fleet.path("out/site/homes"))
        .into_values()
        .map(|bytes| String::from_utf8(bytes).unwrap())
        .collect();
    let with = |id: &str| pages.iter().filter(|p| p.contains(&format!("id=\"{id}-title\""))).count();
    let homes = |mut all: Vec<&str>| {
        all.dedup();
        all.len()
    };
    assert_eq!(with("cooling"), homes(cooling.iter().map(|c| c.home.as_str()).collect()));
    let full = |p: &&PowerNote| p.element_full_power_w.iter().any(|w| w.is_finite());
    let powered = homes(power.iter().filter(full).map(|p| p.home.as_str()).collect());
    assert!(with("cooling") > 0 && powered > 0);
    assert_eq!(pages.iter().filter(|p| p.contains("id=\"power-")).count(), powered);
    for page in &pages {
        let figures = page.matches("<figure>").count();
        assert!(page.matches("<table").count() > figures / 2 && page.contains("set point"), "{page}");
        assert!(!page.contains("NaN"), "{page}");
    }
}

#[test]
fn pages_made_again_are_those_of_the_run() {
    let fleet = fleet();
    assert_eq!(fleet.drawoff(DRAWOFF, "run", &[]).code, 0);
    let (made, again) = (fleet.path("out"), fleet.path("again"));
    let arguments = ["pages", made.to_str().unwrap(), "--out", again.to_str().unwrap()];
    let ended = run(DRAWOFF, &arguments);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert_eq!(bytes_of(&again), bytes_of(&made.join("site")));
    // Pages of an earlier call that nothing leads to go; files that this program does not name stay.
    for stale in ["homes/os-00099-0123456789.html", "list-7.html", "homes/notes.html", "list-of-mine.html"] {
        fleet.write(&format!("again/{stale}"), "left over");
    }
    let ended = run(DRAWOFF, &arguments);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let mut found = bytes_of(&again);
    assert!(found.remove("homes/notes.html").is_some() && found.remove("list-of-mine.html").is_some());
    assert_eq!(found, bytes_of(&made.join("site")));
    // A finished run stays as it was.
    for inside in ["", "site", "deep/er"] {
        let inside = made.join(inside);
        let ended = run(DRAWOFF, &["pages", made.to_str().unwrap(), "--out", inside.to_str().unwrap()]);
        assert!(ended.code == 2 && ended.stderr.contains("a finished run"), "{}", ended.stderr);
    }
    verify(&made).unwrap();
    let one = fleet.path("one.html");
    let arguments = ["pages", made.to_str().unwrap(), "--single-file", one.to_str().unwrap()];
    assert_eq!(run(DRAWOFF, &arguments).code, 0);
    let one = text_of(&one);
    for id in ["list", "rounds", "cards-h", "quality", "method", "glossary", "columns"] {
        assert!(one.contains(&format!("id=\"{id}\"")), "{id}");
    }
}

#[test]
fn what_changed_is_told_by_diff_and_on_the_first_page() {
    let fleet = fleet();
    assert_eq!(fleet.drawoff(DRAWOFF, "run", &[]).code, 0);
    let first: Vec<VisitRow> = read_table(&fleet.path("out/service_list.parquet")).unwrap();
    let old = fleet.path("old");
    std::fs::rename(fleet.path("out"), &old).unwrap();
    // The same homes with room for one fewer on the list.
    let most = format!("worth.visits_per_list={}", first.len() - 1);
    let since = format!("pages.since={}", old.display());
    let ended = fleet.drawoff(DRAWOFF, "run", &[&most, &since]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let news: Vec<NewsRow> = read_table(&fleet.path("out/news.parquet")).unwrap();
    let last = first.last().unwrap();
    assert_eq!(news.len(), 1, "{news:?}");
    assert_eq!((news[0].home.as_str(), news[0].change.as_str()), (last.home.as_str(), "left_off"));
    assert!(news[0].why.contains("beyond the capacity"), "{}", news[0].why);
    for page in ["out/site/index.html", "out/service_list.html"] {
        let page = text_of(&fleet.path(page));
        assert!(page.contains("Pushed off the list") && page.contains("beyond the capacity"), "{page}");
        assert!(page.contains("<a href=\"#changed\">What changed</a>"), "{page}");
    }

    let arguments = ["diff", old.to_str().unwrap(), &fleet.path("out").display().to_string(), "--json"];
    let told = run(DRAWOFF, &arguments);
    let json: serde_json::Value = serde_json::from_str(&told.stdout).unwrap();
    assert_eq!(json[0]["home"].as_str(), Some(last.home.as_str()));
    assert_eq!(json[0].as_object().unwrap().len(), NewsRow::columns().len());
    let arguments = ["diff", old.to_str().unwrap(), old.to_str().unwrap()];
    assert!(run(DRAWOFF, &arguments).stdout.contains("alike"));
    let arguments = ["diff", old.to_str().unwrap(), "no-such-folder"];
    assert_eq!(run(DRAWOFF, &arguments).code, 3);
}

#[test]
fn the_run_before_in_the_same_folder_may_be_compared_with() {
    let fleet = fleet();
    let since = format!("pages.since={}", fleet.path("out").display());
    let ended = fleet.drawoff(DRAWOFF, "run", &[&since]);
    assert!(ended.code == 0 && ended.stderr.contains("no run in"), "{}", ended.stderr);
    let ended = fleet.drawoff(DRAWOFF, "run", &[&since]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(text_of(&fleet.path("out/site/index.html")).contains("the same homes at the same places"));
    // The same by a word, which follows the folder wherever it is moved to.
    let ended = fleet.drawoff(DRAWOFF, "run", &["pages.since_last=true"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(text_of(&fleet.path("out/site/index.html")).contains("the same homes at the same places"));
    let ended = fleet.drawoff(DRAWOFF, "run", &["pages.since_last=true", &since]);
    assert!(ended.code == 2 && ended.stderr.contains("both name a run"), "{}", ended.stderr);
    // A run that cannot be read costs the comparison and not the new run.
    let table = fleet.path("out/left_off.parquet");
    std::fs::write(&table, &std::fs::read(&table).unwrap()[..100]).unwrap();
    let ended = fleet.drawoff(DRAWOFF, "run", &[&since]);
    assert!(ended.code == 0 && ended.stderr.contains("nothing is compared"), "{}", ended.stderr);
    assert!(!fleet.path("out/news.parquet").exists());
}

#[test]
fn shells_and_the_manual_know_every_command() {
    let shown = |arguments: &[&str]| {
        let ended = run(DRAWOFF, arguments);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        ended.stdout
    };
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let text = shown(&["completions", shell]);
        for command in ["run", "check", "explain", "diff", "pages", "score"] {
            assert!(text.contains(command), "{shell}: {command}");
        }
    }
    let manual = shown(&["manual"]);
    assert!(
        manual.contains(".TH drawoff") && manual.contains("Exit codes") && manual.contains("since"),
        "{manual}"
    );
    let help = shown(&["--help"]);
    assert!(help.contains("Examples:") && help.contains("130  interrupted"));
    for command in
        ["run", "check", "propose", "explain", "diff", "pages", "score", "synth", "merge", "worker", "manual"]
    {
        assert!(shown(&[command, "--help"]).contains("Example"), "{command}");
    }
}

#[test]
fn colour_is_never_used_even_where_it_is_asked_for() {
    for arguments in [&["--help"][..], &["--no-such-option"], &["run", "no-such-file.toml"]] {
        let mut command = std::process::Command::new(DRAWOFF);
        let ended =
            command.args(arguments).env("CLICOLOR_FORCE", "1").env("FORCE_COLOR", "1").output().unwrap();
        assert!(!ended.stdout.is_empty() || !ended.stderr.is_empty());
        assert!(!ended.stdout.contains(&0x1b) && !ended.stderr.contains(&0x1b), "{arguments:?}");
    }
}

#[test]
fn logs_for_machines_are_an_object_a_line() {
    let fleet = fleet();
    let hostile = fleet.drawoff(DRAWOFF, "run", &[]);
    let set: Vec<String> = [
        ("inputs.readings", "readings"),
        ("inputs.register", "register.csv"),
        ("inputs.mapping", "mapping.toml"),
        ("outputs.dir", "out"),
    ]
    .iter()
    .flat_map(|(key, name)| ["--set".to_owned(), format!("{key}={}", fleet.path(name).display())])
    .collect();
    let pipeline = fleet.path("pipeline.toml").display().to_string();
    let mut arguments = vec!["--log", "json", "run", &pipeline];
    arguments.extend(set.iter().map(String::as_str));
    let ended = run(DRAWOFF, &arguments);
    assert_eq!((ended.code, &ended.stdout), (hostile.code, &hostile.stdout));
    let levels: Vec<String> = ended
        .stderr
        .lines()
        .map(|line| {
            serde_json::from_str::<serde_json::Value>(line).unwrap()["level"].as_str().unwrap().to_owned()
        })
        .collect();
    assert_eq!(levels.len(), hostile.stderr.lines().filter(|l| !l.starts_with("hint: ")).count());
    assert!(levels.iter().any(|l| l == "note"), "{levels:?}");
}
