//! Draw-offs seen in the heat balance: heat that left beyond loss, noise and any steady leak.

use drawoff_contract::Utc;
use drawoff_contract::daybook::DrawNote;
use drawoff_contract::local::LocalDay;

use crate::balance::Balance;
use crate::frame::Frame;
use crate::setup::Setup;

/// Noise of a probe beside its resolution, K: the usual short-term scatter, common practice, no source.
const PROBE_NOISE_K: f64 = 0.1;
/// An interval holds a draw-off when its surplus exceeds this many standard deviations.
const DETECT_SIGMAS: f64 = 3.5;
/// While heating, the profile between the probes bends: more is asked for.
const HEATING_FACTOR: f64 = 1.6;
/// A mixing figure needs a draw-off that cools the mean by at least this much.
const MIXING_FALL_K: f64 = 0.8;

/// Standard deviation of the surplus of one interval from probe noise and resolution, Wh.
pub(crate) fn noise_wh(frame: &Frame, setup: &Setup) -> f64 {
    let resolution = resolution_k(frame);
    let probe = (PROBE_NOISE_K * PROBE_NOISE_K + resolution * resolution / 12.0).sqrt();
    let weights: f64 = setup.profile.weights().iter().map(|w| w * w).sum::<f64>();
    let water = setup.capacity_wh_per_k * probe * (2.0 * weights).sqrt();
    let meter = register_step_wh(frame);
    (water * water + meter * meter / 6.0).sqrt()
}

/// Step in which the register counts, Wh, where the balance hangs on it alone: its smallest rise.
fn register_step_wh(frame: &Frame) -> f64 {
    if frame.power.iter().any(|c| c.iter().any(|v| !v.is_nan())) {
        return 0.0;
    }
    let rises = frame.register.windows(2).map(|w| w[1] - w[0]).filter(|r| *r > 0.5);
    let least = rises.fold(f64::INFINITY, f64::min);
    // A fine register may rise by much at once; a coarse one stands on multiples of its step.
    let coarse =
        frame.register.iter().filter(|v| !v.is_nan()).all(|v| (v / least - (v / least).round()).abs() < 1e-6);
    if least.is_finite() && coarse { least } else { 0.0 }
}

/// Step in which the probes report: 1, 0.5, 0.1 K or finer.
fn resolution_k(frame: &Frame) -> f64 {
    [1.0, 0.5, 0.1]
        .into_iter()
        .find(|step| {
            frame.probes.iter().filter(|v| !v.is_nan()).all(|v| ((v / step).round() * step - v).abs() < 1e-3)
        })
        .unwrap_or(0.0)
}

/// Draw-offs of the day. `quiet_w` is the steady part of the loss, which is not drawn.
pub(crate) fn draw_offs(
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: &LocalDay,
    quiet_w: f64,
) -> Vec<DrawNote> {
    let sigma = noise_wh(frame, setup);
    let steady = quiet_w.max(0.0);
    let drawn = |k: usize| b.surplus_wh[k] - steady * b.hours[k];
    let limit = |k: usize| DETECT_SIGMAS * sigma * if b.heating[k] { HEATING_FACTOR } else { 1.0 };
    let first = frame.context.max(1);
    let mut flagged: Vec<bool> =
        (0..frame.len()).map(|k| k >= first && !b.gap[k] && drawn(k) > limit(k)).collect();
    // A draw-off that straddles a stamp leaves its smaller part in the next interval.
    for k in first..frame.len() {
        let beside = (k > first && flagged[k - 1]) || (k + 1 < frame.len() && drawn(k + 1) > limit(k + 1));
        if !flagged[k] && beside && !b.gap[k] && drawn(k) > sigma {
            flagged[k] = true;
        }
    }
    let mut out = Vec::new();
    let mut k = first;
    while k < frame.len() {
        if !flagged[k] {
            k += 1;
            continue;
        }
        let start = k;
        while k + 1 < frame.len() && flagged[k + 1] {
            k += 1;
        }
        out.push(draw_off(frame, b, setup, day, &drawn, start, k));
        k += 1;
    }
    out
}

fn draw_off(
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: &LocalDay,
    drawn: &dyn Fn(usize) -> f64,
    start: usize,
    end: usize,
) -> DrawNote {
    let mut energy = 0.0;
    let (mut weighted, mut known) = (0.0, 0.0);
    for k in start..=end {
        let wh = drawn(k);
        let outlet = outlet_degc(frame, k);
        energy += wh;
        if wh > 0.0 && !outlet.is_nan() {
            weighted += wh * outlet;
            known += wh;
        }
    }
    DrawNote {
        home: setup.home.clone(),
        day: day.day,
        start: Utc(frame.time_ms[start - 1]),
        end: Utc(frame.time_ms[end]),
        energy_kwh: energy.max(0.0) / 1000.0,
        outlet_degc: weighted / known,
        heating: (start..=end).any(|k| b.heating[k]),
    }
}

/// Temperature of the water that left over the interval: the warmer of the two ends, since the top falls as it leaves.
fn outlet_degc(frame: &Frame, k: usize) -> f64 {
    let (before, after) = (frame.at(k - 1)[0], frame.at(k)[0]);
    if before.is_nan() {
        after
    } else if after.is_nan() {
        before
    } else {
        0.6 * before.max(after) + 0.4 * before.min(after)
    }
}

/// Mixing by draw-offs: falls of the top and of the mean, summed over those from a charged cylinder.
pub(crate) fn mixing(frame: &Frame, b: &Balance, setup: &Setup, draws: &[DrawNote]) -> (f64, f64) {
    let (mut top, mut mean) = (0.0, 0.0);
    for draw in draws.iter().filter(|d| !d.heating) {
        let (Ok(s), Ok(e)) =
            (frame.time_ms.binary_search(&draw.start.0), frame.time_ms.binary_search(&draw.end.0))
        else {
            continue;
        };
        let usable = setup.profile.v40_litres(frame.at(s), setup.volume_l, 10.0);
        let left = setup.profile.v40_litres(frame.at(e), setup.volume_l, 10.0);
        let fall = b.mean[s] - b.mean[e];
        let top_fall = frame.at(s)[0] - frame.at(e)[0];
        // From a cylinder that stays well charged, a layered one gives water without cooling at the top.
        if fall >= MIXING_FALL_K
            && left >= 0.4 * usable
            && usable >= 0.4 * setup.volume_l
            && !top_fall.is_nan()
        {
            top += top_fall;
            mean += fall;
        }
    }
    (top, mean)
}

/// Mean spread between warmest and coldest probe while the cylinder is partly charged; `None` when it never is.
pub(crate) fn spread_k(frame: &Frame, b: &Balance) -> Option<f64> {
    let top = frame.probes.iter().copied().filter(|v| !v.is_nan()).fold(f64::NAN, f64::max);
    let (mut sum, mut n) = (0.0, 0.0);
    for k in frame.context..frame.len() {
        let charge = (b.mean[k] - 12.0) / (top - 12.0);
        if !(0.3..=0.75).contains(&charge) {
            continue;
        }
        let row = frame.at(k).iter().copied().filter(|v| !v.is_nan());
        let (low, high) = row.fold((f64::NAN, f64::NAN), |(l, h), v| (v.min(l), v.max(h)));
        sum += high - low;
        n += 1.0;
    }
    (n >= 6.0).then(|| sum / n)
}
