//! What heats the cylinder when it is not an element in the water: sizes and settings of one home.
//!
//! Ranges are common practice, no source, unless a source is named.

use drawoff_contract::{DailyWindow, Fault, HeatSource};
use rand_chacha::ChaCha8Rng;

use crate::control::{Heater, Mode};
use crate::dice::{below, chance, uniform, weighted};
use crate::plan::Sources;

/// What heats one cylinder.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Source {
    /// Elements in the water.
    Elements,
    TopPump(TopPump),
    Coil(Coil),
    HeatPump(HeatPump),
}

/// How fast a pump turns the water over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum PumpFlow {
    /// The same flow always, l/min.
    Set(f64),
    /// As slow as the return needs to be this hot, degC, within limits, l/min.
    ToReach { degc: f64, least: f64, most: f64 },
}

/// An element in a chamber, fed from the base.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct TopPump {
    pub(crate) flow: PumpFlow,
    /// Where the heated water comes back, volume fraction from the base.
    pub(crate) return_height: f64,
    /// Whether the export tells when the pump runs.
    pub(crate) pump_exported: bool,
}

/// A coil in the water, fed by a boiler.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Coil {
    /// Ends of the coil, volume fractions from the base.
    pub(crate) lower: f64,
    pub(crate) upper: f64,
    pub(crate) boiler_w: f64,
    /// What the boiler heats its water to where it can, degC.
    pub(crate) flow_degc: f64,
    /// Of the whole coil, W/K.
    pub(crate) ua_w_per_k: f64,
    /// Heat capacity of the flow through the coil, W/K.
    pub(crate) primary_w_per_k: f64,
    /// Whether the export tells when the boiler is called.
    pub(crate) call_exported: bool,
}

/// A heat pump with a plate exchanger that a pump feeds from the base.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct HeatPump {
    /// Heat at 7 degC outside, W.
    pub(crate) heat_w: f64,
    /// Part of the Carnot factor that it reaches.
    pub(crate) carnot_share: f64,
    /// Electric power while it stands still, W.
    pub(crate) standby_w: f64,
    /// Electric power of the circulating pump, W.
    pub(crate) pump_w: f64,
    pub(crate) flow: PumpFlow,
    /// Where the heated water comes back, volume fraction from the base.
    pub(crate) return_height: f64,
    pub(crate) pump_exported: bool,
    pub(crate) boost: Boost,
}

/// An element that heats once a week for hygiene.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Boost {
    pub(crate) element: Heater,
    /// Whether its power has a column of its own; else it is in the heat pump's.
    pub(crate) own_meter: bool,
    /// 0 Monday.
    pub(crate) weekday: u32,
    pub(crate) start_min: u32,
    /// Where it stops, degC.
    pub(crate) until_degc: f64,
}

impl Source {
    pub(crate) fn kind(&self) -> HeatSource {
        match self {
            Self::Elements => HeatSource::Element,
            Self::TopPump(_) => HeatSource::TopPump,
            Self::Coil(_) => HeatSource::Coil,
            Self::HeatPump(_) => HeatSource::HeatPump,
        }
    }

    /// Whether a fault of this kind can be at a home with this source, and can be told from its data in principle.
    pub(crate) fn can_have(&self, fault: Fault) -> bool {
        match self {
            Self::Elements => true,
            // Chamber and compressor stop before the tank's thermostat can run away.
            Self::TopPump(_) => fault != Fault::StuckOn,
            Self::Coil(_) => !matches!(fault, Fault::ElementOpen | Fault::ElementHalf | Fault::MeterReset),
            Self::HeatPump(_) => !matches!(
                fault,
                Fault::ElementOpen | Fault::ElementHalf | Fault::ThermostatHot | Fault::StuckOn
            ),
        }
    }
}

/// A source with the thermostat, mode and windows that go with it.
pub(crate) struct Fitted {
    pub(crate) source: Source,
    /// Heater 0: its thermostat calls for the source; for a chamber, its power is the element's.
    pub(crate) heater: Heater,
    pub(crate) mode: Mode,
    pub(crate) window: DailyWindow,
    pub(crate) boost: Option<DailyWindow>,
    pub(crate) set_point_degc: f64,
}

/// Draws the source of one home; `None` for elements. `set_point_degc` is what the home would have with an element.
pub(crate) fn fitted(rng: &mut ChaCha8Rng, plan: Sources, set_point_degc: f64) -> Option<Fitted> {
    let kind = match plan {
        Sources::AsDrawn | Sources::Element | Sources::Diverter => HeatSource::Element,
        Sources::TopPump => HeatSource::TopPump,
        Sources::Coil => HeatSource::Coil,
        Sources::HeatPump => HeatSource::HeatPump,
        Sources::Mixed => weighted(
            rng,
            &[
                (HeatSource::Element, 0.4),
                (HeatSource::TopPump, 0.2),
                (HeatSource::Coil, 0.2),
                (HeatSource::HeatPump, 0.2),
            ],
            HeatSource::Element,
        ),
    };
    match kind {
        HeatSource::Element => None,
        HeatSource::TopPump => Some(top_pump(rng, set_point_degc)),
        HeatSource::Coil => Some(coil(rng, set_point_degc)),
        HeatSource::HeatPump => Some(heat_pump(rng)),
    }
}

