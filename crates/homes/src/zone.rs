//! The hot zone at the top: as long as it is of one temperature, it cools by the insulation alone.
//!
//! Draw-offs and leaks push water up through it without changing its temperature, and conduction needs a gradient, so the
//! zone's cooling gives the loss even where the rest of the cylinder is stirred. Its share of the skin turns it into the
//! loss of the whole cylinder.

use drawoff_contract::daybook::{DayNote, SpellNote};
use drawoff_tank::shape::Shape;

use crate::crossings::{self, Part};
use crate::loss::{LEAST_NIGHTS, LEAST_SEGMENTS};
use crate::mixture::Observation;
use crate::priors::Rooms;
use crate::robust::{median, quantile};

/// Probes no further below the top probe than this, at both ends of the segment, belong to the zone. Wider, and
/// draw-offs lift slightly cooler water past the probes; narrower, and probe calibration splits a uniform zone.
const ZONE_K: f64 = 0.8;
/// Rounded readings of one temperature differ by up to a step; their means over a segment by this part of it.
const ZONE_STEPS: f64 = 0.6;
/// Below this lift over the surroundings the loss is too small to read.
const LEAST_LIFT_K: f64 = 8.0;
/// A lowest probe above this volume fraction does not tell whether the base is as hot as it.
const BASE_HEIGHT: f64 = 0.15;
/// Readings in steps above this are read over long runs, since a segment falls by less than a step.
const COARSE_K: f64 = 0.3;
/// Hours of a run for each kelvin of step: at least, at most, and at most where the fall between steps is looked for.
const SHORT_RUN_H_PER_K: f64 = 4.0;
const RUN_H_PER_K: f64 = 8.0;
const LONG_RUN_H_PER_K: f64 = 12.0;
/// Runs that fall by less than this part of a step show the phase of the steps and no loss. (Two homes of 65 of a `synth` fleet in whole
/// kelvins fell by 0.63 and 0.70 of a step; they read 15 and 52 % low.)
const LEAST_FALL: f64 = 0.75;
/// In steps above this a single segment says nothing at all, and only the fall between steps says much. (In half kelvins that fall reads the
/// loss no better than least squares: with 12 probes on two `synth` seeds half a per cent higher.)
const VERY_COARSE_K: f64 = 0.7;
/// Heat that leaves a segment beyond the home's quietest, W: more than this is a draw-off, and the mixture need not see it.
const DRAWN_W: f64 = 60.0;
/// Segments whose quiet part alone suffices.
const ENOUGH_QUIET: usize = 24;
const ENOUGH_NIGHTS: usize = 8;

/// What the zone of a home is read with.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ZoneSetup<'a> {
    /// Probe heights, volume fractions, top first.
    pub heights: &'a [f64],
    /// Outer shape.
    pub shape: Shape,
    /// Heat capacity of the stored water, Wh/K.
    pub capacity_wh_per_k: f64,
    /// Surroundings.
    pub rooms: &'a Rooms<'a>,
    /// Which probes may be used.
    pub sound: &'a [bool],
    /// Step of the readings, K.
    pub step_k: f64,
}

/// Step in which the probes report, K: median over the probes of the least difference between their daily extremes; 0 of none.
pub(crate) fn reading_step_k(days: &[DayNote]) -> f64 {
    let probes = days.iter().map(|d| d.probe_min_degc.len()).max().unwrap_or(0);
    let least: Vec<f64> = (0..probes)
        .map(|p| {
            let mut values: Vec<f64> = days
                .iter()
                .flat_map(|d| [d.probe_min_degc.get(p), d.probe_max_degc.get(p)])
                .flatten()
                .map(|v| f64::from(*v))
                .filter(|v| !v.is_nan())
                .collect();
            values.sort_by(f64::total_cmp);
            values.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 1e-3).fold(f64::INFINITY, f64::min)
        })
        .filter(|v| v.is_finite())
        .collect();
    if least.is_empty() { 0.0 } else { median(&least).min(1.0) }
}

/// Noise that an observation has at least by rounding, W: 0 unless readings are very coarse.
///
/// Rounded ends of a run repeat a few values; taken for noise-free, the lower ones would pass for clean and the rest for draw-offs.
pub(crate) fn rounding_noise_w(setup: ZoneSetup<'_>) -> f64 {
    // A step over the root of 12 at both ends of a run of usual length, halved by the slopes within it and by several probes.
    // In full, homes in half kelvins read 1 % too high (even half of the reference homes).
    if setup.step_k > VERY_COARSE_K { 0.2 * setup.capacity_wh_per_k / RUN_H_PER_K } else { 0.0 }
}

/// An observation, and what the border of its zone does.
#[derive(Clone, Copy)]
struct Seen {
    observation: Observation,
    /// How much slower the lowest probe of the zone cools than those above it, K/h; below zero where the front below cools it.
    border_slower_k_per_h: f64,
    /// Heat lost as the observation has it, the border's cooling counted too, W.
    with_border_w: f64,
    /// Whether its slope holds whatever the phase of the steps.
    exact: bool,
    /// By how much the zone falls within it, K.
    fall_k: f64,
}

