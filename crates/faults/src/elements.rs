//! Failed element, element at part power, heater stuck on.

use drawoff_contract::Fault;
use drawoff_contract::daybook::DayNote;
use drawoff_homes::robust::step;

use crate::assessment::Assessment;
use crate::context::{Context, KWH_PER_YEAR_PER_W};

/// A day says something of an element when it is called this long.
const LEAST_CALL_H: f64 = 0.2;
/// Share of called hours without power that makes a dead day.
const DEAD_SHARE: f64 = 0.8;
/// Called hours without power, on days that have no other, that make a dead element.
const DEAD_HOURS: f64 = 0.75;
/// Days with a call in a row without power.
const LEAST_DEAD_DAYS: usize = 2;
/// Lowest power of a healthy element over its rating: 216.2 V at a 240 V rating and a tolerance of -10 %
/// (statutory supply range 216.2 to 253 V; the tolerance is common practice), less 5 % for the meter.
const HEALTHY_SHARE: f64 = 0.68;

/// Days with power looked back over for the present ceiling.
const RECENT_ON_DAYS: usize = 6;
/// One of three equal elements in parallel: below it, power is being modulated, not lost.
const LEAST_PART_SHARE: f64 = 0.3;

fn hours(list: &[f32], element: usize) -> f64 {
    list.get(element).map_or(f64::NAN, |v| f64::from(*v))
}

/// Relay calls, element takes nothing.
#[must_use]
pub fn element_open(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "called hours without power on the last days with a call, h";
    let fault = Fault::ElementOpen;
    let has = |pick: &dyn Fn(usize) -> f64| (0..ctx.days.len()).any(|i| !pick(i).is_nan());
    let mut best: Option<Assessment> = None;
    let mut any = false;
    for element in &ctx.cylinder.elements {
        let e = usize::from(element.index);
        if !has(&|i| hours(&ctx.days[i].element_dead_hours, e)) {
            continue;
        }
        any = true;
        let called: Vec<usize> = (0..ctx.days.len())
            .filter(|&i| hours(&ctx.days[i].element_call_hours, e) >= LEAST_CALL_H)
            .collect();
        if called.is_empty() {
            continue;
        }
        let dead = |i: usize| {
            hours(&ctx.days[i].element_dead_hours, e) / hours(&ctx.days[i].element_call_hours, e)
                >= DEAD_SHARE
        };
        let run = called.iter().rev().take_while(|&&i| dead(i)).count();
        let first = called.len() - run;
        let dead_hours: f64 =
            called[first..].iter().map(|&i| hours(&ctx.days[i].element_dead_hours, e)).sum();
        // Several intervals from end to end, on two days at least: a single call may have met a heater that just stopped,
        // and a switch at the wall is turned off and on again.
        let effect =
            if run >= LEAST_DEAD_DAYS { dead_hours.min(6.0) } else { dead_hours.min(0.9 * DEAD_HOURS) };
        let mut found = Assessment::judged(fault, STATISTIC, effect, DEAD_HOURS, 0.5);
        found.days = run;
        found.windows = run;
        let place = if element.index == 0 { "lower" } else { "upper" };
        if run > 0 {
            // The day before may hold the first dead hours.
            let onset = Some(called[first]).filter(|&i| i > 0).map(|i| ctx.day_start(i));
            found.onset_ms = onset;
            found.evidence_for = format!(
                "The {place} element was called for {dead_hours:.0} h on the last {run} days with a call and took no power."
            );
        } else {
            found.evidence_against = format!("The {place} element takes power whenever it is called.");
        }
        if best.as_ref().is_none_or(|b| found.effect > b.effect) {
            best = Some(found);
        }
    }
    match best {
        Some(found) => found,
        None if any => Assessment::too_little(fault, STATISTIC, "no call"),
        None => Assessment::not_assessed(fault, STATISTIC, "call and power of the element"),
    }
}

