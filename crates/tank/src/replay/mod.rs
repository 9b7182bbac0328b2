//! A cylinder under a rule: what its heater takes, what its users get and what is lost, step by step of minutes to half-hours.
//!
//! [`crate::column`] moves the water; this decides the heat. Users want heat, not litres: a shower takes less of hotter water.
//! So a step draws as many litres as carry the wanted heat above the cold feed, and stops where the outlet falls below what is
//! of use; the rest is named as short. Within a step the draw-off comes first, then the heat. Heat is exact at any length of
//! step: the heater runs until the water that it can reach is at its set point, and that heat is a sum over layers.
//!
//! ```
//! use drawoff_tank::column::Settings;
//! use drawoff_tank::replay::{Cylinder, Heater, Permit, Step};
//! let heater = Heater { low: 0.08, stop_height: 0.08, power_w: 3000.0, set_degc: 60.0, hysteresis_k: 5.0, circulated: false };
//! let cylinder = Cylinder::new(&Settings { volume_l: 200.0, layers: 12, ..Settings::default() }, heater, 40.0);
//! let mut state = cylinder.uniform(60.0);
//! // showers of 4 kWh with the heater held off, then half an hour of its rule
//! let step = |wanted_wh, permit| Step { seconds: 1800.0, wanted_wh, feed_degc: 10.0, surroundings_degc: 20.0, permit, share: 1.0 };
//! let shower = cylinder.advance(&mut state, &step(4000.0, Permit::HoldOff));
//! assert!((shower.delivered_wh - 4000.0).abs() < 1.0 && shower.heated_wh == 0.0 && shower.short_wh < 1.0);
//! let rule = cylinder.advance(&mut state, &step(0.0, Permit::Rule));
//! assert!((rule.heated_wh - 1500.0).abs() < 1e-9); // 3 kW for half an hour
//! ```

#[cfg(test)]
mod tests;

use crate::column::{Body, Column, Heat, Interval, Settings};

/// Heater and its thermostat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heater {
    /// Lowest water that it heats, volume fraction: the height of the element or coil. A pumped loop takes from the base.
    pub low: f64,
    /// Height of the thermostat, volume fraction: a circulated heater has done when water down to here is at the set point. One that
    /// heats from below warms all above itself, wherever its thermostat is.
    pub stop_height: f64,
    /// Heat into the water while on, W; not below 0.
    pub power_w: f64,
    /// Water leaves the heater, and the thermostat opens, at this temperature, degC.
    pub set_degc: f64,
    /// The thermostat closes again when its water is colder than the set point by this, K; not below 0.
    pub hysteresis_k: f64,
    /// A pump takes water from the base and returns it at the top at the set point.
    pub circulated: bool,
}

/// What the heater may do in a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Permit {
    /// As its thermostat says.
    Rule,
    /// Stays off.
    HoldOff,
    /// Heats to the set point, whether or not the thermostat has closed.
    ForceOn,
}

/// What happens to a cylinder in one step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Length, s; above 0.
    pub seconds: f64,
    /// Heat above the cold feed that users want, Wh; none when not above 0.
    pub wanted_wh: f64,
    /// Cold feed, degC.
    pub feed_degc: f64,
    /// Around the cylinder, degC.
    pub surroundings_degc: f64,
    /// What the heater may do.
    pub permit: Permit,
    /// Share of the step in which it may do so, 0 to 1: a timer need not switch at the border of steps.
    pub share: f64,
}

/// Water and thermostat of a cylinder at one instant; copied like a number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct State {
    /// The water.
    pub water: Column,
    /// The thermostat has closed and not opened since.
    pub calling: bool,
}

/// Heat that crossed skin and ports in one step, Wh: `stored after = stored before + heated - delivered - lost` to rounding.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Outcome {
    /// From the heater.
    pub heated_wh: f64,
    /// To users, above the cold feed.
    pub delivered_wh: f64,
    /// Wanted and not delivered, as what was left at the top was too cold.
    pub short_wh: f64,
    /// Through the skin.
    pub lost_wh: f64,
}

/// One cylinder with its heater.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cylinder {
    body: Body,
    heater: Heater,
    usable_degc: f64,
}

impl Cylinder {
    /// A cylinder whose users stop when the outlet falls below `usable_degc`; settings out of range are held to it.
    #[must_use]
    pub fn new(settings: &Settings, heater: Heater, usable_degc: f64) -> Self {
        let heater = Heater {
            low: heater.low.clamp(0.0, 0.95),
            stop_height: heater.stop_height.clamp(0.0, 0.95),
            power_w: heater.power_w.max(0.0),
            hysteresis_k: heater.hysteresis_k.max(0.0),
            ..heater
        };
        Self { body: Body::new(settings), heater, usable_degc }
    }

    /// The same cylinder with another heater.
    #[must_use]
    pub fn with_heater(&self, change: impl FnOnce(&mut Heater)) -> Self {
        let mut other = *self;
        change(&mut other.heater);
        other
    }

    /// The heater, as held to its range.
    #[must_use]
    pub fn heater(&self) -> &Heater {
        &self.heater
    }

    /// The cylinder at one temperature, degC, its thermostat open.
    #[must_use]
    pub fn uniform(&self, degc: f64) -> State {
        State { water: self.body.uniform(degc), calling: false }
    }

    /// The cylinder with a temperature by height (volume fraction), its thermostat open; `None` when one is not finite.
    #[must_use]
    pub fn state(&self, degc_at: impl Fn(f64) -> f64) -> Option<State> {
        Some(State { water: self.body.column(degc_at)?, calling: false })
    }

