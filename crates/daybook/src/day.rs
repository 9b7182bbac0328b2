//! One local day: rows in, its notes out.

use drawoff_contract::account::{Account, count_home};
use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::local::LocalDay;
use drawoff_contract::{HomeRows, Mask, Series, Utc};

use crate::balance::{Balance, balance};
use crate::draws::{draw_offs, mixing, probe_sigma_k, register_step_wh, spread_k};
use crate::frame::Frame;
use crate::half_hours::{half_hours, is_last_of_slot};
use crate::masks::{MaskMemory, mask_frozen, mask_register, mask_spikes};
use crate::metered::metered;
use crate::probes::{Runs, follow_runs, probe_day};
use crate::setup::Setup;
use crate::signs::signs;
use crate::spells::{heat_spells, idle_segments, quantile, quiet_losses};
use crate::track::{self, Followed, Follower};

/// What one day hands to the next.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Carry {
    pub(crate) tail: Frame,
    pub(crate) runs: Runs,
    pub(crate) masks: MaskMemory,
    pub(crate) cadence_ms: i64,
    pub(crate) last_stamp_ms: Option<i64>,
    pub(crate) follower: Follower,
    /// Lowest reading of the lowest probe in each of the last days, degC.
    pub(crate) lows_degc: Vec<f64>,
}

/// Days over which the lowest reading stands for the cold feed.
const FEED_DAYS: usize = 7;
/// The feed is no warmer, whatever an always hot cylinder shows at its base, degC: common practice, no source.
const WARMEST_FEED_DEGC: f64 = 14.0;

/// Water this little above the feed leaves without a trace in the heat, K.
const UNSEEN_LIFT_K: f64 = 15.0;

/// Hours in which the water at the top is hardly warmer than the feed: after a run-out further litres carry no heat.
fn unseen_hours(frame: &Frame, b: &Balance, feed_degc: f64) -> f64 {
    let top = |k: usize| frame.at(k).iter().copied().find(|v| !v.is_nan());
    (frame.context.max(1)..frame.len())
        .filter(|&k| !b.gap[k] && top(k).is_some_and(|t| t < feed_degc + UNSEEN_LIFT_K))
        .map(|k| b.hours[k])
        .sum()
}

/// Cold feed as the lowest probe has shown it in the last days, degC; remembers this day's.
fn feed_degc(frame: &Frame, lows_degc: &mut Vec<f64>) -> f64 {
    let lowest = |k: usize| frame.at(k).iter().rev().copied().find(|v| !v.is_nan());
    let low = (frame.context..frame.len()).filter_map(lowest).fold(f64::INFINITY, f64::min);
    lows_degc.push(low);
    if lows_degc.len() > FEED_DAYS {
        lows_degc.remove(0);
    }
    lows_degc.iter().copied().fold(WARMEST_FEED_DEGC, f64::min)
}

impl Carry {
    pub(crate) fn new() -> Self {
        Self { cadence_ms: 300_000, ..Self::default() }
    }
}

pub(crate) struct DayNotes {
    pub(crate) day: DayNote,
    pub(crate) spells: Vec<SpellNote>,
    pub(crate) draws: Vec<DrawNote>,
}