/// Takes clearly less than its rating at any permitted voltage.
#[must_use]
pub fn element_half(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "shortfall of full power against the rating";
    let fault = Fault::ElementHalf;
    let mut best: Option<Assessment> = None;
    for element in &ctx.cylinder.elements {
        let e = usize::from(element.index);
        let share: Vec<f64> =
            ctx.days.iter().map(|d| hours(&d.element_full_power_w, e) / element.rated_w).collect();
        let known: Vec<usize> = (0..share.len()).filter(|&i| !share[i].is_nan()).collect();
        if known.len() < 3 {
            continue;
        }
        let recent: Vec<f64> = known.iter().rev().take(RECENT_ON_DAYS).map(|&i| share[i]).collect();
        // Full power is the ceiling that the days keep coming up to: a surplus diverter wanders below it.
        let now = recent.iter().copied().fold(f64::NAN, f64::max);
        let at_ceiling = recent.iter().filter(|v| now - **v < 0.05).count();
        // A dim sun too comes to one height on some days; a diverter's night charge, on full power, would stand out among six.
        let least_at_ceiling = if ctx.is_diverter() { RECENT_ON_DAYS } else { 3 };
        let kept = at_ceiling >= least_at_ceiling && now >= LEAST_PART_SHARE;
        let effect = if kept { 1.0 - now } else { (1.0 - now).min(0.2) };
        let mut found = Assessment::judged(fault, STATISTIC, effect, 1.0 - HEALTHY_SHARE, 0.08);
        found.days = known.len();
        found.windows = at_ceiling;
        if found.is_fault() {
            let change = step(&share, 3, 0.02).filter(|s| s.before - s.after > 0.2);
            found.onset_ms = change.map(|s| ctx.day_start(s.at));
            found.days = change.map_or(known.len(), |s| known.iter().filter(|&&i| i >= s.at).count());
            found.evidence_for = format!(
                "At full call the element takes {:.0} W of its rated {:.0} W, less than any permitted voltage explains.",
                now * element.rated_w,
                element.rated_w
            );
        } else {
            found.evidence_against = format!("Full power is {:.0} % of the rating.", now * 100.0);
        }
        if best.as_ref().is_none_or(|b| found.effect > b.effect) {
            best = Some(found);
        }
    }
    let has_power = ctx.days.iter().any(|d| d.element_on_hours.iter().any(|v| !v.is_nan()));
    match best {
        Some(found) => found,
        None if has_power => Assessment::too_little(fault, STATISTIC, "fewer than 3 days with full power"),
        None => Assessment::not_assessed(fault, STATISTIC, "power of the element, and its rating"),
    }
}

