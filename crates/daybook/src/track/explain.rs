//! Which draw-off, if any, explains the readings of a step.

use std::ops::Range;

use drawoff_tank::column::{Body, Column, Heat, Interval};
use drawoff_tank::profile::MOST_PROBES;

use super::agree::agree;
use super::{COARSE_SIGMAS, Day, Drawn, LEAST_LIFT_K};

/// Longest stretch that is moved on at once, h.
const LONGEST_PART_H: f64 = 0.1;
/// Height over which a probe's own place is uncertain, and a front with it, volume fraction.
const PLACE: f64 = 0.001;
/// Part of the spread of temperatures about a probe, before and after, that counts as uncertainty of what it should read.
const SPREAD_SHARE: f64 = 0.2;
/// A draw-off must explain the readings better than none by this much, in squared standard deviations.
const LEAST_GAIN: f64 = 8.0;
/// What a single reading can say against a column at most.
const MOST_MISFIT: f64 = 100.0;
/// Smallest draw-off that is told, l.
pub(super) const LEAST_LITRES: f64 = 0.3;
/// A size is found when the next try is this near, l.
pub(super) const CLOSE_LITRES: f64 = 0.05;
/// Of the sizes for which it is asked whether they would be seen, each is this much larger than the one before.
const SIZE_RATIO: f64 = 1.6;
/// Largest part of the volume that leaves in one interval.
const LARGEST_SHARE: f64 = 0.6;
/// How often the size is mended by what the balance still lacks.
pub(super) const REFINEMENTS: usize = 4;

/// What is held over an interval.
#[derive(Clone, Copy)]
pub(super) struct Known<'a> {
    pub(super) body: &'a Body,
    pub(super) hours: f64,
    pub(super) surroundings_degc: f64,
    pub(super) heats: [Heat; 2],
    pub(super) feed_degc: f64,
    /// Leaves all the time, l in this interval.
    pub(super) steady_l: f64,
    pub(super) volume_l: f64,
    /// Smallest draw-off that the heat put in is known well enough for, l.
    pub(super) least_l: f64,
    /// Standing loss before it is read, W/K.
    pub(super) loss_w_per_k: f64,
    /// Heat that warms all the water by a kelvin, Wh/K.
    pub(super) wh_per_k: f64,
}

impl Known<'_> {
    /// With what depends on the water before: litres of a steady leak, and of what a coarse register does not tell.
    pub(super) fn beside(self, before: &Column, day: &Day) -> Self {
        let wh_per_l = self.wh_per_k / self.volume_l * self.lift_k(before.degc_at(1.0));
        Self {
            steady_l: day.steady_w * self.hours / wh_per_l,
            least_l: COARSE_SIGMAS * day.register_step_wh / 6.0_f64.sqrt() / wh_per_l,
            ..self
        }
    }

    /// How far above the feed water leaves, as litres are told by, K.
    pub(super) fn lift_k(&self, outlet_degc: f64) -> f64 {
        (outlet_degc - self.feed_degc).max(LEAST_LIFT_K)
    }
}

/// Where readings are taken, and how they scatter.
#[derive(Clone, Copy)]
pub(super) struct Scatter<'a> {
    /// Volume fractions, top first.
    pub(super) heights: &'a [f64],
    /// Standard deviation of a reading about the water, K.
    pub(super) sigma_k: f64,
}

/// An interval explained.
pub(super) struct Explained {
    /// The water at its end, brought to agree with the readings.
    pub(super) column: Column,
    /// What was drawn on the way.
    pub(super) drawn: Drawn,
    /// Its volume mean, degC.
    pub(super) mean_degc: f64,
    /// How much cooler the readings made the volume mean beyond what was drawn, K.
    pub(super) missing_k: f64,
}

/// One interval of a step, with the readings at its end.
#[derive(Clone, Copy)]
pub(super) struct Part<'a> {
    pub(super) known: Known<'a>,
    pub(super) row: &'a [f64],
}

