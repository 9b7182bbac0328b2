//! Names from others stay harmless: on the page, in the CSV files, and on the terminal.

use std::collections::BTreeMap;

use drawoff_contract::results::{HomeRow, VisitRow};
use drawoff_store::output::read_table;
use drawoff_tests::program::text_of;
use drawoff_tests::small_fleet::SmallFleet;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

const MARKUP: &str = "<script>alert(1)</script><img src=x onerror='a'>\"&";
const FORMULA: &str = "=1+1|'x'!A1";
const CONTROL: &str = "a\u{1b}]0;title\u{7}\u{1b}[2J\u{202e}\nerror: forged";
const PATH: &str = "../../etc/x,\"y\"\r\n";

/// Homes with clear faults, so that all of them are listed.
fn fleet() -> SmallFleet {
    SmallFleet::named(&[
        ("OS-00010", MARKUP),
        ("OS-00027", FORMULA),
        ("OS-00021", CONTROL),
        ("OS-00041", PATH.trim_end()),
    ])
}

/// Whether a terminal would obey a character instead of showing it.
fn steers(c: char) -> bool {
    (c.is_control() && c != '\n') || c == '\u{202e}'
}

#[test]
fn hostile_names_are_kept_in_tables_and_harmless_everywhere_else() {
    let fleet = fleet();
    let ended = fleet.drawoff(DRAWOFF, "run", &[]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(!ended.stdout.contains(steers) && !ended.stderr.contains(steers), "{ended:?}");

    // Tables keep the export's own identifiers, unchanged.
    let homes: Vec<HomeRow> = read_table(&fleet.path("out/homes.parquet")).unwrap();
    let mut names: Vec<&str> = homes.iter().map(|h| h.home.as_str()).collect();
    names.sort_unstable();
    let mut expected = [MARKUP, FORMULA, CONTROL, PATH.trim_end()];
    expected.sort_unstable();
    assert_eq!(names, expected);
    let visits: Vec<VisitRow> = read_table(&fleet.path("out/service_list.parquet")).unwrap();
    assert!(visits.iter().any(|v| v.home == MARKUP), "the element that gives no heat is listed");

    let page = text_of(&fleet.path("out/service_list.html"));
    assert!(!page.contains("<script") && !page.contains("<img") && !page.contains(steers));
    assert!(page.contains("&lt;script&gt;alert(1)"));

    for name in ["service_list.csv", "homes.csv", "findings.csv", "left_off.csv"] {
        let text = text_of(&fleet.path(&format!("out/{name}"))).replace("\r\n", "\n");
        assert!(!text.contains(steers), "{name}");
        assert!(!text.contains(",=") && !text.contains(",\"="), "{name}");
        for line in text.lines() {
            let field = line.trim_start_matches('"');
            assert!(!field.starts_with(['=', '+', '-', '@']), "{name}: {line}");
        }
    }
    let json: serde_json::Value =
        serde_json::from_str(&text_of(&fleet.path("out/service_list.json"))).unwrap();
    let listed: Vec<&str> = json.as_array().unwrap().iter().filter_map(|v| v["home"].as_str()).collect();
    assert!(listed.contains(&MARKUP), "{listed:?}");
}

#[test]
fn nothing_is_written_outside_the_output_folder() {
    let fleet = fleet();
    assert_eq!(fleet.drawoff(DRAWOFF, "run", &[]).code, 0);
    let names: BTreeMap<String, Vec<u8>> = drawoff_tests::program::bytes_of(fleet.dir());
    let inputs = [
        "mapping.toml",
        "pipeline.toml",
        "register.csv",
        "readings/week-1.parquet",
        "readings/week-2.parquet",
    ];
    for name in names.keys() {
        assert!(name.starts_with("out/") || inputs.contains(&name.as_str()), "{name}");
    }
}

#[test]
fn a_hostile_home_that_the_register_lacks_is_named_harmlessly() {
    let fleet = SmallFleet::named(&[("OS-00010", "plain"), ("OS-00021", CONTROL)]);
    let register = text_of(&fleet.path("register.csv"));
    let known: Vec<&str> = register.lines().take(2).collect();
    fleet.write("register.csv", &(known.join("\n") + "\n"));
    for command in ["run", "check"] {
        let ended = fleet.drawoff(DRAWOFF, command, &[]);
        assert_eq!(ended.code, 4, "{}", ended.stderr);
        assert!(!ended.stdout.contains(steers) && !ended.stderr.contains(steers), "{ended:?}");
        assert!(ended.stderr.contains("[U+001B]"), "{}", ended.stderr);
        assert!(!ended.stderr.lines().any(|l| l.starts_with("error: forged")), "{}", ended.stderr);
    }
}
