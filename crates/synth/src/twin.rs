//! Twins: the same home and people heated by its own rule and by another one, so that what the rule saves is known.

use drawoff_contract::{ContractError, DailyWindow};

use crate::control::{Heater, Mode};
use crate::design::{Design, design};
use crate::fleet::{HomeData, home_data, period_s, run_for, wanted};
use crate::household::{Demand, Wanted};
use crate::plan::FleetPlan;
use crate::source::Source;
use crate::sums::{Simulated, kwh};
use crate::unusual::Unusual;

const HALF_HOUR_S: i64 = 1800;
/// How much longer than it did a draw may last to give its heat.
const LONGER: f64 = 3.0;

/// Another rule: the whole tank heated from near the base, always or in a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwinRule {
    /// Hours of the timer by the local clock; `None` for always on.
    pub window: Option<DailyWindow>,
    /// Set point, degC.
    pub set_point_degc: f64,
    /// Hysteresis of the thermostat, K.
    pub deadband_k: f64,
    /// Height of the element, volume fraction from the base.
    pub base_height: f64,
}

/// What one of a pair really did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TwinTruth {
    /// Metered energy of each half-hour from the start of the period, Wh.
    pub half_hour_wh: Vec<f64>,
    /// Heat drawn above the cold feed, kWh.
    pub drawn_kwh: f64,
    /// Heat lost to the surroundings, kWh.
    pub lost_kwh: f64,
}

/// A home as it is seen, what it really took, and what its twin under the other rule took.
#[derive(Clone, Debug)]
pub struct Twins {
    /// The home as an estimator sees it.
    pub seen: HomeData,
    /// What it really took.
    pub own: TwinTruth,
    /// What its twin took.
    pub other: TwinTruth,
}

/// Makes home `index` of a plan and its twin; with `own_too`, the home itself is heated by the rule as well, so that nothing is saved.
/// `None` where no element on the mains heats it: a diverter's twin would need the sun as well.
///
/// # Errors
/// Only when the readings do not fit their schema, which would be a mistake in this crate.
pub fn generate_twins(
    plan: &FleetPlan,
    index: u32,
    rule: &TwinRule,
    own_too: bool,
) -> Result<Option<Twins>, ContractError> {
    let home = design(plan, index);
    if home.source != Source::Elements || home.control.mode == Mode::Surplus {
        return Ok(None);
    }
    let ruled = under(&home, rule);
    let home = if own_too { ruled.clone() } else { home };
    let people = wanted(plan, index, &home);
    let own = run_for(plan, index, &home, &people);
    // Equal service: the twin's taps open as often and give the heat that they gave; nobody draws more because there is more.
    let other =
        if own_too { own.clone() } else { run_for(plan, index, &ruled, &same_draws(plan, &people, &own)) };
    Ok(Some(Twins {
        seen: home_data(plan, index, &home, &own)?,
        own: truth(plan, &own),
        other: truth(plan, &other),
    }))
}

/// The draws that were made, each to be made again until it has given its heat; before the period, what people want.
fn same_draws(plan: &FleetPlan, people: &[Demand], own: &Simulated) -> Vec<Demand> {
    let start_s = period_s(plan).start;
    let before = people.iter().filter(|d| d.start_s < start_s).copied();
    let draws = own.draws.iter().filter(|d| d.seconds > 0.0 && d.heat_j > 0.0).map(|d| Demand {
        start_s: d.start_s,
        // Colder water takes longer to give as much.
        seconds: (LONGER * d.seconds).ceil() as i64,
        l_per_min: d.litres / d.seconds * 60.0,
        // No water is too hot to be drawn unmixed.
        mixed_degc: f64::INFINITY,
        gives_up: false,
        wanted: Some(Wanted { heat_j: d.heat_j, useful_degc: f64::NEG_INFINITY }),
    });
    before.chain(draws).collect()
}

fn under(home: &Design, rule: &TwinRule) -> Design {
    let rated_w = home.heaters.iter().map(|h| h.rated_w).fold(0.0, f64::max);
    let mut out = home.clone();
    out.heaters = vec![Heater {
        index: 0,
        rated_w,
        height: rule.base_height,
        thermostat_height: rule.base_height + 0.02,
    }];
    out.control.mode = if rule.window.is_some() { Mode::Programmer } else { Mode::Always };
    out.control.window = rule.window.unwrap_or(out.control.window);
    out.control.boost = None;
    out.control.timer_follows_dst = true;
    out.control.set_point_degc = rule.set_point_degc;
    out.control.deadband_k = rule.deadband_k;
    // What turns a thermostat or a charge belongs to the home's own rule.
    out.unusual = Unusual { hygiene: None, set_point: None, part_charge_degc: None, ..home.unusual.clone() };
    out
}

fn truth(plan: &FleetPlan, run: &Simulated) -> TwinTruth {
    let cadence_s = plan.cadence_s();
    let each = usize::try_from((HALF_HOUR_S / cadence_s).max(1)).unwrap_or(1);
    let wh = |s: &crate::sums::Sample| (s.power_w[0] + s.power_w[1]) * cadence_s as f64 / 3600.0;
    TwinTruth {
        half_hour_wh: run.samples.chunks(each).map(|part| part.iter().map(wh).sum()).collect(),
        drawn_kwh: run.days.iter().map(|d| kwh(d.heat_j.draw)).sum(),
        lost_kwh: run.days.iter().map(|d| kwh(d.loss_j)).sum(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::FaultsLaid;

    const RULE: TwinRule = TwinRule { window: None, set_point_degc: 60.0, deadband_k: 5.0, base_height: 0.1 };

    #[test]
    fn twins_share_their_people_and_a_home_under_the_rule_is_its_own_twin() {
        let plan =
            FleetPlan { seed: 77, homes: 12, days: 4, faults: FaultsLaid::None, ..FleetPlan::default() };
        let mut pairs = 0;
        for index in 0..12 {
            let Some(twins) = generate_twins(&plan, index, &RULE, false).unwrap() else { continue };
            pairs += 1;
            assert_eq!(twins.own.half_hour_wh.len(), 4 * 48);
            let metered: f64 = twins.own.half_hour_wh.iter().sum::<f64>() / 1000.0;
            let days = &twins.seen.truth.days;
            let heat: f64 = days.iter().map(|d| d.kwh_element_main + d.kwh_element_upper).sum();
            assert!((metered - heat).abs() < 0.02 * heat + 0.05, "{index}: {metered} {heat}");
            let same = generate_twins(&plan, index, &RULE, true).unwrap().unwrap();
            assert_eq!(same.own, same.other);
            let (drawn, again) = (twins.own.drawn_kwh, twins.other.drawn_kwh);
            assert!((drawn - again).abs() < 0.01 * drawn + 0.02, "{index}: {drawn} {again}");
        }
        assert!(pairs > 6);
    }
}
