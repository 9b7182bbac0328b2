//! Mixing about the ports: plumes, jets, and the band from which an outlet draws.
//!
//! Three effects, each with one constant. The inlet mixing length and the reach of jets were fitted to ten charge and draw-off
//! tests of one tank of 285 l (Annex60 library, Modelica License 2, copyright Brecht Baeten); the band of the outlet, left free
//! there, came out at its theoretical scale. Width and kind of that tank's ports are not known: 25 mm stands for them.

use super::Model;
use super::state::{Slug, State};
use crate::water::expansion_per_k;

/// Reach of a jet over the length of its momentum against its buoyancy: 0.1, fitted (a free jet bends at about 1).
const JET_REACH: f64 = 0.1;

/// Standard acceleration of gravity, m/s2.
const GRAVITY_M_PER_S2: f64 = 9.806_65;

/// Least expansion coefficient, 1/K: keeps buoyancy finite about 4 degC, where water has none.
const LEAST_EXPANSION_PER_K: f64 = 1e-5;

/// Height to either side of an outlet over which the layering is judged, m.
const LAYERING_M: f64 = 0.05;

/// Least difference between the ends of that height, K: bounds the band in water of one temperature.
const LEAST_LAYERING_K: f64 = 0.1;

/// Shortest inlet mixing length, m: a plume then takes up half of whatever it passes.
const LEAST_INLET_LENGTH_M: f64 = 0.001;

/// How water mixes where it enters and from where it is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mixing {
    /// Inlet mixing length, m: scale of the rise (or fall) over which entering water takes up what it passes. Its volume
    /// grows by (1 + rise / length)^(5/3), the law of plumes (B. R. Morton, G. Taylor and J. S. Turner, Proc. R. Soc. A 234
    /// (1956) 1). Shorter mixes more; infinite for none.
    pub inlet_length_m: f64,
    /// Inside diameter of the inlet ports, m: a narrow one stirs further; 0 for an inlet that does not stir.
    pub port_diameter_m: f64,
    /// Half the height of the band from which an outlet draws over (flow / buoyancy frequency)^(1/3), the scale of
    /// withdrawal from layered water through a point (about 1); 0 for an outlet that draws at its own level only.
    pub withdrawal: f64,
}

impl Default for Mixing {
    fn default() -> Self {
        Self { inlet_length_m: 0.05, port_diameter_m: 0.025, withdrawal: 1.0 }
    }
}

impl Mixing {
    /// Plug flow: nothing mixes but what is out of order.
    pub const NONE: Self = Self { inlet_length_m: f64::INFINITY, port_diameter_m: 0.0, withdrawal: 0.0 };

    /// The same, with each number held to its range; NaN becomes the lower end.
    pub(super) fn held(&self) -> Self {
        Self {
            inlet_length_m: self.inlet_length_m.max(LEAST_INLET_LENGTH_M),
            port_diameter_m: self.port_diameter_m.max(0.0),
            withdrawal: self.withdrawal.max(0.0),
        }
    }
}

impl Model {
    /// Half the height from which an outlet draws at a flow, litres.
    pub(super) fn drawn_band_l(&self, state: &State, outlet: f64, l_per_s: f64) -> f64 {
        let factor = self.settings.mixing.withdrawal;
        if factor <= 0.0 {
            return 0.0;
        }
        let aside = LAYERING_M / self.shape.height_m;
        let (low, high) = ((outlet - aside).max(0.0), (outlet + aside).min(1.0));
        let (low_degc, high_degc) = (state.degc_at(low), state.degc_at(high));
        let kelvins = (high_degc - low_degc).max(LEAST_LAYERING_K);
        let metres = (high - low) * self.shape.height_m;
        let frequency_per_s =
            (buoyancy_m_per_s2(f64::midpoint(low_degc, high_degc), kelvins) / metres).sqrt();
        factor * libm::cbrt(l_per_s / 1000.0 / frequency_per_s) * self.l_per_m
    }

    /// Stirs the water about an inlet, as far as the jet of entering water reaches against the layering.
    ///
    /// A jet of flow Q through a port of area A is bent by a difference of buoyancy g' within about Q A^(-3/4) g'^(-1/2)
    /// (H. B. Fischer et al., Mixing in Inland and Coastal Waters, 1979, chapter 9; from memory): a Richardson number of the
    /// reach that is held at one value.
    pub(super) fn stir_at_inlet(&self, state: &mut State, inlet_l: f64, l_per_s: f64, degc: f64) {
        let diameter_m = self.settings.mixing.port_diameter_m;
        if diameter_m <= 0.0 {
            return;
        }
        let area_m2 = std::f64::consts::FRAC_PI_4 * diameter_m * diameter_m;
        let strength = JET_REACH * l_per_s / 1000.0 / (area_m2 * area_m2.sqrt()).sqrt();
        let reach = |there_degc: f64| {
            let buoyancy = buoyancy_m_per_s2(f64::midpoint(there_degc, degc), (there_degc - degc).abs());
            strength / buoyancy.sqrt() * self.l_per_m
        };
        let all = state.litres();
        let up = passed_l(state.slugs.iter(), inlet_l, reach);
        let down = passed_l(state.slugs.iter().rev(), all - inlet_l, reach);
        if up + down > 0.0 {
            stir(state, inlet_l - down, inlet_l + up);
        }
    }
}

/// Buoyancy of a difference in temperature, m/s2.
fn buoyancy_m_per_s2(mean_degc: f64, kelvins: f64) -> f64 {
    GRAVITY_M_PER_S2 * expansion_per_k(mean_degc).max(LEAST_EXPANSION_PER_K) * kelvins
}

/// Litres from a level on that a jet passes before it meets water it cannot reach; slugs in order from one end.
fn passed_l<'a>(slugs: impl Iterator<Item = &'a Slug>, level_l: f64, reach_l: impl Fn(f64) -> f64) -> f64 {
    let (mut base, mut passed) = (0.0, 0.0);
    for slug in slugs {
        let top = base + slug.litres;
        if top > level_l {
            let reach = reach_l(slug.degc);
            if reach < top - level_l {
                return f64::max(passed, reach);
            }
            passed = top - level_l;
        }
        base = top;
    }
    passed
}

/// Brings the water between two levels to one temperature.
fn stir(state: &mut State, low_l: f64, high_l: f64) {
    let within = |base: f64, litres: f64| ((base + litres).min(high_l) - base.max(low_l)).max(0.0);
    let (mut base, mut litres, mut litre_kelvins) = (0.0, 0.0, 0.0);
    for slug in &state.slugs {
        let part = within(base, slug.litres);
        litres += part;
        litre_kelvins += part * slug.degc;
        base += slug.litres;
    }
    if litres <= 0.0 {
        return;
    }
    let mean_degc = litre_kelvins / litres;
    base = 0.0;
    for slug in &mut state.slugs {
        let part = within(base, slug.litres);
        base += slug.litres;
        slug.degc += (mean_degc - slug.degc) * part / slug.litres;
    }
}