/// Reduces the rows of one day; sets masks, counts rows into `accounts`, moves `carry` on.
pub(crate) fn reduce_day(
    setup: &Setup,
    day: &LocalDay,
    rows: &mut HomeRows,
    carry: &mut Carry,
    accounts: &mut [Account],
) -> DayNotes {
    let falls = mask_register(rows, &mut carry.masks);
    mask_spikes(rows, setup.probes());
    let mut frame = Frame::of_day(&carry.tail, rows, setup.probes());
    let (frozen_hours, frozen_moved) = follow_runs(&frame, setup, &mut carry.runs);
    if mask_frozen_probes(rows, &frame, carry) {
        frame = Frame::of_day(&carry.tail, rows, setup.probes());
    }
    count_home(rows, accounts);
    let cadence_ms = frame.cadence_ms(carry.cadence_ms);
    let b = balance(&frame, setup, cadence_ms);
    let spells_heat = heat_spells(&frame, &b, setup, day, cadence_ms);
    let mut spells = idle_segments(&frame, &b, setup, day);
    spells.extend(spells_heat);
    let quiet = quiet_losses(&frame, &b, setup, day);
    let feed_degc = feed_degc(&frame, &mut carry.lows_degc);
    let steady_w = quiet.all.unwrap_or(0.0);
    let held = track::Day {
        feed_degc,
        steady_w,
        probe_sigma_k: probe_sigma_k(&frame),
        register_step_wh: register_step_wh(&frame),
    };
    let followed = if setup.follow_water {
        track::follow(&mut carry.follower, &frame, &b, setup, held, |k| is_last_of_slot(&frame, day, k))
    } else {
        Followed::nothing(frame.len())
    };
    let draws = draw_offs(&frame, &b, setup, day, &followed.drawn, feed_degc);
    let (draw_top_fall_k, draw_mean_fall_k) = mixing(&frame, &b, setup, &draws);
    let probes = probe_day(&frame, &heated_from(&frame, &b, setup), setup);
    let halves = half_hours(&frame, &b, setup, day, &followed);
    let (gap_min, gap_end) = longest_gap(&frame, carry.last_stamp_ms, cadence_ms);
    let elements = elements(&frame, &b, setup);
    let signs = signs(&frame, &b, setup, &followed.drawn);
    let meter = metered(&frame, &b, day, cadence_ms);
    let skin = setup.skin_shares.iter().fold(0.0, |sum, share| sum + share);
    let note = DayNote {
        home: setup.home.clone(),
        day: day.day,
        day_start_utc: Utc(day.start_ms),
        hours: day.hours(),
        cadence_min: cadence_ms as f64 / 60_000.0,
        instants: (frame.context..frame.len()).filter(|&i| frame.at(i).iter().any(|v| !v.is_nan())).count()
            as i64,
        instants_expected: (day.end_ms - day.start_ms) / cadence_ms.max(1),
        doubled: doubled(rows),
        longest_gap_min: gap_min,
        longest_gap_end: gap_end,
        register_falls: frame.register.iter().any(|v| !v.is_nan()).then_some(falls),
        heater_kwh: sum_known(&halves.heater_kwh),
        mean_degc: mean_of((frame.context..frame.len()).map(|k| b.mean[k])),
        skin_degc: mean_of(
            (frame.context..frame.len()).map(|k| weighted(frame.at(k), &setup.skin_shares, skin)),
        ),
        surroundings_degc: mean_of((frame.context..frame.len()).map(|k| frame.surroundings[k])),
        surroundings_by_half_hour: halves.surroundings,
        stored_kwh_by_half_hour: halves.stored_kwh,
        heater_kwh_by_half_hour: halves.heater_kwh,
        net_out_kwh_by_half_hour: halves.net_out_kwh,
        net_out_hours_by_half_hour: halves.net_out_hours,
        mean_degc_by_half_hour: halves.mean_degc,
        top_degc_by_half_hour: halves.top_degc,
        v40_by_half_hour: halves.v40,
        probe_min_degc: probes.min,
        probe_mean_degc: probes.mean,
        probe_max_degc: probes.max,
        probe_frozen_hours: frozen_hours,
        probe_frozen_expected_k: frozen_moved,
        probe_flat_residual_k: probes.flat_residual_k,
        probe_flat_count: probes.flat_count,
        probe_flat_scatter_k: probes.flat_scatter_k,
        probe_inversion_k: probes.inversion_k,
        element_call_hours: elements.call_hours,
        element_dead_hours: elements.dead_hours,
        element_on_hours: elements.on_hours,
        element_full_power_w: elements.full_power_w,
        element_uncalled_hours: elements.uncalled_hours,
        draw_top_fall_k,
        draw_mean_fall_k,
        spread_k: spread_k(&frame, &b),
        quiet_w: quiet.all,
        quiet_night_w: quiet.night,
        quiet_day_w: quiet.day,
        quiet_night_l_per_min: quiet.night_flow,
        quiet_day_l_per_min: quiet.day_flow,
        least_seen_l: followed.least_seen_l,
        power_gain: followed.power_gain,
        drawn_feed_degc: followed.feed.map(|f| f.0),
        drawn_feed_se_k: followed.feed.map(|f| f.1),
        unseen_hours: unseen_hours(&frame, &b, feed_degc),
        heating_quiet_w: quiet.heating,
        element_kwh: signs.element_kwh,
        element_starts_in_hour: signs.starts_in_hour,
        called_still_hours: signs.called_still_hours,
        called_still_kwh: signs.called_still_kwh,
        pump_hours: signs.pump_hours,
        pump_alone_hours: signs.pump_alone_hours,
        exchanger_units: signs.exchanger_units,
        export_kwh: signs.export_kwh,
        export_with_room_kwh: signs.export_with_room_kwh,
        probe_dose_decades: signs.dose_decades,
        probe_growth_hours: signs.growth_hours,
        run_outs: signs.run_outs,
        scald_hours: signs.scald_hours,
        register_over_power: signs.register_over_power,
        metered_l: meter.litres,
        metered_hours: meter.hours,
        metered_start_s: meter.start_s,
        metered_end_s: meter.end_s,
        metered_draw_l: meter.draw_l,
        metered_outlet_degc: meter.outlet_degc,
    };
    carry.last_stamp_ms = frame.time_ms.last().copied().or(carry.last_stamp_ms);
    carry.cadence_ms = cadence_ms;
    carry.tail = frame.tail();
    DayNotes { day: note, spells, draws }
}

