//! Follows the water of a cylinder from reading to reading, and says where a draw-off explains what changed.
//!
//! A column of layers is moved on by what is known (heater, loss, conduction, a steady leak). Where the next readings differ
//! from it by more than they scatter, draw-offs of many sizes are tried and the size that explains the readings best is
//! taken. Then the column is brought to agree with the readings: its water is moved up or down where the temperature changes
//! with height, and warmed or cooled where it does not. So the place and the sharpness of a cold front are known between
//! probes, where a straight line from probe to probe would make heat appear and vanish.

mod agree;
mod explain;
mod power;

use drawoff_tank::column::{Column, Heat};

use crate::balance::Balance;
use crate::frame::Frame;
use crate::setup::Setup;
use explain::{Explained, Known, Scatter, explain, least_seen_l};
use power::PowerGain;

/// Heat that readings show to be missing up to so long after a draw-off belongs to it: a front that lay between probes has
/// reached one.
const OWED_MS: i64 = 2 * 3_600_000;
/// What is owed makes a draw-off at most so many times smaller or larger.
const OWED_RANGE: (f64, f64) = (0.3, 3.0);
/// Water that leaves no warmer above the feed than this carries too little heat to tell litres by, K.
const LEAST_LIFT_K: f64 = 10.0;
/// Heat from a coarse register is off by its step over the root of six, as a difference of two roundings; a draw-off must
/// exceed that by so many times.
const COARSE_SIGMAS: f64 = 3.5;
/// Cold feed that V40 is told for, degC.
const V40_FEED_DEGC: f64 = 10.0;
/// How often the smallest draw-off that would be seen is asked for, ms.
const ASK_EVERY_MS: i64 = 3 * 3_600_000;

/// What is carried from one interval to the next.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Follower {
    column: Option<Column>,
    last_ms: i64,
    gain: PowerGain,
}

/// What left in one interval beside any steady leak.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Drawn {
    /// Litres, as metered in the cold feed; 0 for none.
    pub(crate) litres: f64,
    /// Mean temperature at which they left, degC.
    pub(crate) outlet_degc: f64,
}

/// What a day of following gives.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Followed {
    /// One entry an instant of the frame; the interval that ends there.
    pub(crate) drawn: Vec<Drawn>,
    /// Water at 40 degC from a 10 degC feed at each instant, l; NaN where not followed.
    pub(crate) v40_l: Vec<f64>,
    /// Smallest draw-off that would have been seen, median over the day, l.
    pub(crate) least_seen_l: Option<f64>,
    /// Heat that the heater really gives over what is metered.
    pub(crate) power_gain: Option<f64>,
}

/// What is held all day.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Day {
    /// Cold feed where no probe in the feed says, degC.
    pub(crate) feed_degc: f64,
    /// Power that leaves steadily as hot water, W.
    pub(crate) steady_w: f64,
    /// Standard deviation of a reading about the water, K.
    pub(crate) probe_sigma_k: f64,
    /// Step of a coarse register that alone tells the heat, Wh; else 0.
    pub(crate) register_step_wh: f64,
}

