//! Excess standing loss, steady leak, water passing while heating, gravity circulation at night.

use drawoff_contract::Fault;
use drawoff_contract::daybook::SpellNote;
use drawoff_contract::local::minute_of_day;
use drawoff_homes::robust::{median, quantile, step};

use crate::assessment::Assessment;
use crate::context::{Context, KWH_PER_YEAR_PER_W};
use crate::evidence::sequence;

/// Ratio to the declared loss that a sound cylinder does not reach. Design choice: the sound homes of the reference
/// fleets scatter by about 14 % around their declared loss, so this is over three of their standard deviations.
const LOSS_RATIO: f64 = 1.6;
/// Share of the volume that the hot zone must reach for a comparison with the declared loss of the whole cylinder.
const LEAST_ZONE_SHARE: f64 = 0.42;
/// Ratio of a change within the data.
const CHANGE_RATIO: f64 = 1.4;
/// Steady outflow of hot water, l/min: about 1 drip a second is 0.02. Chosen on the even half of the reference homes,
/// just over what use in quiet hours left there at sound homes: a fleet of other habits may want another.
const LEAK_L_PER_MIN: f64 = 0.036;
/// Flow that passes while heating, l/min.
const HEATING_LEAK_L_PER_MIN: f64 = 0.15;
/// Extra heat leaving at night, W.
const GRAVITY_W: f64 = 45.0;
/// The night of gravity circulation: heating circuits are off and cold.
const NIGHT: (u32, u32) = (22 * 60, 6 * 60);

/// Loses clearly more than declared, or than before.
#[must_use]
pub fn loss_doubled(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "standing loss over the declared, or over its own past";
    let fault = Fault::LossDoubled;
    let Some(loss) = &ctx.reading.loss else {
        return Assessment::too_little(fault, STATISTIC, "too few idle segments");
    };
    let declared = ctx.cylinder.declared_loss_w_per_k;
    let risen = loss.before_w_per_k.map(|b| loss.w_per_k / b);
    if declared.is_none() && risen.is_none() {
        return Assessment::not_assessed(fault, STATISTIC, "declared standing loss");
    }
    let against_declared = declared.map(|d| loss.w_per_k / d);
    // Where only the top is ever hot, its fittings weigh more than in the declared loss of the whole: only a change tells.
    let only_upper =
        ctx.cylinder.elements.iter().all(|e| e.height > 0.4) && !ctx.cylinder.elements.is_empty();
    let comparable = loss.zone_share >= LEAST_ZONE_SHARE || !only_upper;
    let by_declared =
        if comparable { against_declared.map_or(0.0, |r| libm::log(r) / libm::log(LOSS_RATIO)) } else { 0.0 };
    let by_change = risen.map_or(0.0, |r| libm::log(r.max(1e-3)) / libm::log(CHANGE_RATIO));
    // A change that ends at an ordinary loss mends an odd start; it is no fault.
    let raised = against_declared.is_none_or(|r| r > 1.3);
    let effect = by_declared.max(if raised { by_change } else { 0.0 });
    let mut found = Assessment::judged(fault, STATISTIC, effect, 1.0, 0.25 + loss.log_error);
    found.days = loss.nights;
    found.windows = loss.nights;
    found.standard_error = loss.log_error;
    let ratio_text = |r: Option<f64>| r.map_or("unknown".to_owned(), |v| format!("{v:.1}"));
    if found.is_fault() {
        found.onset_ms = loss.changed_ms.filter(|_| risen.is_some_and(|r| r > 1.2));
        found.evidence_for = format!(
            "Idle water cools at {:.2} W/K, {} times the declared loss{}, with no cold front at the base.",
            loss.w_per_k,
            ratio_text(against_declared),
            risen.map_or(String::new(), |r| format!(" and {r:.1} times what it was before")),
        );
        let usual = loss.before_w_per_k.or(declared).unwrap_or(loss.w_per_k / LOSS_RATIO);
        let lift = lift_k(ctx);
        found = found.with_energy((loss.w_per_k - usual) * lift * KWH_PER_YEAR_PER_W, 0.15 + loss.log_error);
    } else {
        found.evidence_against =
            format!("Idle water cools at {} times the declared loss.", ratio_text(against_declared));
    }
    found
}

