//! Forward model of one cylinder: what its water does in the next minute.
//!
//! One-dimensional, bottom up. The grid rides with the water: a stream takes a slug of water out at one port, puts a slug
//! in at another, and whole slugs between the ports slide along, so that no edge is smeared by being carried. A slug that
//! enters fills up to one layer before the next is opened; when there are more slugs than layers, the two neighbours that
//! differ least are joined, up to two layers. That is all the numerical mixing there is. Then come, in this order, mixing at
//! the inlet, heat, conduction, loss, and buoyancy.
//!
//! Conventions: temperatures degC, heights volume fractions from the base (0 base, 1 top), powers W, energies Wh. The heat
//! capacity of a litre is constant, that of the settings' water at [`REFERENCE_DEGC`]; litres that enter are converted by
//! mass, and the heat capacity of a kilogram stays within 0.4 % from 10 to 80 degC (IAPWS-IF97). Water is taken to be
//! lightest where it is hottest, which is wrong below 4 degC. Loss cools each layer where it is: that water cooled at the wall
//! sinks is left out.
//!
//! ```
//! use drawoff_tank::model::{Inputs, Model, Settings, Stream};
//! let model = Model::new(&Settings { volume_l: 200.0, standing_loss_w_per_k: 1.5, ..Settings::default() });
//! let mut state = model.uniform(60.0);
//! let draw = [Stream::draw(10.0, 10.0)];
//! let flows = model.step(&mut state, &Inputs { streams: &draw, ..Inputs::default() }, 60.0);
//! // ten litres at 10 degC weigh 9.997 kg; 9.997 x 4.18 / 3.6 x 50 K = 580 Wh
//! assert!((flows.delivered_wh - 580.0).abs() < 2.0);
//! assert!((flows.heated_wh - flows.delivered_wh - flows.lost_wh - flows.stored_wh).abs() < 1e-9);
//! ```

mod buoyancy;
mod conduction;
mod heat;
mod mixing;
mod settings;
mod state;
mod stream;

pub use heat::{Coil, Element, Primary};
pub use mixing::Mixing;
pub use settings::{DEFAULT_CONDUCTIVITY_W_PER_M_K, DEFAULT_LAYERS, REFERENCE_DEGC, Settings};
pub use state::State;
pub use stream::{Entering, Stream};

use crate::shape::Shape;

/// Longest stretch that is computed at once, s; longer steps are cut into equal parts.
const LONGEST_PART_S: f64 = 60.0;

/// Seconds in an hour: turns W s into Wh.
const S_PER_H: f64 = 3600.0;

/// What acts on the cylinder during a step; all of it is held for the whole step.
#[derive(Clone, Copy, Debug)]
pub struct Inputs<'a> {
    /// Water that passes through ports: draw-offs, charging loops, circulation.
    pub streams: &'a [Stream],
    /// Electric elements in the water.
    pub elements: &'a [Element],
    /// Coils in the water with a stream of a heating circuit inside.
    pub coils: &'a [Coil],
    /// Temperature around the cylinder, degC.
    pub surroundings_degc: f64,
}

impl Default for Inputs<'_> {
    /// Nothing flows or heats; surroundings at 20 degC.
    fn default() -> Self {
        Self { streams: &[], elements: &[], coils: &[], surroundings_degc: 20.0 }
    }
}

/// Heat that crossed the cylinder's skin and ports in a step: heated = delivered + lost + stored, to rounding.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Flows {
    /// From elements, coils and heated loops, Wh.
    pub heated_wh: f64,
    /// Left by open streams above what entered in its place, Wh; negative when an open stream charges.
    pub delivered_wh: f64,
    /// Through the skin, Wh; negative when the surroundings are warmer.
    pub lost_wh: f64,
    /// Rise of the stored heat, Wh.
    pub stored_wh: f64,
    /// Left by open streams, litres as metered where they enter.
    pub drawn_l: f64,
    /// Mean temperature of what left by open streams, degC; NaN when nothing left.
    pub drawn_degc: f64,
}

/// One cylinder's constants, worked out from its [`Settings`].
#[derive(Clone, Debug, PartialEq)]
pub struct Model {
    settings: Settings,
    shape: Shape,
    layer_l: f64,
    l_per_m: f64,
    wh_per_l_k: f64,
    reference_kg_per_l: f64,
    loss: heat::Skin,
}

impl Model {
    /// Model of a cylinder; settings out of range are held to it (see [`Settings`]).
    #[must_use]
    pub fn new(settings: &Settings) -> Self {
        let settings = settings.held();
        let shape = Shape::new(settings.volume_l, settings.height_m);
        Self {
            shape,
            layer_l: settings.volume_l / f64::from(settings.layers),
            l_per_m: settings.volume_l / shape.height_m,
            wh_per_l_k: settings.water.wh_per_l_k(REFERENCE_DEGC),
            reference_kg_per_l: settings.water.density(REFERENCE_DEGC),
            loss: heat::Skin::new(shape, &settings),
            settings,
        }
    }

    /// The settings in use.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// A cylinder at one temperature, degC.
    #[must_use]
    pub fn uniform(&self, degc: f64) -> State {
        let layers = usize::from(self.settings.layers);
        State::new(self.layer_l, std::iter::repeat_n(degc, layers))
    }

