//! The main job on the sample fleet: same bytes every time, exact accounts, and scores that reach their floors.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use drawoff_tests::accounts::assert_exact;
use drawoff_tests::floors;
use drawoff_tests::program::{Ended, bytes_of, repository, run, text_of};
use tempfile::TempDir;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
const PIPELINE: &str = "pipelines/service-list.toml";
/// Channels that the mapping of the sample fleet names.
const SAMPLE_CHANNELS: i64 = 14;

fn run_into(dir: &Path, threads: &[&str]) -> Ended {
    let out = format!("outputs.dir={}", dir.display());
    let mut arguments = vec!["run", PIPELINE, "--set", &out];
    arguments.extend(threads);
    run(DRAWOFF, &arguments)
}

/// One run that all tests look at.
fn first_run() -> (PathBuf, &'static Ended) {
    static RUN: OnceLock<(TempDir, Ended)> = OnceLock::new();
    let (dir, ended) = RUN.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let ended = run_into(dir.path(), &[]);
        (dir, ended)
    });
    (dir.path().to_owned(), ended)
}

#[test]
fn the_readme_command_ends_with_the_list_and_where_it_lies() {
    let (dir, ended) = first_run();
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let lines: Vec<&str> = ended.stdout.lines().collect();
    assert!(lines[0].starts_with("rank  home"), "{}", ended.stdout);
    assert!(ended.stdout.contains("competent,\nlicensed people under local codes"), "{}", ended.stdout);
    let last = lines.last().unwrap();
    assert!(last.contains(&format!("{}/service_list.html", dir.display())), "{last}");
    let listed = text_of(&dir.join("service_list.csv")).lines().count() - 1;
    assert!(listed > 0, "nobody to visit");
}

#[test]
fn the_same_bytes_again_and_for_any_number_of_threads() {
    let (dir, ended) = first_run();
    let first = bytes_of(&dir);
    assert!(first.contains_key("manifest.json") && first.len() > 15, "{:?}", first.keys());
    for threads in
        [&[][..], &["--threads", "1"], &["--threads", "2"], &["--threads", "4", "--set", "run.memory_mb=1"]]
    {
        let other = tempfile::tempdir().unwrap();
        let again = run_into(other.path(), threads);
        let found = bytes_of(other.path());
        assert_eq!(first.keys().collect::<Vec<_>>(), found.keys().collect::<Vec<_>>());
        for (name, bytes) in &found {
            assert!(first[name] == *bytes, "{name} differs with {threads:?}");
        }
        assert_eq!(again.snapshot(other.path()), ended.snapshot(&dir));
    }
    // A second run into the same folder leaves the same files.
    let again = run_into(&dir, &[]);
    assert_eq!((again.code, bytes_of(&dir) == first), (0, true));
}

#[test]
fn the_manifest_names_no_machine_and_no_time() {
    let manifest = text_of(&first_run().0.join("manifest.json"));
    for place in [repository(), first_run().0] {
        assert!(!manifest.contains(&place.display().to_string()), "{manifest}");
    }
    let manifest: serde_json::Value = serde_json::from_str(&manifest).unwrap();
    let keys: Vec<&String> = manifest.as_object().unwrap().keys().collect();
    assert!(keys.iter().all(|k| !k.contains("time") && !k.contains("host")), "{keys:?}");
}

#[test]
fn accounts_are_exact() {
    assert_exact(&first_run().0, &repository().join("sample-fleet/readings"), "home", SAMPLE_CHANNELS);
}

#[test]
fn scores_reach_their_floors() {
    let dir = first_run().0.display().to_string();
    let ended = run(DRAWOFF, &["score", &dir, "--truth", "sample-fleet/truth", "--json"]);
    assert_eq!((ended.code, ended.stderr.as_str()), (0, ""));
    let score = serde_json::from_str(&ended.stdout).unwrap();
    let missed = floors::missed(&score);
    assert!(missed.is_empty(), "{missed:#?}");
}

#[test]
fn check_finds_nothing_to_mend_and_writes_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("out");
    let ended = run(DRAWOFF, &["check", PIPELINE, "--set", &format!("outputs.dir={}", out.display())]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(ended.stdout.contains("the accounts balance"), "{}", ended.stdout);
    assert!(!ended.stderr.contains("error"), "{}", ended.stderr);
    assert!(!out.exists());
}
