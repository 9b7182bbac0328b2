//! Faults laid on a home: when they begin, how strong they are, and the state they impose.

use drawoff_contract::{DailyWindow, Fault};

use drawoff_contract::Level;

/// Days over which a ramped thermostat drifts to its full error.
pub(crate) const RAMP_DAYS: f64 = 10.0;

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
    /// Every element of the home.
    AllElements,
    /// One probe, for the first half of each day.
    ProbeSpells(usize),
    /// One probe, at a value far from what it last told.
    ProbeFar(usize),
    /// The contacts go their own way; whether the control's own signal shows it.
    Contacts { called: bool },
    /// The compressor does not start.
    NoCompressor,
    /// Heating is permitted here too, local time.
    LeftOn(DailyWindow),
    /// Somebody set the thermostat to the severity.
    SetPoint,
    /// The energy register only; power is right.
    RegisterOnly,
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
    /// Where a trial laid it.
    pub(crate) level: Option<Level>,
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
            (Fault::RelayChatter, _) => "starts an hour",
            (Fault::PumpFailed, _) => "fraction of the flow lost",
            (Fault::PumpStuck, _) => "of the idle time",
            (Fault::ExchangerDecline, _) => "fraction of UA lost",
            (Fault::SurplusMissed, _) => "of the surplus not diverted",
            (Fault::SensorDrift, _) => "K/week",
            (Fault::SensorHeight, _) => "of the volume",
            (Fault::MeterScale, _) => "x",
            (Fault::DearHours, _) => "h/day outside the low rate",
            (Fault::RunsOut, _) => "daily litres over litres stored",
            (Fault::HygieneLow | Fault::ScaldRisk, _) => "C set point",
            (Fault::SensorStuck, How::ProbeSpells(_)) => "h/day",
            (Fault::BackupHeating, _) => "K left to the element",
            (Fault::ThermostatHot | Fault::ThermostatCold | Fault::SensorStuck | Fault::SensorOffset, _) => {
                "K"
            }
        }
    }

    /// Level and variant as a small JSON object.
    pub(crate) fn detail(&self) -> String {
        let level = self.level.map(|level| format!(r#""level": "{}""#, level.code()));
        let parts: Vec<String> = level.into_iter().chain(self.variant()).collect();
        format!("{{{}}}", parts.join(", "))
    }

    fn variant(&self) -> Option<String> {
        let word = |how: &str| format!(r#""how": "{how}""#);
        Some(match &self.how {
            How::Plain => return None,
            How::Element { name, .. } => format!(r#""element": "{name}""#),
            How::AllElements => r#""element": "all""#.to_owned(),
            How::Ramp(days) => format!(r#""ramp_days": {days:.1}"#),
            How::Pump => word("pump"),
            How::InletJet => word("inlet_jet"),
            How::Conduction => word("conduction"),
            How::Thermostat => word("thermostat"),
            How::Relay => word("relay"),
            How::Probe(probe) => format!(r#""probe": {probe}"#),
            How::ProbeSpells(probe) => format!(r#""probe": {probe}, "how": "spells""#),
            How::ProbeFar(probe) => format!(r#""probe": {probe}, "how": "far_off""#),
            How::Probes(first, second) => format!(r#""probe": {first}, "probe2": {second}"#),
            How::PipeFlow(flow) => format!(r#""flow": {flow:.3}"#),
            How::Contacts { called: true } => word("control"),
            How::Contacts { called: false } => word("contacts"),
            How::NoCompressor => word("no_compressor"),
            How::LeftOn(window) => {
                format!(r#""start_min": {}, "minutes": {}"#, window.start_min, window.minutes)
            }
            How::SetPoint => word("set_point"),
            How::RegisterOnly => word("register"),
        })
    }

    /// Part of the severity that has grown by a second of the period: a ramp takes its time, unless it was there before.
    pub(crate) fn grown(&self, second: i64) -> f64 {
        match self.how {
            How::Ramp(days) if days > 0.0 && !self.pre_existing => {
                ((second - self.onset_s) as f64 / (days * 86_400.0)).min(1.0)
            }
            _ => 1.0,
        }
    }

    /// Whether it is there at a second of the period; faults from before are there during the warm-up too.
    pub(crate) fn is_on(&self, second: i64) -> bool {
        self.pre_existing || second >= self.onset_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn details_are_small_json_objects() {
        let of = |how, level| {
            let fault = Fault::SensorStuck;
            Injected { fault, onset_s: 0, pre_existing: false, severity: 0.0, how, level }.detail()
        };
        assert_eq!(of(How::Plain, None), "{}");
        assert_eq!(of(How::Ramp(10.0), None), r#"{"ramp_days": 10.0}"#);
        assert_eq!(of(How::Plain, Some(Level::Mild)), r#"{"level": "mild"}"#);
        assert_eq!(
            of(How::ProbeFar(2), Some(Level::Strong)),
            r#"{"level": "strong", "probe": 2, "how": "far_off"}"#
        );
    }
}
