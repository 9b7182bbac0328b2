//! Follows the water of a cylinder from reading to reading, and says where a draw-off explains what changed.
//!
//! A column of layers is moved on, in steps of about five minutes, by what is known (heater, loss, conduction, a steady
//! leak). What agreement with the next readings takes away is drawn, if they then lie closer. Then the column is brought to agree with the readings: its water is moved up or down where the temperature changes
//! with height, and warmed or cooled where it does not. So the place and the sharpness of a cold front are known between
//! probes, where a straight line from probe to probe would make heat appear and vanish.

mod agree;
mod explain;
mod feed;
mod power;
mod silence;
mod steps;

use drawoff_tank::column::{Body, Column, Heat};

use crate::balance::{Balance, LONGEST_BRIDGE_H};
use crate::frame::Frame;
use crate::setup::Setup;
use explain::{Explained, Known, Part, Scatter, explain, least_seen_l};
use feed::FeedSums;
pub(crate) use power::PowerGain;
use silence::explain_silence;
use steps::{Step, steps};

/// Heat that readings show to be missing up to so long after a draw-off belongs to it: a front that lay between probes has
/// reached one.
const OWED_MS: i64 = 2 * 3_600_000;
/// Two steps say by themselves when water left in each; a pause no longer than this between them is none, ms.
const LEAST_PAUSE_MS: i64 = 150_000;
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

/// Nothing heats.
const NO_HEATS: [Heat; 2] = [Heat { low: 0.0, high: 0.0, wh: 0.0 }; 2];

/// What is carried from one step to the next.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Follower {
    pub(crate) column: Option<Column>,
    pub(crate) last_ms: i64,
    pub(crate) gain: PowerGain,
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
    /// Water at 40 degC from a 10 degC feed at each instant, l; NaN where not followed, or not asked for.
    pub(crate) v40_l: Vec<f64>,
    /// Volume-mean temperature of the water as followed, at each instant at which a step ends and at the one before the first, degC; else NaN.
    pub(crate) mean_degc: Vec<f64>,
    /// Smallest draw-off that would have been seen, median over the day, l.
    pub(crate) least_seen_l: Option<f64>,
    /// Cold feed that the draw-offs of the day speak for, degC, and its standard error, K.
    pub(crate) feed: Option<(f64, f64)>,
    /// Heat that the heater really gives over what is metered.
    pub(crate) power_gain: Option<f64>,
}

