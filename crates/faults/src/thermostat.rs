//! Thermostat cuts out too hot or too cold.

use drawoff_contract::daybook::{DayNote, SpellNote};
use drawoff_contract::local::minute_of_day;
use drawoff_contract::{Fault, HeatSource};
use drawoff_homes::robust::{median, quantile, step};

use crate::assessment::Assessment;
use crate::context::{Context, KWH_PER_YEAR_PER_W};
use crate::elements::hottest;
use crate::evidence::sequence;

/// Over the set point by this much: more than probe calibration, resolution and overshoot together.
const HOT_K: f64 = 3.0;
/// The same where the hottest water is not what the thermostat feels: a pump returns it hotter at the top, a coil leaves
/// an old top above the water that it heats.
const HOT_APART_K: f64 = 7.0;
/// Rise against the home's own past that tells the same, and the least over the set point with it, K: whoever turns the
/// set point up has the register's as well.
const HOTTER_K: f64 = 4.0;
const HOTTER_FROM_K: f64 = 6.5;
/// Under the set point by this much.
const COLD_K: f64 = 5.5;

/// Limit of a hot cut-out over the set point, K.
fn hot_k(ctx: &Context<'_>) -> f64 {
    if ctx.cylinder.heat_source == HeatSource::Element { HOT_K } else { HOT_APART_K }
}
/// Stops this close together are made by a thermostat; a timer or a lack of surplus scatters them.
const CLUSTER_K: f64 = 1.6;
/// Days looked back over for the present state: part-tank heating reaches the set point once a week.
const RECENT_DAYS: usize = 10;
/// The same for homes that usually reach the set point every day or two.
const OFTEN_DAYS: usize = 5;

const STATISTIC: &str = "stop temperature against the set point, K";

/// Highest temperature of each day over the set point; NaN without heating.
fn over_k(ctx: &Context<'_>, set: f64, highest: impl Fn(&DayNote) -> f64) -> Vec<f64> {
    let mut warmed: Vec<bool> = vec![false; ctx.days.len()];
    for spell in ctx.spells.iter().filter(|s| s.kind == "heat" && s.rise_k.is_some_and(|r| r > 1.0)) {
        if let Some(day) = warmed.get_mut(ctx.day_index(spell.end.0)) {
            *day = true;
        }
    }
    ctx.days
        .iter()
        .zip(warmed)
        .map(|(d, warmed)| {
            let heated = d.heater_kwh.map_or(warmed, |e| e > 0.2);
            if heated { highest(d) - set } else { f64::NAN }
        })
        .collect()
}

/// Heat from a boiler has no meter: its heats show by the rise alone.
fn no_meter(ctx: &Context<'_>) -> bool {
    ctx.cylinder.heat_source != HeatSource::Coil && ctx.days.iter().all(|d| d.heater_kwh.is_none())
}

/// Highest reading of any probe in a day, degC.
fn peak(day: &DayNote) -> f64 {
    day.probe_max_degc.iter().copied().filter(|v| !v.is_nan()).fold(f32::NAN, f32::max).into()
}

/// Heating stops well above the set point.
#[must_use]
pub fn thermostat_hot(ctx: &Context<'_>) -> Assessment {
    let fault = Fault::ThermostatHot;
    let Some(set) = ctx.cylinder.set_point_degc else {
        return Assessment::not_assessed(fault, STATISTIC, "set point");
    };
    if no_meter(ctx) {
        return Assessment::not_assessed(fault, STATISTIC, "heater power or energy register");
    }
    let over = over_k(ctx, set, hottest);
    let recent: Vec<f64> = over[ctx.last_days(5)].iter().copied().filter(|v| !v.is_nan()).collect();
    if recent.len() < 2 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 2 of the last 5 days with heating");
    }
    let now = median(&recent);
    let change = step(&over, 3, 0.5).filter(|s| s.after - s.before > 3.0);
    let limit = hot_k(ctx);
    let hotter = change.filter(|s| now - s.before >= HOTTER_K && now > HOTTER_FROM_K);
    // Where the set point says little, the home's own past says more.
    let effect = if hotter.is_some() { now.max(limit) } else { now };
    let mut found = Assessment::judged(fault, STATISTIC, effect, limit, 2.0);
    found.days = recent.len();
    if found.is_fault() {
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for =
            format!("Heating now stops {now:.0} K above the set point of {set:.0} degC, day after day.");
        found = found.with_energy(ctx.reading.balance_w_per_k * now * KWH_PER_YEAR_PER_W, 0.25);
    } else {
        found.evidence_against =
            format!("The hottest water of a heated day is {now:+.1} K against the set point.");
    }
    let sound = hotter.map_or(limit - HOT_K, |s| s.before.min(limit - 1.0));
    found.with_windows(&sequence(&over, sound, limit.min(sound + HOTTER_K), 0.8), |i| ctx.day_start(i))
}