/// Runs uncommanded, or past its thermostat to the high limit.
#[must_use]
pub fn stuck_on(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "hours of full power without a call in a week, over 0.5; or kelvin over the set point, over 16, or over 70 degC, over 4.3";
    let fault = Fault::StuckOn;
    let uncalled: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| {
            let known: Vec<f64> =
                d.element_uncalled_hours.iter().map(|v| f64::from(*v)).filter(|v| !v.is_nan()).collect();
            if known.is_empty() { f64::NAN } else { known.iter().sum() }
        })
        .collect();
    let set_degc = ctx.cylinder.set_point_degc.unwrap_or(f64::NAN);
    let over: Vec<f64> = match ctx.cylinder.set_point_degc {
        Some(set) => ctx.days.iter().map(|d| hottest(d) - set).collect(),
        None => vec![f64::NAN; ctx.days.len()],
    };
    if uncalled.iter().chain(&over).all(|v| v.is_nan()) {
        return Assessment::not_assessed(fault, STATISTIC, "power and call of the element, or a set point");
    }
    let worst = |series: &[f64]| {
        let known: Vec<f64> = series[ctx.last_days(3)].iter().copied().filter(|v| !v.is_nan()).collect();
        known.iter().copied().fold(f64::NAN, f64::max)
    };
    let uncalled_h: f64 = uncalled[ctx.last_days(7)].iter().filter(|v| !v.is_nan()).sum();
    let over_k = worst(&over);
    let by_power = uncalled_h / UNCALLED_H;
    let by_set = if over_k.is_nan() { 0.0 } else { over_k / OVERHEAT_K };
    let by_range = beyond_range_k(ctx, &over) / BEYOND_RANGE_K;
    let by_heat = by_set.max(by_range);
    let mut found = Assessment::judged(fault, STATISTIC, by_power.max(by_heat), 1.0, 0.25);
    if found.is_fault() {
        let beyond = |i: usize| match () {
            () if by_power >= by_heat => uncalled[i] > 0.0,
            () if by_set >= by_range => over[i] >= 0.8 * OVERHEAT_K,
            () => over[i] + set_degc >= HOTTEST_SETTING_DEGC + 0.8 * BEYOND_RANGE_K,
        };
        let days: Vec<usize> = (0..ctx.days.len()).filter(|&i| beyond(i)).collect();
        let first = first_of_run(&days, QUIET_DAYS);
        found.days = days.iter().filter(|&&i| i >= first).count();
        found.onset_ms = (first > 0).then(|| ctx.day_start(first));
        found.evidence_for = if by_power >= by_heat {
            format!(
                "In the last week the heater took full power for {uncalled_h:.1} h while nothing called for heat."
            )
        } else if by_set >= by_range {
            format!(
                "The water reaches {over_k:.0} K over the set point: the heater runs on to its high limit."
            )
        } else {
            format!(
                "The water reaches {:.0} degC, hotter than a thermostat can be set to: the heater runs on to its high limit.",
                set_degc + over_k
            )
        };
        let excess_k = if over_k.is_nan() { 5.0 } else { over_k.max(5.0) };
        let energy = ctx.reading.balance_w_per_k * excess_k * 0.7 * KWH_PER_YEAR_PER_W;
        found = found.with_energy(energy, 0.3);
    } else {
        found.evidence_against = "The heater stops when it is told to.".to_owned();
    }
    found
}

/// A heater that will not stop may still stand still for some days: the thermostat or the season ends its heating.
const QUIET_DAYS: usize = 4;

/// First day of the last run of days, with at most `bridge` quiet days between two of them.
fn first_of_run(days: &[usize], bridge: usize) -> usize {
    let mut first = days.last().copied().unwrap_or(0);
    for &day in days.iter().rev().skip(1) {
        if first - day > bridge + 1 {
            break;
        }
        first = day;
    }
    first
}

/// Hours of full power without a call in a week: a call missed at two stamps in a row is rare, six times it is not chance.
const UNCALLED_H: f64 = 0.5;
/// Over the set point by this much, no thermostat is in charge.
const OVERHEAT_K: f64 = 16.0;

/// Hottest that thermostats of cylinders can be set to, degC (common practice, no source).
const HOTTEST_SETTING_DEGC: f64 = 70.0;
/// Beyond it by this much no setting explains the heat, K. Set while looking: thermostats that open late reach 74 degC in the reference fleets, and
/// the least high limit of `synth`, our own choice, stands at 75; a fleet with others may want another.
const BEYOND_RANGE_K: f64 = 4.3;

/// How far the water gets beyond what a thermostat can be set to, K, on most of the last days: one day may be a hygiene heating.
fn beyond_range_k(ctx: &Context<'_>, over: &[f64]) -> f64 {
    let Some(set) = ctx.cylinder.set_point_degc else { return 0.0 };
    Context::latest_median(&over[ctx.last_days(5)], 5, 2)
        .map_or(0.0, |over| over + set - HOTTEST_SETTING_DEGC)
}

/// Hottest water of a day that a second probe bears out, degC; with fewer than three probes, the hottest reading.
pub(crate) fn hottest(day: &DayNote) -> f64 {
    let mut highs: Vec<f64> =
        day.probe_max_degc.iter().map(|v| f64::from(*v)).filter(|v| !v.is_nan()).collect();
    highs.sort_by(|a, b| b.total_cmp(a));
    // Water that hot reaches more than one probe; a probe that reads off does not take its neighbour along.
    let place = usize::from(highs.len() >= 3);
    highs.get(place).copied().unwrap_or(f64::NAN)
}
