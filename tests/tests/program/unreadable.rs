//! Files and folders that the account may not read are named, and cost no row in silence.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::print_stderr, reason = "a test says what it passed over")]
#![cfg(unix)]

use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::Path;
use std::process::Command;

use drawoff_tests::small_fleet::{FILES, SmallFleet};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
/// An account without rights (`nobody` on most systems).
const NOBODY: &str = "65534";

fn mode(path: &Path, mode: u32) {
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
}

/// Runs the pipeline of the fleet as an account that rights hold for: root reads everything. `None` where that cannot be done.
fn run_as_nobody(fleet: &SmallFleet) -> Option<(i32, String)> {
    let is_root = std::fs::metadata(fleet.dir()).unwrap().uid() == 0;
    let path = |name: &str| fleet.path(name).display().to_string();
    let mut command = if is_root { Command::new("setpriv") } else { Command::new(DRAWOFF) };
    if is_root {
        command.args(["--reuid", NOBODY, "--regid", NOBODY, "--clear-groups", DRAWOFF]);
        mode(fleet.dir(), 0o777);
        mode(&fleet.path("readings"), 0o755);
    }
    let set = [
        format!("inputs.readings={}", path("readings")),
        format!("inputs.register={}", path("register.csv")),
        format!("inputs.mapping={}", path("mapping.toml")),
        format!("outputs.dir={}", path("out")),
        "inputs.tariffs=".to_owned(),
        "inputs.carbon=".to_owned(),
        "inputs.visits=".to_owned(),
    ];
    command.args(["run", &path("pipeline.toml")]);
    for item in &set {
        command.args(["--set", item]);
    }
    let ended = command.current_dir("/").output().ok();
    let ended =
        ended.map(|o| (o.status.code().unwrap_or(-1), String::from_utf8_lossy(&o.stderr).into_owned()));
    // Where the program itself lies out of reach of others, setpriv cannot start it.
    let started = ended.filter(|(code, said)| !is_root || !(*code >= 126 || said.starts_with("setpriv")));
    if started.is_none() {
        eprintln!("passed over: no account without rights can start {DRAWOFF} here");
    }
    started
}

#[test]
fn an_unreadable_file_costs_that_file_and_is_named() {
    let fleet = SmallFleet::new();
    mode(&fleet.path(&format!("readings/{}", FILES[1])), 0o000);
    let Some((code, said)) = run_as_nobody(&fleet) else { return };
    assert_eq!(code, 4, "{said}");
    assert!(said.contains(FILES[1]) && said.contains("no permission"), "{said}");
    assert!(fleet.path("out/service_list.csv").exists());
}

#[test]
fn an_unreadable_folder_is_named_and_nothing_is_taken_for_all() {
    // Not to be listed; to be listed and not to be entered, with a file and with a folder in it.
    for (deep, rights) in [("", 0o000), ("", 0o444), ("deeper/", 0o444)] {
        let fleet = SmallFleet::new();
        std::fs::create_dir_all(fleet.path(&format!("readings/locked/{deep}"))).unwrap();
        let (from, to) = (format!("readings/{}", FILES[1]), format!("readings/locked/{deep}{}", FILES[1]));
        std::fs::rename(fleet.path(&from), fleet.path(&to)).unwrap();
        mode(&fleet.path("readings/locked"), rights);
        let ended = run_as_nobody(&fleet);
        mode(&fleet.path("readings/locked"), 0o755);
        let Some((code, said)) = ended else { return };
        assert!([1, 2, 3, 4].contains(&code), "{deep}{rights:o}: {code} {said}");
        assert!(said.contains("locked") && said.contains("no permission"), "{deep}{rights:o}: {said}");
    }
}