fn mask_frozen_probes(rows: &mut HomeRows, frame: &Frame, carry: &Carry) -> bool {
    let Some(&end) = frame.time_ms.last() else { return false };
    let mut any = false;
    for (p, run) in carry.runs.iter().enumerate() {
        if let Some(run) = run.filter(|r| r.is_frozen(end)) {
            mask_frozen(rows, p, run.since_ms);
            any = true;
        }
    }
    any
}

fn mean_of(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (mut sum, mut n) = (0.0, 0.0);
    for v in values.filter(|v| !v.is_nan()) {
        sum += v;
        n += 1.0;
    }
    (n > 0.0).then(|| sum / n)
}

/// Mean of what is there by share; `all` is the sum of the shares.
fn weighted(row: &[f64], shares: &[f64], all: f64) -> f64 {
    let sum: f64 = row.iter().zip(shares).fold(0.0, |sum, (v, s)| sum + v * s);
    if !sum.is_nan() {
        return sum / all;
    }
    let (mut sum, mut share) = (0.0, 0.0);
    for (v, s) in row.iter().zip(shares).filter(|(v, _)| !v.is_nan()) {
        sum += v * s;
        share += s;
    }
    sum / share
}

fn sum_known(values: &[f32]) -> Option<f64> {
    let known: Vec<f64> = values.iter().filter(|v| !v.is_nan()).map(|v| f64::from(*v)).collect();
    (!known.is_empty()).then(|| known.iter().sum())
}

/// Instants whose stamp came twice: masked copies whose value differs from the copy that is used.
fn doubled(rows: &HomeRows) -> i64 {
    if rows.time_ms.windows(2).all(|w| w[0] < w[1]) {
        return 0;
    }
    let mut last = None;
    let mut count = 0;
    for i in 0..rows.len() {
        let differs = |s: &Series| {
            let used = (i + 1..rows.len())
                .take_while(|&j| rows.time_ms[j] == rows.time_ms[i])
                .find(|&j| s.mask[j] != Mask::Duplicate && s.mask[j] != Mask::Absent);
            s.mask[i] == Mask::Duplicate && used.is_some_and(|j| s.value[j] != s.value[i])
        };
        let copied = rows.series.iter().flatten().any(differs);
        if copied && last != Some(rows.time_ms[i]) {
            count += 1;
            last = Some(rows.time_ms[i]);
        }
    }
    count
}

fn longest_gap(frame: &Frame, last_stamp_ms: Option<i64>, cadence_ms: i64) -> (f64, Option<Utc>) {
    let mut before = last_stamp_ms;
    let (mut longest, mut end) = (0, None);
    for &t in &frame.time_ms[frame.context..] {
        if let Some(b) = before
            && t - b > longest
            && t - b > 2 * cadence_ms
        {
            longest = t - b;
            end = Some(Utc(t));
        }
        before = Some(t);
    }
    (longest as f64 / 60_000.0, end)
}

