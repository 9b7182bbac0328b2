//! Runs killed at random moments: the last complete run is readable each time, and the next run is as if nothing had been.
//!
//! `DRAWOFF_KILLS=200 cargo test -p drawoff-tests --test program sigkill:: -- --nocapture` kills so many runs of each kind; a few without it.
//! `DRAWOFF_PROGRAM` names another build of the program, such as `target/release/drawoff`.
#![cfg(unix)]
#![expect(clippy::unwrap_used, reason = "what the tests share")]
#![expect(clippy::print_stderr, reason = "what was hit is told")]

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use drawoff_store::output::{settle, verify};
use drawoff_tests::nights::Nights;
use drawoff_tests::program::{bytes_of, repository};

fn program() -> String {
    let built = || env!("CARGO_BIN_EXE_drawoff-under-test").to_owned();
    std::env::var("DRAWOFF_PROGRAM").unwrap_or_else(|_| built())
}

type Files = BTreeMap<String, Vec<u8>>;

fn kills() -> usize {
    std::env::var("DRAWOFF_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(6)
}

/// Even shares of the time that a run takes, in an order without a pattern (a multiplicative walk, so that a failure comes again).
struct Moments(u64);

impl Moments {
    fn next(&mut self, longest: Duration) -> Duration {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        longest.mul_f64((self.0 >> 11) as f64 / (1_u64 << 53) as f64)
    }
}

#[derive(Debug, Default)]
struct Tally {
    killed: usize,
    ended_before: usize,
    left_the_last_run: usize,
    left_the_new_run: usize,
    while_moved_into_place: usize,
}

fn command(nights: &Nights, seed: usize, kept: bool) -> Command {
    let set = |key: &str, name: &str| format!("{key}={}", nights.fleet.path(name).display());
    let mut command = Command::new(program());
    command.args(["run", &nights.fleet.path("pipeline.toml").display().to_string()]);
    let mut all = vec![
        set("inputs.readings", "readings"),
        set("inputs.mapping", "mapping.toml"),
        set("inputs.register", "register.csv"),
        set("outputs.dir", "out"),
        format!("run.seed={seed}"),
        "daybook.compact_after=3".to_owned(),
    ];
    all.extend(kept.then(|| set("daybook.keep", "kept")));
    for item in &all {
        command.args(["--set", item]);
    }
    command.current_dir(repository()).stdout(Stdio::null()).stderr(Stdio::null());
    command
}

fn whole(nights: &Nights, seed: usize, kept: bool) -> Files {
    assert!(command(nights, seed, kept).status().unwrap().success());
    bytes_of(&nights.fleet.path("out"))
}

/// Starts a run and kills it after a while.
fn killed(nights: &Nights, seed: usize, kept: bool, after: Duration, tally: &mut Tally) {
    let mut child = command(nights, seed, kept).spawn().unwrap();
    std::thread::sleep(after);
    child.kill().unwrap();
    let ended = child.wait().unwrap();
    if ended.code().is_some() {
        tally.ended_before += 1;
    } else {
        tally.killed += 1;
        tally.while_moved_into_place += usize::from(nights.fleet.path("out/.decided").exists());
    }
}

/// The run that a reader finds.
fn found(dir: &Path, old: &Files, new: &Files, tally: &mut Tally) {
    settle(dir).unwrap();
    verify(dir).unwrap();
    let left = bytes_of(dir);
    assert!(left == *old || left == *new, "the last complete run is there, whole");
    if left == *new {
        tally.left_the_new_run += 1;
    } else {
        tally.left_the_last_run += 1;
    }
}

#[test]
fn a_run_killed_at_any_moment() {
    let nights = Nights::new(program());
    (0..nights.days.len()).for_each(|day| nights.put(day));
    let runs = [whole(&nights, 1, false), whole(&nights, 2, false)];
    assert_ne!(runs[0], runs[1]);
    let began = Instant::now();
    assert!(whole(&nights, 1, false) == runs[0]);
    let (longest, mut moments, mut tally) = (began.elapsed(), Moments(7), Tally::default());
    for kill in 0..kills() {
        // Folder and runs change places, so that there is always something to replace.
        let (old, new) = (kill % 2, 1 - kill % 2);
        killed(&nights, new + 1, false, moments.next(longest), &mut tally);
        found(&nights.fleet.path("out"), &runs[old], &runs[new], &mut tally);
        assert!(whole(&nights, new + 1, false) == runs[new], "kill {kill}: the next run");
    }
    eprintln!("runs of {} ms: {tally:?}", longest.as_millis());
}

#[test]
fn a_night_killed_at_any_moment() {
    let nights = Nights::new(program());
    let (mut moments, mut tally) = (Moments(11), Tally::default());
    // What a night leaves once so many days are there.
    let mut expected: Vec<Files> = Vec::new();
    let mut longest = Duration::ZERO;
    for day in 0..nights.days.len() {
        nights.put(day);
        let began = Instant::now();
        expected.push(nights.one_run(&[]));
        longest = longest.max(began.elapsed());
    }
    let mut day = nights.days.len();
    for kill in 0..kills() {
        if day == nights.days.len() {
            (0..day).for_each(|day| nights.take(&Nights::name(day)));
            if nights.fleet.path("kept").exists() {
                std::fs::remove_dir_all(nights.fleet.path("kept")).unwrap();
            }
            nights.put(0);
            assert!(whole(&nights, 1, true) == expected[0]);
            day = 1;
        }
        nights.put(day);
        killed(&nights, 1, true, moments.next(longest), &mut tally);
        found(&nights.fleet.path("out"), &expected[day - 1], &expected[day], &mut tally);
        assert!(whole(&nights, 1, true) == expected[day], "kill {kill}: the next night");
        day += 1;
    }
    eprintln!("nights of up to {} ms: {tally:?}", longest.as_millis());
}
