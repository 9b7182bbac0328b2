//! Draw-offs of the day: intervals in a row in which following the water shows that some left.

use drawoff_contract::Utc;
use drawoff_contract::daybook::DrawNote;
use drawoff_contract::local::LocalDay;

use crate::balance::Balance;
use crate::frame::Frame;
use crate::setup::Setup;
use crate::track::Drawn;

/// Noise of a probe beside its resolution, K: the usual short-term scatter, common practice, no source.
const PROBE_NOISE_K: f64 = 0.1;
/// A mixing figure needs a draw-off that cools the mean by at least this much.
const MIXING_FALL_K: f64 = 0.8;

/// Step in which the register counts, Wh, where the balance hangs on it alone: its smallest rise; 0 for a fine one.
pub(crate) fn register_step_wh(frame: &Frame) -> f64 {
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
    let on_steps = |step: f64| {
        let per_k = (1.0 / step).round();
        let off = |v: f64| (nearest(v * per_k) * step - v).abs() >= 1e-3;
        // Piece by piece, so that a fine step is found at once and the many values of a coarse one are looked at side by side.
        frame.probes.chunks(64).all(|piece| !piece.iter().fold(false, |any, &v| any | off(v)))
    };
    [1.0, 0.5, 0.1].into_iter().find(|step| on_steps(*step)).unwrap_or(0.0)
}

/// The nearest whole number, for less than 2^51; NaN for NaN. Halves go to the even one.
fn nearest(value: f64) -> f64 {
    // Half again 2^52: adding it leaves no bits for a fraction.
    const NO_FRACTION: f64 = 6_755_399_441_055_744.0;
    (value + NO_FRACTION) - NO_FRACTION
}

/// Standard deviation of one reading of a probe about the water, K.
pub(crate) fn probe_sigma_k(frame: &Frame) -> f64 {
    let resolution = resolution_k(frame);
    (PROBE_NOISE_K * PROBE_NOISE_K + resolution * resolution / 12.0).sqrt()
}

/// Draw-offs of the day: intervals in a row in which water left.
pub(crate) fn draw_offs(
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: &LocalDay,
    drawn: &[Drawn],
    feed_degc: f64,
) -> Vec<DrawNote> {
    let mut out = Vec::new();
    let mut k = frame.context.max(1);
    while k < frame.len() {
        if drawn[k].litres <= 0.0 {
            k += 1;
            continue;
        }
        let start = k;
        // What a silence hides stands apart from what was seen on either side.
        while k + 1 < frame.len() && drawn[k + 1].litres > 0.0 && !b.gap[k] && !b.gap[k + 1] {
            k += 1;
        }
        let part = &drawn[start..=k];
        let litres: f64 = part.iter().map(|d| d.litres).sum();
        let outlet_degc = part.iter().map(|d| d.litres * d.outlet_degc).sum::<f64>() / litres;
        out.push(DrawNote {
            home: setup.home.clone(),
            day: day.day,
            start: Utc(frame.time_ms[start - 1]),
            end: Utc(frame.time_ms[k]),
            energy_kwh: litres * setup.capacity_wh_per_k / setup.volume_l
                * (outlet_degc - feed_degc).max(0.0)
                / 1000.0,
            litres,
            outlet_degc,
            heating: (start..=k).any(|i| b.heating[i]),
        });
        k += 1;
    }
    out
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
    // NaN is passed over by both.
    let warmer = |most: f64, v: f64| if v > most { v } else { most };
    let colder = |least: f64, v: f64| if v < least { v } else { least };
    let top = frame.probes.iter().copied().fold(f64::NEG_INFINITY, warmer);
    let (mut sum, mut n) = (0.0, 0.0);
    for k in frame.context..frame.len() {
        let charge = (b.mean[k] - 12.0) / (top - 12.0);
        if !(0.3..=0.75).contains(&charge) {
            continue;
        }
        let row = frame.at(k).iter().copied();
        sum += row.clone().fold(f64::NEG_INFINITY, warmer) - row.fold(f64::INFINITY, colder);
        n += 1.0;
    }
    (n >= 6.0).then(|| sum / n)
}
