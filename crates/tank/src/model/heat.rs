//! Heat that enters or leaves without water: elements, coils, skin.

use super::state::State;
use super::{Model, S_PER_H, Settings};
use crate::Water;
use crate::shape::Shape;

/// An electric element in the water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Element {
    /// Lowest and highest point, volume fractions; equal for one that lies flat.
    pub low: f64,
    /// Highest point.
    pub high: f64,
    /// Power, W; not below 0.
    pub power_w: f64,
}

/// A stream of a heating circuit on the far side of a wall.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Primary {
    /// Temperature at which it comes, degC.
    pub degc: f64,
    /// Its flow, l/min.
    pub l_per_min: f64,
    /// What the wall passes, W/K.
    pub ua_w_per_k: f64,
}

/// A coil in the water; its stream enters at the top and leaves at the bottom, as is usual.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coil {
    /// Lowest point, volume fraction.
    pub low: f64,
    /// Highest point, volume fraction.
    pub high: f64,
    /// The stream inside; its wall counts for the whole coil.
    pub primary: Primary,
}

/// The skin: what a litre at the side loses, and what each end adds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Skin {
    side_w_per_k_l: f64,
    end_w_per_k: f64,
}

impl Skin {
    pub(super) fn new(shape: Shape, settings: &Settings) -> Self {
        // three equal parts, top first: the middle one has no end
        let shares = shape.skin_shares(&[5.0 / 6.0, 0.5, 1.0 / 6.0]);
        let (outer, side) = (shares[0], shares[1]);
        Self {
            side_w_per_k_l: settings.standing_loss_w_per_k * side * 3.0 / settings.volume_l,
            end_w_per_k: settings.standing_loss_w_per_k * (outer - side),
        }
    }
}

impl Model {
    /// Heat from an element into the litres beside it, Wh.
    pub(super) fn warm(&self, state: &mut State, element: &Element, dt_s: f64) -> f64 {
        let wh = element.power_w * dt_s / S_PER_H;
        if !(wh > 0.0 && wh.is_finite() && element.low.is_finite() && element.high.is_finite()) {
            return 0.0;
        }
        let (low, high) = self.band(element.low, element.high);
        let kelvins = wh / self.wh_per_l_k / (high - low);
        let mut base = 0.0;
        for slug in &mut state.slugs {
            let top = base + slug.litres;
            let beside = (top.min(high) - base.max(low)).max(0.0);
            slug.degc += kelvins * beside / slug.litres;
            base = top;
        }
        wh
    }

    /// Heat from a coil, from its top down, Wh; negative when its stream is the colder.
    pub(super) fn warm_by_coil(&self, state: &mut State, coil: &Coil, dt_s: f64) -> f64 {
        if !(coil.primary.is_flowing() && coil.low.is_finite() && coil.high.is_finite()) {
            return 0.0;
        }
        let stream_w_per_k = coil.primary.w_per_k(self.settings.water);
        let (low, high) = self.band(coil.low, coil.high);
        let (mut stream_degc, mut total_wh) = (coil.primary.degc, 0.0);
        let mut top = state.litres();
        for slug in state.slugs.iter_mut().rev() {
            let base = top - slug.litres;
            let beside = (top.min(high) - base.max(low)).max(0.0);
            top = base;
            if beside <= 0.0 {
                continue;
            }
            let ua = coil.primary.ua_w_per_k * beside / (high - low);
            let passed_w_per_k = -stream_w_per_k * libm::expm1(-ua / stream_w_per_k);
            let slug_wh_per_k = slug.litres * self.wh_per_l_k;
            // the slug nears the stream during the step and never overtakes it
            let share = -libm::expm1(-passed_w_per_k * dt_s / S_PER_H / slug_wh_per_k);
            let wh = slug_wh_per_k * share * (stream_degc - slug.degc);
            slug.degc += share * (stream_degc - slug.degc);
            stream_degc -= wh * S_PER_H / dt_s / stream_w_per_k;
            total_wh += wh;
        }
        total_wh
    }

    /// Heat lost through the skin, Wh.
    pub(super) fn lose(&self, state: &mut State, surroundings_degc: f64, dt_s: f64) -> f64 {
        let last = state.slugs.len() - 1;
        let mut lost = 0.0;
        for (index, slug) in state.slugs.iter_mut().enumerate() {
            let ends = f64::from(u8::from(index == 0)) + f64::from(u8::from(index == last));
            let w_per_k = self.loss.side_w_per_k_l * slug.litres + self.loss.end_w_per_k * ends;
            // implicit in time: cools towards the surroundings and never past them
            let ratio = w_per_k * dt_s / S_PER_H / (slug.litres * self.wh_per_l_k);
            let kelvins = (slug.degc - surroundings_degc) * ratio / (1.0 + ratio);
            slug.degc -= kelvins;
            lost += slug.litres * kelvins;
        }
        lost * self.wh_per_l_k
    }

    /// Litres from the base between two heights, at least half a layer apart and within the cylinder.
    pub(super) fn band(&self, low: f64, high: f64) -> (f64, f64) {
        let all = self.settings.volume_l;
        let half = self.layer_l / 2.0;
        let low = (low.clamp(0.0, 1.0) * all).min(all - half);
        let high = high.clamp(0.0, 1.0) * all;
        (low, high.max(low + half))
    }
}

impl Primary {
    /// Whether it flows past a wall at a known temperature.
    pub(super) fn is_flowing(&self) -> bool {
        self.degc.is_finite() && self.l_per_min > 0.0 && self.ua_w_per_k > 0.0
    }

    /// Heat that the stream carries per kelvin, W/K.
    pub(super) fn w_per_k(&self, water: Water) -> f64 {
        self.l_per_min * 60.0 * water.wh_per_l_k(self.degc)
    }
}