/// Where the border of the zone cools slower than the water above it as a rule, what the top loses is not mixed down: the zone is not
/// quite of one temperature, as a heat pump's slow return leaves it, and only all of it together shows its loss. Where the border
/// cools faster, the front below cools it, and it is left out.
///
/// (On one `synth` seed the border cools slower in 94 % of the homes with a heat pump, whose loss read 10 % high without it, and in
/// 7 % of those with elements.)
fn of_zone(seen: &[Seen]) -> Vec<Observation> {
    let slower: Vec<f64> = seen.iter().map(|s| s.border_slower_k_per_h).collect();
    let whole = median(&slower) > 0.0;
    seen.iter()
        .map(|s| Observation {
            loss_w: if whole { s.with_border_w } else { s.observation.loss_w },
            ..s.observation
        })
        .collect()
}

/// What idle segments show of the hot zone.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct ZoneCooling {
    /// Observations in order of time.
    pub observations: Vec<Observation>,
    /// Whether they hang on where the steps of coarse readings lie.
    pub by_phase: bool,
}

/// Observations from the idle segments of a home: of the quiet ones where there are enough, else of all.
pub(crate) fn observations(spells: &[&SpellNote], setup: ZoneSetup<'_>) -> ZoneCooling {
    let idle: Vec<&SpellNote> = spells.iter().copied().filter(|s| s.kind == "idle").collect();
    let all = read(&idle, setup);
    let out: Vec<f64> = idle.iter().filter_map(|s| s.net_out_w).collect();
    let limit = DRAWN_W + quantile(&out, 0.1).max(0.0);
    let quiet: Vec<&SpellNote> =
        idle.iter().copied().filter(|s| s.net_out_w.is_none_or(|w| w <= limit)).collect();
    let quiet = read(&quiet, setup);
    let most = nights(&all.observations);
    let enough = quiet.observations.len() >= ENOUGH_QUIET
        && nights(&quiet.observations) >= ENOUGH_NIGHTS.max(most * 2 / 3);
    if enough { quiet } else { all }
}

/// Number of nights, of observations in order of time.
pub(crate) fn nights(data: &[Observation]) -> usize {
    let mut days: Vec<i32> = data.iter().map(|o| o.day).collect();
    days.dedup();
    days.len()
}

fn read(idle: &[&SpellNote], setup: ZoneSetup<'_>) -> ZoneCooling {
    let cooling = |seen: &[Seen], by_phase| ZoneCooling { observations: of_zone(seen), by_phase };
    let single = || {
        let seen: Vec<Seen> =
            idle.iter().filter_map(|s| observation(std::slice::from_ref(s), setup)).collect();
        cooling(&seen, false)
    };
    if setup.step_k <= COARSE_K {
        return single();
    }
    let enough =
        |c: &ZoneCooling| c.observations.len() >= LEAST_SEGMENTS && nights(&c.observations) >= LEAST_NIGHTS;
    if setup.step_k <= VERY_COARSE_K {
        let runs = cooling(&read_runs(idle, setup, RUN_H_PER_K), false);
        return if enough(&runs) { runs } else { single() };
    }
    let runs = read_runs(idle, setup, LONG_RUN_H_PER_K);
    let between_steps = cooling(&runs.into_iter().filter(|s| s.exact).collect::<Vec<_>>(), false);
    if enough(&between_steps) {
        return between_steps;
    }
    let runs = read_runs(idle, setup, RUN_H_PER_K);
    let falls = median(&runs.iter().map(|r| r.fall_k).collect::<Vec<_>>()) >= LEAST_FALL * setup.step_k;
    cooling(if falls { &runs } else { &[] }, true)
}

/// Observations over runs of segments, long enough for the water to fall by more than a step.
fn read_runs(idle: &[&SpellNote], setup: ZoneSetup<'_>, longest_h_per_k: f64) -> Vec<Seen> {
    let (shortest_h, longest_h) = (SHORT_RUN_H_PER_K * setup.step_k, longest_h_per_k * setup.step_k);
    let mut out = Vec::new();
    let mut first = 0;
    for k in 0..idle.len() {
        let goes_on = idle.get(k + 1).is_some_and(|next| {
            // One interval may lie between two segments.
            next.start.0 - idle[k].end.0 <= 1_800_000 && hours(idle[first].start.0, next.end.0) <= longest_h
        });
        if goes_on {
            continue;
        }
        if hours(idle[first].start.0, idle[k].end.0) >= shortest_h {
            out.extend(observation(&idle[first..=k], setup));
        }
        first = k + 1;
    }
    out
}

fn hours(from_ms: i64, to_ms: i64) -> f64 {
    (to_ms - from_ms) as f64 / 3_600_000.0
}

/// Level and slope of a probe over a run of segments.
#[derive(Clone, Copy)]
struct Line {
    level_degc: f64,
    slope_k_per_h: f64,
    /// Whether it does not hang on where the steps of the readings lie.
    exact: bool,
}

