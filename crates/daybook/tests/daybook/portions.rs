//! Rows pushed in any portions give the same notes.

use std::sync::OnceLock;

use drawoff_daybook::{Machine, Notes, Settings, Setup};
use drawoff_synth::FleetPlan;
use proptest::prelude::*;

use crate::made::{Made, made, notes, picked};

/// Days around the change of hour of 29 March 2026 in London: a day of 23 h among them.
fn homes() -> &'static [(Made, String)] {
    static HOMES: OnceLock<Vec<(Made, String)>> = OnceLock::new();
    HOMES.get_or_init(|| {
        let plan = FleetPlan { seed: 5, days: 5, start_ms: 1_774_569_600_000, ..FleetPlan::default() };
        (0..6)
            .map(|index| {
                let home = made(&plan, index);
                let whole = text(&notes(&home.cylinder, &home.rows));
                (home, whole)
            })
            .collect()
    })
}

/// NaN is unequal to itself, so notes are compared as text.
fn text(notes: &Notes) -> String {
    format!("{notes:?}")
}

fn in_portions(home: &Made, cuts: &[usize]) -> Notes {
    let mut machine = Machine::new(Setup::new(&home.cylinder, Settings::default()).unwrap(), 1);
    let mut from = 0;
    for &cut in cuts.iter().chain([&home.rows.len()]) {
        machine.push(&picked(&home.rows, &(from..cut.max(from)).collect::<Vec<_>>()));
        // A stop is a copy that goes on later.
        machine = machine.clone();
        from = cut.max(from);
    }
    machine.finish()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_cuts_give_the_same_notes(index in 0_usize..6, shares in prop::collection::vec(0.0_f64..1.0, 0..12)) {
        let (home, whole) = &homes()[index];
        let mut cuts: Vec<usize> = shares.iter().map(|s| (s * home.rows.len() as f64) as usize).collect();
        cuts.sort_unstable();
        prop_assert!(&text(&in_portions(home, &cuts)) == whole);
    }
}

#[test]
fn single_rows_give_the_same_notes() {
    let (home, whole) = &homes()[1];
    let cuts: Vec<usize> = (1..home.rows.len()).collect();
    assert!(&text(&in_portions(home, &cuts)) == whole);
}

#[test]
fn cuts_beside_each_midnight_give_the_same_notes() {
    for (home, whole) in homes() {
        for step in [-1_isize, 0, 1] {
            let midnights = notes(&home.cylinder, &home.rows).days;
            let cuts: Vec<usize> = midnights
                .iter()
                .map(|d| home.rows.time_ms.partition_point(|&t| t <= d.day_start_utc.0))
                .map(|i| i.saturating_add_signed(step).min(home.rows.len()))
                .collect();
            assert!(&text(&in_portions(home, &cuts)) == whole, "{} {step}", home.cylinder.home);
        }
    }
}

#[test]
fn empty_portions_change_nothing() {
    let (home, whole) = &homes()[0];
    assert!(&text(&in_portions(home, &[0, 0, 300, 300, 300])) == whole);
}
