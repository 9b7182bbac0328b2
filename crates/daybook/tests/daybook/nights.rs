//! A machine that goes on from a kept state, as bytes, gives what one that never stopped gives.

use drawoff_contract::account::Account;
use drawoff_daybook::{Machine, Notes, Settings, Setup, State};
use drawoff_synth::FleetPlan;

use crate::made::{Made, made, notes, picked};

fn machine(home: &Made) -> Machine {
    Machine::new(Setup::new(&home.cylinder, Settings::default()).unwrap(), 1).keeping_states()
}

/// NaN is unequal to itself, so notes are compared as text.
fn text(notes: &Notes) -> String {
    format!("{:?} {:?} {:?}", notes.days, notes.spells, notes.draws)
}

/// The notes after a state, from all rows.
fn after(home: &Made, state: &State) -> Notes {
    let mut machine = machine(home).after(state).unwrap();
    machine.go_on(&home.rows, &|_| false);
    machine.finish()
}

#[test]
fn every_night_goes_on_as_if_there_had_been_none() {
    let plan = FleetPlan { seed: 9, days: 6, start_ms: 1_774_569_600_000, ..FleetPlan::default() };
    for index in 0..4 {
        let home = made(&plan, index);
        let whole = notes(&home.cylinder, &home.rows);
        for night in &whole.days {
            let end_ms = night.day_start_utc.0 + (night.hours * 3_600_000.0) as i64;
            let until = home.rows.time_ms.partition_point(|&t| t <= end_ms);
            let mut first = machine(&home);
            first.push(&picked(&home.rows, &(0..until).collect::<Vec<_>>()));
            let first = first.finish();
            // From the last day, and from the one before.
            for state in &first.states {
                let mut both = first.clone();
                both.days.retain(|d| d.day <= state.day);
                both.spells.retain(|s| s.day <= state.day);
                both.draws.retain(|d| d.day <= state.day);
                let rest = after(&home, state);
                both.days.extend(rest.days);
                both.spells.extend(rest.spells);
                both.draws.extend(rest.draws);
                assert!(text(&both) == text(&whole), "home {index}, after {:?}", state.day);
            }
        }
    }
}

#[test]
fn accounts_by_day_sum_to_those_of_the_whole() {
    let plan = FleetPlan { seed: 9, days: 6, ..FleetPlan::default() };
    let home = made(&plan, 2);
    let mut one = machine(&home);
    one.push(&home.rows);
    let kept = one.finish();
    let mut sum = Account::default();
    kept.by_day.iter().for_each(|day| sum.add(&day.account));
    assert_eq!(sum, notes(&home.cylinder, &home.rows).accounts[0]);
    assert_eq!(kept.by_day.len(), kept.days.len());
}

#[test]
fn bytes_of_another_version_are_refused() {
    let plan = FleetPlan { seed: 9, days: 2, ..FleetPlan::default() };
    let home = made(&plan, 0);
    let mut one = machine(&home);
    one.push(&home.rows);
    let mut state = one.finish().states.pop().unwrap();
    state.bytes.pop();
    assert!(machine(&home).after(&state).is_none());
    state.bytes.extend([0, 0]);
    assert!(machine(&home).after(&state).is_none());
}