/// From the steps where readings are coarse and fall by several, else by least squares from those of each segment.
fn line(run: &[&SpellNote], p: usize, step_k: f64) -> Line {
    let length: f64 = run.iter().map(|s| hours(s.start.0, s.end.0)).sum();
    let middle = |s: &SpellNote| hours(run[0].start.0, i64::midpoint(s.start.0, s.end.0));
    let mean = |of: &dyn Fn(&SpellNote) -> f64| {
        run.iter().map(|s| hours(s.start.0, s.end.0) * of(s)).sum::<f64>() / length
    };
    let level = mean(&|s| f64::from(s.level_degc[p]));
    let centre = mean(&middle);
    if step_k > VERY_COARSE_K {
        let part = |s: &&SpellNote| Part {
            from_h: hours(run[0].start.0, s.start.0),
            to_h: hours(run[0].start.0, s.end.0),
            level_degc: f64::from(s.level_degc[p]),
        };
        let parts: Vec<Part> = run.iter().map(part).collect();
        if let Some((level_degc, slope_k_per_h)) = crossings::line(&parts, step_k, centre) {
            return Line { level_degc, slope_k_per_h, exact: true };
        }
    }
    let (mut sxy, mut sxx) = (0.0, 0.0);
    for s in run {
        let (h, x) = (hours(s.start.0, s.end.0), middle(s) - centre);
        let within = h * h * h / 12.0;
        sxy += h * x * (f64::from(s.level_degc[p]) - level) + within * f64::from(s.slope_or_stop[p]);
        sxx += h * x * x + within;
    }
    Line { level_degc: level, slope_k_per_h: sxy / sxx, exact: step_k <= COARSE_K }
}

fn observation(run: &[&SpellNote], setup: ZoneSetup<'_>) -> Option<Seen> {
    let (start_ms, end_ms) = (run.first()?.start.0, run.last()?.end.0);
    let length = hours(start_ms, end_ms);
    let heights = setup.heights;
    let usable: Vec<usize> = (0..heights.len())
        .filter(|&p| {
            let known = |s: &&SpellNote| {
                s.level_degc.get(p).is_some_and(|v| !v.is_nan())
                    && s.slope_or_stop.get(p).is_some_and(|v| !v.is_nan())
            };
            setup.sound.get(p).copied().unwrap_or(false) && run.iter().all(known)
        })
        .collect();
    let lines: Vec<Line> = usable.iter().map(|&p| line(run, p, setup.step_k)).collect();
    let top = *lines.first()?;
    let in_zone = |l: &Line| {
        let reach = ZONE_K + if top.exact && l.exact { 0.0 } else { ZONE_STEPS * setup.step_k };
        [-0.5, 0.5].iter().all(|side| {
            top.level_degc - l.level_degc + side * length * (top.slope_k_per_h - l.slope_k_per_h) < reach
        })
    };
    let zone = lines.iter().take_while(|l| in_zone(l)).count();
    if zone < 2 {
        return None;
    }
    // The lowest probe of the zone stands at the border, where the front below already cools it.
    let inner = &lines[..zone - 1];
    let exact: Vec<Line> = inner.iter().copied().filter(|l| l.exact).collect();
    let read = if exact.is_empty() { inner } else { &exact };
    let level = read.iter().map(|l| l.level_degc).sum::<f64>() / read.len() as f64;
    let slope = read.iter().map(|l| l.slope_k_per_h).sum::<f64>() / read.len() as f64;
    let lift_k = level - run.iter().map(|s| setup.rooms.of_spell(s)).sum::<f64>() / run.len() as f64;
    let share = zone_share(heights[usable[zone - 1]], zone == usable.len());
    let border = lines[zone - 1].slope_k_per_h;
    let whole_slope = (slope * inner.len() as f64 + border) / zone as f64;
    let loss_w = |slope: f64| -setup.capacity_wh_per_k * slope / setup.shape.top_zone_excess(share);
    (lift_k >= LEAST_LIFT_K).then(|| Seen {
        observation: Observation {
            loss_w: loss_w(slope),
            lift_k,
            share,
            day: run[0].day.0,
            at_ms: i64::midpoint(start_ms, end_ms),
            hours: length,
            fall_k_per_w: length * setup.shape.top_zone_excess(share) / setup.capacity_wh_per_k,
        },
        border_slower_k_per_h: border - slope,
        with_border_w: loss_w(whole_slope),
        exact: !exact.is_empty(),
        fall_k: -slope * length,
    })
}

/// Share of the volume in a zone that is known to reach down to `lowest`.
fn zone_share(lowest: f64, whole: bool) -> f64 {
    match whole {
        // Below it the front begins somewhere before the next probe.
        false => 1.0 - lowest,
        true if lowest <= BASE_HEIGHT => 1.0,
        // Nobody sees the base: the zone ends half way down to it.
        true => 1.0 - lowest / 2.0,
    }
}
