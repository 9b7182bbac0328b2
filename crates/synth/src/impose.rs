//! The state that faults impose on cylinder, heater and pipes at one moment.

use drawoff_contract::{DailyWindow, Fault};

use crate::fault::{How, Injected};

/// Water that the jet of a broken inlet draws along, as a multiple of the inflow: our own choice.
pub(crate) const BROKEN_INLET_ENTRAINMENT: f64 = 10.0;
/// An element with a loose end opens and closes by stretches of this length, s.
const LOOSE_END_S: i64 = 1800;
/// A sticking pump relay lets go within this time, s.
const STICKING_S: i64 = 4 * 3600;

/// What the faults of cylinder, heater and pipes impose at one moment.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Imposed {
    /// Factor on the loss coefficient.
    pub(crate) loss_factor: f64,
    /// Effective conductivity along the height, W/(m K), if raised.
    pub(crate) conduction_w_per_m_k: Option<f64>,
    /// Part of the volume that any draw stirs, if the inlet is broken.
    pub(crate) stirred_share: Option<f64>,
    /// Water that a pump carries from the top to the base, l/min.
    pub(crate) pump_l_per_min: f64,
    /// Hot water lost round the clock, l/min.
    pub(crate) leak_l_per_min: f64,
    /// Hot water lost while an element heats, l/min.
    pub(crate) leak_heating_l_per_min: f64,
    /// Flow through cold pipework at night, l/min.
    pub(crate) gravity_l_per_min: f64,
    /// Loss coefficient of that pipework, W/K.
    pub(crate) pipe_w_per_k: f64,
    /// Error of the thermostats' cut-out, K.
    pub(crate) thermostat_offset_k: f64,
    /// The thermostats open only here, degC, if they do not at the set point.
    pub(crate) thermostat_ceiling_degc: Option<f64>,
    /// The relays do not open.
    pub(crate) relay_welded: bool,
    /// Part of its power that each element still gives.
    pub(crate) power_share: [f64; 2],
    /// Contacts that open and close while they should stay closed.
    pub(crate) chatter: Option<Chatter>,
    /// Part of its flow that the source's pump still moves.
    pub(crate) flow_share: f64,
    /// The source's pump runs though nothing heats; whether its signal says so.
    pub(crate) idle_pump: Option<IdlePump>,
    /// Part of the exchanger's coefficient that is left.
    pub(crate) exchanger_share: f64,
    /// The heat pump stops this far below the cut-out, K, and leaves the rest to the element.
    pub(crate) left_to_element_k: Option<f64>,
    /// The weekly boost is switched off.
    pub(crate) boost_off: bool,
    /// Part of the surplus that a diverter still diverts.
    pub(crate) diverted_share: f64,
    /// Hours in which heating is permitted besides the timer's.
    pub(crate) left_on: Option<DailyWindow>,
    /// What the thermostat was set to, degC.
    pub(crate) set_point_degc: Option<f64>,
}

/// How contacts chatter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Chatter {
    /// Time from one start to the next, s.
    pub(crate) period_s: f64,
    /// Whether the control itself flickers, so that its call shows it.
    pub(crate) called: bool,
}

impl Chatter {
    /// Whether the contacts are closed at a UTC second: in each period for 40 to 80 % of it.
    pub(crate) fn is_closed(self, second: i64) -> bool {
        let periods = second as f64 / self.period_s;
        let whole = periods.floor();
        periods - whole < Self::closed_share(whole)
    }

    /// Part of the time from a UTC second on, for some seconds, in which the contacts are closed.
    pub(crate) fn closed_part(self, second: i64, seconds: f64) -> f64 {
        let (from, until) = (second as f64 / self.period_s, (second as f64 + seconds) / self.period_s);
        let mut closed = 0.0;
        let mut whole = from.floor();
        while whole < until {
            let opens = whole + Self::closed_share(whole);
            closed += (opens.min(until) - whole.max(from)).max(0.0);
            whole += 1.0;
        }
        closed / (until - from)
    }

    /// Part of a period, by its number, for which the contacts are closed.
    fn closed_share(period: f64) -> f64 {
        0.4 + 0.4 * scattered(period as i64)
    }
}

/// A pump that does not stop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct IdlePump {
    /// Whether its signal in the export says that it runs.
    pub(crate) told: bool,
}

/// A number in [0, 1) that belongs to a whole number: the upper bits of a multiplicative hash (Knuth; from memory).
fn scattered(number: i64) -> f64 {
    let mixed = (number as u64 ^ 0x5851_F42D_4C95_7F2D).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    (mixed >> 40) as f64 / (1_u64 << 24) as f64
}

impl Default for Imposed {
    fn default() -> Self {
        Self {
            loss_factor: 1.0,
            conduction_w_per_m_k: None,
            stirred_share: None,
            pump_l_per_min: 0.0,
            leak_l_per_min: 0.0,
            leak_heating_l_per_min: 0.0,
            gravity_l_per_min: 0.0,
            pipe_w_per_k: 0.0,
            thermostat_offset_k: 0.0,
            thermostat_ceiling_degc: None,
            relay_welded: false,
            power_share: [1.0; 2],
            chatter: None,
            flow_share: 1.0,
            idle_pump: None,
            exchanger_share: 1.0,
            left_to_element_k: None,
            boost_off: false,
            diverted_share: 1.0,
            left_on: None,
            set_point_degc: None,
        }
    }
}

