//! What was drawn while nothing was read: the heat that the register counted and the water does not hold.

use drawoff_tank::column::{Column, Heat, Interval};

use super::Drawn;
use super::agree::agree;
use super::explain::{CLOSE_LITRES, Explained, Known, LEAST_LITRES, REFINEMENTS, Scatter};

/// Longest stretch that is moved on at once, h.
const LONGEST_PART_H: f64 = 0.1;
/// How often the water is brought to agree with the readings: after a silence they know better than it does.
const AGREEMENTS: usize = 4;
/// The standing loss before it is read is known to within this part: the spread of the label classes about the assumed one.
const LOSS_SPREAD: f64 = 0.35;
/// Standard deviation of the volume mean over a silence, K.
const MEAN_SPREAD_K: f64 = 0.4;
/// Heat that left must exceed its standard deviation by so many times to be water drawn.
const SIGMAS: f64 = 2.5;
/// Largest draw-off, as a multiple of the volume, by hour of silence and at least.
const VOLUMES_PER_H: f64 = 0.6;

/// The draw-offs of a silence as one that lasts as long, or none.
pub(super) fn explain_silence(
    column: &Column,
    known: &Known<'_>,
    row: &[f64],
    scatter: Scatter<'_>,
) -> Explained {
    let most_l = VOLUMES_PER_H * known.volume_l * known.hours.max(1.0);
    let rest = tried(column, known, 0.0, row, scatter);
    let mut best = Explained { ..rest };
    for _ in 0..REFINEMENTS {
        let litres = (best.drawn.litres
            + best.missing_k * known.volume_l / known.lift_k(best.drawn.outlet_degc))
        .clamp(0.0, most_l);
        if (litres - best.drawn.litres).abs() < CLOSE_LITRES || litres < LEAST_LITRES {
            break;
        }
        best = tried(column, known, litres, row, scatter);
    }
    if best.drawn.litres < SIGMAS * sigma_l(column, known, &best).max(known.least_l) { rest } else { best }
}

/// Standard deviation of the litres, l.
fn sigma_l(before: &Column, known: &Known<'_>, found: &Explained) -> f64 {
    let above_k = f64::midpoint(before.mean_degc(), found.column.mean_degc()) - known.surroundings_degc;
    let lost_k = LOSS_SPREAD * known.loss_w_per_k * above_k * known.hours / known.wh_per_k;
    lost_k.hypot(MEAN_SPREAD_K) * known.volume_l / known.lift_k(found.drawn.outlet_degc)
}

/// The water after a silence in which `litres` leave evenly, brought to agree with the readings.
fn tried(column: &Column, known: &Known<'_>, litres: f64, row: &[f64], scatter: Scatter<'_>) -> Explained {
    let mut column = *column;
    let parts = (known.hours / LONGEST_PART_H).ceil().max(1.0);
    let (mut outlet, mut counted) = (0.0, 0.0);
    let top_degc = column.degc_at(1.0);
    for _ in 0..parts as u32 {
        let interval = Interval {
            seconds: known.hours * 3600.0 / parts,
            drawn_l: (litres + known.steady_l) / parts,
            feed_degc: known.feed_degc,
            heats: &known.heats.map(|heat| Heat { wh: heat.wh / parts, ..heat }),
            surroundings_degc: known.surroundings_degc,
            ..Interval::default()
        };
        let passed = known.body.advance(&mut column, &interval);
        if passed.drawn_degc.is_finite() {
            outlet += passed.drawn_degc;
            counted += 1.0;
        }
    }
    let moved_degc = column.mean_degc();
    for _ in 0..AGREEMENTS {
        agree(&mut column, row, scatter.heights);
    }
    let outlet_degc = if counted > 0.0 { outlet / counted } else { top_degc };
    let mean_degc = column.mean_degc();
    Explained { missing_k: moved_degc - mean_degc, mean_degc, column, drawn: Drawn { litres, outlet_degc } }
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawoff_tank::column::{Body, Settings};

    const HEIGHTS: [f64; 6] = [0.92, 0.75, 0.58, 0.42, 0.25, 0.08];

    /// What is read of a silence of three hours in which `litres` left at once and 1.5 kWh went in.
    fn found_l(litres: f64) -> f64 {
        let body = Body::new(&Settings::default());
        let before = body.uniform(60.0);
        let heats = [Heat { low: 0.1, high: 0.1, wh: 1500.0 }, Heat { low: 0.6, high: 0.6, wh: 0.0 }];
        let draw = Interval { seconds: 300.0, drawn_l: litres, ..Interval::default() };
        let heat = Interval { seconds: 10_500.0, heats: &heats, ..Interval::default() };
        let mut after = before;
        body.advance(&mut after, &draw);
        body.advance(&mut after, &heat);
        let row = HEIGHTS.map(|h| after.degc_at(h));
        let known = Known {
            body: &body,
            hours: 3.0,
            surroundings_degc: 20.0,
            heats,
            feed_degc: 10.0,
            steady_l: 0.0,
            volume_l: 200.0,
            least_l: 0.0,
            loss_w_per_k: 1.5,
            wh_per_k: body.stored_wh(&body.uniform(1.0)),
        };
        explain_silence(&before, &known, &row, Scatter { heights: &HEIGHTS, sigma_k: 0.1 }).drawn.litres
    }

    #[test]
    fn what_a_silence_hides_is_told_by_the_heat() {
        for litres in [25.0, 50.0, 90.0] {
            let found = found_l(litres);
            assert!((found - litres).abs() < 0.12 * litres, "{found} of {litres}");
        }
    }

    #[test]
    fn heat_that_stayed_in_the_water_was_not_drawn() {
        assert_eq!(found_l(0.0), 0.0);
    }
}
