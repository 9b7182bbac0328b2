//! A home's days again under a rule: free-running, with nothing known but what was taken, the feed, the surroundings and the rule.

use drawoff_tank::Water;
use drawoff_tank::column::Settings;
use drawoff_tank::replay::{Cylinder, Heater, Permit, State, Step};

use crate::history::{HalfHour, History};
use crate::rule::{ALWAYS, Rule, TimedHeater};

/// Layers of the water: half-hours show no finer front, and a finer one takes its time.
const LAYERS: u8 = 12;
/// What was taken was of some use, however cool it was: no water is too cool to be drawn, degC.
const LEAST_USE_DEGC: f64 = 0.0;
/// Water is of full use from here, degC: that of V40.
pub const USABLE_DEGC: f64 = 40.0;
const SECONDS: f64 = 1800.0;
/// Shares of a hot cylinder's loss that leave by pipes and fittings at the top, which are always hot, and at the base: tappings, vents and
/// elements bridge the insulation (our own choice, from memory of field measurements in which they were a tenth to a third together).
pub(crate) const FITTINGS: (f64, f64) = (0.1, 0.05);
/// Half-hours between two looks at the mean temperature.
const LOOK_EVERY: usize = 8;

/// What does not depend on the rule.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Body {
    /// Water held, l.
    pub volume_l: f64,
    /// Inside height, m, if known.
    pub height_m: Option<f64>,
    /// Loss of the whole skin, W/K.
    pub loss_w_per_k: f64,
    /// Water properties.
    pub water: Water,
}

/// What a replay may change of what is known of a home, for intervals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// Factor of the loss.
    pub loss: f64,
    /// Factor of the heat taken.
    pub taken: f64,
    /// Added to the cold feed, K.
    pub feed_k: f64,
    /// Added to every set point, K.
    pub set_k: f64,
}

impl Shift {
    /// Nothing changed.
    pub const NONE: Self = Self { loss: 1.0, taken: 1.0, feed_k: 0.0, set_k: 0.0 };
}

/// One half-hour of a replay, Wh.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Replayed {
    /// Heat into the water.
    pub heated_wh: f64,
    /// Heat to users.
    pub delivered_wh: f64,
    /// Of that, from water at 40 degC and above.
    pub warm_wh: f64,
    /// Wanted and not delivered.
    pub short_wh: f64,
    /// Through the skin.
    pub lost_wh: f64,
}

/// A replay of a whole history.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Replay {
    /// One entry a half-hour.
    pub steps: Vec<Replayed>,
    /// Mean temperature of each day, degC.
    pub mean_degc: Vec<f64>,
}

/// The cylinders of a rule's heaters: one body, several heaters.
pub(crate) struct Machine {
    cylinders: Vec<Cylinder>,
    warm: Cylinder,
    calling: Vec<bool>,
    capacity_wh_per_k: f64,
}

impl Machine {
    pub(crate) fn new(body: &Body, rule: &Rule, shift: &Shift) -> Self {
        let settings = Settings {
            volume_l: body.volume_l,
            height_m: body.height_m,
            layers: LAYERS,
            standing_loss_w_per_k: body.loss_w_per_k * shift.loss,
            fittings: FITTINGS,
            water: body.water,
            ..Settings::default()
        };
        let heater = |h: &TimedHeater| Heater { set_degc: h.heater.set_degc + shift.set_k, ..h.heater };
        let cylinders: Vec<Cylinder> =
            rule.heaters.iter().map(|h| Cylinder::new(&settings, heater(h), LEAST_USE_DEGC)).collect();
        let none = Heater {
            low: 0.0,
            stop_height: 0.0,
            power_w: 0.0,
            set_degc: 0.0,
            hysteresis_k: 0.0,
            circulated: false,
        };
        let warm = Cylinder::new(&settings, none, USABLE_DEGC);
        Self {
            calling: vec![false; cylinders.len()],
            cylinders,
            warm,
            capacity_wh_per_k: body.volume_l * body.water.wh_per_l_k(50.0),
        }
    }

    pub(crate) fn uniform(&self, degc: f64) -> State {
        self.warm.uniform(degc)
    }

    /// Heat that users can take at 40 degC and above, Wh.
    pub(crate) fn warm_wh(&self, state: &State, feed_degc: f64) -> f64 {
        self.warm.usable_wh(state, feed_degc)
    }

