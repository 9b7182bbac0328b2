//! What a column shows: readings, means, usable water; and how readings correct it.

use super::Column;
use crate::profile::{USABLE_DEGC, usable_mean};

impl Column {
    /// Temperature that a probe at a height (volume fraction) shows, degC: mean over one layer's height about it.
    ///
    /// Continuous in height and in the litres drawn. NaN for NaN.
    #[must_use]
    pub fn degc_at(&self, height: f64) -> f64 {
        if height.is_nan() {
            return f64::NAN;
        }
        let all = self.layers as f64;
        let at = height.clamp(0.0, 1.0) * all;
        let (low, high) = ((at - 0.5).max(0.0), (at + 0.5).min(all));
        self.sum_between(low, high) / (high - low)
    }

    /// Mean temperature of all the water, degC.
    #[must_use]
    pub fn mean_degc(&self) -> f64 {
        self.layer_kelvins() / self.layers as f64
    }

    /// V40 as a share of the volume, with the rule of [`crate::Profile::v40_litres`]; NaN when the feed is not below 40 degC.
    ///
    /// ```
    /// use drawoff_tank::column::{Body, Settings};
    /// let water = Body::new(&Settings::default()).uniform(60.0);
    /// assert!((200.0 * water.v40_share(10.0) - 333.333).abs() < 1e-3); // 200 * 50 / 30
    /// ```
    #[must_use]
    pub fn v40_share(&self, cold_degc: f64) -> f64 {
        if cold_degc.is_nan() || cold_degc >= USABLE_DEGC {
            return f64::NAN;
        }
        // straight lines between the middles of slugs, level beyond the last
        let mut sum = self.size(0) / 2.0 * usable_mean(self.degc[0], self.degc[0], cold_degc);
        for index in 0..self.layers {
            let apart = (self.size(index) + self.size(index + 1)) / 2.0;
            sum += apart * usable_mean(self.degc[index + 1], self.degc[index], cold_degc);
        }
        let top = self.degc[self.layers];
        sum += self.size(self.layers) / 2.0 * usable_mean(top, top, cold_degc);
        sum / self.layers as f64
    }

    /// Moves the water towards readings: adds `gain` of the residuals, in straight lines over height between probes.
    ///
    /// `heights` are volume fractions, top first, `degc` what the probes read there (NaN is passed over); beyond the end
    /// probes the nearest residual holds. What then lies below something colder mixes. With no reading nothing changes.
    pub fn correct(&mut self, heights: &[f64], degc: &[f64], gain: f64) {
        let before = *self;
        let residual = |(&height, &reading): (&f64, &f64)| {
            let residual_k = reading - before.degc_at(height);
            (!residual_k.is_nan()).then_some((height, gain * residual_k))
        };
        let mut probes = heights.iter().zip(degc).filter_map(residual);
        let Some(mut upper) = probes.next() else { return };
        let mut lower = probes.next();
        let all = self.layers as f64;
        for index in (0..=self.layers).rev() {
            let middle = (self.base_of(index) + self.size(index) / 2.0) / all;
            while let Some(low) = lower.filter(|low| middle < low.0) {
                upper = low;
                lower = probes.next();
            }
            let share = lower.map_or(0.0, |low| ((upper.0 - middle) / (upper.0 - low.0)).clamp(0.0, 1.0));
            self.degc[index] += upper.1 + share * (lower.map_or(upper.1, |low| low.1) - upper.1);
        }
        self.settle();
    }

    /// Moves the water at each height up by `shift` (volume fraction) and warms it by `add` kelvin, both functions of height that
    /// are asked from the top down.
    ///
    /// Keeps no heat: this is how a follower agrees with readings. Where the shift is 0 no layer is smeared.
    pub fn correct_by(&mut self, mut shift: impl FnMut(f64) -> f64, mut add: impl FnMut(f64) -> f64) {
        let before = *self;
        let all = self.layers as f64;
        for index in (0..=self.layers).rev() {
            let middle = (self.base_of(index) + self.size(index) / 2.0) / all;
            let moved = shift(middle);
            if moved != 0.0 {
                self.degc[index] = before.line_at(middle - moved);
            }
            self.degc[index] += add(middle);
        }
        self.settle();
    }

    /// Temperature at a height (volume fraction) on straight lines between the middles of layers, level beyond the last; NaN
    /// for NaN. Cheaper than [`Self::degc_at`], and with a kink at each middle.
    #[must_use]
    pub fn line_at(&self, height: f64) -> f64 {
        let level = height * self.layers as f64 - self.fill + 0.5;
        let below = (level.max(0.0) as usize).min(self.layers - 1);
        let share = (level - below as f64).clamp(0.0, 1.0);
        self.degc[below] + (self.degc[below + 1] - self.degc[below]) * share
    }
}
