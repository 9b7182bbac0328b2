//! A relay that chatters.

use drawoff_contract::Fault;

use crate::assessment::Assessment;
use crate::context::Context;
use crate::evidence::sequence;
use crate::thermostat::modulates;

/// Starts within an hour that no thermostat makes day after day: a dead band of 3 K over the 50 l above an upper element
/// takes 0.17 kWh, three and a half minutes at 3 kW; to cool it by as much takes four litres of use, so that even a
/// quarter of an hour at 8 l/min, twice, stays below.
const STARTS_IN_HOUR: f64 = 6.5;
/// What an ordinary day shows at its busiest hour.
const USUAL_STARTS: f64 = 3.0;
/// Days with heating that must be known.
const LEAST_DAYS: usize = 3;

/// The heater is switched many times an hour.
#[must_use]
pub fn relay_chatter(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str =
        "starts in the busiest hour of a day, as far as the interval between stamps shows them";
    let fault = Fault::RelayChatter;
    if ctx.days.iter().all(|d| d.element_starts_in_hour.iter().all(|v| v.is_nan())) {
        return Assessment::not_assessed(fault, STATISTIC, "power or call of the heater");
    }
    if ctx.is_diverter() || modulates(ctx) {
        return Assessment::not_assessed(fault, STATISTIC, "power of a heater that no diverter switches");
    }
    let starts: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| {
            let most = d.element_starts_in_hour.iter().copied().filter(|v| !v.is_nan()).fold(0.0, f32::max);
            // A day without a start had no occasion.
            if most > 0.0 { f64::from(most) } else { f64::NAN }
        })
        .collect();
    let Some(now) = Context::latest_median(&starts, 5, LEAST_DAYS) else {
        return Assessment::too_little(fault, STATISTIC, "fewer than 3 days with heating");
    };
    let shown = sequence(&starts, USUAL_STARTS, STARTS_IN_HOUR, 1.0);
    let mut found = Assessment::judged(fault, STATISTIC, now, STARTS_IN_HOUR, 2.0);
    found.days = starts.iter().filter(|v| !v.is_nan()).count();
    if found.is_fault() {
        found.evidence_for = format!(
            "Day after day the heater is switched on at least {now:.0} times within an hour: no dead band lets a thermostat do that."
        );
    } else {
        found.evidence_against = format!("In the busiest hour of a day the heater starts {now:.0} times.");
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}
