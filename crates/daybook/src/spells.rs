//! Idle segments with their cooling, and heating spells; both cut at local midnight.

use drawoff_contract::Utc;
use drawoff_contract::daybook::SpellNote;
use drawoff_contract::local::{LocalDay, minute_of_day};
use drawoff_tank::profile::MOST_PROBES;

use crate::balance::Balance;
use crate::frame::Frame;
use crate::setup::Setup;

/// After heating, plume, wall and foam need this long before the water cools by the insulation alone.
const SETTLE_MS: i64 = 45 * 60_000;
/// Length of an idle segment: long against noise and resolution, short against the night.
const IDLE_MS: i64 = 90 * 60_000;
/// A shorter remainder still counts from this length.
const SHORTEST_IDLE_MS: i64 = 60 * 60_000;
/// Lengths of the windows whose lower quantile is the quiet loss: long against noise, and while heating short enough
/// to fit a reheat that makes up for standing loss alone.
const QUIET_H: f64 = 2.0;
const QUIET_HEATING_H: f64 = 0.25;
/// The night, local minutes of the day.
const NIGHT_START_MIN: u32 = 22 * 60;
const NIGHT_END_MIN: u32 = 6 * 60;
/// Lower quantile: below what draw-offs reach, above what noise reaches.
const QUIET_QUANTILE: f64 = 0.2;
const MS_PER_DAY: i64 = 86_400_000;

fn f32s(values: impl Iterator<Item = f64>) -> Vec<f32> {
    values.map(|v| v as f32).collect()
}

fn empty(setup: &Setup, day: &LocalDay, kind: &str) -> SpellNote {
    SpellNote {
        home: setup.home.clone(),
        day: day.day,
        kind: kind.to_owned(),
        start: Utc(0),
        end: Utc(0),
        from_yesterday: false,
        to_tomorrow: false,
        level_degc: Vec::new(),
        slope_or_stop: Vec::new(),
        surroundings_degc: None,
        energy_kwh: None,
        rise_k: None,
        stop_degc: None,
        element: None,
        power_w: None,
        call_ended: false,
        called: None,
        net_out_w: None,
    }
}

/// Idle runs of at least an hour, cut to an hour and a half.
pub(crate) fn idle_segments(frame: &Frame, b: &Balance, setup: &Setup, day: &LocalDay) -> Vec<SpellNote> {
    let mut out = Vec::new();
    let mut start: Option<usize> = None;
    // What happened before the first instant is unknown: water needs its time to settle from there too.
    let mut last_heat = frame.time_ms.first().copied().unwrap_or(0);
    for k in 0..=frame.len() {
        let idle = k < frame.len() && {
            let stirred = b.heating[k] || (k > 0 && b.heater_known && b.heater_wh[k].is_nan() && b.gap[k]);
            if stirred {
                last_heat = frame.time_ms[k];
            }
            k >= frame.context && !b.mean[k].is_nan() && frame.time_ms[k] - last_heat >= SETTLE_MS
        };
        let joined =
            start.is_some_and(|s| idle && !b.gap[k] && frame.time_ms[k] - frame.time_ms[s] <= IDLE_MS);
        if joined {
            continue;
        }
        if let Some(s) = start {
            let end = k - 1;
            if frame.time_ms[end] - frame.time_ms[s] >= SHORTEST_IDLE_MS && end >= s + 2 {
                out.push(idle_segment(frame, b, setup, day, s, end));
            }
            // A full segment hands its last instant on as the start of the next.
            start = (idle && !b.gap[k] && k > 0).then(|| k - 1);
        }
        if start.is_none() && idle {
            start = Some(k);
        }
    }
    out
}

