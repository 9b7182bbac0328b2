//! Faults laid on a home: when they begin, how strong they are, and the state they impose.

use drawoff_contract::Fault;

/// Days over which a ramped thermostat drifts to its full error.
pub(crate) const RAMP_DAYS: f64 = 10.0;

/// Water that the jet of a broken inlet draws along, as a multiple of the inflow: our own choice.
pub(crate) const BROKEN_INLET_ENTRAINMENT: f64 = 10.0;

/// The variant of a fault.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum How {
    /// The fault has one form only.
    Plain,
    /// Which element: 0 lower, 1 upper.
    Element { index: usize, name: &'static str },
    /// Days until the full error; 0 for a step.
    Ramp(f64),
    /// A pump turns the whole cylinder over.
    Pump,
    /// The inlet stirs a large part of the cylinder.
    InletJet,
    /// High conduction along the height.
    Conduction,
    /// The thermostat does not open.
    Thermostat,
    /// The relay does not open; the thermostat still does.
    Relay,
    /// One probe, from 0 at the top.
    Probe(usize),
    /// Two probes, from 0 at the top.
    Probes(usize, usize),
    /// Flow through the pipe, l/min.
    PipeFlow(f64),
}

/// One fault of one home.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Injected {
    pub(crate) fault: Fault,
    /// Seconds after the start of the period; 0 when it was there before.
    pub(crate) onset_s: i64,
    pub(crate) pre_existing: bool,
    /// In [`Injected::unit`].
    pub(crate) severity: f64,
    pub(crate) how: How,
}

impl Injected {
    /// Unit of the severity.
    pub(crate) fn unit(&self) -> &'static str {
        match (self.fault, &self.how) {
            (Fault::ElementOpen | Fault::ElementHalf, _) => "fraction_lost",
            (Fault::Destratified, How::Pump) => "l/min recirculated",
            (Fault::Destratified, How::InletJet) => "of the volume stirred by draws",
            (Fault::Destratified, _) => "W/(m K)",
            (Fault::LeakSteady, _) => "l/min",
            (Fault::LeakHeating, _) => "l/min while heating",
            (Fault::LossDoubled, _) => "x UA",
            (Fault::GravityNight, _) => "W/K pipe",
            (Fault::StuckOn, _) => "C ceiling",
            (Fault::SensorSwap, _) => "positions",
            (Fault::DataGaps, _) => "fraction of rows lost",
            (Fault::ClockShift, _) => "min",
            (Fault::MeterReset, _) => "resets",
            (
                Fault::RelayChatter
                | Fault::PumpFailed
                | Fault::PumpStuck
                | Fault::ExchangerDecline
                | Fault::BackupHeating
                | Fault::SurplusMissed
                | Fault::SensorDrift
                | Fault::SensorHeight
                | Fault::MeterScale
                | Fault::DearHours
                | Fault::RunsOut
                | Fault::HygieneLow
                | Fault::ScaldRisk,
                _,
            ) => "",
            (Fault::ThermostatHot | Fault::ThermostatCold | Fault::SensorStuck | Fault::SensorOffset, _) => {
                "K"
            }
        }
    }

    /// The variant as a small JSON object.
    pub(crate) fn detail(&self) -> String {
        match &self.how {
            How::Plain => "{}".to_owned(),
            How::Element { name, .. } => format!(r#"{{"element": "{name}"}}"#),
            How::Ramp(days) => format!(r#"{{"ramp_days": {days:.1}}}"#),
            How::Pump => r#"{"how": "pump"}"#.to_owned(),
            How::InletJet => r#"{"how": "inlet_jet"}"#.to_owned(),
            How::Conduction => r#"{"how": "conduction"}"#.to_owned(),
            How::Thermostat => r#"{"how": "thermostat"}"#.to_owned(),
            How::Relay => r#"{"how": "relay"}"#.to_owned(),
            How::Probe(probe) => format!(r#"{{"probe": {probe}}}"#),
            How::Probes(first, second) => format!(r#"{{"probe": {first}, "probe2": {second}}}"#),
            How::PipeFlow(flow) => format!(r#"{{"flow": {flow:.3}}}"#),
        }
    }

    /// Whether it is there at a second of the period; faults from before are there during the warm-up too.
    pub(crate) fn is_on(&self, second: i64) -> bool {
        self.pre_existing || second >= self.onset_s
    }
}

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
    /// The thermostats do not open.
    pub(crate) thermostat_welded: bool,
    /// The relays do not open.
    pub(crate) relay_welded: bool,
    /// Part of its power that each element still gives.
    pub(crate) power_share: [f64; 2],
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
            thermostat_welded: false,
            relay_welded: false,
            power_share: [1.0; 2],
        }
    }
}

/// The state at a second of the period. Faults of probes and data impose nothing here.
pub(crate) fn imposed(faults: &[Injected], second: i64) -> Imposed {
    let mut out = Imposed::default();
    for injected in faults.iter().filter(|f| f.is_on(second)) {
        let severity = injected.severity;
        match (injected.fault, &injected.how) {
            (Fault::ElementOpen | Fault::ElementHalf, How::Element { index, .. }) => {
                out.power_share[*index] = 1.0 - severity;
            }
            (Fault::ThermostatHot | Fault::ThermostatCold, how) => {
                let grown = match how {
                    How::Ramp(days) if *days > 0.0 && !injected.pre_existing => {
                        ((second - injected.onset_s) as f64 / (days * 86_400.0)).min(1.0)
                    }
                    _ => 1.0,
                };
                out.thermostat_offset_k = severity * grown;
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
            (Fault::StuckOn, _) => out.thermostat_welded = true,
            _ => {}
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ramp_grows_and_a_fault_waits_for_its_onset() {
        let fault = |how, pre_existing| {
            [Injected { fault: Fault::ThermostatHot, onset_s: 1000, pre_existing, severity: 10.0, how }]
        };
        let ramp = fault(How::Ramp(RAMP_DAYS), false);
        assert_eq!(imposed(&ramp, 999), Imposed::default());
        assert_eq!(imposed(&ramp, 1000 + 5 * 86_400).thermostat_offset_k, 5.0);
        assert_eq!(imposed(&ramp, 1000 + 50 * 86_400).thermostat_offset_k, 10.0);
        assert_eq!(imposed(&fault(How::Ramp(0.0), true), -500).thermostat_offset_k, 10.0);
    }
}
