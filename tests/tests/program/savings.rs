//! The savings of the sample fleet: every sum of money and gases is a sum of rows, the same bytes for any number of threads, and what
//! is not covered is not assessed.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::OnceLock;

use drawoff_contract::Money;
use drawoff_contract::savings_tables::{
    SavingFleetRow, SavingHalfHourRow, SavingMonthRow, SavingPartRow, SavingRow, StillOpenRow,
};
use drawoff_store::output::read_table;
use drawoff_tests::program::{Ended, bytes_of, run, text_of};
use tempfile::TempDir;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
const PIPELINE: &str = "pipelines/savings.toml";

fn run_into(dir: &Path, more: &[&str]) -> Ended {
    let out = format!("outputs.dir={}", dir.display());
    let mut arguments = vec!["run", PIPELINE, "--set", &out];
    arguments.extend(more);
    run(DRAWOFF, &arguments)
}

/// One run that the tests look at.
fn first_run() -> (&'static Path, &'static Ended) {
    static RUN: OnceLock<(TempDir, Ended)> = OnceLock::new();
    let (dir, ended) = RUN.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        let ended = run_into(dir.path(), &[]);
        (dir, ended)
    });
    (dir.path(), ended)
}

#[test]
fn money_and_gases_are_sums_of_half_hours_to_the_last_unit() {
    let (dir, ended) = first_run();
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let homes: Vec<SavingRow> = read_table(&dir.join("savings.parquet")).unwrap();
    let rows: Vec<SavingHalfHourRow> = read_table(&dir.join("savings_half_hours.parquet")).unwrap();
    let parts: Vec<SavingPartRow> = read_table(&dir.join("savings_parts.parquet")).unwrap();
    let months: Vec<SavingMonthRow> = read_table(&dir.join("savings_months.parquet")).unwrap();
    // metered, replayed, reference: Wh, millionths, mg
    let mut sums: BTreeMap<&str, [[i64; 3]; 3]> = BTreeMap::new();
    for row in &rows {
        let money = |m: Option<Money>| m.unwrap().0;
        let sum = sums.entry(&row.home).or_default();
        let own = [
            [row.metered_wh, row.replayed_wh, row.reference_wh],
            [money(row.cost_metered), money(row.cost_replayed), money(row.cost_reference)],
            [
                row.carbon_metered_mg.unwrap(),
                row.carbon_replayed_mg.unwrap(),
                row.carbon_reference_mg.unwrap(),
            ],
        ];
        for (sum, own) in sum.iter_mut().flatten().zip(own.iter().flatten()) {
            *sum += own;
        }
    }
    let (mut saved, mut by_month, mut assessed) = (0, 0, 0);
    for home in homes.iter().filter(|h| h.outcome == "assessed") {
        assessed += 1;
        let [wh, cost, gases] = sums[home.home.as_str()];
        assert_eq!(cost, [home.cost_metered, home.cost_replayed, home.cost_reference].map(|m| m.unwrap().0));
        let stated = [home.carbon_metered_mg, home.carbon_replayed_mg, home.carbon_reference_mg];
        assert_eq!(gases, stated.map(Option::unwrap));
        assert_eq!(
            wh.map(|w| w as f64 / 1000.0),
            [home.metered_kwh, home.replayed_kwh, home.reference_kwh].map(Option::unwrap)
        );
        assert_eq!(home.saved.unwrap().0, cost[2] - cost[1]);
        assert_eq!(home.model_error.unwrap().0, cost[0] - cost[1]);
        assert_eq!(home.carbon_saved_mg.unwrap(), gases[2] - gases[1]);
        let own = || parts.iter().filter(|p| p.home == home.home);
        assert_eq!(own().map(|p| p.saved.unwrap().0).sum::<i64>(), home.saved.unwrap().0, "{}", home.home);
        assert_eq!(own().map(|p| p.carbon_mg.unwrap()).sum::<i64>(), home.carbon_saved_mg.unwrap());
        assert_eq!(home.days_in, home.days_masked + home.days_used);
        saved += home.saved.unwrap().0;
    }
    for month in &months {
        by_month += month.cost_reference.unwrap().0 - month.cost_replayed.unwrap().0;
    }
    assert!(assessed > 40, "{assessed}");
    assert_eq!(saved, by_month);
    let fleet: Vec<SavingFleetRow> = read_table(&dir.join("savings_fleet.parquet")).unwrap();
    let stated = fleet.iter().find(|r| r.baseline == "A" && r.statement == "money saved").unwrap();
    assert!((stated.value.unwrap() - saved as f64 / 1e6).abs() < 1e-6);
    // the clocks go forward on 29 March 2026, local day 20,541: 46 half-hours
    let short: Vec<i64> =
        rows.iter().filter(|r| r.home == rows[0].home && r.day.0 == 20_541).map(|r| r.period).collect();
    assert_eq!(short, (1..=46).collect::<Vec<i64>>());
}