/// The draw-off, or none, that explains the readings at the end of an interval.
///
/// The balance says how large it would be: what agreement with the readings takes away is drawn, and the rest of it again.
/// Whether there is one is for the readings to say, each by itself: they must lie closer with it than without. Those within
/// the step, `parts`, say so too, and in which of its intervals the water left; without any the whole step is one interval.
pub(super) fn explain(
    column: &Column,
    known: &Known<'_>,
    parts: &[Part<'_>],
    row: &[f64],
    scatter: Scatter<'_>,
) -> (Explained, Range<usize>) {
    let all = 0..parts.len();
    let (still, still_outlet_degc) = moved_on(column, known, 0.0);
    let rest = agreed(still, Drawn { litres: 0.0, outlet_degc: still_outlet_degc }, row, scatter);
    let mut amiss: Option<Amiss> = None;
    let mut best: Option<Explained> = None;
    for _ in 0..REFINEMENTS {
        let so_far = best.as_ref().unwrap_or(&rest);
        let more = so_far.missing_k * known.volume_l / known.lift_k(so_far.drawn.outlet_degc);
        let litres = (so_far.drawn.litres + more).clamp(0.0, LARGEST_SHARE * known.volume_l);
        if (litres - so_far.drawn.litres).abs() < CLOSE_LITRES || litres < LEAST_LITRES {
            break;
        }
        // No draw-off can explain more than all that is amiss without one: mostly that is too little to try any.
        if amiss.get_or_insert_with(|| Amiss::of(column, &still, parts, row, scatter)).most() < LEAST_GAIN {
            return (rest, all);
        }
        let (tried, outlet_degc) = moved_on(column, known, litres);
        best = Some(agreed(tried, Drawn { litres, outlet_degc }, row, scatter));
    }
    let (Some(best), Some(amiss)) = (best, amiss) else { return (rest, all) };
    if best.drawn.litres < LEAST_LITRES.max(known.least_l) {
        return (rest, all);
    }
    let (tried, _) = moved_on(column, known, best.drawn.litres);
    let mut gain = amiss.at_the_end - misfit(&amiss.moves, &tried, row, scatter, 1.0);
    let mut when = all.clone();
    if let Some(none) = amiss.on_the_way {
        let (least, place) = best_place(column, parts, best.drawn.litres, &amiss.moves, scatter);
        when = place;
        // The reading at the end tells as much as where it is the only one; those before it may tell more.
        gain = gain.max(none - least);
    }
    if gain < LEAST_GAIN { (rest, all) } else { (best, when) }
}

/// What the readings of a step lie away from the water without a draw-off.
struct Amiss {
    moves: [(f64, f64); MOST_PROBES],
    /// Misfit of the readings at the end of the step.
    at_the_end: f64,
    /// Misfit of all its readings, where it has more than one interval.
    on_the_way: Option<f64>,
}

impl Amiss {
    fn of(column: &Column, still: &Column, parts: &[Part<'_>], row: &[f64], scatter: Scatter<'_>) -> Self {
        let moves = moves_k(column, still, scatter);
        let at_the_end = misfit(&moves, still, row, scatter, 1.0);
        let on_the_way =
            (parts.len() > 1).then(|| misfit_on_the_way(column, parts, 0.0, &(0..0), &moves, scatter));
        Self { moves, at_the_end, on_the_way }
    }

    /// No explanation gains more.
    fn most(&self) -> f64 {
        self.on_the_way.map_or(self.at_the_end, |on_the_way| on_the_way.max(self.at_the_end))
    }
}

/// The intervals of a step in which `litres`, drawn evenly, agree best with all readings of the step, and that misfit.
fn best_place(
    column: &Column,
    parts: &[Part<'_>],
    litres: f64,
    moves: &[(f64, f64); MOST_PROBES],
    scatter: Scatter<'_>,
) -> (f64, Range<usize>) {
    let mut best = (f64::INFINITY, 0..parts.len());
    for first in 0..parts.len() {
        for end in first + 1..=parts.len() {
            let when = first..end;
            let cost = misfit_on_the_way(column, parts, litres, &when, moves, scatter);
            if cost < best.0 {
                best = (cost, when);
            }
        }
    }
    best
}

/// Misfit of all readings of a step in whose intervals `when` the litres leave evenly.
fn misfit_on_the_way(
    column: &Column,
    parts: &[Part<'_>],
    litres: f64,
    when: &Range<usize>,
    moves: &[(f64, f64); MOST_PROBES],
    scatter: Scatter<'_>,
) -> f64 {
    let hours: f64 = parts[when.clone()].iter().map(|p| p.known.hours).sum();
    let mut column = *column;
    let mut sum = 0.0;
    for (i, part) in parts.iter().enumerate() {
        let litres = if when.contains(&i) { litres * part.known.hours / hours } else { 0.0 };
        column = moved_on(&column, &part.known, litres).0;
        sum += misfit(moves, &column, part.row, scatter, parts.len() as f64);
    }
    sum
}

/// The water at the end of an interval with `drawn` taken out, brought to agree with the readings.
fn agreed(mut column: Column, drawn: Drawn, row: &[f64], scatter: Scatter<'_>) -> Explained {
    let moved_degc = column.mean_degc();
    let changed = agree(&mut column, row, scatter.heights);
    let mean_degc = if changed { column.mean_degc() } else { moved_degc };
    Explained { missing_k: moved_degc - mean_degc, mean_degc, column, drawn }
}

/// Sizes for which it is asked whether they would be seen, l, smallest first.
fn sizes(volume_l: f64) -> impl Iterator<Item = f64> {
    let most = LARGEST_SHARE * volume_l;
    std::iter::successors(Some(LEAST_LITRES), |l| Some(l * SIZE_RATIO)).take_while(move |l| *l < most)
}

/// Smallest draw-off that the readings at the end of the interval would tell from none, l; infinite when none would.
pub(super) fn least_seen_l(column: &Column, known: &Known<'_>, scatter: Scatter<'_>) -> f64 {
    let (still, _) = moved_on(column, known, 0.0);
    let moves = moves_k(column, &still, scatter);
    sizes(known.volume_l)
        .find(|&litres| {
            let (tried, _) = moved_on(column, known, litres);
            let row: Vec<f64> = scatter.heights.iter().map(|&h| tried.degc_at(h)).collect();
            misfit(&moves, &still, &row, scatter, 1.0) >= LEAST_GAIN
        })
        .unwrap_or(f64::INFINITY)
}

/// The column at the end of the interval with `litres` drawn, and the temperature at which they left.
pub(super) fn moved_on(column: &Column, known: &Known<'_>, litres: f64) -> (Column, f64) {
    let mut column = *column;
    let parts = (known.hours / LONGEST_PART_H).ceil().max(1.0);
    let mut outlet_degc = column.degc_at(1.0);
    for part in 0..parts as u32 {
        let drawn_l = if part == parts as u32 / 2 { litres } else { 0.0 };
        let interval = Interval {
            seconds: known.hours * 3600.0 / parts,
            drawn_l: drawn_l + known.steady_l / parts,
            feed_degc: known.feed_degc,
            heats: &known.heats.map(|heat| Heat { wh: heat.wh / parts, ..heat }),
            surroundings_degc: known.surroundings_degc,
            ..Interval::default()
        };
        let passed = known.body.advance(&mut column, &interval);
        if drawn_l > 0.0 {
            outlet_degc = passed.drawn_degc;
        }
    }
    (column, outlet_degc)
}

/// For each probe, what it would read without a draw-off, degC, and how far it would have moved, K: what moves fast is known
/// less well.
fn moves_k(before: &Column, still: &Column, scatter: Scatter<'_>) -> [(f64, f64); MOST_PROBES] {
    let mut moves = [(0.0, 0.0); MOST_PROBES];
    for (slot, &height) in moves.iter_mut().zip(scatter.heights) {
        let there = still.degc_at(height);
        *slot = (there, (there - before.degc_at(height)).abs());
    }
    moves
}

/// Twice the negative logarithm of the likelihood of the readings, but for a constant.
///
/// Of `rows` readings of one probe in a step each has noise of its own, while what the column does not know is the same
/// for all and must count once.
fn misfit(
    moves_k: &[(f64, f64); MOST_PROBES],
    after: &Column,
    row: &[f64],
    scatter: Scatter<'_>,
    rows: f64,
) -> f64 {
    let mut sum = 0.0;
    let noise = scatter.sigma_k * scatter.sigma_k;
    for ((reading, &height), (_, moved)) in row.iter().zip(scatter.heights).zip(moves_k) {
        if reading.is_nan() {
            continue;
        }
        let here = after.degc_at(height);
        let moved = SPREAD_SHARE * moved;
        let place = (after.degc_at(height + 0.01) - after.degc_at(height - 0.01)) * PLACE / 0.02;
        let variance = noise + rows * (moved * moved + place * place);
        let difference = reading - here;
        sum += (difference * difference / variance).min(MOST_MISFIT / rows);
    }
    sum
}
