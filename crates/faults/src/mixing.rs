//! Lost stratification.

use drawoff_contract::{Fault, HeatSource};
use drawoff_homes::robust::{median, step};

use crate::assessment::Assessment;
use crate::context::Context;
use crate::evidence::{LEAST_WINDOWS, sequence};

/// Share of the way from the cold feed to the hottest water that a layered, partly charged cylinder keeps between its
/// warmest and coldest probe. Sound ones stand well above, also with part-tank heating and without draw-offs.
const LAYERED_SHARE: f64 = 0.42;
/// A day with less drawn says nothing of layers.
const LEAST_DRAWN_KWH: f64 = 1.0;
/// In a layered cylinder the top hardly cools while a charged one gives water; in a mixed one it cools like the mean.
const MIXED_FALL: f64 = 0.6;

/// Growth of the lost share that makes a day the onset.
const LEAST_CHANGE: f64 = 0.15;
/// The same where a pump serves the source: how long it runs, and with it how much it turns over, goes with the season and with use.
const LEAST_CHANGE_PUMPED: f64 = 0.3;

/// What [`destratified`] finds, if it is a fault that began within the record and shows at rest rather than by draw-offs.
pub(crate) fn lost_layers(ctx: &Context<'_>) -> Option<Assessment> {
    let (found, by_draws) = look(ctx);
    (found.is_fault() && found.onset_ms.is_some() && !by_draws).then_some(found)
}

/// Hot and cold water mix.
#[must_use]
pub fn destratified(ctx: &Context<'_>) -> Assessment {
    look(ctx).0
}

/// The finding, and whether it rests on what draw-offs do.
fn look(ctx: &Context<'_>) -> (Assessment, bool) {
    const STATISTIC: &str = "lost share of the spread between hot and cold, partly charged";
    let fault = Fault::Destratified;
    if ctx.sending_probes() < 3 {
        return (Assessment::not_assessed(fault, STATISTIC, "at least 3 probes"), false);
    }
    let lost: Vec<f64> = ctx
        .days
        .iter()
        .zip(&ctx.reading.cold_degc)
        .zip(&ctx.reading.days.rows)
        .map(|((d, cold), row)| {
            // Without cold water coming in, layers level out in any cylinder.
            if row.energy_kwh.is_none_or(|e| e < LEAST_DRAWN_KWH) {
                return f64::NAN;
            }
            let top = d.probe_max_degc.iter().copied().filter(|v| !v.is_nan()).fold(f32::NAN, f32::max);
            d.spread_k.map_or(f64::NAN, |s| 1.0 - s / (f64::from(top) - cold).max(10.0))
        })
        .collect();
    let fall: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| if d.draw_mean_fall_k >= 2.0 { d.draw_top_fall_k / d.draw_mean_fall_k } else { f64::NAN })
        .collect();
    let latest = |v: &[f64]| v.iter().rev().copied().filter(|x| !x.is_nan()).take(7).collect::<Vec<f64>>();
    let (recent, recent_fall) = (latest(&lost), latest(&fall));
    if recent.len() < 3 && recent_fall.len() < 4 {
        return (
            Assessment::too_little(fault, STATISTIC, "too few days on which the cylinder was partly charged"),
            false,
        );
    }
    let limit = 1.0 - LAYERED_SHARE;
    let by_spread = if recent.len() >= 3 { median(&recent) } else { 0.0 };
    let by_fall = if recent_fall.len() >= 4 { median(&recent_fall) / MIXED_FALL * limit } else { 0.0 };
    let turned_over = matches!(ctx.cylinder.heat_source, HeatSource::TopPump | HeatSource::HeatPump);
    let least_change = if turned_over { LEAST_CHANGE_PUMPED } else { LEAST_CHANGE };
    let change = step(&lost, 3, 0.03).filter(|s| s.after - s.before > least_change);
    // A pump that serves the source draws from the base and returns at the top: while it heats it takes the layers away by design, and
    // only a change tells.
    let by_draws = by_fall > by_spread;
    let effect = by_spread.max(by_fall.min(1.0));
    let effect = if turned_over && change.is_none() { effect.min(limit - 0.12) } else { effect };
    let mut found = Assessment::judged(fault, STATISTIC, effect, limit, 0.12);
    found.days = recent.len().max(recent_fall.len());
    if found.is_fault() {
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for = format!(
            "Partly charged, the cylinder keeps only {:.0} % of the difference between hot and cold water: they mix instead of lying in layers.",
            (1.0 - by_spread).max(0.0) * 100.0
        );
    } else {
        found.evidence_against = format!(
            "Partly charged, the cylinder keeps {:.0} % of the difference between hot and cold water.",
            (1.0 - by_spread) * 100.0
        );
    }
    found.windows = recent.len().max(recent_fall.len());
    let shown = sequence(&lost, SOUND_LOST, limit, 0.1);
    // Where the fall of the top tells it, the spread is no window of its own.
    if by_spread >= limit && shown.windows >= LEAST_WINDOWS {
        return (found.with_windows(&shown, |i| ctx.day_start(i)), by_draws);
    }
    (found, by_draws)
}

/// Lost share of a layered cylinder.
const SOUND_LOST: f64 = 0.25;