    /// Heat in the water above a temperature, Wh; colder water counts against it.
    #[must_use]
    pub fn stored_wh(&self, state: &State, above_degc: f64) -> f64 {
        self.body.stored_wh(&state.water) - self.body.stored_wh(&self.body.uniform(above_degc))
    }

    /// Heat above the cold feed that users can take before the outlet falls below what is of use, Wh.
    #[must_use]
    pub fn usable_wh(&self, state: &State, feed_degc: f64) -> f64 {
        self.body.drawable(&state.water, f64::INFINITY, feed_degc, self.usable_degc).1
    }

    /// Heat that brings all that the heater reaches to its set point, Wh.
    #[must_use]
    pub fn room_wh(&self, state: &State) -> f64 {
        let from = if self.heater.circulated { self.heater.stop_height } else { self.heater.low };
        self.body.missing_wh(&state.water, from, self.heater.set_degc)
    }

    /// Share of the heat beside an undisturbed run that is left after an hour: the rest is lost through the skin.
    #[must_use]
    pub fn kept_per_h(&self) -> f64 {
        libm::exp(-self.body.loss_per_h())
    }

    /// Whether the thermostat is closed now.
    #[must_use]
    pub fn calls(&self, state: &State) -> bool {
        let Heater { stop_height, set_degc, hysteresis_k, .. } = self.heater;
        state.calling || state.water.line_at(stop_height) < set_degc - hysteresis_k
    }

    /// Moves the cylinder on by one step. Allocates nothing.
    pub fn advance(&self, state: &mut State, step: &Step) -> Outcome {
        let mut outcome = Outcome::default();
        if step.wanted_wh > 0.0 && step.wanted_wh.is_finite() {
            let (litres, _) =
                self.body.drawable(&state.water, step.wanted_wh, step.feed_degc, self.usable_degc);
            outcome.delivered_wh = self.body.draw_off(&mut state.water, litres, step.feed_degc);
            outcome.short_wh = (step.wanted_wh - outcome.delivered_wh).max(0.0);
        }
        outcome.heated_wh = self.heat(state, step);
        let rest = Interval {
            seconds: step.seconds,
            surroundings_degc: step.surroundings_degc,
            ..Interval::default()
        };
        outcome.lost_wh = self.body.advance(&mut state.water, &rest).lost_wh;
        outcome
    }

    /// Heats the water as the permit says, sets the thermostat, and gives the heat, Wh: the step of a second heater beside the one of
    /// [`Cylinder::advance`], which draws and loses nothing.
    pub fn heat(&self, state: &mut State, step: &Step) -> f64 {
        let calls = self.calls(state);
        let share = step.share.clamp(0.0, 1.0);
        let may = match step.permit {
            Permit::Rule => calls && share > 0.0,
            Permit::HoldOff => false,
            Permit::ForceOn => share > 0.0,
        };
        if !may {
            state.calling = calls;
            return 0.0;
        }
        let room_wh = self.room_wh(state);
        let most_wh = self.heater.power_w * step.seconds * share / 3600.0;
        let wh = room_wh.min(most_wh);
        state.calling = room_wh > most_wh;
        if wh <= 0.0 {
            return 0.0;
        }
        if self.heater.circulated {
            self.body.circulate(&mut state.water, wh, self.heater.set_degc);
        } else {
            let low = self.heater.low;
            self.body.immerse(&mut state.water, &Heat { low, high: low, wh });
        }
        wh
    }
}

/// Steps of heat and water that a replay asks of a column, apart from a whole interval.
impl Body {
    /// Litres (metered at the feed) to draw, and the heat above the feed that they carry, Wh: as much as is wanted, or all above
    /// `usable_degc`. Water leaves from the top, unmixed.
    fn drawable(&self, column: &Column, wanted_wh: f64, feed_degc: f64, usable_degc: f64) -> (f64, f64) {
        let wanted = wanted_wh / self.layer_wh_per_k();
        let (mut layers, mut heat) = (0.0, 0.0);
        for (size, degc) in column.down_from_top() {
            let each = degc - feed_degc;
            if each <= 0.0 || degc < usable_degc {
                break;
            }
            if heat + size * each >= wanted {
                layers += (wanted - heat) / each;
                heat = wanted;
                break;
            }
            layers += size;
            heat += size * each;
        }
        (self.metered_l(layers, feed_degc), heat * self.layer_wh_per_k())
    }

    /// Heat that brings the water above a height up to a temperature, Wh.
    fn missing_wh(&self, column: &Column, from_height: f64, degc: f64) -> f64 {
        let bottom = from_height * self.layers() as f64;
        let mut level = self.layers() as f64;
        let mut sum = 0.0;
        for (size, at) in column.down_from_top() {
            if level <= bottom {
                break;
            }
            sum += (level - bottom).min(size) * (degc - at).max(0.0);
            level -= size;
        }
        sum * self.layer_wh_per_k()
    }

    /// Takes water from the base and returns it at the top at a temperature until it has taken up `wh`.
    fn circulate(&self, column: &mut Column, wh: f64, set_degc: f64) {
        // as much water as takes up the heat, counted from the base; what is as hot already takes up nothing and only turns
        let wanted = wh / self.layer_wh_per_k();
        let (mut layers, mut heat) = (0.0, 0.0);
        for (size, degc) in column.up_from_base() {
            let each = (set_degc - degc).max(0.0);
            if each > 0.0 && heat + size * each >= wanted {
                layers += (wanted - heat) / each;
                break;
            }
            layers += size;
            heat += size * each;
        }
        self.pump(column, layers, wh);
    }
}
