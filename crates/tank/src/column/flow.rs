//! Water that passes through a column: draw-offs upwards, a pumped loop downwards.

use super::{Body, Column, Passed};

/// Water is moved by at most this share of the column at once.
const LARGEST_MOVE: f64 = 0.5;

/// Flow is held to this many cylinder volumes in one interval, when all the water has long been replaced.
const MOST_VOLUMES: f64 = 20.0;

/// The inlet stirs at most this share of the column.
const MOST_STIRRED: f64 = 0.25;

impl Body {
    /// Draws litres, metered at the feed's temperature, off the top and lets as much feed in at the base.
    pub(super) fn draw(&self, column: &mut Column, metered_l: f64, feed_degc: f64, passed: &mut Passed) {
        let all = self.layers as f64;
        let litres = metered_l * self.water.density(feed_degc) / self.reference_kg_per_l;
        let wanted = (litres / self.layer_l).min(MOST_VOLUMES * all);
        let moves = (wanted / (LARGEST_MOVE * all)).ceil().max(1.0);
        let each = wanted / moves;
        let mut left = 0.0;
        for _ in 0..moves as u32 {
            left += column.sum_between(all - each, all);
            // a small draw-off stirs as much again as itself, a large one all that the inlet can
            let stirred = self.mixing_layers * -libm::expm1(-each / self.mixing_layers);
            column.push_up(each, feed_degc, stirred.min(MOST_STIRRED * all));
        }
        passed.delivered_wh = (left - wanted * feed_degc) * self.layer_wh_per_k;
        passed.drawn_degc = left / wanted;
    }

    /// Takes litres from the base, heats them by `wh` and returns them at the top; gives the heat taken up, Wh.
    pub(super) fn turn(&self, column: &mut Column, litres: f64, wh: f64) -> f64 {
        let all = self.layers as f64;
        let wanted = (litres / self.layer_l).min(MOST_VOLUMES * all);
        let moves = (wanted / (LARGEST_MOVE * all)).ceil().max(1.0);
        let each = wanted / moves;
        let rise_k = wh / self.layer_wh_per_k / wanted;
        for _ in 0..moves as u32 {
            let left_degc = column.sum_between(0.0, each) / each;
            column.push_down(each, left_degc + rise_k);
            column.settle();
        }
        wh
    }
}

impl Column {
    /// Moves all up by `by` layers and fills in from the base with feed that has passed through a stirred zone.
    ///
    /// The lowest `stirred` layers are one well-mixed vessel: while feed flows in, its temperature nears the feed's
    /// exponentially, and what it gives upwards has at each instant its own temperature.
    fn push_up(&mut self, by: f64, feed_degc: f64, stirred: f64) {
        let zone_k = if stirred > 0.0 { self.sum_between(0.0, stirred) / stirred - feed_degc } else { 0.0 };
        let before = *self;
        let shift = ((before.fill + by).ceil() - 1.0).max(0.0);
        self.fill = before.fill + by - shift;
        let shift = shift as usize;
        for index in (shift..=self.layers).rev() {
            self.degc[index] = before.degc[index - shift];
        }
        // difference from the feed of what left the zone, at a level: exp((level - top) / stirred) of the zone's own
        let top = stirred + by;
        let decayed = |level: f64| if stirred > 0.0 { libm::exp((level - top) / stirred) } else { 0.0 };
        let still_k = zone_k * decayed(stirred);
        let mut edge = stirred;
        let mut at_edge = decayed(edge);
        for index in 0..=self.layers {
            let low = self.base_of(index);
            if low >= top {
                break;
            }
            let high = low + self.size(index);
            if high <= low {
                continue;
            }
            let in_zone = (high.min(stirred) - low).max(0.0);
            let mut sum = in_zone * still_k;
            let upper = high.min(top);
            if upper > edge {
                let at_upper = decayed(upper);
                sum += zone_k * stirred * (at_upper - at_edge);
                (edge, at_edge) = (upper, at_upper);
            }
            let kept = (high - top).max(0.0);
            sum += kept * (self.degc[index] - feed_degc);
            self.degc[index] = feed_degc + sum / (high - low);
        }
    }

    /// Moves all down by `by` layers and fills in from the top.
    fn push_down(&mut self, by: f64, degc: f64) {
        let before = *self;
        let room = before.fill - by;
        let shift = if room > 0.0 { 0.0 } else { (-room).floor() + 1.0 };
        self.fill = room + shift;
        let shift = shift as usize;
        let all = self.layers as f64;
        for index in 0..=self.layers {
            let (low, size) = (self.base_of(index), self.size(index));
            let fresh = (low + size - (all - by)).clamp(0.0, size);
            let old = index + shift;
            self.degc[index] = if old > self.layers || size <= 0.0 {
                degc
            } else {
                before.degc[old] + (degc - before.degc[old]) * fresh / size
            };
        }
    }
}
