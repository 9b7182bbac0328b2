//! What a visit uses up and what it only needs, out of the words of what to bring.

use drawoff_contract::{Fault, FaultClass};

/// Things to load for one visit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Load {
    /// Used up if the fault is there: one a visit.
    pub parts: &'static [&'static str],
    /// Comes back: one a van.
    pub tools: &'static [&'static str],
}

const fn load_of(parts: &'static [&'static str], tools: &'static [&'static str]) -> Load {
    Load { parts, tools }
}

/// What to load for a fault: phrases of [`crate::words::words`]. Common practice, no source.
#[must_use]
pub fn load(fault: Fault) -> Load {
    match fault {
        Fault::ElementOpen => load_of(
            &["element of the register's rating with gasket", "thermostat with thermal cut-out"],
            &["element spanner", "multimeter", "insulation tester", "proving unit"],
        ),
        Fault::ElementHalf => load_of(
            &["element of the register's rating with gasket"],
            &["element spanner", "clamp meter", "multimeter", "proving unit"],
        ),
        Fault::ThermostatHot => load_of(
            &["thermostat with thermal cut-out", "thermostatic mixing valve"],
            &["contact thermometer", "multimeter", "proving unit"],
        ),
        Fault::ThermostatCold => load_of(
            &["thermostat with thermal cut-out"],
            &["contact thermometer", "multimeter", "proving unit"],
        ),
        Fault::Destratified => {
            load_of(&["non-return valve", "inlet diffuser"], &["contact thermometer", "clamp meter"])
        }
        Fault::LeakSteady => load_of(
            &["tap washers and cartridges", "non-return valve"],
            &["torch and mirror", "drip tray", "moisture meter", "meter key"],
        ),
        Fault::LeakHeating => load_of(
            &["relief valve set of the same rating"],
            &["pressure gauge", "expansion vessel charging pump", "torch"],
        ),
        Fault::LossDoubled => {
            load_of(&["insulation jacket", "pipe insulation"], &["contact thermometer or thermal camera"])
        }
        Fault::GravityNight => load_of(
            &["non-return valve", "two-port valve or actuator", "pipe insulation"],
            &["contact thermometer"],
        ),
        Fault::StuckOn => load_of(
            &["contactor or relay", "thermostat with thermal cut-out"],
            &["clamp meter", "multimeter", "proving unit", "contact thermometer"],
        ),
        Fault::RelayChatter => {
            load_of(&["contactor or relay", "thermostat"], &["clamp meter", "multimeter", "proving unit"])
        }
        Fault::PumpFailed => load_of(
            &["circulating pump of the same size"],
            &["pump valve spares", "clamp meter", "multimeter", "proving unit"],
        ),
        Fault::PumpStuck => load_of(
            &["pump relay or control"],
            &["clamp meter", "multimeter", "proving unit", "contact thermometer"],
        ),
        Fault::ExchangerDecline => load_of(
            &["strainer mesh", "gaskets"],
            &["contact thermometers", "descaling set for the exchanger", "bleed key"],
        ),
        Fault::BackupHeating => load_of(&[], &["clamp meter", "multimeter", "proving unit"]),
        Fault::SurplusMissed => load_of(
            &["current sensor for the grid connection"],
            &["clamp meter", "multimeter", "proving unit"],
        ),
        Fault::SensorStuck | Fault::SensorOffset | Fault::SensorDrift => load_of(
            &["probe of the same type", "thermal paste"],
            &["reference thermometer", "ice-water flask"],
        ),
        Fault::SensorSwap => load_of(&["cable markers"], &["connector tool", "reference thermometer"]),
        Fault::SensorHeight => load_of(&["cable markers"], &["tape measure", "reference thermometer"]),
        // Rung first; what a visit then needs is said on the telephone.
        Fault::DearHours | Fault::RunsOut | Fault::HygieneLow | Fault::ScaldRisk => Load::default(),
        Fault::DataGaps | Fault::ClockShift | Fault::MeterReset | Fault::MeterScale => Load::default(),
    }
}

/// Whether a kind of fault can bring a van at all.
#[must_use]
pub fn brings_a_van(fault: Fault) -> bool {
    matches!(fault.class(), FaultClass::Equipment | FaultClass::Sensor)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::words;

    #[test]
    fn what_is_loaded_is_what_the_words_say_to_bring() {
        for &fault in Fault::ALL {
            let (load, bring) = (load(fault), words(fault).bring.to_lowercase());
            assert_eq!(brings_a_van(fault), !load.tools.is_empty(), "{fault:?}");
            for item in load.parts.iter().chain(load.tools) {
                assert!(bring.contains(item), "{fault:?}: {item} is not in {bring}");
            }
        }
    }
}
