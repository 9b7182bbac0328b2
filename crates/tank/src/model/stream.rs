//! Water that passes through the cylinder between two ports.

use super::heat::Primary;
use super::state::{Slug, State};
use super::{Model, S_PER_H, Sums, buoyancy};

/// Water is moved in slugs of at most this many layers.
const LARGEST_MOVE: f64 = 0.5;

/// Flow is held to this many cylinder volumes in one part of a step, when all the water has long been replaced.
const MOST_VOLUMES: f64 = 10.0;

/// Water that leaves at one port while as much enters at another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stream {
    /// Height of the port where it leaves the cylinder, volume fraction.
    pub leaves: f64,
    /// Height of the port where it enters, volume fraction.
    pub enters: f64,
    /// Flow, litres a minute: of an open stream as metered where it enters, of a loop at [`super::REFERENCE_DEGC`].
    ///
    /// None when not above 0.
    pub l_per_min: f64,
    /// What it is like when it enters.
    pub entering: Entering,
}

/// How the temperature of entering water comes about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Entering {
    /// Comes from elsewhere at this temperature, degC: an open stream. What left counts as delivered.
    At(f64),
    /// The water that left, heated on its way by this power, W (0 for a pump alone).
    ///
    /// Without flow no heat enters; with very little it boils: a thermostat is the caller's.
    Heated(f64),
    /// The water that left, past a counterflow plate exchanger.
    Exchanged(Primary),
}

impl Stream {
    /// A draw-off: hot out at the very top, cold in at the base; litres as metered in the cold feed at `feed_degc`.
    #[must_use]
    pub fn draw(l_per_min: f64, feed_degc: f64) -> Self {
        Self { leaves: 1.0, enters: 0.0, l_per_min, entering: Entering::At(feed_degc) }
    }

    /// Top-down heating: a pump takes water from the base past a heater of `power_w` and returns it at the top.
    #[must_use]
    pub fn top_down(l_per_min: f64, power_w: f64) -> Self {
        Self { leaves: 0.0, enters: 1.0, l_per_min, entering: Entering::Heated(power_w) }
    }

    /// Whether it flows, and all else about it is a number.
    fn is_flowing(&self) -> bool {
        let is_known = match self.entering {
            Entering::At(degc) => degc.is_finite(),
            Entering::Heated(power_w) => power_w.is_finite(),
            Entering::Exchanged(primary) => primary.is_flowing(),
        };
        is_known && self.l_per_min > 0.0 && self.leaves.is_finite() && self.enters.is_finite()
    }
}

impl Model {
    /// Lets a stream run for `dt_s`.
    pub(super) fn pass(&self, state: &mut State, stream: &Stream, dt_s: f64, sums: &mut Sums) {
        if !stream.is_flowing() {
            return;
        }
        let metered_l = (stream.l_per_min * dt_s / 60.0).min(MOST_VOLUMES * self.settings.volume_l);
        let litres = match stream.entering {
            Entering::At(degc) => metered_l * self.settings.water.density(degc) / self.reference_kg_per_l,
            Entering::Heated(_) | Entering::Exchanged(_) => metered_l,
        };
        let moves = (litres / (LARGEST_MOVE * self.layer_l)).ceil().max(1.0);
        let each_l = litres / moves;
        for _ in 0..moves as u32 {
            let (left_degc, entered_degc) = self.exchange(state, stream, each_l, dt_s / moves);
            buoyancy::settle(state);
            let gained_wh = (entered_degc - left_degc) * each_l * self.wh_per_l_k;
            if matches!(stream.entering, Entering::At(_)) {
                sums.delivered_wh -= gained_wh;
                sums.left_l += each_l;
                sums.left_litre_kelvins += left_degc * each_l;
            } else {
                sums.heated_wh += gained_wh;
            }
        }
        if matches!(stream.entering, Entering::At(_)) {
            sums.drawn_l += metered_l;
        }
    }

    /// Moves one slug's worth; gives the temperatures at which it left and entered, degC.
    fn exchange(&self, state: &mut State, stream: &Stream, litres: f64, dt_s: f64) -> (f64, f64) {
        let l_per_s = litres / dt_s;
        let all = state.litres();
        let outlet = stream.leaves.clamp(0.0, 1.0);
        let inlet_l = stream.enters.clamp(0.0, 1.0) * all;
        // the band holds at least what is taken, so that a slug's worth always leaves
        let band_l = self.drawn_band_l(state, outlet, l_per_s).max(litres);
        let low = (outlet * all - band_l).max(0.0);
        let high = (outlet * all + band_l).min(all);
        let left_degc = state.take(low, high, litres / (high - low)) / litres;
        let entered_degc = self.entered_degc(stream.entering, left_degc, l_per_s);
        // the inlet's level, as counted in what remains
        let taken_below = litres * ((inlet_l - low) / (high - low)).clamp(0.0, 1.0);
        let length_l = self.settings.mixing.inlet_length_m * self.l_per_m;
        state.put(inlet_l - taken_below, Slug { litres, degc: entered_degc }, length_l);
        self.stir_at_inlet(state, inlet_l, l_per_s, entered_degc);
        (left_degc, entered_degc)
    }

    fn entered_degc(&self, entering: Entering, left_degc: f64, l_per_s: f64) -> f64 {
        let w_per_k = l_per_s * S_PER_H * self.wh_per_l_k;
        match entering {
            Entering::At(degc) => degc,
            Entering::Heated(power_w) => left_degc + power_w.max(0.0) / w_per_k,
            Entering::Exchanged(primary) => {
                left_degc + primary.counterflow_w(self.settings.water, w_per_k, left_degc) / w_per_k
            }
        }
    }
}

impl Primary {
    /// Heat passed to a stream of `w_per_k` that comes at `degc`, W: counterflow, by effectiveness and number of transfer units.
    ///
    /// W. M. Kays and A. L. London, Compact Heat Exchangers (1984), chapter 2 (from memory).
    fn counterflow_w(&self, water: crate::Water, w_per_k: f64, degc: f64) -> f64 {
        let own = self.w_per_k(water);
        let (least, most) = (own.min(w_per_k), own.max(w_per_k));
        let (units, ratio) = (self.ua_w_per_k / least, least / most);
        let effectiveness = if 1.0 - ratio < 1e-9 {
            units / (1.0 + units)
        } else {
            let decay = libm::exp(-units * (1.0 - ratio));
            (1.0 - decay) / (1.0 - ratio * decay)
        };
        effectiveness * least * (self.degc - degc)
    }
}
