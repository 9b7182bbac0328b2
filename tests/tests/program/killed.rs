//! A run that fails or is killed at any step of writing leaves the last complete run, and the next run just works.
#![expect(clippy::unwrap_used, clippy::panic, reason = "what the tests share")]

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use drawoff_store::output::{settle, verify};
use drawoff_tests::program::{bytes_of, repository};
use drawoff_tests::small_fleet::SmallFleet;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

/// More steps than a run has.
const MOST_STEPS: u64 = 2_000;

/// One home, in memory or with its rows written aside.
struct Trial {
    fleet: SmallFleet,
    memory_mb: u64,
}

impl Trial {
    fn command(&self, seed: u32, out: &str) -> Command {
        let mut command = Command::new(DRAWOFF);
        let path = |name: &str| self.fleet.path(name).display().to_string();
        command.args(["--threads", "1", "run", &path("pipeline.toml")]);
        for (key, value) in [
            ("inputs.readings", path("readings")),
            ("inputs.mapping", path("mapping.toml")),
            ("inputs.register", path("register.csv")),
            ("outputs.dir", path(out)),
            ("run.seed", seed.to_string()),
            ("run.memory_mb", self.memory_mb.to_string()),
        ] {
            command.args(["--set", &format!("{key}={value}")]);
        }
        command.current_dir(repository()).stdout(Stdio::null()).stderr(Stdio::piped());
        command
    }

    /// Runs to the end and gives every file.
    fn whole(&self, seed: u32, out: &str) -> BTreeMap<String, Vec<u8>> {
        let ended = self.command(seed, out).output().unwrap();
        assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stderr));
        bytes_of(&self.fleet.path(out))
    }
}

/// The run that a reader finds in a folder.
fn found(dir: &Path, what: &str) -> BTreeMap<String, Vec<u8>> {
    settle(dir).unwrap();
    verify(dir).unwrap_or_else(|e| panic!("{what}: {e}"));
    bytes_of(dir)
}

/// Lets every n-th step fail in the way that `variable` says, for n = first, first + every, ... until the run passes.
fn fails_everywhere(trial: &Trial, variable: &str, every: u64) -> u64 {
    let (old, new) = (trial.whole(1, "old"), trial.whole(2, "new"));
    assert_ne!(old, new, "two seeds make two runs");
    let dir = trial.fleet.path("out");
    trial.whole(1, "out");
    for step in (1..MOST_STEPS).step_by(usize::try_from(every).unwrap()) {
        let ended = trial.command(2, "out").env(variable, step.to_string()).output().unwrap();
        let (what, stderr) = (format!("{variable} {step}"), String::from_utf8_lossy(&ended.stderr));
        if ended.status.success() {
            assert_eq!(found(&dir, &what), new);
            return step;
        }
        if variable == "FAIL_AT" {
            assert_eq!(ended.status.code(), Some(1), "{what}: {stderr}");
            assert!(stderr.contains("error: ") && stderr.contains("on purpose"), "{what}: {stderr}");
        }
        let left = found(&dir, &what);
        assert!(left == old || left == new, "{what}: the last complete run is there, whole");
        assert_eq!(trial.whole(1, "out"), old, "{what}: the next run is as if nothing had been");
    }
    panic!("the run never passes");
}

#[test]
fn every_failed_write_leaves_the_last_run() {
    let trial = Trial { fleet: SmallFleet::named(&[("OS-00010", "OS-00010")]), memory_mb: 256 };
    assert!(fails_everywhere(&trial, "FAIL_AT", 3) > 60);
}

#[test]
fn an_end_at_any_step_leaves_the_last_run() {
    let trial = Trial { fleet: SmallFleet::named(&[("OS-00010", "OS-00010")]), memory_mb: 256 };
    assert!(fails_everywhere(&trial, "ABORT_AT", 5) > 60);
}

#[test]
fn rows_written_aside_may_fail_too() {
    let trial = Trial { fleet: SmallFleet::new(), memory_mb: 0 };
    assert!(fails_everywhere(&trial, "FAIL_AT", 11) > 60);
    assert!(!trial.fleet.path("out/.rows-aside").exists());
}

#[cfg(unix)]
#[test]
fn an_interrupt_ends_within_a_second_and_says_so() {
    let trial = Trial { fleet: SmallFleet::new(), memory_mb: 256 };
    let old = trial.whole(1, "out");
    let mut interrupted = 0;
    for wait_ms in [30, 120, 250, 400] {
        let mut child = trial.command(2, "out").spawn().unwrap();
        std::thread::sleep(Duration::from_millis(wait_ms));
        let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
        assert!(sent.success());
        let began = Instant::now();
        let ended = child.wait().unwrap();
        assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
        // One that had ended by itself, or had not begun to listen, is none.
        if ended.code() == Some(130) {
            interrupted += 1;
            assert_eq!(found(&trial.fleet.path("out"), "interrupt"), old);
        }
        assert_eq!(trial.whole(1, "out"), old);
    }
    assert!(interrupted > 0, "no run was interrupted");
}