    /// Heat above the feed in all of the water, Wh.
    pub(crate) fn stored_wh(&self, state: &State, feed_degc: f64) -> f64 {
        self.warm.stored_wh(state, feed_degc)
    }

    pub(crate) fn mean_degc(&self, state: &State) -> f64 {
        self.warm.stored_wh(state, 0.0) / self.capacity_wh_per_k
    }

    /// Moves on by a half-hour. `permits` says what each heater may do, and in which share of the time.
    pub(crate) fn advance(
        &mut self,
        state: &mut State,
        step: &HalfHour,
        shift: &Shift,
        one_at_a_time: bool,
        permits: impl Fn(usize) -> (Permit, f64),
    ) -> Replayed {
        let feed_degc = step.feed_degc + shift.feed_k;
        let wanted_wh = step.wanted_wh * shift.taken;
        let warm_wh = if wanted_wh > 0.0 { self.warm_wh(state, feed_degc).min(wanted_wh) } else { 0.0 };
        let (permit, share) = if self.cylinders.is_empty() { (Permit::HoldOff, 0.0) } else { permits(0) };
        let asked =
            Step { seconds: SECONDS, wanted_wh, feed_degc, surroundings_degc: step.room_degc, permit, share };
        state.calling = self.calling.first().copied().unwrap_or(false);
        let first = self.cylinders.first().unwrap_or(&self.warm);
        let outcome = first.advance(state, &asked);
        let most_wh = first.heater().power_w * SECONDS / 3600.0;
        let mut heated_wh = outcome.heated_wh;
        let mut left = if most_wh > 0.0 { 1.0 - heated_wh / most_wh } else { 1.0 };
        if let Some(calling) = self.calling.first_mut() {
            *calling = state.calling;
        }
        for (i, cylinder) in self.cylinders.iter().enumerate().skip(1) {
            let (permit, share) = permits(i);
            let share = if one_at_a_time { share.min(left.max(0.0)) } else { share };
            state.calling = self.calling[i];
            let wh = cylinder.heat(state, &Step { wanted_wh: 0.0, permit, share, ..asked });
            self.calling[i] = state.calling;
            heated_wh += wh;
            left -= wh / (cylinder.heater().power_w * SECONDS / 3600.0).max(1.0);
        }
        Replayed {
            heated_wh,
            delivered_wh: outcome.delivered_wh,
            warm_wh: warm_wh.min(outcome.delivered_wh),
            short_wh: outcome.short_wh,
            lost_wh: outcome.lost_wh,
        }
    }
}

/// Replays a history under a rule, from water at one temperature.
#[must_use]
pub fn replay(body: &Body, rule: &Rule, history: &History, shift: &Shift) -> Replay {
    let mut machine = Machine::new(body, rule, shift);
    let mut state = machine.uniform(history.start_degc());
    let always: Vec<bool> = rule.heaters.iter().map(|h| h.permitted == ALWAYS).collect();
    let mut out = Replay { steps: Vec::with_capacity(history.steps.len()), mean_degc: Vec::new() };
    for day in &history.days {
        let (mut sum, mut looks) = (0.0, 0.0);
        for (i, step) in history.steps[day.steps.clone()].iter().enumerate() {
            let slot = rule.slot(step);
            let permits = |h: usize| {
                let may = always[h] || rule.heaters[h].permitted[slot];
                if rule.diverted && step.surplus_wh > 0 && h + 1 == rule.heaters.len() {
                    let most_wh = rule.heaters[h].heater.power_w * SECONDS / 3600.0;
                    return (Permit::ForceOn, step.surplus_wh as f64 / most_wh);
                }
                (if may { Permit::Rule } else { Permit::HoldOff }, 1.0)
            };
            out.steps.push(machine.advance(&mut state, step, shift, rule.one_at_a_time, permits));
            if i % LOOK_EVERY == LOOK_EVERY / 2 {
                sum += machine.mean_degc(&state);
                looks += 1.0;
            }
        }
        out.mean_degc.push(sum / looks);
    }
    out
}

/// Whole Wh of each half-hour whose running sum stays within half a Wh of the heat's.
#[must_use]
pub fn whole_steps(steps: &[Replayed], per_metered: f64) -> Vec<i64> {
    let (mut sum, mut given) = (0.0, 0_i64);
    steps
        .iter()
        .map(|s| {
            sum += s.heated_wh / per_metered;
            let until = sum.round_ties_even() as i64;
            let wh = until - given;
            given = until;
            wh
        })
        .collect()
}