fn idle_segment(frame: &Frame, b: &Balance, setup: &Setup, day: &LocalDay, s: usize, e: usize) -> SpellNote {
    let hours: Vec<f64> =
        (s..=e).map(|k| (frame.time_ms[k] - frame.time_ms[s]) as f64 / 3_600_000.0).collect();
    let fits = lines(&hours, &frame.probes[s * frame.width..(e + 1) * frame.width], frame.width);
    let (mut room_sum, mut rooms) = (0.0, 0.0);
    for room in frame.surroundings[s..=e].iter().filter(|v| !v.is_nan()) {
        room_sum += room;
        rooms += 1.0;
    }
    let lost: f64 = b.surplus_wh[s + 1..=e].iter().sum();
    let length = hours.last().copied().unwrap_or(f64::NAN);
    SpellNote {
        start: Utc(frame.time_ms[s]),
        end: Utc(frame.time_ms[e]),
        level_degc: f32s(fits.iter().map(|f| f.0)),
        slope_or_stop: f32s(fits.iter().map(|f| f.1)),
        surroundings_degc: (rooms > 0.0).then(|| room_sum / rooms),
        net_out_w: Some(lost / length).filter(|v| v.is_finite()),
        ..empty(setup, day, "idle")
    }
}

/// Mean and least-squares slope of each probe; `rows` are instant-major.
fn lines(x: &[f64], rows: &[f64], width: usize) -> Vec<(f64, f64)> {
    let n = x.len() as f64;
    if rows.iter().sum::<f64>().is_nan() || x.len() < 3 {
        let column = |p: usize| rows.iter().skip(p).step_by(width).copied().collect::<Vec<f64>>();
        return (0..width).map(|p| line(x, &column(p))).collect();
    }
    // All values are there: the sums over time are the same for every probe.
    let mx = x.iter().sum::<f64>() / n;
    let sxx: f64 = x.iter().map(|x| (x - mx) * (x - mx)).sum();
    let mut means = [0.0; MOST_PROBES];
    for row in rows.chunks_exact(width) {
        means.iter_mut().zip(row).for_each(|(sum, y)| *sum += y);
    }
    means.iter_mut().for_each(|sum| *sum /= n);
    let mut products = [0.0; MOST_PROBES];
    for (row, x) in rows.chunks_exact(width).zip(x) {
        let from_middle = x - mx;
        for ((sum, mean), y) in products.iter_mut().zip(&means).zip(row) {
            *sum += from_middle * (y - mean);
        }
    }
    means.iter().zip(products).take(width).map(|(mean, sxy)| (*mean, sxy / sxx)).collect()
}

/// Mean and least-squares slope; NaN when more than a fifth of the values is missing.
fn line(x: &[f64], y: &[f64]) -> (f64, f64) {
    let good: Vec<usize> = (0..y.len()).filter(|&i| !y[i].is_nan()).collect();
    if good.len() * 5 < y.len() * 4 || good.len() < 3 {
        return (f64::NAN, f64::NAN);
    }
    let n = good.len() as f64;
    let mx = good.iter().map(|&i| x[i]).sum::<f64>() / n;
    let my = good.iter().map(|&i| y[i]).sum::<f64>() / n;
    let sxx: f64 = good.iter().map(|&i| (x[i] - mx) * (x[i] - mx)).sum();
    let sxy: f64 = good.iter().map(|&i| (x[i] - mx) * (y[i] - my)).sum();
    (my, sxy / sxx)
}

/// Heating spells of the day.
pub(crate) fn heat_spells(
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: &LocalDay,
    cadence_ms: i64,
) -> Vec<SpellNote> {
    let mut out = Vec::new();
    let mut k = frame.context.max(1);
    while k < frame.len() {
        if !b.heating[k] {
            k += 1;
            continue;
        }
        let first = k;
        while k + 1 < frame.len() && b.heating[k + 1] && !b.gap[k + 1] {
            k += 1;
        }
        out.push(heat_spell(frame, b, setup, day, cadence_ms, first, k));
        k += 1;
    }
    out
}

