//! Heat on its way from boiler or heat pump into the water: an exchanger that passes less, an element that stands in.

use drawoff_contract::daybook::SpellNote;
use drawoff_contract::{Fault, HeatSource};
use drawoff_homes::robust::{median, quantile, step};

use crate::assessment::Assessment;
use crate::context::{Context, KWH_PER_YEAR_PER_W};
use crate::evidence::sequence;

/// Share of its former transfer that an exchanger has lost when it is worth cleaning: beyond what flows and seasons change
/// (a sound coil of one synth fleet came to 0.26).
const LOST_SHARE: f64 = 0.32;
/// Heats of at least this rise of the mean tell how fast heat comes in, K.
const LEAST_RISE_K: f64 = 5.0;
/// Days of the present and of the first state.
const STATE_DAYS: usize = 7;
/// Days that must be known.
const LEAST_DAYS: usize = 12;

fn coil_or_plate(ctx: &Context<'_>) -> bool {
    matches!(ctx.cylinder.heat_source, HeatSource::Coil | HeatSource::HeatPump)
}

/// Median by day of a value of each heat.
fn by_day(ctx: &Context<'_>, of: impl Fn(&SpellNote) -> Option<f64>) -> Vec<f64> {
    let mut lists: Vec<Vec<f64>> = vec![Vec::new(); ctx.days.len()];
    for heat in ctx.heats() {
        if let (Some(v), Some(list)) = (of(&heat), lists.get_mut(ctx.day_index(heat.end.0))) {
            list.push(v);
        }
    }
    lists.iter().map(|l| median(l)).collect()
}

/// A boiler's flow over the set point, K (common practice, no source); the last stands for a boiler at the end of its power, whose heat does
/// not depend on the water.
const FLOW_OVER_SET_K: [f64; 4] = [8.0, 15.0, 25.0, 1e6];

/// Transfer by day, in as many ways as are possible: the transfer units where flow and return are measured; else, of a coil, the speed of heating of
/// whole heats over the lift of the flow above the water, for each flow that a boiler may have: its error falls out of a ratio
/// only where the water is as hot as before.
fn transfers(ctx: &Context<'_>) -> Vec<Vec<f64>> {
    if ctx.days.iter().any(|d| d.exchanger_units.is_some()) {
        return vec![ctx.days.iter().map(|d| d.exchanger_units.unwrap_or(f64::NAN)).collect()];
    }
    if ctx.cylinder.heat_source != HeatSource::Coil {
        return vec![vec![f64::NAN; ctx.days.len()]];
    }
    FLOW_OVER_SET_K
        .iter()
        .map(|over| by_speed(ctx, ctx.cylinder.set_point_degc.unwrap_or(60.0) + over))
        .collect()
}

/// Speed of heating of whole heats over the lift of a flow above the water, 1/h.
fn by_speed(ctx: &Context<'_>, flow_degc: f64) -> Vec<f64> {
    let drawn = |s: &SpellNote| ctx.draws.iter().any(|d| d.start.0 < s.end.0 && d.end.0 > s.start.0);
    by_day(ctx, |s| {
        let rise = s.rise_k.filter(|r| *r >= LEAST_RISE_K)?;
        let hours = (s.end.0 - s.start.0) as f64 / 3_600_000.0;
        let levels: Vec<f64> = s.level_degc.iter().map(|v| f64::from(*v)).filter(|v| !v.is_nan()).collect();
        let level = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
        (!drawn(s)).then(|| rise / hours / (flow_degc - level).max(5.0))
    })
}

/// Transfer of the first days.
fn former(transfer: &[f64]) -> f64 {
    let first: Vec<f64> = transfer.iter().copied().filter(|v| !v.is_nan()).take(STATE_DAYS).collect();
    quantile(&first, BETTER_DAYS)
}

/// Share of the former transfer that the last days lack. NaN of no day.
fn lost_share(transfer: &[f64]) -> f64 {
    let last: Vec<f64> = transfer.iter().rev().copied().filter(|v| !v.is_nan()).take(STATE_DAYS).collect();
    1.0 - quantile(&last, BETTER_DAYS) / former(transfer)
}

/// Point of some days that stands for them: a clogged exchanger passes little on every day, while water that a pump has turned over spoils
/// some days only.
const BETTER_DAYS: f64 = 0.75;

