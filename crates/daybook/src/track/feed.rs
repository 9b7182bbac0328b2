//! What draw-offs say of the cold feed, where no probe is cold enough to show it.
//!
//! The heat that left is known from the balance, so a warmer feed means more litres: the front of a large draw-off then
//! stands higher, and what entered at the base is warmer. Both are compared with the readings: for each reading, how far it
//! would move if the feed were a kelvin warmer and the heat drawn the same. Weighted least squares over the draw-offs of a
//! day; a reading that lies beyond any feed is held to what one would do.

use drawoff_tank::column::{Column, DEFAULT_INLET_MIXING_L};

use super::Drawn;
use super::explain::{Known, Scatter, moved_on};

/// Standard deviation of what the column does not know of a temperature after a draw-off, K.
const COLUMN_SPREAD_K: f64 = 0.5;
/// Part of the change of a reading in a draw-off that the column does not know.
const CHANGE_SPREAD: f64 = 0.2;
/// A reading says at most this, in standard deviations, beside what a feed taken wrong by so much does.
const MOST_SIGMAS: f64 = 3.0;
const MOST_WRONG_K: f64 = 10.0;
/// A smaller draw-off tells how the inlet stirs, not how cold the feed is, l: twice what it stirs.
const LEAST_LITRES: f64 = 2.0 * DEFAULT_INLET_MIXING_L;
/// A reading that moves by less than this part of a change of the feed is ruled by other things.
const LEAST_SLOPE: f64 = 0.2;
/// Step of the feed, K.
const WARMER_K: f64 = 1.0;
/// Least information on the feed in a day that is told, 1/K2: a standard error of 4 K.
const LEAST_INFORMATION: f64 = 1.0 / 16.0;

/// Sums over draw-offs.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct FeedSums {
    warmer: f64,
    information: f64,
}

impl FeedSums {
    /// Takes in a draw-off seen in one step from the water `before`, with the readings at its end.
    pub(super) fn note(
        &mut self,
        before: &Column,
        known: &Known<'_>,
        drawn: Drawn,
        row: &[f64],
        scatter: Scatter<'_>,
    ) {
        if drawn.litres < LEAST_LITRES {
            return;
        }
        let lift_k = known.lift_k(drawn.outlet_degc);
        let warmer = Known { feed_degc: known.feed_degc + WARMER_K, ..*known };
        let (expected, _) = moved_on(before, known, drawn.litres);
        let (expected_warmer, _) = moved_on(before, &warmer, drawn.litres * lift_k / (lift_k - WARMER_K));
        for (reading, &height) in row.iter().zip(scatter.heights).filter(|(r, _)| !r.is_nan()) {
            let here = expected.degc_at(height);
            let slope = (expected_warmer.degc_at(height) - here) / WARMER_K;
            if slope.abs() < LEAST_SLOPE {
                continue;
            }
            let changed_k = CHANGE_SPREAD * (here - before.degc_at(height));
            let variance =
                scatter.sigma_k * scatter.sigma_k + COLUMN_SPREAD_K * COLUMN_SPREAD_K + changed_k * changed_k;
            let most = MOST_SIGMAS * variance.sqrt() + MOST_WRONG_K * slope.abs();
            self.warmer += slope * (reading - here).clamp(-most, most) / variance;
            self.information += slope * slope / variance;
        }
    }

    /// Cold feed, degC, and its standard error, K, where `assumed_degc` was assumed.
    pub(super) fn told(&self, assumed_degc: f64) -> Option<(f64, f64)> {
        (self.information >= LEAST_INFORMATION)
            .then(|| (assumed_degc + self.warmer / self.information, 1.0 / self.information.sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawoff_tank::column::{Body, Heat, Interval, Settings};

    #[test]
    fn a_large_draw_off_tells_the_feed_and_a_small_one_nothing() {
        let heights = [0.92, 0.75, 0.58, 0.42, 0.25, 0.08];
        let body = Body::new(&Settings::default());
        // What is assumed is never warmer than the coldest water read: here it is too cold.
        let (assumed_degc, true_degc) = (8.0, 11.0);
        // Cold water lies at the base already: what reads hot before and cold after tells too little of the feed.
        let mut before = body.uniform(60.0);
        let first = Interval { drawn_l: 60.0, feed_degc: true_degc, ..Interval::default() };
        body.advance(&mut before, &first);
        let told = |litres: f64| {
            let mut after = before;
            let drawn =
                Interval { seconds: 300.0, drawn_l: litres, feed_degc: true_degc, ..Interval::default() };
            body.advance(&mut after, &drawn);
            let row = heights.map(|h| after.degc_at(h));
            let known = Known {
                body: &body,
                hours: 1.0 / 12.0,
                surroundings_degc: 20.0,
                heats: [Heat { low: 0.0, high: 0.0, wh: 0.0 }; 2],
                feed_degc: assumed_degc,
                steady_l: 0.0,
                volume_l: 200.0,
                least_l: 0.0,
                loss_w_per_k: 1.5,
                wh_per_k: body.stored_wh(&body.uniform(1.0)),
            };
            // The balance knows the heat: against a feed taken too cold it is fewer litres.
            let read_l = litres * (60.0 - true_degc) / (60.0 - assumed_degc);
            let mut sums = FeedSums::default();
            let drawn = Drawn { litres: read_l, outlet_degc: 60.0 };
            sums.note(&before, &known, drawn, &row, Scatter { heights: &heights, sigma_k: 0.1 });
            sums.told(assumed_degc)
        };
        let (degc, se_k) = told(40.0).unwrap();
        assert!((degc - true_degc).abs() < 1.0 && se_k < 2.0, "{degc} {se_k}");
        assert_eq!(told(5.0), None);
    }
}
