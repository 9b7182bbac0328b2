//! Draw-offs show when people are at home: results can be kept from others, and errors carry no notes of visits.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![cfg(unix)]

use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use drawoff_tests::small_fleet::SmallFleet;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

/// Everything below a folder that someone else could read.
fn open_to_others(path: &Path, found: &mut Vec<String>) {
    let metadata = std::fs::metadata(path).unwrap();
    if metadata.permissions().mode() & 0o077 != 0 {
        found.push(path.display().to_string());
    }
    if metadata.is_dir() {
        std::fs::read_dir(path).unwrap().for_each(|e| open_to_others(&e.unwrap().path(), found));
    }
}

#[test]
fn results_are_for_their_owner_alone_where_that_is_asked_for() {
    let fleet = SmallFleet::new();
    let keep = format!("daybook.keep={}", fleet.path("kept").display());
    // Twice: the second night writes beside what the first one kept.
    for _ in 0..2 {
        let ended = fleet.drawoff(DRAWOFF, "run", &["outputs.owner_only=true", &keep]);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
    }
    let mut open = Vec::new();
    for folder in ["out", "kept"] {
        open_to_others(&fleet.path(folder), &mut open);
    }
    // Locks hold nothing, and lie in a folder that nobody else can enter.
    open.retain(|path| !path.ends_with(".lock"));
    assert_eq!(open, Vec::<String>::new());
}

#[test]
fn notes_of_visits_stand_in_no_error() {
    let fleet = SmallFleet::new();
    let secret = "key under the blue pot";
    let log = format!(
        "home,date,finding,parts,minutes\nOS-00001,2026-03-40,other,{secret},20\nOS-00002,2026-03-02,{secret},element,soon\n\
         OS-00003,2026-03-03,nothing_found,{secret},-{secret}\n"
    );
    fleet.write("visits.csv", &log.replace(&format!("2026-03-02,{secret}"), "2026-03-02,other"));
    let visits = format!("inputs.visits={}", fleet.path("visits.csv").display());
    let ended = fleet.drawoff(DRAWOFF, "run", &[&visits]);
    assert_eq!(ended.code, 4, "{}", ended.stderr);
    assert!(ended.stderr.contains("visits.csv line 2"), "{}", ended.stderr);
    // The cell that cannot be read may be shown, the parts beside it never.
    let parts = ended.stderr.lines().filter(|l| l.contains(secret) && !l.contains("line 4"));
    assert_eq!(parts.collect::<Vec<_>>(), Vec::<&str>::new());
}