/// For each instant, the height of the element that heats then or did within the last quarter of an hour.
fn heated_from(frame: &Frame, b: &Balance, setup: &Setup) -> Vec<Option<f64>> {
    let mut last: Option<(i64, f64)> = None;
    (0..frame.len())
        .map(|k| {
            if b.heating[k] {
                let upper =
                    frame.power[1][k] > 50.0 || (frame.power[1][k].is_nan() && frame.call[1][k] > 0.5);
                let lower =
                    frame.power[0][k] > 50.0 || (frame.power[0][k].is_nan() && frame.call[0][k] > 0.5);
                let only = (setup.elements.len() == 1).then(|| usize::from(setup.elements[0].index));
                let element = only.unwrap_or(usize::from(upper && !lower));
                last = Some((frame.time_ms[k], setup.element_height(element)));
            }
            last.filter(|(t, _)| frame.time_ms[k] - t <= 15 * 60_000).map(|(_, h)| h)
        })
        .collect()
}

/// Share of full power over a whole interval that only a heater on from end to end reaches.
const UNCALLED_SHARE: f64 = 0.93;

/// Full power, but not far below the rating, where the day has shown `seen` so far as the most of `times` intervals; where too
/// little is seen, the rating, W.
fn full_w(rated: f64, seen: f64, times: usize) -> f64 {
    if times < 3 {
        return if rated.is_finite() { rated } else { f64::INFINITY };
    }
    // A surplus diverter runs below the rating without a call by design; a heater left on runs at full power.
    if rated.is_finite() { seen.max(0.6 * rated) } else { seen }
}

#[derive(Default)]
struct Elements {
    call_hours: Vec<f32>,
    dead_hours: Vec<f32>,
    on_hours: Vec<f32>,
    full_power_w: Vec<f32>,
    uncalled_hours: Vec<f32>,
}

/// Hours of each element; NaN where call or power is not in the export.
fn elements(frame: &Frame, b: &Balance, setup: &Setup) -> Elements {
    let mut out = Elements::default();
    for e in 0..2 {
        let rated = setup.rated_w(e);
        let (mut call, mut dead, mut on, mut uncalled) = (f64::NAN, f64::NAN, f64::NAN, f64::NAN);
        let (mut full, mut seen) = (Vec::new(), 0.0_f64);
        let add = |sum: &mut f64, hours: f64| *sum = if sum.is_nan() { hours } else { *sum + hours };
        for k in frame.context.max(1)..frame.len() {
            if b.gap[k] {
                continue;
            }
            let (c0, c1, p) = (frame.call[e][k - 1], frame.call[e][k], frame.power[e][k]);
            let called = c0 > 0.5 && c1 > 0.5;
            if !c0.is_nan() && !c1.is_nan() {
                add(&mut call, if called { b.hours[k] } else { 0.0 });
            }
            if p.is_nan() {
                continue;
            }
            let powered = p > 100.0;
            add(&mut on, if powered { b.hours[k] } else { 0.0 });
            if !c0.is_nan() && !c1.is_nan() {
                let limit = if rated.is_finite() { 0.1 * rated } else { 200.0 };
                add(&mut dead, if called && p < limit { b.hours[k] } else { 0.0 });
                // Short heats between two stamps leave no call at either and fill the interval in part only: at full
                // power from end to end, uncalled at both, the heater ran without a call.
                // Two such intervals in a row: one may hide a call that fell at both stamps by chance.
                let limit_w = UNCALLED_SHARE * full_w(rated, seen, full.len());
                let silent = |i: usize| frame.call[e][i] < 0.5;
                let full_at =
                    |i: usize| i > 0 && i < frame.len() && !b.gap[i] && frame.power[e][i] >= limit_w;
                let beside = (full_at(k - 1) && k >= 2 && silent(k - 2))
                    || (k + 1 < frame.len() && full_at(k + 1) && silent(k + 1));
                let through = c0 < 0.5 && c1 < 0.5 && p >= limit_w && beside;
                add(&mut uncalled, if through { b.hours[k] } else { 0.0 });
                if called && powered {
                    full.push(p);
                    seen = seen.max(p);
                }
            } else if frame.power[e][k - 1] > 100.0 && powered {
                full.push(p);
                seen = seen.max(p);
            }
        }
        out.call_hours.push(call as f32);
        out.dead_hours.push(dead as f32);
        out.on_hours.push(on as f32);
        out.uncalled_hours.push(uncalled as f32);
        out.full_power_w.push(quantile(&mut full, 0.5).unwrap_or(f64::NAN) as f32);
    }
    out
}
