//! How well and how safely the home is served: run-outs, hygiene, scalding. Settled by telephone first; no health claims.

use drawoff_contract::Fault;

use crate::assessment::Assessment;
use crate::context::Context;
use crate::evidence::sequence;

/// Days of the last fourteen on which the water ran out: every other day.
const RUN_OUT_DAYS: f64 = 7.0;
/// Days looked back over.
const RUN_OUT_WINDOW: usize = 14;

/// Days on which the cylinder was followed at all.
fn seen(ctx: &Context<'_>, range: std::ops::Range<usize>) -> Vec<usize> {
    range.filter(|&i| ctx.days[i].instants * 2 > ctx.days[i].instants_expected).collect()
}

/// Whether a probe reads the top of the cylinder.
fn has_top(ctx: &Context<'_>) -> bool {
    ctx.cylinder.probe_heights.first().is_some_and(|h| *h >= 0.6)
        && ctx.days.iter().any(|d| d.probe_mean_degc.first().is_some_and(|v| !v.is_nan()))
}

/// Water leaves below 40 degC again and again.
#[must_use]
pub fn runs_out(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "days of the last 14 on which the water at the top fell below 40 degC in use";
    let fault = Fault::RunsOut;
    if !has_top(ctx) {
        return Assessment::not_assessed(fault, STATISTIC, "probe in the upper part");
    }
    let days = seen(ctx, ctx.last_days(RUN_OUT_WINDOW));
    if days.len() < 7 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 7 of the last 14 days");
    }
    let out = days.iter().filter(|&&i| ctx.days[i].run_outs > 0).count() as f64;
    let series: Vec<f64> = ctx.days.iter().map(|d| f64::from(u8::from(d.run_outs > 0))).collect();
    let shown = sequence(&series, 0.15, 0.5, 0.4);
    let mut found = Assessment::judged(fault, STATISTIC, out, RUN_OUT_DAYS, 3.0);
    found.days = days.len();
    if found.is_fault() {
        found.evidence_for = format!(
            "On {out:.0} of the last {} days the water at the top fell below 40 degC while it was drawn.",
            days.len()
        );
    } else {
        found.evidence_against = format!("It ran out on {out:.0} of the last {} days.", days.len());
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}

/// Minutes at 60 degC that a calorifier should see (HSE HSG274 part 2: the whole contents at 60 degC for an hour).
const HOUR_MIN: f64 = 60.0;
/// Missing minutes from which it is told: a quarter of the hour is within the error of a probe of 1 K.
const MISSING_MIN: f64 = 15.0;
/// Decades by minute at 60 degC, as in `tank::hygiene`.
const MIN_PER_DECADE: f64 = 2.0;
/// A weekly hygiene heating and a day of grace.
const WEEK_DAYS: usize = 8;

/// Missing minutes of the best day of the week that ends with day `i`, at the probe that had most.
fn missing_min(ctx: &Context<'_>, i: usize) -> f64 {
    let from = (i + 1).saturating_sub(WEEK_DAYS);
    let doses = ctx.days[from..=i].iter().flat_map(|d| &d.probe_dose_decades).filter(|v| !v.is_nan());
    let best = doses.fold(f32::NAN, |a, b| a.max(*b));
    (HOUR_MIN - MIN_PER_DECADE * f64::from(best)).max(0.0)
}

/// Nowhere is the water kept hot enough for long enough.
#[must_use]
pub fn hygiene_low(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str =
        "minutes at 60 degC, or their equal, that the best day of the week lacks to an hour";
    let fault = Fault::HygieneLow;
    if !has_top(ctx) {
        return Assessment::not_assessed(fault, STATISTIC, "probe in the upper part");
    }
    let days = seen(ctx, ctx.last_days(WEEK_DAYS));
    // A home that is left cold on purpose is heated again before use: nothing is said of it.
    let heated = days
        .iter()
        .filter(|&&i| {
            let by_spell = ctx.spells.iter().any(|s| s.kind == "heat" && s.day == ctx.days[i].day);
            ctx.days[i].heater_kwh.map_or(by_spell, |kwh| kwh > 0.2)
        })
        .count();
    if days.len() < WEEK_DAYS - 1 || heated < 4 {
        return Assessment::too_little(fault, STATISTIC, "no whole week with heating");
    }
    let series: Vec<f64> = (0..ctx.days.len())
        .map(|i| if i + 1 >= WEEK_DAYS { missing_min(ctx, i) } else { f64::NAN })
        .collect();
    let now = missing_min(ctx, ctx.days.len() - 1);
    let shown = sequence(&series, 0.0, MISSING_MIN, 10.0);
    let mut found = Assessment::judged(fault, STATISTIC, now, MISSING_MIN, 20.0);
    found.days = days.len();
    let growth: Vec<f64> = days
        .iter()
        .filter_map(|&i| {
            let known = ctx.days[i].probe_growth_hours.iter().copied().filter(|v| !v.is_nan());
            known.reduce(f32::max).map(f64::from)
        })
        .collect();
    let growth_h = growth.iter().sum::<f64>() / growth.len().max(1) as f64;
    if found.is_fault() {
        found.evidence_for = format!(
            "On no day of the last week was any layer as hot as an hour at 60 degC would need; some layer stands {growth_h:.0} h a day between 25 and 45 degC. A reason to look, not a finding about health."
        );
    } else {
        found.evidence_against =
            "Within the last week the hottest layer saw at least three quarters of an hour at 60 degC or its equal."
                .to_owned();
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}

/// Days of the last seven with scalding water at the top: a weekly hygiene heating is one, sunny days at a diverter some.
const SCALD_DAYS: f64 = 4.0;
/// Hours that make such a day.
const SCALD_DAY_H: f64 = 0.5;

/// The outlet stands at a temperature that scalds at once.
#[must_use]
pub fn scald_risk(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "days of the last 7 with the top at 67 degC or more for half an hour";
    let fault = Fault::ScaldRisk;
    if !has_top(ctx) {
        return Assessment::not_assessed(fault, STATISTIC, "probe in the upper part");
    }
    let days = seen(ctx, ctx.last_days(7));
    if days.len() < 4 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 4 of the last 7 days");
    }
    let hot = |i: usize| ctx.days[i].scald_hours >= SCALD_DAY_H;
    let count = days.iter().filter(|&&i| hot(i)).count() as f64;
    let series: Vec<f64> = (0..ctx.days.len()).map(|i| f64::from(u8::from(hot(i)))).collect();
    let shown = sequence(&series, 0.1, 0.5, 0.4);
    let mut found = Assessment::judged(fault, STATISTIC, count, SCALD_DAYS, 2.0);
    found.days = days.len();
    if found.is_fault() {
        found.evidence_for = format!(
            "On {count:.0} of the last {} days the water at the top stood at 67 degC or more: without a mixing valve it scalds within two seconds.",
            days.len()
        );
    } else {
        found.evidence_against =
            format!("The top stood at 67 degC or more on {count:.0} of the last {} days.", days.len());
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}