fn heat_spell(
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: &LocalDay,
    cadence_ms: i64,
    first: usize,
    last: usize,
) -> SpellNote {
    let energy: f64 = (first..=last).map(|k| b.heater_wh[k]).sum();
    let called: Vec<bool> = (first - 1..last)
        .filter(|&k| frame.call.iter().any(|c| !c[k].is_nan()))
        .map(|k| frame.call.iter().any(|c| c[k] > 0.5))
        .collect();
    let element = element_of(frame, setup, first, last);
    let height = setup.element_height(element.unwrap_or(0));
    let end_row = frame.at(last);
    let stop = (0..frame.width)
        .rev()
        .find(|&p| setup.heights[p] >= height && !end_row[p].is_nan())
        .map(|p| end_row[p]);
    let mut powers: Vec<f64> =
        (first + 1..last).map(|k| b.heater_wh[k] / b.hours[k]).filter(|v| !v.is_nan()).collect();
    let ends_day = last + 1 == frame.len();
    let windows = quiet_windows(b, first + 1, last, QUIET_HEATING_H);
    SpellNote {
        start: Utc(frame.time_ms[first - 1]),
        end: Utc(frame.time_ms[last]),
        from_yesterday: first == frame.context && first > 1 && b.heating[first - 1] && !b.gap[first],
        to_tomorrow: ends_day && day.end_ms - frame.time_ms[last] < cadence_ms,
        level_degc: f32s(
            (0..frame.width)
                .map(|p| (first..=last).map(|k| frame.at(k)[p]).sum::<f64>() / (last + 1 - first) as f64),
        ),
        slope_or_stop: f32s(end_row.iter().copied()),
        energy_kwh: Some(energy / 1000.0).filter(|v| v.is_finite()),
        rise_k: Some(b.mean[last] - b.mean[first - 1]).filter(|v| v.is_finite()),
        stop_degc: stop,
        element: element.and_then(|e| i64::try_from(e).ok()),
        power_w: quantile(&mut powers, 0.5),
        call_ended: !ends_day && !b.gap[last + 1] && {
            let after = |k: usize| frame.call.iter().all(|c| c[k].is_nan() || c[k] < 0.5);
            after(last) || after(last + 1)
        },
        called: (!called.is_empty()).then(|| called.iter().filter(|c| **c).count() * 2 > called.len()),
        net_out_w: lower_quantile(windows),
        ..empty(setup, day, "heat")
    }
}

/// The element that took most of the energy of a spell; without power by element, the called one, or the only one.
fn element_of(frame: &Frame, setup: &Setup, first: usize, last: usize) -> Option<usize> {
    let total = |column: &Vec<f64>| (first..=last).map(|k| column[k]).filter(|v| !v.is_nan()).sum::<f64>();
    let power = [total(&frame.power[0]), total(&frame.power[1])];
    let call = [total(&frame.call[0]), total(&frame.call[1])];
    for pair in [power, call] {
        if pair[0] + pair[1] > 0.0 {
            return Some(usize::from(pair[1] > pair[0]));
        }
    }
    match setup.elements.as_slice() {
        [only] => Some(usize::from(only.index)),
        _ => None,
    }
}

/// Mean power leaving over windows of `hours` in the unbroken run `first..=last`, less the declared loss, W.
fn quiet_windows(b: &Balance, first: usize, last: usize, hours: f64) -> Vec<f64> {
    let mut out = Vec::new();
    let (mut sum, mut length) = (0.0, 0.0);
    for k in first..=last {
        sum += b.surplus_wh[k];
        length += b.hours[k];
        if sum.is_nan() {
            (sum, length) = (0.0, 0.0);
        }
        if length >= hours - 1e-6 {
            out.push(sum / length);
            (sum, length) = (0.0, 0.0);
        }
    }
    out
}

fn lower_quantile(mut windows: Vec<f64>) -> Option<f64> {
    if windows.len() < 3 {
        return None;
    }
    quantile(&mut windows, QUIET_QUANTILE)
}

/// Quantile by sorting; `None` of nothing.
pub(crate) fn quantile(values: &mut [f64], q: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let at = q * (values.len() - 1) as f64;
    let (low, high) = (at.floor() as usize, at.ceil() as usize);
    Some(values[low] + (values[high] - values[low]) * (at - at.floor()))
}

/// Lower quantiles of what leaves besides the declared loss, W.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Quiet {
    /// Over all windows of the day.
    pub(crate) all: Option<f64>,
    /// Over windows between 22 and 6 o'clock.
    pub(crate) night: Option<f64>,
    /// Over the other windows.
    pub(crate) day: Option<f64>,
    /// While heating.
    pub(crate) heating: Option<f64>,
    /// As water leaving at the top, l/min: by night and by day, over windows with a hot top.
    pub(crate) night_flow: Option<f64>,
    pub(crate) day_flow: Option<f64>,
}

/// Feed temperature by which a loss becomes litres: the middle of the year's mains, and near enough for a lower quantile.
const FEED_DEGC: f64 = 10.0;
/// Below this the top is no longer hot water, and what leaves carries too little heat to be seen.
const HOT_TOP_DEGC: f64 = 32.0;

