//! Circulating pumps: one that moves no water, one that will not stop.

use drawoff_contract::{Fault, HeatSource};

use crate::assessment::Assessment;
use crate::context::Context;
use crate::evidence::sequence;
use crate::mixing;

/// Share of its rated heat below which a source that is called all the time is not passing it on. A heat pump at its coldest and an element at
/// the lowest permitted voltage give over two thirds (common practice, no source), but short heats that end on a limit of
/// their own, and draw-offs that went unseen, brought sound homes down to a quarter.
const DELIVERED_SHARE: f64 = 0.2;
/// What a sound source delivers of its rated heat.
const USUAL_SHARE: f64 = 0.85;
/// Called hours without a draw-off that make a day count.
const LEAST_CALLED_H: f64 = 0.3;
/// Hours with power that a heater must have had; a chamber that boils trips and comes back in short bursts.
const LEAST_ON_H: f64 = 0.05;
/// Days with a call that must be known.
const LEAST_DAYS: usize = 3;
/// Hours a day of a pump on its own beyond overrun and exercise.
const PUMP_ALONE_H: f64 = 1.0;

/// Rated heat of the source, W.
fn rated_w(ctx: &Context<'_>) -> Option<f64> {
    let first = ctx.cylinder.elements.iter().find(|e| e.index == 0).map(|e| e.rated_w);
    match ctx.cylinder.heat_source {
        HeatSource::TopPump => first.or(ctx.cylinder.source_rated_w),
        _ => ctx.cylinder.source_rated_w.or(first),
    }
}

/// Source that a pump serves and whose rating is what should arrive: a boiler gives a coil no more than the coil passes.
fn is_pumped(ctx: &Context<'_>) -> bool {
    matches!(ctx.cylinder.heat_source, HeatSource::TopPump | HeatSource::HeatPump)
}

/// The source is called, and its heat does not arrive.
#[must_use]
pub fn pump_failed(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "share of the rated heat that does not arrive while called";
    let fault = Fault::PumpFailed;
    if !is_pumped(ctx) {
        return Assessment::not_assessed(
            fault,
            STATISTIC,
            "source of heat with a pump and a rating of its own",
        );
    }
    let Some(rated) = rated_w(ctx) else {
        return Assessment::not_assessed(fault, STATISTIC, "rated heat of the source");
    };
    if ctx.days.iter().all(|d| d.element_call_hours.iter().all(|v| v.is_nan())) {
        return Assessment::not_assessed(fault, STATISTIC, "call of the source");
    }
    let missing: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| match d.called_still_kwh {
            // A heater that takes no power has nothing to pass on: that is another fault.
            _ if d.element_on_hours.first().is_some_and(|h| f64::from(*h) < LEAST_ON_H) => f64::NAN,
            Some(kwh) if d.called_still_hours >= LEAST_CALLED_H => {
                (1.0 - kwh * 1000.0 / (d.called_still_hours * rated)).clamp(0.0, 1.0)
            }
            _ => f64::NAN,
        })
        .collect();
    let Some(now) = Context::latest_median(&missing, 3, LEAST_DAYS) else {
        return Assessment::too_little(fault, STATISTIC, "fewer than 3 days with a call");
    };
    let limit = 1.0 - DELIVERED_SHARE;
    let shown = sequence(&missing, 1.0 - USUAL_SHARE, limit, 0.12);
    let mut found = Assessment::judged(fault, STATISTIC, now, limit, 0.12);
    found.days = missing.iter().filter(|v| !v.is_nan()).count();
    if found.is_fault() {
        found.evidence_for = format!(
            "While the source is called, only {:.0} % of its rated heat arrives in the water: little or no water passes through it.",
            (1.0 - now) * 100.0
        );
    } else {
        found.evidence_against =
            format!("While called, {:.0} % of the rated heat arrives in the water.", (1.0 - now) * 100.0);
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}

/// A cylinder with a pump beside it that loses its layers from one day on, not by its draw-offs: nothing but the pump turns its water over, whatever
/// the pump's signal says, as welded contacts send none.
fn turned_over(ctx: &Context<'_>) -> Option<Assessment> {
    if !is_pumped(ctx) {
        return None;
    }
    let by_layers = mixing::lost_layers(ctx)?;
    let mut found = Assessment::judged(
        Fault::PumpStuck,
        by_layers.statistic,
        by_layers.effect,
        by_layers.limit,
        by_layers.scale,
    );
    found.days = by_layers.days;
    found.onset_ms = by_layers.onset_ms;
    found.windows = by_layers.windows;
    found.evidence_for = format!(
        "{} It began within the record, and draw-offs do not do it: the circulating pump runs on.",
        by_layers.evidence_for
    );
    Some(found)
}

/// The pump runs while nothing heats.
#[must_use]
pub fn pump_stuck(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "hours a day that the pump runs while nothing heats";
    let fault = Fault::PumpStuck;
    if let Some(found) = turned_over(ctx) {
        return found;
    }
    let alone: Vec<f64> = ctx.days.iter().map(|d| d.pump_alone_hours.unwrap_or(f64::NAN)).collect();
    if alone.iter().all(|v| v.is_nan()) {
        return Assessment::not_assessed(fault, STATISTIC, "state of the circulating pump");
    }
    let Some(now) = Context::latest_median(&alone, 5, LEAST_DAYS) else {
        return Assessment::too_little(fault, STATISTIC, "fewer than 3 days with the state of the pump");
    };
    // An exercise against seizing and an overrun after each heat are minutes (common practice, no source).
    let shown = sequence(&alone, 0.0, PUMP_ALONE_H, 0.5);
    let mut found = Assessment::judged(fault, STATISTIC, now, PUMP_ALONE_H, 1.5);
    found.days = alone.iter().filter(|v| !v.is_nan()).count();
    if found.is_fault() {
        found.evidence_for = format!(
            "The circulating pump runs {now:.1} h a day while nothing is called and nothing heats: it mixes hot water with cold."
        );
    } else {
        found.evidence_against = format!("Without heating the pump runs {now:.1} h a day.");
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}
