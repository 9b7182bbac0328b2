//! Heat at the wrong time: surplus power that leaves the home, low-rate hours that are not kept.

use drawoff_contract::Fault;
use drawoff_contract::local::minute_of_day;
use drawoff_homes::robust::{median, step};

use crate::assessment::Assessment;
use crate::context::{Context, KWH_PER_YEAR_PER_W};
use crate::evidence::sequence;

/// Share of what the heater could have taken from the surplus that it did not take. A diverter's own lag and its least
/// power leave a few per cent (common practice, no source).
const MISSED_SHARE: f64 = 0.2;
/// A day says something of the diverter when this much could have been taken, kWh.
const LEAST_SURPLUS_KWH: f64 = 0.5;

/// Power is exported while the cylinder could take it.
#[must_use]
pub fn surplus_missed(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "share of the surplus that the cylinder could have taken and that was exported";
    let fault = Fault::SurplusMissed;
    if !ctx.is_diverter() {
        return Assessment::not_assessed(fault, STATISTIC, "surplus diverter");
    }
    if ctx.days.iter().all(|d| d.export_kwh.is_none()) {
        return Assessment::not_assessed(fault, STATISTIC, "power exported to the grid");
    }
    if ctx.cylinder.set_point_degc.is_none() {
        return Assessment::not_assessed(fault, STATISTIC, "set point");
    }
    let missed_kwh = |i: usize| ctx.days[i].export_with_room_kwh.unwrap_or(f64::NAN);
    let missed: Vec<f64> = (0..ctx.days.len())
        .map(|i| {
            let taken = ctx.days[i].heater_kwh.unwrap_or(0.0);
            let could = missed_kwh(i) + taken;
            let sunny = ctx.days[i].export_kwh.is_some_and(|e| e >= LEAST_SURPLUS_KWH);
            if could >= LEAST_SURPLUS_KWH && sunny { missed_kwh(i) / could } else { f64::NAN }
        })
        .collect();
    let Some(now) = Context::latest_median(&missed, 7, 4) else {
        return Assessment::too_little(fault, STATISTIC, "fewer than 4 days with a surplus");
    };
    let shown = sequence(&missed, 0.03, MISSED_SHARE, 0.12);
    let mut found = Assessment::judged(fault, STATISTIC, now, MISSED_SHARE, 0.15);
    found.days = missed.iter().filter(|v| !v.is_nan()).count();
    if found.is_fault() {
        let recent: Vec<f64> = ctx.last_days(14).map(missed_kwh).filter(|v| !v.is_nan()).collect();
        let a_day = recent.iter().sum::<f64>() / recent.len().max(1) as f64;
        found.evidence_for = format!(
            "On days with a surplus {:.0} % of what the cylinder had room for went to the grid, about {a_day:.1} kWh a day.",
            now * 100.0
        );
        found = found.with_energy(a_day * 1000.0 / 24.0 * KWH_PER_YEAR_PER_W, 0.4);
    } else {
        found.evidence_against =
            format!("Of the surplus that the cylinder had room for, {:.0} % was exported.", now * 100.0);
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}

/// Share of the energy outside the low-rate hours from which a control that should keep to them does not.
const DEAR_SHARE: f64 = 0.75;
/// Rise of that share within the record: a boost by design has been there all along.
const DEAR_RISE: f64 = 0.25;
/// A meter that is kept on winter time moves its low-rate hours by an hour, minutes.
const CLOCK_SLACK_MIN: u32 = 60;
/// A day with less energy says nothing, kWh.
const LEAST_KWH: f64 = 0.8;

/// Whether the register's word says that heating follows no low rate.
fn heats_at_will(ctx: &Context<'_>) -> bool {
    let word = ctx.cylinder.control.as_deref().unwrap_or_default().to_lowercase();
    ["always", "continuous", "programmer", "thermostat"].iter().any(|w| word.contains(w)) || ctx.is_diverter()
}

/// Whether part of the cylinder is heated by day on purpose, by the register's word.
fn by_design(ctx: &Context<'_>) -> bool {
    ctx.cylinder.control.as_deref().unwrap_or_default().to_lowercase().contains("part")
}

/// Much of the energy is taken outside the hours of the low rate.
#[must_use]
pub fn dear_hours(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str =
        "share of the energy outside the low-rate hours, over 0.75; or its rise within the record, over 0.25";
    let fault = Fault::DearHours;
    let Some(low) = ctx.cylinder.low_rate else {
        return Assessment::not_assessed(fault, STATISTIC, "low-rate hours");
    };
    if heats_at_will(ctx) {
        return Assessment::not_assessed(fault, STATISTIC, "control that keeps to the low rate");
    }
    if ctx.days.iter().all(|d| d.heater_kwh.is_none()) {
        return Assessment::not_assessed(fault, STATISTIC, "heater power or energy register");
    }
    let cheap = |minute: u32| {
        (0..=2 * CLOCK_SLACK_MIN / 30)
            .any(|k| low.contains((minute + 1440 + 30 * k - CLOCK_SLACK_MIN) % 1440))
    };
    let dear: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| {
            let (mut all, mut outside) = (0.0, 0.0);
            for (slot, kwh) in d.heater_kwh_by_half_hour.iter().enumerate().filter(|(_, v)| !v.is_nan()) {
                let at = d.day_start_utc.0 + slot as i64 * 1_800_000 + 900_000;
                all += f64::from(*kwh);
                if !cheap(minute_of_day(ctx.cylinder.zone, at)) {
                    outside += f64::from(*kwh);
                }
            }
            if all >= LEAST_KWH { outside / all } else { f64::NAN }
        })
        .collect();
    let Some(now) = Context::latest_median(&dear, 7, 4) else {
        return Assessment::too_little(fault, STATISTIC, "fewer than 4 days with heating");
    };
    let change = step(&dear, 4, 0.03).filter(|s| s.z > 5.0);
    let risen = change.map_or(0.0, |s| (now - s.before).max(0.0));
    // Part-tank heating by day is dear by design: there only a rise tells.
    let level = if by_design(ctx) { 0.0 } else { now / DEAR_SHARE };
    let effect = level.max(risen / DEAR_RISE);
    let before = change.map_or(0.0, |s| s.before.min(now));
    let limit = if level >= risen / DEAR_RISE { DEAR_SHARE } else { before + DEAR_RISE };
    let shown = sequence(&dear, before.min(limit - 0.2), limit, 0.12);
    let mut found = Assessment::judged(fault, STATISTIC, effect, 1.0, 0.4);
    found.days = dear.iter().filter(|v| !v.is_nan()).count();
    if found.is_fault() {
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        let kwh: Vec<f64> =
            ctx.last_days(7).filter_map(|i| Some(dear[i] * ctx.days[i].heater_kwh?)).collect();
        found.evidence_for = format!(
            "{:.0} % of the energy of the last days, {:.1} kWh a day, was taken outside the hours of the low rate{}.",
            now * 100.0,
            median(&kwh),
            change.map_or(String::new(), |s| format!("; before it was {:.0} %", s.before * 100.0)),
        );
    } else {
        found.evidence_against =
            format!("{:.0} % of the energy is taken outside the hours of the low rate.", now * 100.0);
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}