impl Followed {
    /// Of so many instants at which nothing is known.
    pub(crate) fn nothing(instants: usize) -> Self {
        Self {
            drawn: vec![Drawn::default(); instants],
            v40_l: vec![f64::NAN; instants],
            mean_degc: vec![f64::NAN; instants],
            ..Self::default()
        }
    }
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

/// Follows the frame from its first instant that is no context; V40 is told at the instants at which it is asked for.
pub(crate) fn follow(
    follower: &mut Follower,
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: Day,
    tells_v40: impl Fn(usize) -> bool,
) -> Followed {
    let body = setup.body();
    let scatter = Scatter { heights: &setup.heights, sigma_k: day.probe_sigma_k };
    let mut out = Followed::nothing(frame.len());
    let mut least_seen = Vec::new();
    let mut found: Vec<Found> = Vec::new();
    let mut feed = FeedSums::default();
    for step in steps(frame, b, &tells_v40) {
        let row = frame.at(step.to);
        let fresh = |k: usize| body.column(|height| setup.profile.at(frame.at(k), height));
        let goes_on = follower.last_ms == frame.time_ms[step.from];
        follower.last_ms = frame.time_ms[step.to];
        let before = follower.column.filter(|_| goes_on).or_else(|| fresh(step.from));
        if let Some(before) = &before {
            out.mean_degc[step.from] = before.mean_degc();
        }
        let gain = follower.gain.value(setup.heat_source);
        let Some((before, known)) = before.zip(known(frame, b, setup, &day, &body, step, gain)) else {
            follower.column = fresh(step.to);
            out.mean_degc[step.to] = follower.column.map_or(f64::NAN, |c| c.mean_degc());
            follower.gain.drop_heat();
            continue;
        };
        let known = known.beside(&before, &day);
        let (explained, when) = if step.silence {
            (explain_silence(&before, &known, row, scatter), 0..1)
        } else {
            let parts: Vec<Part<'_>> = parts(frame, b, setup, step, &known, gain);
            explain(&before, &known, &parts, row, scatter)
        };
        let Explained { column, mean_degc, drawn, missing_k } = explained;
        if drawn.litres > 0.0 && !step.silence {
            feed.note(&before, &known, drawn, row, scatter);
        }
        if drawn.litres > 0.0 {
            let first = if step.silence { step.to } else { step.from + 1 + when.start };
            let last = if step.silence { step.to } else { step.from + when.end };
            found.push(Found { first, last, drawn, owed_l: 0.0, least_l: known.least_l });
        }
        // Over a silence the balance closes by itself, and what came before it is too long ago.
        if !step.silence {
            owe(&mut found, missing_k * setup.volume_l / known.lift_k(drawn.outlet_degc), |k| {
                frame.time_ms[step.to] - frame.time_ms[k] <= OWED_MS
            });
        }
        if step.silence {
            follower.gain.drop_heat();
        }
        follower.gain.note(b, step, setup, drawn.litres > 0.0, mean_degc - before.mean_degc());
        if frame.time_ms[step.to].div_euclid(ASK_EVERY_MS)
            != frame.time_ms[step.from].div_euclid(ASK_EVERY_MS)
        {
            least_seen.push(least_seen_l(&before, &known, scatter));
        }
        out.mean_degc[step.to] = mean_degc;
        if tells_v40(step.to) {
            out.v40_l[step.to] = setup.volume_l * column.v40_share(V40_FEED_DEGC);
        }
        follower.column = Some(column);
    }
    close_up(&mut found, &frame.time_ms);
    for found in &found {
        found.tell(&b.hours, &mut out.drawn);
    }
    least_seen.sort_by(f64::total_cmp);
    out.least_seen_l = least_seen.get(least_seen.len() / 2).copied().filter(|l| l.is_finite());
    out.feed = feed.told(day.feed_degc);
    out.power_gain = follower.gain.learnt(setup.heat_source);
    out
}

/// A draw-off found in a step.
struct Found {
    /// The instants at which its first and last interval end.
    first: usize,
    last: usize,
    drawn: Drawn,
    /// Heat that was found missing afterwards, l.
    owed_l: f64,
    least_l: f64,
}

impl Found {
    /// Writes it to the intervals in which it left, evenly.
    fn tell(&self, hours: &[f64], drawn: &mut [Drawn]) {
        let metered = self.drawn.litres;
        let paid = (metered + self.owed_l).clamp(metered * OWED_RANGE.0, metered * OWED_RANGE.1);
        // What a coarse register told late comes back: then nothing was drawn.
        if paid < self.least_l {
            return;
        }
        let all: f64 = hours[self.first..=self.last].iter().sum();
        for k in self.first..=self.last {
            drawn[k] = Drawn { litres: paid * hours[k] / all, ..self.drawn };
        }
    }
}

/// Lets a draw-off last until the next where readings a minute part them by less than they can tell.
fn close_up(found: &mut [Found], time_ms: &[i64]) {
    for i in 1..found.len() {
        let next = found[i].first - 1;
        if time_ms[next] - time_ms[found[i - 1].last] <= LEAST_PAUSE_MS {
            found[i - 1].last = next.max(found[i - 1].last);
        }
    }
}

/// Adds litres to the recent draw-offs, to each in proportion to its size: the larger, the more its heat can be off.
fn owe(found: &mut [Found], litres: f64, is_recent: impl Fn(usize) -> bool) {
    let first = found.iter().rposition(|f| !is_recent(f.last)).map_or(0, |last_old| last_old + 1);
    let recent = &mut found[first..];
    let all: f64 = recent.iter().map(|f| f.drawn.litres).sum();
    for found in recent {
        found.owed_l += litres * found.drawn.litres / all;
    }
}

/// What is held over a step, but for what depends on the water before it; `None` where the heat put in is not known.
fn known<'a>(
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: &Day,
    body: &'a Body,
    step: Step,
    gain: f64,
) -> Option<Known<'a>> {
    let heating = step.instants().any(|k| b.heating[k]);
    let hours = step.sum(&b.hours);
    let metered = step.sum(&b.heater_wh).is_finite();
    let heat_known = if step.silence {
        b.heater_known && metered && hours <= LONGEST_BRIDGE_H
    } else {
        b.heater_known || !heating
    };
    let inlet_degc = frame.inlet[step.to];
    heat_known.then(|| Known {
        body,
        hours,
        surroundings_degc: b.surroundings[step.to],
        heats: step.instants().map(|k| heats(frame, b, setup, k, gain)).fold(NO_HEATS, |mut sum, heats| {
            for (sum, heat) in sum.iter_mut().zip(heats) {
                *sum = Heat { wh: sum.wh + heat.wh, ..heat };
            }
            sum
        }),
        feed_degc: if inlet_degc.is_nan() { day.feed_degc } else { inlet_degc },
        steady_l: 0.0,
        volume_l: setup.volume_l,
        least_l: 0.0,
        loss_w_per_k: setup.loss_w_per_k,
        wh_per_k: setup.capacity_wh_per_k,
    })
}

/// The intervals of a step.
fn parts<'a>(
    frame: &'a Frame,
    b: &Balance,
    setup: &Setup,
    step: Step,
    known: &Known<'a>,
    gain: f64,
) -> Vec<Part<'a>> {
    let part = |k: usize| {
        let share = b.hours[k] / known.hours;
        let heats = heats(frame, b, setup, k, gain);
        Part {
            known: Known { hours: b.hours[k], heats, steady_l: known.steady_l * share, ..*known },
            row: frame.at(k),
        }
    };
    step.instants().map(part).collect()
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