/// Mean lift of the stored water over the surroundings, K.
fn lift_k(ctx: &Context<'_>) -> f64 {
    let lifts: Vec<f64> =
        ctx.days.iter().zip(&ctx.reading.room_degc).filter_map(|(d, r)| Some(d.mean_degc? - r)).collect();
    lifts.iter().sum::<f64>() / lifts.len().max(1) as f64
}

/// Mean top temperature, degC.
fn top_degc(ctx: &Context<'_>) -> f64 {
    let tops: Vec<f64> =
        ctx.days.iter().filter_map(|d| d.probe_mean_degc.first().map(|v| f64::from(*v))).collect();
    median(&tops)
}

/// A loss coefficient that no leak has crept into, W/K: the one read, but not beyond what insulation usually is.
fn insulation_w_per_k(ctx: &Context<'_>) -> f64 {
    let read = ctx.reading.balance_w_per_k;
    ctx.cylinder.declared_loss_w_per_k.map_or(read, |d| read.min(1.35 * d))
}

/// Upward creep of the cold front through idle water, l/min: lower quantile of each day's idle segments, by night and by day.
///
/// Insulation cools each probe in proportion to its lift; creep cools it in proportion to the gradient at its height.
fn creep(ctx: &Context<'_>) -> (Vec<f64>, Vec<f64>) {
    let n = ctx.days.len();
    let mut night: Vec<Vec<f64>> = vec![Vec::new(); n];
    let mut rest: Vec<Vec<f64>> = vec![Vec::new(); n];
    for spell in ctx.spells.iter().filter(|s| s.kind == "idle") {
        let i = ctx.day_index(spell.end.0);
        let Some(flow) = creep_of(ctx, spell, ctx.reading.room_degc[i]) else { continue };
        let minute = minute_of_day(ctx.cylinder.zone, i64::midpoint(spell.start.0, spell.end.0));
        if minute >= NIGHT.0 || minute < NIGHT.1 {
            night[i].push(flow);
        } else {
            rest[i].push(flow);
        }
    }
    let low = |lists: Vec<Vec<f64>>| lists.iter().map(|v| quantile(v, 0.25)).collect();
    (low(night), low(rest))
}

fn creep_of(ctx: &Context<'_>, spell: &SpellNote, room: f64) -> Option<f64> {
    let heights = &ctx.cylinder.probe_heights;
    let volume = ctx.cylinder.volume_l?;
    let n = heights.len().min(spell.level_degc.len());
    if n < 3 {
        return None;
    }
    let rate = insulation_w_per_k(ctx) / (volume * 1.15);
    let room = spell.surroundings_degc.unwrap_or(room);
    let (mut sum, mut weight) = (0.0, 0.0);
    for p in 1..n - 1 {
        let level = |q: usize| f64::from(spell.level_degc[q]);
        let gradient = (level(p - 1) - level(p + 1)) / (heights[p - 1] - heights[p + 1]);
        let cooling = -f64::from(spell.slope_or_stop[p]) - rate * (level(p) - room);
        if gradient.is_nan() || cooling.is_nan() {
            continue;
        }
        sum += gradient * cooling;
        weight += gradient * gradient;
    }
    // A front is needed: 40 K over the whole height at one probe at least.
    (weight > 1600.0).then(|| sum / weight * volume / 60.0)
}