#[test]
fn plans_keep_their_service_and_are_no_dearer_than_they_say() {
    let rows: Vec<StillOpenRow> = read_table(&first_run().0.join("savings_still_open.parquet")).unwrap();
    let planned: Vec<&StillOpenRow> = rows.iter().filter(|r| r.outcome == "assessed").collect();
    assert!(planned.len() > 20, "{}", planned.len());
    let clean = rows.iter().filter(|r| r.least_mg.is_some() && r.emitted_mg.is_some()).count();
    assert!(clean > 10, "{clean}");
    for row in planned {
        assert_eq!(row.broken, Some(0), "{}", row.home);
        assert_eq!(row.gap.unwrap().0, row.paid.unwrap().0 - row.cheapest.unwrap().0);
    }
}

#[test]
fn the_same_bytes_for_any_number_of_threads() {
    let (dir, ended) = first_run();
    let other = tempfile::tempdir().unwrap();
    let again = run_into(other.path(), &["--threads", "1", "--set", "run.memory_mb=1"]);
    assert_eq!(again.snapshot(other.path()), ended.snapshot(dir));
    let (first, found) = (bytes_of(dir), bytes_of(other.path()));
    assert_eq!(first.keys().collect::<Vec<_>>(), found.keys().collect::<Vec<_>>());
    for (name, bytes) in &found {
        assert!(first[name] == *bytes, "{name}");
    }
}

#[test]
fn what_a_series_does_not_cover_is_not_assessed_and_a_shift_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let ended = run_into(dir.path(), &["--set", "savings.shift_years=1", "--set", "savings.members=2"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let homes: Vec<SavingRow> = read_table(&dir.path().join("savings.parquet")).unwrap();
    for home in homes.iter().filter(|h| h.outcome == "assessed") {
        assert_eq!((home.carbon_saved_mg, home.carbon_reference_mg), (None, None));
        assert!(home.verdicts.contains("carbon.not_covered"), "{}", home.verdicts);
        assert!(home.verdicts.contains("carbon.shifted_by_364_day_years"), "{}", home.verdicts);
        assert!(home.saved.is_some());
    }
    assert!(ended.stdout.contains("declared shift of the series"), "{}", ended.stdout);
    assert!(text_of(&dir.path().join("savings.html")).contains("years of 364 days"));
}

#[test]
fn what_makes_no_sense_is_named_at_once() {
    let dir = tempfile::tempdir().unwrap();
    let ended = run_into(
        dir.path(),
        &["--set", "savings.reference.system=stove", "--set", "savings.reference.base_height=3.0"],
    );
    assert_ne!(ended.code, 0);
    for part in ["\"stove\" is none of element, boiler_coil, heat_pump, combination", "base_height is 3"] {
        assert!(ended.stderr.contains(part), "{part} is not in {}", ended.stderr);
    }
}

#[test]
fn the_page_has_a_table_beside_every_plot_and_no_address() {
    let page = text_of(&first_run().0.join("savings.html"));
    for part in ["distribution-plot", "parts-plot", "months-plot"] {
        assert!(page.contains(part), "{part}");
    }
    assert!(
        page.matches("<table").count() >= 5
            && !page.contains("http:")
            && !page.contains("https:")
            && !page.contains("<script")
    );
    assert!(page.len() < 500_000, "{}", page.len());
}
