//! Single steps of water and heat, for [`crate::replay`], which decides them one by one.

use super::{Body, Column, Heat, Passed};

impl Body {
    /// Layers of equal volume.
    pub(crate) fn layers(&self) -> usize {
        self.layers
    }

    /// Loss of the whole skin as a share of the heat capacity, 1/h.
    pub(crate) fn loss_per_h(&self) -> f64 {
        // two ends of one layer each, and the side of all
        self.side_per_h + (self.base_per_h + self.top_per_h) / self.layers as f64
    }

    /// Heat capacity of one layer, Wh/K.
    pub(crate) fn layer_wh_per_k(&self) -> f64 {
        self.layer_wh_per_k
    }

    /// Litres, metered at the feed's temperature, that fill so many layers.
    pub(crate) fn metered_l(&self, layers: f64, feed_degc: f64) -> f64 {
        layers * self.layer_l * self.reference_kg_per_l / self.water.density(feed_degc)
    }

    /// Draws litres, metered at the feed's temperature, off the top; gives the heat above the feed that left, Wh.
    pub(crate) fn draw_off(&self, column: &mut Column, litres: f64, feed_degc: f64) -> f64 {
        let mut passed = Passed { delivered_wh: 0.0, drawn_degc: f64::NAN, heated_wh: 0.0, lost_wh: 0.0 };
        if litres > 0.0 && litres.is_finite() && feed_degc.is_finite() {
            self.draw(column, litres, feed_degc, &mut passed);
        }
        passed.delivered_wh
    }

    /// Heat from an element or a coil; what it warms rises and mixes.
    pub(crate) fn immerse(&self, column: &mut Column, heat: &Heat) {
        self.warm(column, heat);
        column.settle();
    }

    /// Pumps so many layers of water from the base to the top, which take up `wh` on the way.
    pub(crate) fn pump(&self, column: &mut Column, layers: f64, wh: f64) {
        if layers > 0.0 {
            self.turn(column, layers * self.layer_l, wh);
        }
    }
}

impl Column {
    /// Water by layer from the top down: (size in layers, degC).
    pub(crate) fn down_from_top(&self) -> impl Iterator<Item = (f64, f64)> {
        (0..=self.layers).rev().map(|index| (self.size(index), self.degc[index]))
    }

    /// Water by layer from the base up: (size in layers, degC).
    pub(crate) fn up_from_base(&self) -> impl Iterator<Item = (f64, f64)> {
        (0..=self.layers).map(|index| (self.size(index), self.degc[index]))
    }
}