/// Whether the interval that ends at each instant lies in the night.
fn nights(frame: &Frame, setup: &Setup, local: &LocalDay) -> Vec<bool> {
    let is_night = |minute: u32| !(NIGHT_END_MIN..NIGHT_START_MIN).contains(&minute);
    let own = local.start_ms..local.end_ms;
    // A day of 24 hours keeps its offset, so the clock is read off the time since midnight.
    let steady = local.end_ms - local.start_ms == MS_PER_DAY
        && minute_of_day(setup.zone, local.start_ms) == 0
        && minute_of_day(setup.zone, local.end_ms - 60_000) == 1439;
    let minute = |ms: i64| {
        let since_min = (ms - local.start_ms).div_euclid(60_000);
        match u32::try_from(since_min) {
            Ok(minute) if steady && own.contains(&ms) => minute,
            _ => minute_of_day(setup.zone, ms),
        }
    };
    // Nobody asks for the day before.
    let of = |k: usize| k >= frame.context && is_night(minute(frame.time_ms[k] - 1));
    (0..frame.len()).map(of).collect()
}

/// Quiet losses of the day. The balance closes whether or not the heater runs, so both count for the long windows.
pub(crate) fn quiet_losses(frame: &Frame, b: &Balance, setup: &Setup, local: &LocalDay) -> Quiet {
    let night_at = nights(frame, setup, local);
    let is_night = |k: usize| night_at[k];
    let start = frame.context.max(1);
    let (mut night, mut day, mut heating) = (Vec::new(), Vec::new(), Vec::new());
    let (mut night_flow, mut day_flow) = (Vec::new(), Vec::new());
    runs(
        start,
        frame.len(),
        |k| (b.gap[k], is_night(k)),
        |first, last| {
            if !b.gap[first] {
                let windows = quiet_windows(b, first, last, QUIET_H);
                let flows = quiet_flows(frame, b, setup, first, last);
                if is_night(first) {
                    night.extend(windows);
                    night_flow.extend(flows);
                } else {
                    day.extend(windows);
                    day_flow.extend(flows);
                }
            }
        },
    );
    runs(
        start,
        frame.len(),
        |k| (b.gap[k], b.heating[k]),
        |first, last| {
            if b.heating[first] {
                // The first interval is heated in part only.
                heating.extend(quiet_windows(b, first + 1, last, QUIET_HEATING_H));
            }
        },
    );
    let all: Vec<f64> = night.iter().chain(&day).copied().collect();
    Quiet {
        all: lower_quantile(all),
        night: lower_quantile(night),
        day: lower_quantile(day),
        heating: lower_quantile(heating),
        night_flow: lower_quantile(night_flow),
        day_flow: lower_quantile(day_flow),
    }
}

/// Water leaving at the top over windows of an hour with a hot top, l/min, in the unbroken run `first..=last`.
fn quiet_flows(frame: &Frame, b: &Balance, setup: &Setup, first: usize, last: usize) -> Vec<f64> {
    let mut out = Vec::new();
    let (mut sum, mut length, mut top) = (0.0, 0.0, f64::INFINITY);
    for k in first..=last {
        sum += b.surplus_wh[k];
        length += b.hours[k];
        top = top.min(frame.at(k)[0]);
        if sum.is_nan() {
            (sum, length, top) = (0.0, 0.0, f64::INFINITY);
        }
        if length >= 1.0 - 1e-6 {
            if top >= HOT_TOP_DEGC && top.is_finite() {
                out.push(sum / length / (60.0 * setup.water.heat_wh_per_l(FEED_DEGC, top)));
            }
            (sum, length, top) = (0.0, 0.0, f64::INFINITY);
        }
    }
    out
}

/// Calls `each` with the first and last index of every run of equal keys.
fn runs<K: PartialEq>(from: usize, to: usize, key: impl Fn(usize) -> K, mut each: impl FnMut(usize, usize)) {
    let mut first = from;
    while first < to {
        let state = key(first);
        let mut last = first;
        while last + 1 < to && key(last + 1) == state {
            last += 1;
        }
        each(first, last);
        first = last + 1;
    }
}