/// The state at a second of the period. Faults of probes and data impose nothing here.
pub(crate) fn imposed(faults: &[Injected], second: i64) -> Imposed {
    let mut out = Imposed::default();
    for injected in faults.iter().filter(|f| f.is_on(second)) {
        let severity = injected.severity;
        match (injected.fault, &injected.how) {
            (Fault::ElementOpen, How::Element { index, .. }) if severity < 1.0 => {
                let open = scattered(second.div_euclid(LOOSE_END_S)) < severity;
                out.power_share[*index] = if open { 0.0 } else { 1.0 };
            }
            (Fault::ElementOpen, How::AllElements) => out.power_share = [1.0 - severity; 2],
            (Fault::ElementOpen | Fault::ElementHalf, How::Element { index, .. }) => {
                out.power_share[*index] = 1.0 - severity;
            }
            (Fault::ThermostatHot | Fault::ThermostatCold, _) => {
                out.thermostat_offset_k = severity * injected.grown(second);
            }
            (Fault::Destratified, How::Pump) => out.pump_l_per_min = severity,
            (Fault::Destratified, How::InletJet) => out.stirred_share = Some(severity),
            (Fault::Destratified, _) => out.conduction_w_per_m_k = Some(severity),
            (Fault::LeakSteady, _) => out.leak_l_per_min = severity,
            (Fault::LeakHeating, _) => out.leak_heating_l_per_min = severity,
            (Fault::LossDoubled, _) => out.loss_factor = severity,
            (Fault::GravityNight, How::PipeFlow(flow)) => {
                out.gravity_l_per_min = *flow;
                out.pipe_w_per_k = severity;
            }
            (Fault::StuckOn, How::Relay) => out.relay_welded = true,
            (Fault::StuckOn, _) => out.thermostat_ceiling_degc = Some(severity),
            (Fault::RelayChatter, &How::Contacts { called }) => {
                out.chatter = Some(Chatter { period_s: 3600.0 / severity, called });
            }
            (Fault::PumpFailed, _) => out.flow_share = 1.0 - severity,
            (Fault::PumpStuck, &How::Contacts { called }) => {
                let sticks = (second.rem_euclid(STICKING_S) as f64) < severity * STICKING_S as f64;
                out.idle_pump = sticks.then_some(IdlePump { told: called });
            }
            (Fault::ExchangerDecline, _) => out.exchanger_share = 1.0 - severity * injected.grown(second),
            (Fault::BackupHeating, _) => out.left_to_element_k = Some(severity),
            (Fault::SurplusMissed, _) => out.diverted_share = 1.0 - severity,
            (Fault::DearHours, How::LeftOn(window)) => out.left_on = Some(*window),
            (Fault::HygieneLow | Fault::ScaldRisk, _) => {
                out.set_point_degc = Some(severity);
                out.boost_off = injected.fault == Fault::HygieneLow;
            }
            _ => {}
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::RAMP_DAYS;

    #[test]
    fn a_ramp_grows_and_a_fault_waits_for_its_onset() {
        let fault = |how, pre_existing| {
            [Injected {
                fault: Fault::ThermostatHot,
                onset_s: 1000,
                pre_existing,
                severity: 10.0,
                how,
                level: None,
            }]
        };
        let ramp = fault(How::Ramp(RAMP_DAYS), false);
        assert_eq!(imposed(&ramp, 999), Imposed::default());
        assert_eq!(imposed(&ramp, 1000 + 5 * 86_400).thermostat_offset_k, 5.0);
        assert_eq!(imposed(&ramp, 1000 + 50 * 86_400).thermostat_offset_k, 10.0);
        assert_eq!(imposed(&fault(How::Ramp(0.0), true), -500).thermostat_offset_k, 10.0);
    }

    #[test]
    fn chattering_contacts_are_closed_for_part_of_each_period() {
        let chatter = Chatter { period_s: 180.0, called: false };
        let closed: Vec<bool> = (0..36_000).map(|s| chatter.is_closed(s)).collect();
        let starts = closed.windows(2).filter(|w| !w[0] && w[1]).count();
        let share = closed.iter().filter(|c| **c).count() as f64 / closed.len() as f64;
        assert!((190..=200).contains(&starts) && (share - 0.6).abs() < 0.03, "{starts} {share}");
        let by_steps: f64 = (0..1800).map(|i| chatter.closed_part(20 * i, 20.0)).sum::<f64>() / 1800.0;
        assert!((by_steps - share).abs() < 1e-2, "{by_steps} {share}");
        // A minute's period within a step of 20 s: closed for 24 to 48 s of 60, so all of the first step and none or part of the last.
        let fast = Chatter { period_s: 60.0, called: false };
        let of_period = |step: i64| fast.closed_part(600 + 20 * step, 20.0);
        assert!(
            (of_period(0) - 1.0).abs() < 1e-9 && of_period(1) >= 0.2 - 1e-9 && of_period(2) <= 0.4 + 1e-9
        );
    }
}
