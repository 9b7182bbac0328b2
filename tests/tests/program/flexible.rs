//! The flexible-load job on the sample fleet: same bytes every time, sums that hold together, names kept back, clear errors.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use drawoff_contract::Table;
use drawoff_contract::flexible_tables::{
    BackTestRow, BatteryRow, FlexibleDayRow, FlexibleGroupRow, FlexibleHomeRow, FlexibleRow,
};
use drawoff_store::output::TableGroups;
use drawoff_tests::program::{Ended, bytes_of, repository, run, text_of};
use tempfile::TempDir;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
const PIPELINE: &str = "pipelines/flexible-load.toml";
const FLEXIBLE: [&str; 6] =
    ["flexible_load", "flexible_days", "flexible_homes", "flexible_groups", "virtual_battery", "back_test"];

fn run_into(dir: &Path, more: &[&str]) -> Ended {
    let out = format!("outputs.dir={}", dir.display());
    let mut arguments = vec!["run", PIPELINE, "--set", &out];
    arguments.extend(more);
    run(DRAWOFF, &arguments)
}

/// One run that most tests look at; the days told are two on which the clocks change, and a plain one.
fn first_run() -> (PathBuf, &'static Ended) {
    static RUN: OnceLock<(TempDir, Ended)> = OnceLock::new();
    let (dir, ended) = RUN.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let days = "flexible_load.days=[\"2026-03-29\", \"2026-10-25\", \"2026-12-01\"]";
        let ended = run_into(dir.path(), &["--set", days]);
        (dir, ended)
    });
    (dir.path().to_owned(), ended)
}

fn rows<T: Table>(dir: &Path) -> Vec<T> {
    let path = dir.join(format!("{}.parquet", T::NAME));
    let groups = TableGroups::open(&path).ok();
    (0..100).map_while(|group| groups.as_ref()?.rows::<T>(group).ok()).flatten().collect()
}

#[test]
fn the_command_ends_with_what_can_be_moved_and_a_caution() {
    let (dir, ended) = first_run();
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert!(ended.stdout.contains("homes counted"), "{}", ended.stdout);
    assert!(ended.stdout.contains("hold off, 1 h: firm"), "{}", ended.stdout);
    assert!(ended.stdout.contains("licensed people under local codes"), "{}", ended.stdout);
    let page = text_of(&dir.join("flexible_load.html"));
    assert!(
        page.contains("Before anyone goes out") && !page.contains("href=\"http"),
        "a caution, and no external address"
    );
}

#[test]
fn the_same_bytes_for_any_number_of_threads_and_any_memory() {
    let (dir, _) = first_run();
    let days = "flexible_load.days=[\"2026-03-29\", \"2026-10-25\", \"2026-12-01\"]";
    let first = bytes_of(&dir);
    for more in [&["--threads", "1"][..], &["--threads", "4", "--set", "run.memory_mb=1"]] {
        let other = tempfile::tempdir().unwrap();
        let mut arguments = vec!["--set", days];
        arguments.extend(more);
        assert_eq!(run_into(other.path(), &arguments).code, 0);
        let found = bytes_of(other.path());
        assert_eq!(first.keys().collect::<Vec<_>>(), found.keys().collect::<Vec<_>>());
        for (name, bytes) in &found {
            assert!(first[name] == *bytes, "{name} differs with {more:?}");
        }
    }
}

#[test]
fn every_home_is_counted_or_has_a_reason_and_groups_add_up() {
    let (dir, _) = first_run();
    let homes: Vec<FlexibleHomeRow> = rows(&dir);
    assert_eq!(homes.len(), 46);
    assert!(homes.iter().all(|h| h.counted == h.why_not.is_empty() && h.counted == h.heater_kw.is_some()));
    let groups: Vec<FlexibleGroupRow> = rows(&dir);
    let fleet = groups.iter().find(|g| g.group_by == "fleet").unwrap();
    assert_eq!((fleet.homes, fleet.counted), (46, homes.iter().filter(|h| h.counted).count() as i64));
    for by in ["area", "tariff", "heater"] {
        let of = groups.iter().filter(|g| g.group_by == by);
        assert_eq!(of.clone().map(|g| g.counted).sum::<i64>(), fleet.counted, "{by}");
        let kw: f64 = of.filter_map(|g| g.rated_kw).sum();
        assert!(kw <= fleet.rated_kw.unwrap() + 1e-6, "{by}");
    }
    for group in &groups {
        let not = group.faulty
            + group.silent
            + group.vacant
            + group.not_metered
            + group.no_volume
            + group.too_little_data;
        assert_eq!(group.counted + not, group.homes, "{}", group.group);
        assert_eq!(group.best_firm_kw.is_some(), group.counted >= 10, "{}", group.group);
        assert_eq!(group.rated_kw.is_some(), group.counted >= 10, "{}", group.group);
    }
}