/// Hot water leaves round the clock.
#[must_use]
pub fn leak_steady(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "steady outflow of hot water, l/min";
    let fault = Fault::LeakSteady;
    if ctx.cylinder.probe_heights.len() < 2 {
        return Assessment::not_assessed(fault, STATISTIC, "at least 2 probes");
    }
    let per_watt = 1.0 / (ctx.wh_per_litre(top_degc(ctx)) * 60.0);
    // What insulation loses beyond the declared figure is no outflow.
    let beyond = (insulation_w_per_k(ctx) - ctx.cylinder.declared_loss_w_per_k.unwrap_or(1.6))
        * lift_k(ctx)
        * per_watt;
    let flow: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| match (d.quiet_night_l_per_min, d.quiet_day_l_per_min) {
            // A leak runs by night and by day: the smaller of the two is what is steady. A cylinder that is emptied
            // by a leak has hot water in one of them only.
            (Some(n), Some(r)) => n.min(r) - beyond,
            (Some(one), None) | (None, Some(one)) => one - beyond,
            (None, None) => f64::NAN,
        })
        .collect();
    let known = flow.iter().filter(|v| !v.is_nan()).count();
    if known < 5 {
        return Assessment::too_little(
            fault,
            STATISTIC,
            "fewer than 5 days with hot water and a closed balance",
        );
    }
    let recent: Vec<f64> = flow.iter().rev().copied().filter(|v| !v.is_nan()).take(7).collect();
    let by_heat = median(&recent);
    let (creep_night, creep_rest) = creep(ctx);
    let latest =
        |v: &[f64]| median(&v.iter().rev().copied().filter(|x| !x.is_nan()).take(5).collect::<Vec<_>>());
    let fronts: Vec<f64> =
        [latest(&creep_night), latest(&creep_rest)].into_iter().filter(|v| !v.is_nan()).collect();
    let by_front = fronts.iter().copied().reduce(f64::min);
    let now = by_heat;
    let mut found = Assessment::judged(fault, STATISTIC, now, LEAK_L_PER_MIN, 0.015);
    found.days = recent.len();
    if found.is_fault() {
        let change = step(&flow, 3, 0.01).filter(|s| s.after - s.before > 0.5 * now);
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.days = change.map_or(known, |s| ctx.days.len() - s.at);
        let risen = by_front.filter(|f| *f >= by_heat / 3.0);
        found.evidence_for = format!(
            "Hot water leaves at about {by_heat:.2} l/min round the clock{}, also when nobody draws.",
            risen.map_or(String::new(), |f| format!(
                " and the cold front rises at {f:.2} l/min through idle water"
            ))
        );
        if by_front.is_some() && risen.is_none() {
            found.evidence_against =
                "The cold front is not seen to rise as fast through idle water.".to_owned();
        }
        found = found.with_energy(by_heat / per_watt * KWH_PER_YEAR_PER_W, 0.2);
    } else {
        found.evidence_against = format!(
            "In the quietest hours {:.3} l/min could leave by the heat balance{}.",
            by_heat.max(0.0),
            by_front.map_or(String::new(), |f| format!(
                ", {:.3} l/min by the rise of the cold front",
                f.max(0.0)
            ))
        );
    }
    found.with_windows(&sequence(&flow, 0.01, LEAK_L_PER_MIN, 0.01), |i| ctx.day_start(i))
}

/// Hot water circulates at night and cools in pipework.
#[must_use]
pub fn gravity_night(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "extra heat leaving at night, W";
    let fault = Fault::GravityNight;
    if ctx.sending_probes() < 3 {
        return Assessment::not_assessed(fault, STATISTIC, "at least 3 probes");
    }
    let watts = ctx.wh_per_litre(top_degc(ctx)) * 60.0;
    let extra: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| match (d.quiet_night_l_per_min, d.quiet_day_l_per_min) {
            (Some(n), Some(r)) => (n - r.max(0.0)) * watts,
            _ => f64::NAN,
        })
        .collect();
    let recent: Vec<f64> = extra.iter().rev().copied().filter(|v| !v.is_nan()).take(7).collect();
    if recent.len() < 4 {
        return Assessment::too_little(
            fault,
            STATISTIC,
            "fewer than 4 days with hot water by night and by day",
        );
    }
    let now = median(&recent);
    let mut found = Assessment::judged(fault, STATISTIC, now, GRAVITY_W, 25.0);
    found.days = recent.len();
    if found.is_fault() {
        let change = step(&extra, 3, 10.0).filter(|s| s.after - s.before > 0.5 * now);
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for = format!(
            "Between 22 and 6 o'clock about {now:.0} W more leaves than by day, though nothing is drawn: hot water circulates and cools."
        );
        found = found.with_energy(now * KWH_PER_YEAR_PER_W / 3.0, 0.3);
    } else {
        found.evidence_against = format!("By night {now:+.0} W leaves against by day.");
    }
    found.with_windows(&sequence(&extra, 0.0, GRAVITY_W, 20.0), |i| ctx.day_start(i))
}

