//! Habits of whole homes of the generator, against their truth.

#[path = "../../../daybook/tests/daybook/made.rs"]
mod made;

use std::collections::BTreeMap;

use drawoff_contract::Day;
use drawoff_contract::habit_tables::{UNKNOWN, VACANT};
use drawoff_contract::local::day_of;
use drawoff_daybook::Notes;
use drawoff_synth::FleetPlan;
use drawoff_tank::water::Water;

use self::made::{Made, made, notes};
use super::{HabitInput, Habits, read_habits};
use crate::{FleetPriors, HomeNotes, HomeReading, Settings, read_home};

/// Three weeks of homes of the generator.
fn fleet(homes: u32) -> Vec<(Made, Notes)> {
    let plan = FleetPlan { seed: 11, days: 21, zone: chrono_tz::UTC, ..FleetPlan::default() };
    (0..homes)
        .map(|index| {
            let home = made(&plan, index);
            let notes = notes(&home.cylinder, &home.rows);
            (home, notes)
        })
        .collect()
}

fn habits(fleet: &[(Made, Notes)]) -> Habits {
    let views: Vec<HomeNotes<'_>> = fleet
        .iter()
        .map(|(home, n)| HomeNotes {
            cylinder: &home.cylinder,
            days: &n.days,
            spells: &n.spells,
            draws: &n.draws,
        })
        .collect();
    let priors = FleetPriors::new(&views);
    let settings = Settings { water: Water::Iapws, seed: 1 };
    let readings: Vec<HomeReading> = views
        .iter()
        .map(|n| read_home(*n, &priors, &vec![true; n.cylinder.probe_heights.len()], settings))
        .collect();
    let inputs: Vec<HabitInput<'_>> =
        views.iter().zip(&readings).map(|(notes, reading)| HabitInput { notes: *notes, reading }).collect();
    read_habits(&inputs, 1)
}

#[test]
fn empty_days_are_those_without_water() {
    let fleet = fleet(24);
    let found = habits(&fleet);
    let litres: BTreeMap<(&str, Day), f64> = fleet
        .iter()
        .flat_map(|(home, _)| &home.truth.days)
        .map(|d| ((d.id.as_str(), day_of(chrono_tz::UTC, d.date.0)), d.litres_draw))
        .collect();
    let (mut right, mut called, mut vacant) = (0.0, 0.0, 0.0);
    for row in &found.vacancy {
        let Some(litres) = litres.get(&(row.home.as_str(), row.day)) else { continue };
        let (said, is) = (row.state == VACANT, *litres < 0.5);
        assert_eq!(row.probability.is_none(), row.state == UNKNOWN);
        right += f64::from(u8::from(said && is));
        called += f64::from(u8::from(said));
        vacant += f64::from(u8::from(is));
    }
    assert!(vacant >= 10.0, "the fleet has homes that stand empty: {vacant}");
    assert!(2.0 * right / (called + vacant) >= 0.9, "{right} right of {called} called, {vacant} vacant");
}

#[test]
fn silent_probes_are_not_an_empty_home() {
    let mut fleet = fleet(3);
    let home = fleet[0].0.cylinder.home.clone();
    for day in &mut fleet[0].1.days[5..9] {
        day.probe_frozen_hours.fill(24.0);
        day.net_out_kwh_by_half_hour.fill(0.0);
    }
    let found = habits(&fleet);
    let states: Vec<&str> =
        found.vacancy.iter().filter(|v| v.home == home).map(|v| v.state.as_str()).collect();
    assert!(states[5..9].iter().all(|s| *s == UNKNOWN), "{states:?}");
}

#[test]
fn stale_days_are_unknown_wherever_they_lie() {
    use rand::{RngExt, SeedableRng};
    let whole = fleet(3);
    for seed in 0..12 {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut stale = whole.iter().map(|(home, n)| (home.clone(), n.clone())).collect::<Vec<_>>();
        let mut touched = std::collections::BTreeSet::new();
        for (home, notes) in &mut stale {
            for day in &mut notes.days {
                let way = rng.random_range(0..8);
                match way {
                    // All probes repeat themselves for half a day or more, and no heat seems to leave.
                    0 => {
                        day.probe_frozen_hours.fill(rng.random_range(12.0..48.0));
                        day.net_out_kwh_by_half_hour.fill(0.0);
                    }
                    // Nothing came for a third of the day and more.
                    1 => day.net_out_kwh_by_half_hour[..rng.random_range(16..48)].fill(f32::NAN),
                    // Nothing came at all.
                    2 => {
                        day.probe_frozen_hours.clear();
                        day.net_out_kwh_by_half_hour.fill(f32::NAN);
                    }
                    _ => continue,
                }
                touched.insert((home.cylinder.home.clone(), day.day));
            }
            notes.draws.retain(|d| !touched.contains(&(d.home.clone(), d.day)));
        }
        let found = habits(&stale);
        assert!(touched.len() > 5);
        for row in found.vacancy.iter().filter(|v| touched.contains(&(v.home.clone(), v.day))) {
            assert_eq!((row.state.as_str(), row.probability), (UNKNOWN, None), "{} {:?}", row.home, row.day);
        }
    }
}

#[test]
fn a_home_without_a_day_has_no_habits_and_takes_none_from_others() {
    let mut fleet = fleet(3);
    let whole = habits(&fleet);
    assert_eq!(whole.demand.len(), 3 * 3 * 24 * 6);
    assert_eq!(whole.rates.len(), 9);
    assert!(
        whole
            .demand
            .iter()
            .all(|r| r.p50_kwh <= r.p80_kwh && r.p80_kwh <= r.p90_kwh && r.p90_kwh <= r.p95_kwh)
    );
    fleet[1].1 = Notes::default();
    let without = habits(&fleet);
    let home = &fleet[1].0.cylinder.home;
    assert!(without.vacancy.iter().all(|r| r.home != *home));
    assert!(without.demand.iter().all(|r| r.home != *home) && without.rates.iter().all(|r| r.home != *home));
    assert_eq!(without.demand.len(), 2 * 3 * 24 * 6);
    assert_eq!(habits(&[]), Habits::default());
}
