//! The main job on both reference fleets: foreign layouts, exact accounts, and scores that reach their floors.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::path::PathBuf;
use std::sync::OnceLock;

use drawoff_tests::accounts::assert_exact;
use drawoff_tests::program::{Ended, bytes_of, run, run_pipeline};
use drawoff_tests::{floors, shared};
use tempfile::TempDir;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

struct Fleet {
    pipeline: &'static str,
    folder: &'static str,
    readings: &'static str,
    register: &'static str,
    home_column: &'static str,
    /// Mapped channels of a wide row; a long row has one.
    values_per_row: i64,
}

const WIDE: Fleet = Fleet {
    pipeline: "pipelines/reference-wide.toml",
    folder: "reference-fleet/wide",
    readings: "readings",
    register: "assets.csv",
    home_column: "unit_ref",
    values_per_row: 14,
};

const TALL: Fleet = Fleet {
    pipeline: "pipelines/reference-tall.toml",
    folder: "reference-fleet/tall",
    readings: "points",
    register: "register.csv",
    home_column: "gadget",
    values_per_row: 1,
};

struct Ran {
    folder: PathBuf,
    out: TempDir,
    ended: Ended,
}

/// Runs a fleet once for all tests; `None` when the reference material is absent.
fn ran(fleet: &Fleet, once: &'static OnceLock<Option<Ran>>) -> Option<&'static Ran> {
    let run_it = || {
        let folder = shared(fleet.folder)?;
        let out = tempfile::tempdir().unwrap();
        let set = [
            format!("inputs.readings={}", folder.join(fleet.readings).display()),
            format!("inputs.register={}", folder.join(fleet.register).display()),
            format!("outputs.dir={}", out.path().display()),
        ];
        let ended = run_pipeline(DRAWOFF, "run", fleet.pipeline, &set);
        Some(Ran { folder, out, ended })
    };
    once.get_or_init(run_it).as_ref()
}

fn wide() -> Option<&'static Ran> {
    static RAN: OnceLock<Option<Ran>> = OnceLock::new();
    ran(&WIDE, &RAN)
}

fn tall() -> Option<&'static Ran> {
    static RAN: OnceLock<Option<Ran>> = OnceLock::new();
    ran(&TALL, &RAN)
}

fn assert_done(ran: &Ran, fleet: &Fleet) {
    assert_eq!(ran.ended.code, 0, "{}", ran.ended.stderr);
    assert_exact(ran.out.path(), &ran.folder.join(fleet.readings), fleet.home_column, fleet.values_per_row);
}

#[test]
fn accounts_of_the_wide_fleet_are_exact() {
    if let Some(ran) = wide() {
        assert_done(ran, &WIDE);
    }
}

#[test]
fn accounts_of_the_tall_fleet_are_exact() {
    if let Some(ran) = tall() {
        assert_done(ran, &TALL);
    }
}

/// The run on the mapping that `propose` writes, file by file against the run on the one written by hand.
fn assert_proposed_run_is_the_same(ran: &Ran, fleet: &Fleet) {
    let dir = tempfile::tempdir().unwrap();
    let text = |path: PathBuf| path.display().to_string();
    let (readings, register) = (text(ran.folder.join(fleet.readings)), text(ran.folder.join(fleet.register)));
    let (mapping, out) = (text(dir.path().join("proposed.toml")), dir.path().join("out"));
    let proposed = run(DRAWOFF, &["propose", &readings, &register, "--out", &mapping]);
    assert_eq!(proposed.code, 0, "{proposed:?}");
    let set = [
        format!("inputs.readings={readings}"),
        format!("inputs.register={register}"),
        format!("inputs.mapping={mapping}"),
        format!("outputs.dir={}", out.display()),
    ];
    let ended = run_pipeline(DRAWOFF, "run", fleet.pipeline, &set);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let (by_hand, by_proposal) = (bytes_of(ran.out.path()), bytes_of(&out));
    assert!(by_hand.keys().eq(by_proposal.keys()) && by_hand.len() > 20, "{:?}", by_proposal.keys());
    let differ: Vec<&String> =
        by_hand.iter().filter(|(n, b)| by_proposal[*n] != **b).map(|(n, _)| n).collect();
    assert!(differ.is_empty(), "{differ:?}");
}

#[test]
fn the_wide_fleet_is_the_same_on_the_proposed_mapping() {
    if let Some(ran) = wide() {
        assert_proposed_run_is_the_same(ran, &WIDE);
    }
}

#[test]
fn the_tall_fleet_is_the_same_on_the_proposed_mapping() {
    if let Some(ran) = tall() {
        assert_proposed_run_is_the_same(ran, &TALL);
    }
}

#[test]
fn pooled_scores_reach_their_floors() {
    let (Some(wide), Some(tall)) = (wide(), tall()) else { return };
    let text = |path: PathBuf| path.display().to_string();
    let runs = [wide, tall].map(|ran| text(ran.out.path().to_owned()));
    let truths = [wide, tall].map(|ran| text(ran.folder.join("truth")));
    let ended =
        run(DRAWOFF, &["score", &runs[0], &runs[1], "--truth", &truths[0], "--truth", &truths[1], "--json"]);
    assert_eq!((ended.code, ended.stderr.as_str()), (0, ""));
    let missed = floors::missed(&serde_json::from_str(&ended.stdout).unwrap());
    assert!(missed.is_empty(), "{missed:#?}");
}
