//! Thermostat cuts out too hot or too cold.

use drawoff_contract::Fault;
use drawoff_contract::daybook::SpellNote;
use drawoff_contract::local::minute_of_day;
use drawoff_homes::robust::{median, quantile, step};

use crate::assessment::Assessment;
use crate::context::{Context, KWH_PER_YEAR_PER_W};
use crate::elements::hottest;

/// Over the set point by this much: more than probe calibration, resolution and overshoot together.
const HOT_K: f64 = 3.0;
/// Under the set point by this much.
const COLD_K: f64 = 5.5;
/// Stops this close together are made by a thermostat; a timer or a lack of surplus scatters them.
const CLUSTER_K: f64 = 2.2;
/// Days looked back over for the present state.
const RECENT_DAYS: usize = 7;

const STATISTIC: &str = "stop temperature against the set point, K";

/// Highest temperature of each day over the set point; NaN without heating.
fn over_k(ctx: &Context<'_>, set: f64) -> Vec<f64> {
    ctx.days
        .iter()
        .map(|d| {
            let heated = d.heater_kwh.is_some_and(|e| e > 0.2);
            if heated { hottest(ctx, d) - set } else { f64::NAN }
        })
        .collect()
}

/// Heating stops well above the set point.
#[must_use]
pub fn thermostat_hot(ctx: &Context<'_>) -> Assessment {
    let fault = Fault::ThermostatHot;
    let Some(set) = ctx.cylinder.set_point_degc else {
        return Assessment::not_assessed(fault, STATISTIC, "set point");
    };
    let over = over_k(ctx, set);
    let recent: Vec<f64> = over[ctx.last_days(5)].iter().copied().filter(|v| !v.is_nan()).collect();
    if recent.len() < 2 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 2 of the last 5 days with heating");
    }
    let now = median(&recent);
    let mut found = Assessment::judged(fault, STATISTIC, now, HOT_K, 2.0);
    found.days = recent.len();
    if found.is_fault() {
        let change = step(&over, 3, 0.5).filter(|s| s.after - s.before > 3.0);
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for =
            format!("Heating now stops {now:.0} K above the set point of {set:.0} degC, day after day.");
        found = found.with_energy(ctx.reading.balance_w_per_k * now * KWH_PER_YEAR_PER_W, 0.25);
    } else {
        found.evidence_against = format!("The hottest water of a heated day is {now:+.1} K against the set point.");
    }
    found
}

/// Heating stops well below the set point.
#[must_use]
pub fn thermostat_cold(ctx: &Context<'_>) -> Assessment {
    let fault = Fault::ThermostatCold;
    let Some(set) = ctx.cylinder.set_point_degc else {
        return Assessment::not_assessed(fault, STATISTIC, "set point");
    };
    let heats = ctx.heats();
    let stops: Vec<&SpellNote> =
        heats.iter().filter(|s| s.call_ended && !s.to_tomorrow && s.stop_degc.is_some()).collect();
    if stops.len() < 5 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 5 heating spells with a known end");
    }
    // The best that each day reached at the end of a spell.
    let reached: Vec<f64> = (0..ctx.days.len())
        .map(|i| {
            let day = ctx.days[i].day;
            stops
                .iter()
                .filter(|s| s.day == day)
                .filter_map(|s| s.stop_degc)
                .fold(f64::NAN, f64::max)
        })
        .collect();
    let under: Vec<f64> = reached.iter().map(|v| set - v).collect();
    let recent: Vec<usize> =
        ctx.last_days(RECENT_DAYS).filter(|&i| !under[i].is_nan()).collect();
    if recent.len() < 3 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 3 of the last 7 days with heating");
    }
    let values: Vec<f64> = recent.iter().map(|&i| under[i]).collect();
    let now = median(&values);
    let tight = quantile(&values, 0.8) - quantile(&values, 0.2) <= CLUSTER_K && !ends_by_the_clock(ctx, &stops);
    let mut found = Assessment::judged(fault, STATISTIC, if tight { now } else { now.min(COLD_K - 2.0) }, COLD_K, 2.0);
    found.days = recent.len();
    if found.is_fault() {
        let change = step(&under, 3, 0.5).filter(|s| s.after - s.before > 3.0);
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for = format!(
            "Heating stops at about {:.0} degC each time, {now:.0} K below the set point of {set:.0} degC, and nothing else ends it.",
            set - now
        );
    } else {
        found.evidence_against = if tight {
            format!("Heating stops {:+.1} K against the set point.", -now)
        } else {
            "The temperatures at which heating stops scatter: a timer or a lack of surplus ends it.".to_owned()
        };
    }
    found
}

/// Ends this close to each other in the local day are made by a timer, minutes.
const CLOCK_MIN: f64 = 12.0;

/// Whether the last spells of the recent days end at one time of day: then the timer ends them, not the thermostat.
fn ends_by_the_clock(ctx: &Context<'_>, stops: &[&SpellNote]) -> bool {
    let recent = ctx.last_days(RECENT_DAYS);
    let ends: Vec<f64> = recent
        .filter_map(|i| {
            let longest = stops.iter().filter(|s| s.day == ctx.days[i].day).max_by_key(|s| s.end.0 - s.start.0)?;
            Some(f64::from(minute_of_day(ctx.cylinder.zone, longest.end.0)))
        })
        .collect();
    ends.len() >= 3 && quantile(&ends, 0.8) - quantile(&ends, 0.2) <= CLOCK_MIN
}
