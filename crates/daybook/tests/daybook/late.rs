//! Rows that come after their day was closed, or after a row of a later time.

use drawoff_contract::{Channel, HomeRows, Mask, Series, Shape};
use drawoff_daybook::{Machine, Notes, Settings, Setup};
use drawoff_synth::FleetPlan;

use crate::made::{Made, made, picked};

fn home() -> Made {
    made(&FleetPlan { seed: 5, days: 4, zone: chrono_tz::UTC, ..FleetPlan::default() }, 1)
}

fn pushed(home: &Made, portions: &[HomeRows]) -> Notes {
    let mut machine = Machine::new(Setup::new(&home.cylinder, Settings::default()).unwrap(), 1);
    for portion in portions {
        machine.push(portion);
    }
    machine.finish()
}

/// All rows but one of day 1 (second day), and that one alone.
fn with_straggler(home: &Made) -> (HomeRows, HomeRows, usize) {
    let first = home.rows.time_ms[0] - home.rows.time_ms[0].rem_euclid(86_400_000);
    let straggler = home.rows.time_ms.partition_point(|&t| t <= first + 86_400_000 + 20 * 3_600_000);
    let rest: Vec<usize> = (0..home.rows.len()).filter(|&i| i != straggler).collect();
    (picked(&home.rows, &rest), picked(&home.rows, &[straggler]), straggler)
}

#[test]
fn a_row_of_a_closed_day_is_masked_late_and_changes_no_note() {
    let home = home();
    let (rest, straggler, _) = with_straggler(&home);
    let without = pushed(&home, std::slice::from_ref(&rest));
    let third_day = rest.time_ms.partition_point(|&t| t <= straggler.time_ms[0] + 8 * 3_600_000);
    let before = picked(&rest, &(0..third_day).collect::<Vec<_>>());
    let after = picked(&rest, &(third_day..rest.len()).collect::<Vec<_>>());
    let late = pushed(&home, &[before, straggler, after]);
    let account = &late.accounts[0];
    assert!(account.is_balanced());
    assert_eq!(account.rows_in, home.rows.len() as u64);
    let late_at = Mask::REASONS.iter().position(|m| *m == Mask::Late).unwrap();
    assert_eq!(account.rows_masked[late_at], 1, "{}", account.by_reason());
    assert!(format!("{:?}", late.draws) == format!("{:?}", without.draws));
    assert!(format!("{:?}", late.spells) == format!("{:?}", without.spells));
}

#[test]
fn a_row_of_the_open_day_is_sorted_back() {
    let home = home();
    let (rest, straggler, at) = with_straggler(&home);
    let whole = pushed(&home, std::slice::from_ref(&home.rows));
    let before = picked(&rest, &(0..at + 6).collect::<Vec<_>>());
    let after = picked(&rest, &(at + 6..rest.len()).collect::<Vec<_>>());
    let late = pushed(&home, &[before, straggler, after]);
    assert_eq!(late.accounts, whole.accounts);
    assert!(format!("{:?}", late.draws) == format!("{:?}", whole.draws));
}

/// A portion whose column is all null is counted by `null_columns`, the same column of another portion by its series.
#[test]
fn a_column_that_is_null_in_one_portion_only_is_counted_once() {
    let home = home();
    let one = |register: Option<f64>, time_ms: i64| {
        let mut rows = HomeRows::new(Shape::Wide);
        rows.time_ms = vec![time_ms];
        rows.file = vec![0];
        let series = |v: f64| Some(Series { value: vec![v], mask: vec![Mask::Used] });
        rows.series[Channel::Probe(0).slot()] = series(50.0);
        match register {
            Some(v) => rows.series[Channel::Register.slot()] = series(v),
            None => rows.null_columns = 1,
        }
        rows
    };
    for portions in
        [[one(Some(5.0), 300_000), one(None, 600_000)], [one(None, 300_000), one(Some(5.0), 600_000)]]
    {
        let account = pushed(&home, &portions).accounts[0].clone();
        assert!(account.is_balanced());
        assert_eq!((account.values_in, account.values_used, account.values_absent), (4, 3, 1));
    }
}