/// Heating stops well below the set point, time after time, and never gets beyond.
#[must_use]
pub fn thermostat_cold(ctx: &Context<'_>) -> Assessment {
    let fault = Fault::ThermostatCold;
    let Some(set) = ctx.cylinder.set_point_degc else {
        return Assessment::not_assessed(fault, STATISTIC, "set point");
    };
    if no_meter(ctx) {
        return Assessment::not_assessed(fault, STATISTIC, "heater power or energy register");
    }
    let over = over_k(ctx, set, peak);
    let window = if reaches_set_often(&over) { OFTEN_DAYS } else { RECENT_DAYS };
    let recent: Vec<usize> = ctx.last_days(window).filter(|&i| !over[i].is_nan()).collect();
    if recent.len() < 4 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 4 of the last days with heating");
    }
    let best = recent.iter().map(|&i| over[i]).fold(f64::NEG_INFINITY, f64::max);
    // A thermostat stops at one temperature: on several days the water must have come up to the same best.
    let at_best: Vec<usize> = recent.iter().copied().filter(|&i| over[i] > best - CLUSTER_K).collect();
    let clock = ends_by_the_clock(ctx, &at_best);
    let change = step(&over, 3, 0.5).filter(|s| s.before - s.after > 3.0);
    // A surplus diverter has a lower level of its own for days without sun: there only a change tells.
    let by_design = modulates(ctx) && change.is_none_or(|s| s.before - s.after < COLD_K);
    let made_by_thermostat = at_best.len() >= 3 && !clock && !by_design;
    let under = -best;
    let effect = if made_by_thermostat { under } else { under.min(COLD_K - 2.0) };
    let mut found = Assessment::judged(fault, STATISTIC, effect, COLD_K, 2.0);
    found.days = at_best.len();
    found.windows = at_best.len();
    if found.is_fault() {
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for = format!(
            "Heating stops at about {:.0} degC, {under:.0} K below the set point of {set:.0} degC, and never got beyond it in {} days; no timer ends it.",
            set + best,
            recent.len()
        );
    } else {
        found.evidence_against = if under < COLD_K {
            format!("The hottest water of the last days came to {best:+.1} K of the set point.")
        } else if clock {
            "A timer ends the heating before the set point is reached.".to_owned()
        } else {
            "The temperatures at which heating stops scatter: a timer, a lack of surplus or heavy use keeps them low.".to_owned()
        };
    }
    found
}

/// Whether the set point was reached on every other day or oftener, up to the last time that it was.
fn reaches_set_often(over: &[f64]) -> bool {
    let reached: Vec<usize> = (0..over.len()).filter(|&i| over[i] > -2.0).collect();
    match (reached.first(), reached.last()) {
        (Some(first), Some(last)) => reached.len() >= 5 && (last - first) <= 2 * reached.len(),
        _ => false,
    }
}

/// Whether heating power wanders below the rating, as that of a surplus diverter does.
pub(crate) fn modulates(ctx: &Context<'_>) -> bool {
    let shares: Vec<f64> = ctx
        .spells
        .iter()
        .filter(|s| s.kind == "heat")
        .filter_map(|s| {
            let rated = ctx.cylinder.elements.iter().find(|e| Some(i64::from(e.index)) == s.element)?.rated_w;
            Some(s.power_w? / rated)
        })
        .collect();
    let low = shares.iter().filter(|s| **s < 0.4).count();
    low * 10 > shares.len()
}

/// Ends this close to each other in the local day are made by a timer, minutes.
const CLOCK_MIN: f64 = 12.0;

/// Whether the hottest heats of these days end at one time of day: then the timer ends them, not the thermostat.
fn ends_by_the_clock(ctx: &Context<'_>, days: &[usize]) -> bool {
    let heats = ctx.heats();
    let stop =
        |s: &SpellNote| s.slope_or_stop.iter().copied().filter(|v| !v.is_nan()).fold(f32::MIN, f32::max);
    let ends: Vec<f64> = days
        .iter()
        .filter_map(|&i| {
            let of_day = heats.iter().filter(|s| ctx.day_index(s.end.0) == i);
            let hottest = of_day.max_by(|a, b| stop(a).total_cmp(&stop(b)))?;
            Some(f64::from(minute_of_day(ctx.cylinder.zone, hottest.end.0)))
        })
        .collect();
    ends.len() >= 3 && quantile(&ends, 0.8) - quantile(&ends, 0.2) <= CLOCK_MIN
}