#[test]
fn offers_hold_together() {
    let (dir, _) = first_run();
    let load: Vec<FlexibleRow> = rows(&dir);
    assert!(load.iter().all(|r| r.homes >= 10), "a small group is told");
    let mut moved = 0;
    for r in &load {
        assert!(r.firm_kw <= r.p50_kw + 1e-9 && r.firm_kw >= 0.0, "{r:?}");
        assert!((r.p50_kwh - r.p50_kw * r.duration_h).abs() < 1e-9);
        let shares = r.share_moved + r.share_nothing + r.share_comfort + r.share_sun + r.share_silent;
        assert!((shares - 1.0).abs() < 1e-9, "{r:?}");
        if let (Some(back), Some(loss), Some(left)) = (r.back_share, r.loss_share, r.left_share) {
            moved += 1;
            // energy not taken = recovery + avoided loss + what is still missing and what users lacked; tables of events are in f32
            assert!((back + loss + left - 1.0).abs() < 1e-4 * (1.0 + back.abs() + left.abs()), "{r:?}");
        }
        assert!(r.return_rebound_kw <= r.rebound_kw + 1e-9 || r.direction == "take on", "{r:?}");
    }
    assert!(moved > 500, "{moved}");
    // nobody holds off more than what runs
    for r in load.iter().filter(|r| r.direction == "hold off") {
        assert!(r.p50_kw <= 1.5 * r.baseline_kw + 1.0, "{r:?}");
    }
}

#[test]
fn days_have_46_48_or_50_periods() {
    let (dir, _) = first_run();
    let days: Vec<FlexibleDayRow> = rows(&dir);
    let mut lengths: Vec<i64> = Vec::new();
    for day in days.chunk_by(|a, b| a.day == b.day) {
        lengths.push(day.iter().map(|r| r.period).max().unwrap());
        let starts: Vec<i64> = day.iter().map(|r| r.start.0).collect();
        assert!(starts.windows(2).all(|w| w[1] == w[0] || w[1] == w[0] + 1_800_000));
    }
    assert_eq!(lengths, [46, 50, 48]);
}

#[test]
fn the_back_test_and_the_store_are_judged() {
    let (dir, _) = first_run();
    let tests: Vec<BackTestRow> = rows(&dir);
    assert_eq!(tests.len(), 8);
    for test in &tests {
        assert!(test.periods > 300, "{test:?}");
        // thirty homes over two weeks: far from the bars of a fleet, and as far from nonsense
        assert!((0.02..0.25).contains(&test.broken_share.unwrap()), "{test:?}");
        assert!(test.p50_bias.unwrap().abs() < 0.15, "{test:?}");
        assert!(test.short_share.unwrap() < 0.02, "{test:?}");
    }
    for store in rows::<BatteryRow>(&dir) {
        assert!(store.miss_rate <= 0.05 && store.support_share <= 1.0, "{store:?}");
        assert!(store.start_kwh <= store.capacity_kwh + 1e-9);
    }
}

#[test]
fn for_others_no_home_and_no_area_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let (out, others, key) = (dir.path().join("out"), dir.path().join("others"), dir.path().join("key"));
    drawoff_store::output::export::write_text(&key, "a secret word of some length\n").unwrap();
    let set = [
        format!("outputs.for_others.dir={}", others.display()),
        format!("outputs.for_others.key_file={}", key.display()),
    ];
    assert_eq!(run_into(&out, &["--set", &set[0], "--set", &set[1]]).code, 0);
    let own = rows::<FlexibleHomeRow>(&out);
    let areas = own.iter().map(|h| h.area.clone()).filter(|a| !a.is_empty());
    let names: BTreeSet<String> = own.iter().map(|h| h.home.clone()).chain(areas).collect();
    assert!(names.len() > 46, "the sample fleet has areas");
    let files = bytes_of(&others);
    for table in FLEXIBLE {
        assert!(files.contains_key(&format!("{table}.csv")), "{table}");
    }
    assert!(files.contains_key("flexible_load.html"));
    for (name, bytes) in files {
        assert!(!["quality.parquet", "files.parquet"].contains(&name.as_str()), "{name}");
        let text = String::from_utf8_lossy(&bytes);
        assert!(!names.iter().any(|home| text.contains(home)), "{name} names a home or an area");
        assert!(!text.contains("a secret word"), "{name} tells the key");
    }
    // What is told of groups is what the run says itself.
    let (told, load): (Vec<FlexibleRow>, Vec<FlexibleRow>) = (rows(&others), rows(&out));
    assert_eq!(told.len(), load.len());
    assert!(told.iter().zip(&load).all(|(a, b)| a.firm_kw == b.firm_kw && a.homes == b.homes));
    // The run itself is what it is without others.
    let (plain, _) = first_run();
    assert_eq!(bytes_of(&out)["flexible_homes.csv"], bytes_of(&plain)["flexible_homes.csv"]);
}

#[test]
fn wrong_settings_are_named_all_at_once() {
    let dir = tempfile::tempdir().unwrap();
    let ended = run_into(
        &dir.path().join("out"),
        &["--set", "flexible_load.window_days=2", "--set", "flexible_load.days=[\"29 March\"]"],
    );
    assert_eq!(ended.code, 2);
    assert!(ended.stderr.contains("flexible_load.window_days"), "{}", ended.stderr);
    assert!(ended.stderr.contains("29 March"), "{}", ended.stderr);
    assert!(!dir.path().join("out").exists());
    let unknown = run_into(&dir.path().join("out"), &["--set", "flexible_load.windows=2"]);
    assert_eq!(unknown.code, 2);
    assert!(unknown.stderr.contains("window_days"), "{}", unknown.stderr);
    assert!(repository().join(PIPELINE).exists());
}
