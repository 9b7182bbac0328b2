//! What a technician should bring, check first and beware of, by fault.
//!
//! Common practice, no source, except where one is named. Cautions always defer to licensed practice and local codes.

use drawoff_contract::Fault;

/// Words for one fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Words {
    /// Parts and instruments.
    pub bring: &'static str,
    /// The first check on site: the one that tells whether the finding is true.
    pub check_first: &'static str,
    /// What can hurt, and who may do the work; never empty.
    pub cautions: &'static [&'static str],
}

impl Words {
    /// All cautions as one text.
    #[must_use]
    pub fn caution(&self) -> String {
        self.cautions.join(" ")
    }
}

const ELECTRICS: &str = "Mains electricity: isolate the circuit, lock it off and prove it dead before opening a cover or \
    touching an element; electrical work is for a competent, licensed person under local codes.";
const SCALD: &str = "Water and metal may be above 60 \u{b0}C: scald and burn hazard; let it cool or draw it down with care, \
    and warn the people in the home.";
const OVERHEATED: &str = "Water may be near boiling and can leave taps and discharge pipes as steam: keep people away from hot \
    taps until it has been cut off and has cooled.";
const PRESSURE: &str = "An unvented cylinder is a vessel under pressure: work on it is for a competent, registered person \
    under local codes. Never plug, cap or adjust a relief valve.";
/// Storage at 60 degC against legionella: HSE, HSG274 part 2, from memory.
const HYGIENE: &str = "Water kept too cool for long can breed legionella: bring the store back to 60 \u{b0}C and follow the \
    local rules of water hygiene; mind scalding while doing so.";
const WET: &str = "Water near electrics: isolate the supply before reaching under the cylinder.";
const PROBE_ONLY: &str = "Until it is mended, no other finding of this home can be trusted fully, a safe temperature included: \
    measure before relying on it.";
const INSULATION: &str = "Old lagging may hold harmful fibres: do not disturb what you cannot identify.";
const EXPORT_ONLY: &str = "A fault of the export, not of the cylinder: it brings no visit.";

