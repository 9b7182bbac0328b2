//! What a run sums up beside its samples: days, draws, and the loss since it last changed.

use drawoff_contract::readings::MAX_PROBES;

use crate::usable::Stored;

const J_PER_KWH: f64 = 3.6e6;

/// What stands at the probes and switches at one stamp, before any meter.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Sample {
    pub(crate) probe_degc: [f64; MAX_PROBES],
    pub(crate) power_w: [f64; 2],
    pub(crate) call: [bool; 2],
    /// Whether a circulating pump of the source runs.
    pub(crate) pump: bool,
    pub(crate) room_degc: f64,
    /// Mean power that leaves the home, W; 0 without panels.
    pub(crate) export_w: f64,
    /// Water of the source at coil or plate exchanger, flow and return, degC; NaN where there is none.
    pub(crate) primary_degc: [f64; 2],
}

/// Sums of one UTC day; heat in J, water in l (mass over density at the inlet).
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct DaySums {
    pub(crate) litres: Flows,
    pub(crate) heat_j: Flows,
    pub(crate) loss_j: f64,
    /// Heat into the water: lower element or other source, upper element or boost.
    pub(crate) element_j: [f64; 2],
    /// Electricity, by column of the export.
    pub(crate) electric_j: [f64; 2],
    pub(crate) storage_change_j: f64,
    pub(crate) mean_tank_degc: f64,
    pub(crate) mean_room_degc: f64,
    pub(crate) mean_feed_degc: f64,
}

/// The three ways in which water leaves the top.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Flows {
    pub(crate) draw: f64,
    pub(crate) leak: f64,
    pub(crate) circulation: f64,
}

/// What became of one demand.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Drawn {
    pub(crate) start_s: i64,
    pub(crate) seconds: f64,
    pub(crate) litres: f64,
    pub(crate) litre_degc: f64,
    pub(crate) heat_j: f64,
    /// Heat of the water that was hot enough to count, where the demand sets that.
    pub(crate) useful_j: f64,
    pub(crate) highest_degc: f64,
}

/// One simulated home.
#[derive(Clone, Debug, Default)]
pub(crate) struct Simulated {
    pub(crate) samples: Vec<Sample>,
    pub(crate) days: Vec<DaySums>,
    pub(crate) draws: Vec<Drawn>,
    pub(crate) stored: Vec<Stored>,
    /// Loss and excess of the tank over the room, summed since the loss coefficient last changed.
    pub(crate) loss_j: f64,
    pub(crate) excess_k_s: f64,
}

impl DaySums {
    /// Heat that the balance leaves over, J: in - drawn - leaked - circulated - lost - stored.
    pub(crate) fn unexplained_j(&self) -> f64 {
        self.element_j.iter().sum::<f64>()
            - self.heat_j.draw
            - self.heat_j.leak
            - self.heat_j.circulation
            - self.loss_j
            - self.storage_change_j
    }
}

/// J as kWh.
pub(crate) fn kwh(heat_j: f64) -> f64 {
    heat_j / J_PER_KWH
}
