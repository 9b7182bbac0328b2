//! Probe frozen, off, or exchanged with another.

use drawoff_contract::Fault;
use drawoff_contract::daybook::DayNote;
use drawoff_homes::robust::{median, step};

use crate::assessment::Assessment;
use crate::evidence::{LEAST_WINDOWS, sequence};

/// All that the probe faults look at: they are decided before anything is read from the probes.
#[derive(Clone, Copy, Debug)]
pub struct Probes<'a> {
    /// Day rows in order.
    pub days: &'a [DayNote],
    /// Number of probes that the register lists.
    pub probes: usize,
    /// Cold feed by day as the fleet knows it, degC; empty when unknown.
    pub cold_degc: &'a [f64],
}

impl Probes<'_> {
    /// Probes of the register that send values at all; all of them before the first day.
    pub(crate) fn sending(&self) -> usize {
        let sends = |p: &usize| {
            self.days.is_empty() || self.days.iter().any(|d| !value(&d.probe_mean_degc, *p).is_nan())
        };
        (0..self.probes).filter(sends).count()
    }

    pub(crate) fn day_start(&self, i: usize) -> i64 {
        self.days[i].day_start_utc.0
    }

    fn last_days(&self, n: usize) -> std::ops::Range<usize> {
        self.days.len().saturating_sub(n)..self.days.len()
    }
}

/// A probe off by less than this is within calibration and pocket effects, K.
const OFFSET_K: f64 = 2.5;
/// A probe that reads off does so at all times: most scatter of the difference within a day, K. Noise and a resolution
/// of 0.5 K make about 0.3.
const STEADY_K: f64 = 0.9;
/// A reading this far below the cold feed of the fleet's homes is none of water.
const BELOW_FEED_K: f64 = 3.5;
/// Reading over its neighbour below while both lie in water of one temperature: impossible, so little is enough.
const SWAP_GAIN_K: f64 = 0.08;

pub(crate) fn value(list: &[f32], p: usize) -> f64 {
    list.get(p).map_or(f64::NAN, |v| f64::from(*v))
}

/// Repeats one value while the water around it must change.
#[must_use]
pub fn sensor_stuck(ctx: Probes<'_>) -> Assessment {
    const STATISTIC: &str = "hours frozen while the water moved by 5 K or more";
    let fault = Fault::SensorStuck;
    let n = ctx.probes;
    if ctx.sending() < 2 {
        return Assessment::not_assessed(fault, STATISTIC, "at least 2 probes");
    }
    let Some(last) = ctx.days.last() else { return Assessment::too_little(fault, STATISTIC, "no day") };
    let mut worst = (0.0, 0, 0.0);
    for p in 0..n {
        let (hours, moved) = (value(&last.probe_frozen_hours, p), value(&last.probe_frozen_expected_k, p));
        if moved >= 5.0 && hours > worst.0 {
            worst = (hours, p, moved);
        }
    }
    for p in 1..n.saturating_sub(1) {
        let again = frozen_again(ctx, p);
        if again > worst.0 {
            worst = (again, p, AGAIN_MOVE_K);
        }
    }
    let (hours, p, moved) = worst;
    let mut found = Assessment::judged(fault, STATISTIC, hours, 24.0, 10.0);
    found.days = (hours / 24.0) as usize;
    if found.is_fault() {
        let end = last_instant(last);
        found.onset_ms =
            Some(end - (hours * 3_600_000.0) as i64).filter(|o| *o > ctx.day_start(0) + 3_600_000);
        found.evidence_for = format!(
            "Probe {} from the top has shown one value for {hours:.0} h while the water at its height moved by {moved:.0} K.",
            p + 1
        );
    } else {
        found.evidence_against = "Every probe follows the water.".to_owned();
    }
    found
}

/// A probe that freezes and comes back: hours frozen on a day, how far the water moved meanwhile, and of how many days.
const AGAIN_HOURS: f64 = 8.0;
const AGAIN_MOVE_K: f64 = 12.0;
const AGAIN_DAYS: (usize, usize) = (3, 5);

/// Hours of the last days over which probe `p` froze again and again; 0 when it did not. A probe at either end may lie in
/// still water for hours with one reading.
fn frozen_again(ctx: Probes<'_>, p: usize) -> f64 {
    let hours: Vec<f64> = ctx.days[ctx.last_days(AGAIN_DAYS.1)]
        .iter()
        .filter(|d| value(&d.probe_frozen_expected_k, p) >= AGAIN_MOVE_K)
        .map(|d| value(&d.probe_frozen_hours, p))
        .filter(|h| *h >= AGAIN_HOURS)
        .collect();
    if hours.len() >= AGAIN_DAYS.0 { hours.iter().sum() } else { 0.0 }
}

