//! What the heater really gives over what is metered, learnt from heats without a draw-off.

use drawoff_contract::HeatSource;

use crate::balance::Balance;
use crate::setup::Setup;

use super::steps::Step;

/// A heat must bring this much to be learnt from, Wh.
const LEAST_HEAT_WH: f64 = 800.0;
/// Heats that are remembered.
const HEATS: usize = 15;
/// Heats before anything is learnt.
const LEAST_HEATS: usize = 5;
/// A gain beyond these is a fault or another cylinder, no meter.
const RANGE: (f64, f64) = (0.85, 1.15);
/// A heat pump gives more than it takes: from worn out in winter to the best in summer.
const HEAT_PUMP_RANGE: (f64, f64) = (0.85, 6.0);
/// Until it is learnt: common practice, no source.
const HEAT_PUMP_GAIN: f64 = 2.8;

/// Gain of the heater's meter.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct PowerGain {
    pub(crate) metered_wh: f64,
    pub(crate) found_wh: f64,
    pub(crate) disturbed: bool,
    pub(crate) recent: Vec<f64>,
    /// Of `recent`; `None` with too few.
    pub(crate) median: Option<f64>,
}

impl PowerGain {
    /// Gain to use: that of the source of heat until something is learnt.
    pub(super) fn value(&self, source: HeatSource) -> f64 {
        self.learnt(source).unwrap_or(if source == HeatSource::HeatPump { HEAT_PUMP_GAIN } else { 1.0 })
    }

    /// Median of the last heats; `None` with too few.
    pub(super) fn learnt(&self, source: HeatSource) -> Option<f64> {
        let range = if source == HeatSource::HeatPump { HEAT_PUMP_RANGE } else { RANGE };
        self.median.map(|median| median.clamp(range.0, range.1))
    }

    /// The heat under way cannot be followed to its end.
    pub(super) fn drop_heat(&mut self) {
        self.disturbed = true;
    }

    /// Takes in a step; `rise_k` is that of the volume mean.
    pub(super) fn note(&mut self, b: &Balance, step: Step, setup: &Setup, drawn: bool, rise_k: f64) {
        let metered_wh = step.sum(&b.heater_wh);
        if step.instants().any(|k| b.heating[k]) && !metered_wh.is_nan() {
            let lost = step.instants().map(|k| (b.mean[k] - b.surroundings[k]) * b.hours[k]);
            let lost_wh = setup.loss_w_per_k * lost.sum::<f64>();
            self.metered_wh += metered_wh;
            self.found_wh += rise_k * setup.capacity_wh_per_k + lost_wh;
            self.disturbed |= drawn || lost_wh.is_nan();
            return;
        }
        if self.metered_wh >= LEAST_HEAT_WH && !self.disturbed {
            self.recent.push(self.found_wh / self.metered_wh);
            if self.recent.len() > HEATS {
                self.recent.remove(0);
            }
            let mut sorted = self.recent.clone();
            sorted.sort_by(f64::total_cmp);
            self.median = (sorted.len() >= LEAST_HEATS).then(|| sorted[sorted.len() / 2]);
        }
        (self.metered_wh, self.found_wh, self.disturbed) = (0.0, 0.0, false);
    }
}
