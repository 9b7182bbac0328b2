//! Lost stratification.

use drawoff_contract::Fault;
use drawoff_homes::robust::{median, step};

use crate::assessment::Assessment;
use crate::context::Context;

/// In a layered cylinder the top hardly cools while a charged one gives water; in a mixed one it cools like the mean.
const MIXED_SHARE: f64 = 0.5;

/// Hot and cold water mix.
#[must_use]
pub fn destratified(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "fall of the top over the fall of the mean in draw-offs";
    let fault = Fault::Destratified;
    if ctx.cylinder.probe_heights.len() < 3 {
        return Assessment::not_assessed(fault, STATISTIC, "at least 3 probes");
    }
    let share: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| if d.draw_mean_fall_k >= 2.0 { d.draw_top_fall_k / d.draw_mean_fall_k } else { f64::NAN })
        .collect();
    let recent: Vec<f64> = share.iter().rev().copied().filter(|v| !v.is_nan()).take(7).collect();
    if recent.len() < 4 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 4 days with draw-offs from a charged cylinder");
    }
    let now = median(&recent);
    let mut found = Assessment::judged(fault, STATISTIC, now, MIXED_SHARE, 0.15);
    found.days = recent.len();
    if found.is_fault() {
        let change = step(&share, 4, 0.03).filter(|s| s.after - s.before > 0.25);
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for = format!(
            "In draw-offs the top cools by {:.0} % of what the whole cools by: hot and cold water mix instead of lying in layers.",
            now * 100.0
        );
    } else {
        found.evidence_against = format!("In draw-offs the top cools by {:.0} % of what the whole cools by.", now * 100.0);
    }
    found
}