/// Last instant of a day that was seen, to the half-hour: an export may end within the day.
fn last_instant(day: &DayNote) -> i64 {
    let seen = day.mean_degc_by_half_hour.iter().rposition(|v| !v.is_nan()).map_or(0, |i| i + 1);
    day.day_start_utc.0 + i64::try_from(seen).unwrap_or(0) * 1_800_000
}

/// Probes found frozen: they may not be used.
#[must_use]
pub fn frozen(ctx: Probes<'_>) -> Vec<bool> {
    let Some(last) = ctx.days.last() else { return Vec::new() };
    (0..ctx.probes)
        .map(|p| value(&last.probe_frozen_hours, p) >= 24.0 && value(&last.probe_frozen_expected_k, p) >= 5.0)
        .collect()
}

/// Disagrees with its neighbours where the water is at one temperature.
#[must_use]
pub fn sensor_offset(ctx: Probes<'_>) -> Assessment {
    const STATISTIC: &str = "difference from neighbours in water of one temperature, K";
    let fault = Fault::SensorOffset;
    let n = ctx.probes;
    if ctx.sending() < 3 {
        return Assessment::not_assessed(fault, STATISTIC, "at least 3 probes");
    }
    let frozen = frozen(ctx);
    let mut best: Option<Assessment> = None;
    for p in (0..n).filter(|&p| !frozen.get(p).copied().unwrap_or(false)) {
        let Some(now) = present_residual(ctx, p) else { continue };
        let series = residuals(ctx, p);
        let mut found = Assessment::judged(fault, STATISTIC, now.abs(), OFFSET_K, 1.0);
        found.days = series.iter().filter(|v| !v.is_nan()).count();
        if found.is_fault() {
            let change = step(&series, 3, 0.2).filter(|s| (s.after - s.before).abs() > 1.5);
            found.onset_ms = change.map(|s| ctx.day_start(s.at));
            found.evidence_for = format!(
                "Probe {} from the top reads {now:+.1} K against water that must be of one temperature with it.",
                p + 1
            );
        } else {
            found.evidence_against = format!("The largest difference from neighbours is {now:+.1} K.");
        }
        let away: Vec<f64> = series.iter().map(|v| v * now.signum()).collect();
        let shown = sequence(&away, 0.0, OFFSET_K, 0.5);
        if shown.windows >= LEAST_WINDOWS {
            found = found.with_windows(&shown, |i| ctx.day_start(i));
        }
        if best.as_ref().is_none_or(|b| found.effect > b.effect) {
            best = Some(found);
        }
    }
    best.unwrap_or_else(|| {
        Assessment::too_little(fault, STATISTIC, "too few hours with water of one temperature")
    })
}

/// Mean inversion of a day for an order of probes: how far lower ones read over upper ones.
fn inversion(day: &[f32], n: usize, order: &[usize]) -> f64 {
    let mut sum = 0.0;
    for a in 0..n {
        for b in a + 1..n {
            let v = value(day, order[a] * n + order[b]);
            if !v.is_nan() {
                sum += v;
            }
        }
    }
    sum
}

/// The exchange of two probes that best mends an impossible order.
struct Exchange {
    /// Fall of the mean inversion, K; 0 when no exchange explains it.
    gain_k: f64,
    a: usize,
    b: usize,
}

fn best_exchange(ctx: Probes<'_>) -> Exchange {
    let n = ctx.probes;
    let frozen = frozen(ctx);
    let usual: Vec<usize> = (0..n).collect();
    let days = &ctx.days[ctx.last_days(7)];
    let mean = |order: &[usize]| {
        days.iter().map(|d| inversion(&d.probe_inversion_k, n, order)).sum::<f64>() / days.len().max(1) as f64
    };
    let now = mean(&usual);
    let (mut left, mut a, mut b) = (now, 0, 0);
    for i in (0..n).filter(|&i| !frozen[i]) {
        for j in (i + 1..n).filter(|&j| !frozen[j]) {
            let mut order = usual.clone();
            order.swap(i, j);
            let with = mean(&order);
            if with < left {
                (left, a, b) = (with, i, j);
            }
        }
    }
    // A probe that reads off also seems to have changed place with another; but two exchanged probes differ by what
    // lies between them, now much, now nothing, and a probe that reads off always by the same.
    let reads_off = (0..n).any(|p| present_residual(ctx, p).is_some_and(|r| r.abs() >= OFFSET_K));
    // An exchange must explain most of the disorder; a probe that reads off leaves disorder behind.
    let explains = now > 0.0 && left < 0.2 * now && !reads_off;
    Exchange { gain_k: if explains { now - left } else { 0.0 }, a, b }
}