/// The same source, against the same water, gives clearly less heat than it did.
#[must_use]
pub fn exchanger_decline(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "share of the former heat transfer that is lost";
    let fault = Fault::ExchangerDecline;
    if !coil_or_plate(ctx) {
        return Assessment::not_assessed(fault, STATISTIC, "coil or plate exchanger");
    }
    // Of all that may be so, what lost least: the others may be the set point's doing.
    let least = |a: &Vec<f64>, b: &Vec<f64>| lost_share(a).total_cmp(&lost_share(b));
    let transfer = transfers(ctx).into_iter().min_by(least).unwrap_or_default();
    let known: Vec<usize> = (0..transfer.len()).filter(|&i| !transfer[i].is_nan()).collect();
    if known.is_empty() && ctx.cylinder.heat_source == HeatSource::HeatPump {
        return Assessment::not_assessed(fault, STATISTIC, "flow and return temperature of the exchanger");
    }
    if known.len() < LEAST_DAYS {
        return Assessment::too_little(fault, STATISTIC, "fewer than 12 days with a whole heat");
    }
    let (before, now) = (former(&transfer), lost_share(&transfer));
    let lost: Vec<f64> = transfer.iter().map(|t| 1.0 - t / before).collect();
    let shown = sequence(&lost, 0.0, LOST_SHARE, 0.08);
    let mut found = Assessment::judged(fault, STATISTIC, now, LOST_SHARE, 0.12);
    found.days = known.len();
    if found.is_fault() {
        let change = step(&transfer, 4, 0.05 * before).filter(|s| s.before - s.after > 0.1 * before);
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for = format!(
            "Against water of the same temperature the exchanger passes {:.0} % less heat than at the start of the record.",
            now * 100.0
        );
    } else {
        found.evidence_against = format!(
            "The exchanger passes {:.0} % of what it did at the start of the record.",
            (1.0 - now) * 100.0
        );
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}

/// Energy of a heat below this share of the heat that the water gained came from a heat pump, not from an element.
const ELEMENT_PERFORMANCE: f64 = 1.3;
/// A day counts as backed up from this energy of the element, kWh: the hand-over of a last kelvin is less.
const BACKED_UP_KWH: f64 = 0.35;
/// Days of seven on which the element worked: a weekly hygiene heating is one, a boosted day another.
const BACKED_UP_DAYS: f64 = 3.0;
/// Performance that the heat pump would have had: the low end of common practice, no source.
const USUAL_PERFORMANCE: f64 = 2.5;

/// Energy by day that an element beside the heat pump took, kWh: by its own meter, else heats that gained no more heat than
/// they took energy. NaN where neither can tell.
fn backup_kwh(ctx: &Context<'_>) -> Vec<f64> {
    let own = |kwh: &[f32]| kwh.get(1).copied().map_or(f64::NAN, f64::from);
    if ctx.days.iter().any(|d| !own(&d.element_kwh).is_nan()) {
        return ctx.days.iter().map(|d| own(&d.element_kwh)).collect();
    }
    let capacity = ctx.cylinder.volume_l.unwrap_or(f64::NAN) * 1.15;
    let drawn = |s: &SpellNote| ctx.draws.iter().any(|d| d.start.0 < s.end.0 && d.end.0 > s.start.0);
    let mut out: Vec<f64> =
        ctx.days.iter().map(|d| if d.heater_kwh.is_some() { 0.0 } else { f64::NAN }).collect();
    for heat in ctx.heats() {
        let (Some(kwh), Some(rise)) = (heat.energy_kwh, heat.rise_k) else { continue };
        let i = ctx.day_index(heat.end.0);
        let hours = (heat.end.0 - heat.start.0) as f64 / 3_600_000.0;
        let loss = ctx.reading.balance_w_per_k
            * (ctx.days[i].mean_degc.unwrap_or(45.0) - ctx.reading.room_degc[i])
            * hours;
        let performance = (capacity * rise + loss) / (kwh * 1000.0);
        if kwh >= BACKED_UP_KWH && performance < ELEMENT_PERFORMANCE && !drawn(&heat) {
            out[i] += kwh;
        }
    }
    out
}

/// Heat that the heat pump should give is given by the element.
#[must_use]
pub fn backup_heating(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "days of the last 7 on which the backup element heated";
    let fault = Fault::BackupHeating;
    if ctx.cylinder.heat_source != HeatSource::HeatPump {
        return Assessment::not_assessed(fault, STATISTIC, "heat pump with a backup element");
    }
    if ctx.days.iter().all(|d| d.heater_kwh.is_none()) {
        return Assessment::not_assessed(fault, STATISTIC, "heater power or energy register");
    }
    let kwh = backup_kwh(ctx);
    let days: Vec<usize> = ctx.last_days(7).filter(|&i| !kwh[i].is_nan()).collect();
    if days.len() < 5 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 5 of the last 7 days with a meter");
    }
    let backed_up = days.iter().filter(|&&i| kwh[i] >= BACKED_UP_KWH).count() as f64;
    let series: Vec<f64> = kwh
        .iter()
        .map(|k| if k.is_nan() { f64::NAN } else { f64::from(u8::from(*k >= BACKED_UP_KWH)) })
        .collect();
    let shown = sequence(&series, 0.1, 0.45, 0.4);
    let mut found = Assessment::judged(fault, STATISTIC, backed_up, BACKED_UP_DAYS, 1.5);
    found.days = days.len();
    if found.is_fault() {
        let a_day = days.iter().map(|&i| kwh[i]).sum::<f64>() / days.len() as f64;
        found.evidence_for = format!(
            "On {backed_up:.0} of the last {} days the backup element heated, {a_day:.1} kWh a day: the heat pump stops early or does not run.",
            days.len()
        );
        let watts = a_day * 1000.0 / 24.0 * (1.0 - 1.0 / USUAL_PERFORMANCE);
        found = found.with_energy(watts * KWH_PER_YEAR_PER_W, 0.3);
    } else {
        found.evidence_against =
            format!("The backup element heated on {backed_up:.0} of the last {} days.", days.len());
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}
