//! Malformed text exports and registers: a clear error with file and place, or a counted rejection, never a wrong number.
#![expect(clippy::unwrap_used, clippy::panic, reason = "the helpers of tests are tests too")]
#![expect(clippy::disallowed_methods, reason = "tests make broken files, which the store would not write")]

use drawoff_tests::program::{Ended, run};
use tempfile::TempDir;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

const MAPPING: &str = r#"
[readings]
shape = "wide"
home = "home"
time = { column = "time", format = "iso", zone = "Europe/Dublin" }
stamp = "end"
value = "mean"
channels = [{ column = "top", channel = "probe_1", unit = "degC" }]
SEPARATOR
[register]
home = "home"
default_zone = "Europe/Dublin"
volume = { column = "litres", unit = "l" }
probe_heights = { column = "heights", unit = "fraction", list_separator = "|", order = "top_first" }
"#;
const REGISTER: &[u8] = b"home,litres,heights\nA,150,0.9\nB,150,0.9\n";

/// `check` on one export of the given bytes.
fn check(export: &[u8], register: &[u8], of_text: &str) -> (Ended, TempDir) {
    let dir = tempfile::tempdir().unwrap();
    let path = |name: &str| dir.path().join(name).display().to_string();
    std::fs::write(path("export.csv"), export).unwrap();
    std::fs::write(path("register.csv"), register).unwrap();
    std::fs::write(path("mapping.toml"), MAPPING.replace("SEPARATOR", of_text)).unwrap();
    let set = |key: &str, value: &str| format!("inputs.{key}={value}");
    let mut arguments = vec!["check".to_owned(), "pipelines/service-list.toml".to_owned()];
    for item in [
        set("readings", &path("export.csv")),
        set("register", &path("register.csv")),
        set("mapping", &path("mapping.toml")),
        set("carbon", ""),
        set("visits", ""),
    ] {
        arguments.extend(["--set".to_owned(), item]);
    }
    let ended = run(DRAWOFF, &arguments.iter().map(String::as_str).collect::<Vec<_>>());
    assert!([0, 2, 3, 4].contains(&ended.code), "{ended:?}");
    assert!(!ended.stderr.contains("panicked"), "{ended:?}");
    (ended, dir)
}

/// The line of the account of all files.
fn account(ended: &Ended) -> &str {
    ended.stdout.lines().find(|l| l.starts_with("all: ")).unwrap_or_else(|| panic!("{ended:?}"))
}

#[test]
fn marks_quotes_and_line_ends_change_nothing() {
    let plain = "home,time,top\nA,2026-03-01T00:05,60.5\nB,2026-03-01T00:05,61.5\n";
    let quoted = plain.replace("home,time,top", "\"home\",\"time\",\"top\"").replace("A,", "\"A\",");
    let marked = format!("\u{feff}{quoted}");
    let crlf = marked.replace('\n', "\r\n");
    for text in [plain.to_owned(), quoted, marked, crlf] {
        let (ended, _dir) = check(text.as_bytes(), REGISTER, "");
        assert_eq!(
            account(&ended),
            "all: 2 rows in = 2 used + 0 masked + 0 rejected; the accounts balance",
            "{text:?}"
        );
        assert_eq!((ended.code, ended.stderr.lines().count()), (0, 1), "{text:?}: {ended:?}");
    }
}

#[test]
fn semicolons_and_decimal_commas() {
    let text = "home;time;top\nA;2026-03-01T00:05;60,5\nB;2026-03-01T00:05;61,5\n";
    let (ended, _dir) = check(text.as_bytes(), REGISTER, "separator = \";\"\ndecimal = \",\"");
    assert_eq!(account(&ended), "all: 2 rows in = 2 used + 0 masked + 0 rejected; the accounts balance");
    let (ended, _dir) = check(text.as_bytes(), REGISTER, "");
    assert_eq!(ended.code, 3);
    assert!(ended.stderr.contains("check `separator` in the mapping"), "{}", ended.stderr);
    // With the wrong decimal sign no value is taken for another number.
    let (ended, _dir) = check(text.as_bytes(), REGISTER, "separator = \";\"");
    assert_eq!(account(&ended), "all: 2 rows in = 0 used + 2 masked + 0 rejected; the accounts balance");
    assert!(
        ended.stderr.contains("2 of 2 values lie outside what their quantity can be"),
        "{}",
        ended.stderr
    );
}