    /// A cylinder whose layers of equal volume have these temperatures, base first; any number of at least one.
    ///
    /// `None` for an empty or partly missing profile. More layers than the settings have are joined.
    #[must_use]
    pub fn layered(&self, degc: &[f64]) -> Option<State> {
        if degc.is_empty() || degc.iter().any(|t| !t.is_finite()) {
            return None;
        }
        let layers = usize::from(self.settings.layers);
        let all = degc.len() as f64;
        // each layer takes the mean of the given profile over its share of the volume
        let mean = |low: f64, high: f64| {
            let (mut sum, mut at) = (0.0, low);
            while at < high - 1e-12 {
                let index = ((at + 1e-12) * all).floor().min(all - 1.0);
                let next = ((index + 1.0) / all).min(high);
                sum += (next - at) * degc[index as usize];
                at = next;
            }
            sum / (high - low)
        };
        let share = 1.0 / layers as f64;
        Some(State::new(self.layer_l, (0..layers).map(|i| mean(i as f64 * share, (i + 1) as f64 * share))))
    }

    /// Heat in the water above 0 degC, Wh.
    #[must_use]
    pub fn stored_wh(&self, state: &State) -> f64 {
        state.litre_kelvins() * self.wh_per_l_k
    }

    /// Moves the cylinder on by `dt_s` seconds and says what heat crossed its skin and ports.
    ///
    /// Allocates nothing. A stream, element, coil or surroundings with a number that is not finite is left out, and a step
    /// that is not positive does nothing. Time goes with the number of minutes in the step.
    pub fn step(&self, state: &mut State, inputs: &Inputs<'_>, dt_s: f64) -> Flows {
        let mut sums = Sums::default();
        if !(dt_s > 0.0 && dt_s.is_finite()) {
            return sums.flows(0.0);
        }
        let before = state.litre_kelvins();
        let parts = (dt_s / LONGEST_PART_S).ceil().max(1.0);
        for _ in 0..parts as u32 {
            self.part(state, inputs, dt_s / parts, &mut sums);
        }
        sums.flows((state.litre_kelvins() - before) * self.wh_per_l_k)
    }

    fn part(&self, state: &mut State, inputs: &Inputs<'_>, dt_s: f64, sums: &mut Sums) {
        for stream in inputs.streams {
            self.pass(state, stream, dt_s, sums);
        }
        for element in inputs.elements {
            sums.heated_wh += self.warm(state, element, dt_s);
        }
        for coil in inputs.coils {
            sums.heated_wh += self.warm_by_coil(state, coil, dt_s);
        }
        self.conduct(state, dt_s);
        if inputs.surroundings_degc.is_finite() {
            sums.lost_wh += self.lose(state, inputs.surroundings_degc, dt_s);
        }
        buoyancy::settle(state);
    }
}

/// What is summed up over the parts of a step.
#[derive(Default)]
struct Sums {
    heated_wh: f64,
    delivered_wh: f64,
    lost_wh: f64,
    drawn_l: f64,
    left_l: f64,
    left_litre_kelvins: f64,
}

impl Sums {
    fn flows(&self, stored_wh: f64) -> Flows {
        Flows {
            heated_wh: self.heated_wh,
            delivered_wh: self.delivered_wh,
            lost_wh: self.lost_wh,
            stored_wh,
            drawn_l: self.drawn_l,
            drawn_degc: if self.left_l > 0.0 { self.left_litre_kelvins / self.left_l } else { f64::NAN },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_step_needs_more_room_than_the_first_state_has() {
        let model = Model::new(&Settings { layers: 30, ..Settings::default() });
        let mut state = model.uniform(55.0).clone();
        let room = |state: &State| {
            (state.slugs.capacity(), state.scratch.rows.capacity(), state.scratch.pools.capacity())
        };
        let before = room(&state);
        for minute in 0..5000u32 {
            let flow = f64::from(minute % 7);
            let streams = [
                Stream { leaves: 0.9, enters: 0.1, ..Stream::draw(flow, 10.0) },
                Stream { leaves: 0.33, enters: 0.71, ..Stream::top_down(1.3, 2000.0) },
            ];
            model.step(&mut state, &Inputs { streams: &streams, ..Inputs::default() }, 60.0);
            assert!(state.slugs.len() <= 30 && state.slugs.iter().all(|slug| slug.litres > 0.0));
        }
        assert_eq!(room(&state), before);
    }

    #[test]
    fn a_state_is_copied_into_the_room_of_another() {
        let model = Model::new(&Settings::default());
        let (source, mut state) = (model.layered(&[10.0, 40.0, 60.0]).unwrap(), model.uniform(55.0));
        let room = state.slugs.as_ptr();
        state.clone_from(&source);
        assert_eq!((state.slugs.as_ptr(), &state.slugs), (room, &source.slugs));
        // one with fewer layers gets room of its own
        let coarse = Model::new(&Settings { layers: 10, ..Settings::default() });
        let mut state = coarse.uniform(55.0);
        state.clone_from(&source);
        assert_eq!(&state.slugs, &source.slugs);
        assert!(state.slugs.capacity() >= 54);
    }

    #[test]
    fn slugs_are_in_order_to_the_last_bit() {
        let model = Model::new(&Settings::default());
        let mut state = model.layered(&[60.0, 10.0, 55.0, 20.0, 40.0]).unwrap();
        let elements = [Element { low: 0.1, high: 0.3, power_w: 3000.0 }];
        for _ in 0..100 {
            model.step(&mut state, &Inputs { elements: &elements, ..Inputs::default() }, 60.0);
            assert!(state.slugs.windows(2).all(|pair| pair[0].degc <= pair[1].degc));
        }
    }
}