/// Two probes report each other's place.
#[must_use]
pub fn sensor_swap(ctx: Probes<'_>) -> Assessment {
    const STATISTIC: &str = "fall of impossible order if two probes are exchanged, K";
    let fault = Fault::SensorSwap;
    let n = ctx.probes;
    if ctx.sending() < 3 {
        return Assessment::not_assessed(fault, STATISTIC, "at least 3 probes");
    }
    if ctx.days.len() < 4 {
        return Assessment::too_little(fault, STATISTIC, "fewer than 4 days");
    }
    let Exchange { gain_k, a, b } = best_exchange(ctx);
    let usual: Vec<usize> = (0..n).collect();
    let last = ctx.last_days(7);
    let mut found = Assessment::judged(fault, STATISTIC, gain_k, SWAP_GAIN_K, 0.05);
    found.days = last.len();
    if found.is_fault() {
        let mut order = usual;
        order.swap(a, b);
        let series: Vec<f64> = ctx
            .days
            .iter()
            .map(|d| {
                inversion(&d.probe_inversion_k, n, &(0..n).collect::<Vec<_>>())
                    - inversion(&d.probe_inversion_k, n, &order)
            })
            .collect();
        let change = step(&series, 3, 0.05).filter(|s| s.after > 0.0 && s.before < 0.2 * s.after);
        found.onset_ms = change.map(|s| ctx.day_start(s.at));
        found.evidence_for = format!(
            "Probes {} and {} from the top report colder water above hotter; exchanged, the order is right all day.",
            a + 1,
            b + 1
        );
    } else {
        found.evidence_against = "Hot water lies over cold at every probe.".to_owned();
    }
    found
}

/// Probes that later stages may use at the end of the period: not frozen, not off, not exchanged.
#[must_use]
pub fn sound_probes(view: Probes<'_>) -> Vec<bool> {
    let exchanged = exchanged(view);
    frozen(view)
        .into_iter()
        .enumerate()
        .map(|(p, frozen)| {
            let off = present_residual(view, p).is_some_and(|r| r.abs() >= OFFSET_K);
            !frozen && !off && exchanged.is_none_or(|(a, b)| p != a && p != b)
        })
        .collect()
}

/// Days of the present state.
const RECENT_DAYS: usize = 7;

/// Present difference of a probe from its neighbours in water of one temperature, K, where it is the same all day long;
/// or how far it reads below the cold feed, which no water in the cylinder can be.
pub(crate) fn present_residual(ctx: Probes<'_>, p: usize) -> Option<f64> {
    let latest =
        |v: Vec<f64>| -> Vec<f64> { v.into_iter().rev().filter(|x| !x.is_nan()).take(RECENT_DAYS).collect() };
    let flat = latest(residuals(ctx, p));
    let scatter = latest(ctx.days.iter().map(|d| value(&d.probe_flat_scatter_k, p)).collect());
    let steady = median(&scatter) < STEADY_K;
    let by_neighbours = (flat.len() >= 3).then(|| if steady { median(&flat) } else { 0.0 });
    let recent = &ctx.days[ctx.last_days(RECENT_DAYS)];
    let lows: Vec<f64> = recent.iter().map(|d| value(&d.probe_min_degc, p)).filter(|v| !v.is_nan()).collect();
    let feed = ctx.cold_degc.last().copied().unwrap_or(f64::NAN);
    let days_below = lows.iter().filter(|v| **v - feed <= -BELOW_FEED_K).count();
    let below_feed = lows.iter().copied().fold(f64::NAN, f64::min) - feed;
    if days_below >= 2 && by_neighbours.is_none_or(|r| r.abs() < OFFSET_K) {
        return Some(below_feed);
    }
    by_neighbours
}

pub(crate) fn residuals(ctx: Probes<'_>, p: usize) -> Vec<f64> {
    ctx.days
        .iter()
        .map(
            |d| {
                if value(&d.probe_flat_count, p) >= 3.0 {
                    value(&d.probe_flat_residual_k, p)
                } else {
                    f64::NAN
                }
            },
        )
        .collect()
}

/// The two probes that have changed places, if any.
fn exchanged(ctx: Probes<'_>) -> Option<(usize, usize)> {
    if ctx.sending() < 3 || ctx.days.len() < 4 {
        return None;
    }
    let best = best_exchange(ctx);
    (best.gain_k >= SWAP_GAIN_K).then_some((best.a, best.b))
}