#[test]
fn absurd_times_and_values_are_counted() {
    let text = "home,time,top\nA,0001-01-01T00:00,60\nA,9999-12-31T23:59Z,60\nA,2026-02-30T00:00,60\nA,,60\n\
         A,2026-03-29T01:30,60\n,2026-03-01T00:00,60\nC,2026-03-01T00:00,60\n\
         A,2026-03-01T00:05,NaN\nA,2026-03-01T00:10,inf\nA,2026-03-01T00:15,-1e308\nA,2026-03-01T00:20,1e999\nA,2026-03-01T00:25,60\n";
    let (ended, _dir) = check(text.as_bytes(), REGISTER, "");
    // Rejected: two absurd, one no day, one empty, one skipped by the change of hour, one without a home, one of an unknown home.
    // And one that holds no value at all. Masked: three beyond what a probe can be.
    assert_eq!(account(&ended), "all: 12 rows in = 1 used + 3 masked + 8 rejected; the accounts balance");
    for words in [
        "2 rows have a time before 1990 or after 2100",
        "3 rows have no time",
        "1 rows name no home",
        "does not list `C`",
    ] {
        assert!(ended.stderr.contains(words), "{words}: {}", ended.stderr);
    }
}

#[test]
fn a_file_that_is_no_table_costs_itself_and_names_the_place() {
    for (text, words) in [
        (&b""[..], "export.csv: the file is empty"),
        (b"home,time,top\nA,2026-03-01T00:05\n", "export.csv, line 2: cannot be read"),
        (
            b"home,time,top\nA,2026-03-01T00:05,60\nA\xf6,2026-03-01T00:10,60\n",
            "export.csv, line 3: cannot be read",
        ),
        (b"\xff\xfeh\0o\0m\0e\0,\0", "export.csv, header: cannot be read"),
        (
            b"home,time,top,top\nA,2026-03-01T00:05,60,61\n",
            "export.csv, column `top`: the file has several columns of this name",
        ),
        (b"home,time,top\n", "no row belongs to a home of the register"),
        (b"home,time,top\n\0\0\0\0\n", "export.csv, line 2"),
    ] {
        let (ended, dir) = check(text, REGISTER, "");
        let said = ended.stderr.replace(&format!("{}/", dir.path().display()), "");
        assert_eq!(ended.code, 3, "{words}: {ended:?}");
        assert!(said.contains(words), "{words}: {said}");
    }
}

#[test]
fn registers_that_are_no_registers() {
    let export = b"home,time,top\nA,2026-03-01T00:05,60\n";
    for (register, code, words) in [
        (&b""[..], 2, "register.csv: "),
        (b"home,litres,heights\n", 3, "register.csv: no home could be read"),
        (b"home,litres,heights\nA,1e999,0.9\n", 4, "register.csv line 2: column `litres`"),
        (b"home,litres,heights\nA,-150,0.9\n", 4, "register.csv line 2: column `litres`"),
        (b"home,litres,heights\nA,150,0.9|nan\n", 4, "register.csv line 2: column `heights`"),
        (b"home,litres,heights\nA,150,0.9|0.9\n", 4, "register.csv line 2: column `heights`"),
        (b"home,litres,heights\nA\xff,150,0.9\n", 2, "register.csv: is no UTF-8 text"),
        (b"home,litres,litres,heights\nA,150,160,0.9\n", 2, "register.csv: "),
        (b"\xef\xbb\xbfhome,litres,heights\r\nA,150,0.9\r\n", 0, ""),
    ] {
        let (ended, dir) = check(export, register, "");
        let said = ended.stderr.replace(&format!("{}/", dir.path().display()), "");
        assert_eq!(ended.code, code, "{words}: {ended:?}");
        assert!(said.contains(words), "{words}: {said}");
    }
}