/// Heats of at least this much are weighed whole, kWh.
const WHOLE_HEAT_KWH: f64 = 1.0;
/// Fewer probes do not see heat that lies between them.
const LEAST_PROBES: usize = 4;

/// Power missing from each whole heat of the last ten days: energy in less rise less standing loss, W.
fn whole_heats_w(ctx: &Context<'_>) -> Vec<f64> {
    let capacity = ctx.cylinder.volume_l.unwrap_or(f64::NAN) * 1.15;
    let from = ctx.last_days(10).start;
    ctx.heats()
        .iter()
        .filter(|s| ctx.day_index(s.end.0) >= from)
        .filter_map(|s| {
            let (energy, rise) = (s.energy_kwh?, s.rise_k?);
            let hours = (s.end.0 - s.start.0) as f64 / 3_600_000.0;
            let i = ctx.day_index(s.end.0);
            let loss = ctx.reading.balance_w_per_k * (ctx.days[i].mean_degc? - ctx.reading.room_degc[i]);
            (energy >= WHOLE_HEAT_KWH).then(|| (energy * 1000.0 - capacity * rise) / hours - loss)
        })
        .collect()
}

/// Hot water leaves only while the cylinder heats.
#[must_use]
pub fn leak_heating(ctx: &Context<'_>) -> Assessment {
    const STATISTIC: &str = "outflow while heating, l/min";
    let fault = Fault::LeakHeating;
    if ctx.days.iter().all(|d| d.heater_kwh.is_none()) {
        return Assessment::not_assessed(fault, STATISTIC, "heater power or energy register");
    }
    if ctx.sending_probes() < LEAST_PROBES {
        return Assessment::not_assessed(fault, STATISTIC, "at least 4 probes");
    }
    let whole_heats = whole_heats_w(ctx);
    if whole_heats.len() < 4 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 4 long heats in 10 days");
    }
    let per_watt = 1.0 / (ctx.wh_per_litre(top_degc(ctx)) * 60.0);
    let flow: Vec<f64> = ctx
        .days
        .iter()
        .map(|d| match (d.heating_quiet_w, d.quiet_w) {
            (Some(heating), quiet) => (heating - quiet.unwrap_or(0.0).max(0.0)) * per_watt,
            _ => f64::NAN,
        })
        .collect();
    let recent: Vec<f64> = flow.iter().rev().copied().filter(|v| !v.is_nan()).take(10).collect();
    if recent.len() < 4 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 4 days with long heating spells");
    }
    // Draw-offs call for heat, so many heats hold one; a valve that passes does so in every heat, and evenly.
    let low = quantile(&recent, 0.1);
    let even = if low >= 0.45 * median(&recent) { low } else { low.min(0.8 * HEATING_LEAK_L_PER_MIN) };
    // Heat that is still between the probes seems lost for a while, but not over the whole heat.
    let now = even.min(quantile(&whole_heats, 0.2) * per_watt);
    let mut found = Assessment::judged(fault, STATISTIC, now, HEATING_LEAK_L_PER_MIN, 0.05);
    found.days = recent.len();
    if found.is_fault() {
        let change = step(&flow, 3, 0.02).filter(|s| s.after - s.before > 0.5 * now);
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for = format!(
            "While it heats, about {now:.2} l/min of hot water leaves; at rest none does: a relief valve passes as the water expands, or worse."
        );
        let heating_h: f64 = ctx
            .days
            .iter()
            .map(|d| d.element_on_hours.iter().filter(|v| !v.is_nan()).sum::<f32>())
            .map(f64::from)
            .sum::<f64>()
            / ctx.days.len().max(1) as f64;
        found = found.with_energy(now / per_watt * KWH_PER_YEAR_PER_W * heating_h / 24.0, 0.25);
    } else {
        found.evidence_against =
            format!("While it heats, the water takes up the heat: {:+.2} l/min unaccounted for.", now);
    }
    found.with_windows(&sequence(&flow, 0.03, HEATING_LEAK_L_PER_MIN, 0.05), |i| ctx.day_start(i))
}