/// The words for a fault.
#[must_use]
pub fn words(fault: Fault) -> Words {
    match fault {
        Fault::ElementOpen => Words {
            bring: "Replacement element of the register's rating with gasket, element spanner, thermostat with thermal \
                cut-out, multimeter, insulation tester, proving unit.",
            check_first: "Whether the thermal cut-out has tripped and the fuse or breaker is sound; then, dead, the element's \
                resistance (about 18 ohm for 3 kW at 230 V) and its insulation to earth.",
            cautions: &[ELECTRICS, SCALD, PRESSURE],
        },
        Fault::ElementHalf => Words {
            bring: "Replacement element of the register's rating with gasket, element spanner, clamp meter, multimeter, \
                proving unit.",
            check_first: "The nameplate against the register, and the supply voltage under load; then, dead, the resistance of \
                each loop of the element: one open loop, or a link left out.",
            cautions: &[ELECTRICS, SCALD, PRESSURE],
        },
        Fault::ThermostatHot => Words {
            bring: "Thermostat with thermal cut-out of the right length, contact thermometer, multimeter, proving unit; a \
                thermostatic mixing valve if the taps have none.",
            check_first: "Temperature at the nearest hot tap and at the cylinder's top, before anyone draws more; then the dial \
                setting and whether the thermostat's rod sits fully in its pocket.",
            cautions: &[SCALD, OVERHEATED, ELECTRICS, PRESSURE],
        },
        Fault::ThermostatCold => Words {
            bring: "Thermostat with thermal cut-out of the right length, contact thermometer, multimeter, proving unit.",
            check_first: "The dial setting and the timer; then whether the thermostat opens early against a contact \
                thermometer at its height.",
            cautions: &[HYGIENE, ELECTRICS, SCALD],
        },
        Fault::Destratified => Words {
            bring: "Contact thermometer, clamp meter for the pump, spare non-return valve, inlet diffuser for this cylinder.",
            check_first: "Whether a circulation or shunt pump runs when it should not, and whether its timer is set; then the \
                cold inlet: flow, diffuser, mixing or reducing valve.",
            cautions: &[SCALD, HYGIENE, ELECTRICS, PRESSURE],
        },
        Fault::LeakSteady => Words {
            bring: "Torch and mirror, drip tray, moisture meter, tap washers and cartridges, non-return valve, meter key for a \
                stopcock test.",
            check_first: "With all taps shut, whether the water meter still moves; then tundish and discharge pipe, hot taps, \
                mixers that pass to the cold side, and joints below the cylinder.",
            cautions: &[SCALD, WET, PRESSURE],
        },
        Fault::LeakHeating => Words {
            bring: "Pressure gauge, expansion vessel charging pump, relief valve set of the same rating, torch for the tundish.",
            check_first: "The tundish during a reheat: water only while heating points to lost air in the expansion vessel, or a \
                reducing valve that lets too much pressure through.",
            cautions: &[PRESSURE, SCALD, WET],
        },
        Fault::LossDoubled => Words {
            bring: "Insulation jacket, pipe insulation for the first metres, tape, contact thermometer or thermal camera.",
            check_first: "Jacket, lid and pipe insulation for gaps or damp; warm pipes far from the cylinder when nothing is \
                drawn, which would point to circulation instead.",
            cautions: &[INSULATION, SCALD, ELECTRICS],
        },
        Fault::GravityNight => Words {
            bring: "Non-return valve, two-port valve or actuator, contact thermometer, pipe insulation.",
            check_first: "Pipes off the top at night or with all pumps off: warm flow and warm return without a pump; then \
                whether the non-return valve seats and the motorised valve closes.",
            cautions: &[SCALD, ELECTRICS, PRESSURE],
        },
        Fault::StuckOn => Words {
            bring: "Contactor or relay, thermostat with thermal cut-out, clamp meter, multimeter, proving unit, contact \
                thermometer.",
            check_first: "Ring first and have the heater switched off at its isolator. On site: element current with the \
                thermostat turned down; then welded contacts, and whether the thermal cut-out still opens.",
            cautions: &[OVERHEATED, SCALD, ELECTRICS, PRESSURE],
        },
        Fault::SensorStuck => Words {
            bring: "Probe of the same type, thermal paste, reference thermometer, spare connector, ice-water flask.",
            check_first: "Whether the probe still sits in its pocket and the connector is dry; then its reading against a \
                reference while water is drawn.",
            cautions: &[PROBE_ONLY, ELECTRICS, SCALD],
        },
        Fault::SensorOffset => Words {
            bring: "Probe of the same type, thermal paste, reference thermometer, ice-water flask.",
            check_first: "How deep the probe sits and whether it touches the wall; then its reading against a reference at one \
                temperature.",
            cautions: &[PROBE_ONLY, ELECTRICS, SCALD],
        },
        Fault::SensorSwap => Words {
            bring: "Cable markers, connector tool, reference thermometer, the register's sheet with probe heights.",
            check_first: "Warm each probe in turn, and see which channel answers; correct the wiring or the register, not both.",
            cautions: &[PROBE_ONLY, ELECTRICS, SCALD],
        },
        Fault::RelayChatter => Words {
            bring: "Contactor or relay, thermostat, clamp meter, multimeter, proving unit.",
            check_first: "Whether the contacts buzz or the control flickers; then loose terminals, the thermostat's switching \
                difference and a control that fights with another.",
            cautions: &[ELECTRICS, SCALD, PRESSURE],
        },
        Fault::PumpFailed => Words {
            bring: "Circulating pump of the same size, pump valve spares, clamp meter, multimeter, proving unit, bucket and towels.",
            check_first: "Whether the pump turns and is supplied when the source heats; then closed valves, air, a blocked \
                strainer or exchanger.",
            cautions: &[ELECTRICS, SCALD, PRESSURE],
        },
        Fault::PumpStuck => Words {
            bring: "Pump relay or control, clamp meter, multimeter, proving unit, contact thermometer.",
            check_first: "Whether the pump runs while nothing heats, and what calls it: relay, control, or a wire moved.",
            cautions: &[ELECTRICS, SCALD, PRESSURE],
        },
        Fault::ExchangerDecline => Words {
            bring: "Contact thermometers for flow and return, descaling set for the exchanger, strainer mesh, gaskets, bleed key.",
            check_first: "Flow and return temperature at full load; then strainer, air, valve positions and pump setting before \
                any descaling.",
            cautions: &[SCALD, ELECTRICS, PRESSURE],
        },
        Fault::BackupHeating => Words {
            bring: "Clamp meter, multimeter, proving unit, the heat pump's installation and settings sheets.",
            check_first: "The heat pump's fault memory and its hot-water settings: highest flow temperature, weekly boost, \
                change-over temperature; then whether the element's switch was left on.",
            cautions: &[ELECTRICS, SCALD, PRESSURE],
        },
        Fault::SurplusMissed => Words {
            bring: "Clamp meter, current sensor for the grid connection, multimeter, proving unit.",
            check_first: "By telephone: is the diverting control switched on and its sensor's lamp lit? On site: the sensor's \
                place and direction on the grid cable, then the element's own switch.",
            cautions: &[ELECTRICS, SCALD, PRESSURE],
        },
        Fault::SensorDrift => Words {
            bring: "Probe of the same type, thermal paste, reference thermometer, ice-water flask.",
            check_first: "Whether the probe slides out of its pocket or its connector corrodes; then its reading against a \
                reference at one temperature.",
            cautions: &[PROBE_ONLY, ELECTRICS, SCALD],
        },
        Fault::SensorHeight => Words {
            bring: "Tape measure, reference thermometer, cable markers, the register's sheet with probe heights.",
            check_first: "Measure the probe's height and correct the register, or put the probe back into its pocket; not both.",
            cautions: &[PROBE_ONLY, ELECTRICS, SCALD],
        },
        Fault::DearHours => Words {
            bring: "Nothing at first: ring and ask. If a visit follows: time switch, multimeter, proving unit, the tariff's hours.",
            check_first: "By telephone: does the boost switch stand on, does the timer show the right time, has the tariff \
                changed?",
            cautions: &[ELECTRICS, SCALD],
        },
        Fault::RunsOut => Words {
            bring: "Nothing at first: ring and ask. If a visit follows: flow-limiting shower head, contact thermometer, multimeter, \
                proving unit.",
            check_first: "By telephone: who lives there now, when does the water run cold, is a boost used? Then heating hours and \
                set point before a larger cylinder.",
            cautions: &[SCALD, ELECTRICS],
        },
        Fault::HygieneLow => Words {
            bring: "Nothing at first: ring and ask. If a visit follows: contact thermometer, thermostat, multimeter, proving unit.",
            check_first: "By telephone: was the set point turned down, or the hygiene heating switched off? Then the temperature of \
                the base after a full heating.",
            cautions: &[HYGIENE, SCALD, ELECTRICS],
        },
        Fault::ScaldRisk => Words {
            bring: "Contact thermometer, thermostatic mixing valve, thermostat, multimeter, proving unit.",
            check_first: "By telephone: warn the people in the home, ask for small children and whether taps have mixing valves; \
                then have the set point turned down.",
            cautions: &[SCALD, OVERHEATED, ELECTRICS],
        },
        Fault::DataGaps | Fault::ClockShift | Fault::MeterReset | Fault::MeterScale => Words {
            bring: "Nothing: settle it with whoever runs the export.",
            check_first: "The logger's clock, its connection and the export's settings, from the desk.",
            cautions: &[EXPORT_ONLY],
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawoff_contract::FaultClass;

    #[test]
    fn every_fault_that_brings_a_visit_warns_of_mains_or_pressure() {
        for &fault in Fault::ALL.iter().filter(|f| f.class() != FaultClass::Data) {
            let words = words(fault);
            assert!(!words.bring.is_empty() && !words.check_first.is_empty(), "{fault:?}");
            let dangers = [ELECTRICS, PRESSURE];
            assert!(words.cautions.iter().any(|c| dangers.contains(c)), "{fault:?}");
            assert!(words.cautions.contains(&SCALD), "{fault:?}");
        }
    }

    #[test]
    fn safety_findings_warn_of_overheated_water() {
        for &fault in Fault::ALL.iter().filter(|f| f.is_safety()) {
            assert!(words(fault).cautions.contains(&OVERHEATED), "{fault:?}");
        }
    }

    #[test]
    fn resistance_of_a_3_kw_element() {
        // R = U^2 / P, the figure in the words for a failed element.
        assert!((230.0_f64 * 230.0 / 3000.0 - 17.6).abs() < 0.1);
    }

    #[test]
    fn lines_are_joined_without_gaps() {
        for &fault in Fault::ALL {
            let words = words(fault);
            for text in [words.bring, words.check_first, &words.caution()] {
                assert!(!text.contains("  ") && !text.contains('\n'), "{text}");
            }
        }
    }
}