fn hundredths(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// A whole number of steps between two limits, both included.
fn in_steps(rng: &mut ChaCha8Rng, low: u32, step: u32, steps: usize) -> u32 {
    low + step * below(rng, steps + 1) as u32
}

/// Highest set point of a sound cylinder with a top pump, degC: what the pump returns, up to 6 K above it, must not scald (our own choice).
const HIGHEST_TOP_PUMP_DEGC: f64 = 59.0;

fn top_pump(rng: &mut ChaCha8Rng, set_point_degc: f64) -> Fitted {
    let set_point_degc = set_point_degc.min(HIGHEST_TOP_PUMP_DEGC);
    let flow = if chance(rng, 0.4) {
        PumpFlow::Set(uniform(rng, 1.5, 4.0))
    } else {
        PumpFlow::ToReach { degc: set_point_degc + uniform(rng, 1.0, 4.0), least: 0.5, most: 6.0 }
    };
    let rated_w = weighted(rng, &[(2000.0, 0.2), (2500.0, 0.2), (3000.0, 0.6)], 3000.0);
    let return_height = hundredths(uniform(rng, 0.93, 0.99));
    let thermostat_height = uniform(rng, 0.12, 0.35);
    let starts = [1380, 1410, 0, 30];
    let low_rate =
        DailyWindow { start_min: starts[below(rng, starts.len())], minutes: 300 + 30 * below(rng, 7) as u32 };
    Fitted {
        source: Source::TopPump(TopPump { flow, return_height, pump_exported: chance(rng, 0.5) }),
        heater: Heater { index: 0, rated_w, height: return_height, thermostat_height },
        mode: if chance(rng, 0.5) { Mode::Always } else { Mode::Night },
        window: low_rate,
        boost: None,
        set_point_degc,
    }
}

fn coil(rng: &mut ChaCha8Rng, set_point_degc: f64) -> Fitted {
    let lower = hundredths(uniform(rng, 0.04, 0.1));
    let upper = hundredths(uniform(rng, 0.35, 0.45));
    let boiler_w = 1000.0 * uniform(rng, 12.0, 24.0).round();
    let timed = chance(rng, 0.6);
    let morning =
        DailyWindow { start_min: in_steps(rng, 5 * 60, 15, 8), minutes: 60 + 30 * below(rng, 4) as u32 };
    let evening =
        DailyWindow { start_min: in_steps(rng, 16 * 60, 15, 8), minutes: 60 + 30 * below(rng, 5) as u32 };
    Fitted {
        source: Source::Coil(Coil {
            lower,
            upper,
            boiler_w,
            flow_degc: uniform(rng, 70.0, 80.0),
            ua_w_per_k: uniform(rng, 400.0, 1200.0),
            // 12 to 20 l/min of water.
            primary_w_per_k: uniform(rng, 12.0, 20.0) / 60.0 * 4184.0 * 0.98,
            call_exported: chance(rng, 0.75),
        }),
        heater: Heater {
            index: 0,
            rated_w: boiler_w,
            height: lower,
            thermostat_height: uniform(rng, 0.3, 0.5),
        },
        mode: if timed { Mode::Programmer } else { Mode::Always },
        window: morning,
        boost: timed.then_some(evening),
        set_point_degc,
    }
}

fn heat_pump(rng: &mut ChaCha8Rng) -> Fitted {
    let set_point_degc = 48.0 + below(rng, 8) as f64;
    let flow = if chance(rng, 0.6) {
        PumpFlow::Set(uniform(rng, 8.0, 14.0))
    } else {
        PumpFlow::ToReach { degc: set_point_degc + uniform(rng, 2.0, 4.0), least: 1.0, most: 14.0 }
    };
    let heat_w = 100.0 * uniform(rng, 25.0, 70.0).round();
    let return_height = hundredths(uniform(rng, 0.65, 0.97));
    let own_meter = chance(rng, 0.5);
    let height = hundredths(uniform(rng, 0.12, 0.3));
    let timed = chance(rng, 0.5);
    let night = DailyWindow { start_min: in_steps(rng, 60, 30, 6), minutes: 180 + 30 * below(rng, 3) as u32 };
    let noon =
        DailyWindow { start_min: in_steps(rng, 12 * 60, 30, 5), minutes: 150 + 30 * below(rng, 4) as u32 };
    Fitted {
        source: Source::HeatPump(HeatPump {
            heat_w,
            carnot_share: uniform(rng, 0.35, 0.5),
            standby_w: uniform(rng, 3.0, 15.0),
            pump_w: uniform(rng, 20.0, 60.0),
            flow,
            return_height,
            pump_exported: chance(rng, 0.4),
            boost: Boost {
                element: Heater {
                    index: usize::from(own_meter),
                    rated_w: if chance(rng, 0.7) { 3000.0 } else { 1500.0 },
                    height,
                    thermostat_height: uniform(rng, 0.4, 0.6),
                },
                own_meter,
                weekday: below(rng, 7) as u32,
                start_min: in_steps(rng, 0, 30, 8),
                until_degc: 60.0,
            },
        }),
        heater: Heater {
            index: 0,
            rated_w: heat_w,
            height: return_height,
            thermostat_height: uniform(rng, 0.25, 0.5),
        },
        mode: if timed { Mode::Programmer } else { Mode::Always },
        window: night,
        boost: timed.then_some(noon),
        set_point_degc,
    }
}