/// Follows the frame from its first instant that is no context.
pub(crate) fn follow(
    follower: &mut Follower,
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: Day,
) -> Followed {
    let body = setup.body();
    let wh_per_l_k = setup.capacity_wh_per_k / setup.volume_l;
    let scatter = Scatter { heights: &setup.heights, sigma_k: day.probe_sigma_k };
    let mut out = Followed {
        drawn: vec![Drawn::default(); frame.len()],
        v40_l: vec![f64::NAN; frame.len()],
        ..Followed::default()
    };
    let mut least_seen = Vec::new();
    let mut least_l = vec![0.0; frame.len()];
    let mut owed_l = vec![0.0; frame.len()];
    let mut last_draw: Option<usize> = None;
    for k in frame.context..frame.len() {
        let row = frame.at(k);
        if row.iter().all(|v| v.is_nan()) {
            continue;
        }
        let on_from_last = k > 0 && follower.last_ms == frame.time_ms[k - 1] && !b.gap[k];
        let heat_known = b.heater_known || !b.heating[k];
        follower.last_ms = frame.time_ms[k];
        let Some(before) = follower.column.filter(|_| on_from_last && heat_known) else {
            follower.column = body.column(|height| setup.profile.at(row, height));
            follower.gain.drop_heat();
            continue;
        };
        let feed_degc = if frame.inlet[k].is_nan() { day.feed_degc } else { frame.inlet[k] };
        let known = Known {
            body: &body,
            hours: b.hours[k],
            surroundings_degc: b.surroundings[k],
            heats: heats(frame, b, setup, k, follower.gain.value(setup.heat_source)),
            feed_degc,
            steady_l: day.steady_w * b.hours[k]
                / (wh_per_l_k * (before.degc_at(1.0) - feed_degc).max(LEAST_LIFT_K)),
            volume_l: setup.volume_l,
            least_l: COARSE_SIGMAS * day.register_step_wh
                / 6.0_f64.sqrt()
                / (wh_per_l_k * (before.degc_at(1.0) - feed_degc).max(LEAST_LIFT_K)),
        };
        if let Some(slot) = least_l.get_mut(k) {
            *slot = known.least_l;
        }
        let Explained { column, drawn, missing_k } = explain(&before, &known, row, scatter);
        if drawn.litres > 0.0 {
            last_draw = Some(k);
        }
        if let Some(at) = last_draw.filter(|&at| frame.time_ms[k] - frame.time_ms[at] <= OWED_MS) {
            owed_l[at] += missing_k * setup.volume_l / (drawn.outlet_degc - feed_degc).max(LEAST_LIFT_K);
        }
        follower.gain.note(b, k, setup, drawn.litres > 0.0, column.mean_degc() - before.mean_degc());
        if frame.time_ms[k].div_euclid(ASK_EVERY_MS) != frame.time_ms[k - 1].div_euclid(ASK_EVERY_MS) {
            least_seen.push(least_seen_l(&before, &known, scatter));
        }
        out.v40_l[k] = setup.volume_l * column.v40_share(V40_FEED_DEGC);
        follower.column = Some(column);
        out.drawn[k] = drawn;
    }
    for ((drawn, owed_l), least_l) in out.drawn.iter_mut().zip(&owed_l).zip(&least_l) {
        let seen_l = drawn.litres;
        let paid = (seen_l + owed_l).clamp(seen_l * OWED_RANGE.0, seen_l * OWED_RANGE.1);
        // What a coarse register told late comes back: then nothing was drawn.
        drawn.litres = if paid < *least_l { 0.0 } else { paid };
    }
    least_seen.sort_by(f64::total_cmp);
    out.least_seen_l = least_seen.get(least_seen.len() / 2).copied().filter(|l| l.is_finite());
    out.power_gain = follower.gain.learnt(setup.heat_source);
    out
}

/// Energy and height of each element over the interval that ends at instant `k`.
fn heats(frame: &Frame, b: &Balance, setup: &Setup, k: usize, gain: f64) -> [Heat; 2] {
    let at = |element: usize, wh: f64| {
        let height = setup.element_height(element);
        Heat { low: height, high: height, wh }
    };
    let wh = b.heater_wh[k] * gain;
    if wh.is_nan() || wh <= 0.0 {
        return [at(0, 0.0), at(1, 0.0)];
    }
    let weight = |e: usize| {
        let (power, call) = (frame.power[e][k], frame.call[e][k]);
        if power.is_nan() { f64::from(u8::from(call > 0.5)) } else { power.max(0.0) }
    };
    let (lower, upper) = (weight(0), weight(1));
    let only = (setup.elements.len() == 1).then(|| usize::from(setup.elements[0].index));
    let upper_share = match only {
        Some(element) => f64::from(u8::from(element == 1)),
        None if lower + upper > 0.0 => upper / (lower + upper),
        None => 0.0,
    };
    [at(0, wh * (1.0 - upper_share)), at(1, wh * upper_share)]
}
