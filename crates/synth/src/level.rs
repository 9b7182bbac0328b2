//! How strong each kind of fault is laid at each of three levels, in the unit of its own physics.
//!
//! The figures are our own choice: mild is near what data of this kind can show at all, middle is what a technician would call a
//! fault without hesitating, strong is plain.

use drawoff_contract::{DailyWindow, Fault, Level};
use rand_chacha::ChaCha8Rng;

use crate::control::{Mode, OVER_TEMPERATURE_DEGC};
use crate::design::Design;
use crate::dice::{below, chance, uniform};
use crate::fault::{How, RAMP_DAYS};
use crate::source::Source;

/// Days over which an exchanger that scales up slowly reaches its full decline.
const DECLINE_DAYS: f64 = 21.0;

/// One of three figures, by the level.
trait Graded {
    fn of<T: Copy>(self, mild: T, middle: T, strong: T) -> T;
}

impl Graded for Level {
    fn of<T: Copy>(self, mild: T, middle: T, strong: T) -> T {
        match self {
            Self::Mild => mild,
            Self::Middle => middle,
            Self::Strong => strong,
        }
    }
}

/// Severity and variant of a fault at a level, for a home that can have it. Units: [`crate::fault::Injected::unit`].
pub(crate) fn laid(rng: &mut ChaCha8Rng, fault: Fault, level: Level, home: &Design) -> (f64, How) {
    let sign = if chance(rng, 0.5) { 1.0 } else { -1.0 };
    let count = home.probe_heights.len();
    let probe = below(rng, count);
    match fault {
        Fault::ElementOpen => (level.of(0.5, 1.0, 1.0), open_element(rng, level, home)),
        Fault::ElementHalf => (level.of(0.33, 0.5, 0.67), one_element(rng, home)),
        Fault::ThermostatHot => (level.of(5.0, 10.0, 15.0), step_or_ramp(rng, RAMP_DAYS)),
        Fault::ThermostatCold => (-level.of(5.0, 10.0, 15.0), step_or_ramp(rng, RAMP_DAYS)),
        Fault::Destratified => match below(rng, 3) {
            0 => (level.of(0.5, 2.0, 5.0), How::Pump),
            1 => (level.of(0.35, 0.6, 0.85), How::InletJet),
            _ => (level.of(30.0, 80.0, 150.0), How::Conduction),
        },
        Fault::LeakSteady => (level.of(0.03, 0.1, 0.3), How::Plain),
        Fault::LeakHeating => (level.of(0.1, 0.3, 0.6), How::Plain),
        Fault::LossDoubled => (level.of(1.4, 2.0, 3.0), How::Plain),
        Fault::GravityNight => (level.of(2.0, 5.0, 8.0), How::PipeFlow(level.of(0.15, 0.35, 0.5))),
        Fault::StuckOn => match level {
            // A welded relay shows only where heating is not allowed at any hour.
            Level::Mild if home.control.mode != Mode::Always => (home.control.set_point_degc, How::Relay),
            Level::Mild | Level::Middle => (75.0, How::Thermostat),
            Level::Strong => (OVER_TEMPERATURE_DEGC, How::Thermostat),
        },
        Fault::SensorStuck => match level {
            Level::Mild => (12.0, How::ProbeSpells(probe)),
            Level::Middle => (0.0, How::Probe(probe)),
            Level::Strong => (20.0, How::ProbeFar(probe)),
        },
        Fault::SensorOffset => (sign * level.of(2.0, 5.0, 10.0), How::Probe(probe)),
        Fault::SensorDrift => (sign * level.of(0.3, 0.7, 1.5), How::Probe(probe)),
        Fault::SensorHeight => shifted_probe(probe, sign * level.of(0.1, 0.2, 0.3), home),
        Fault::SensorSwap => {
            let apart = level.of(1, 2, count.saturating_sub(1)).min(count.saturating_sub(1));
            let first = below(rng, count - apart);
            (apart as f64, How::Probes(first, first + apart))
        }
        Fault::DataGaps => (level.of(0.1, 0.2, 0.4), How::Plain),
        Fault::ClockShift => (sign * level.of(30.0, 60.0, 120.0), How::Plain),
        Fault::MeterReset => (level.of(1.0, 2.0, 3.0), How::Plain),
        Fault::MeterScale => match level {
            Level::Strong if chance(rng, 0.33) => (0.001, How::RegisterOnly),
            _ => {
                let factor: f64 = level.of(1.4, 2.0, 10.0);
                (if sign > 0.0 { factor } else { 1.0 / factor }, How::Plain)
            }
        },
        Fault::RelayChatter => (level.of(6.0, 20.0, 60.0), How::Contacts { called: chance(rng, 0.5) }),
        Fault::PumpFailed => (level.of(0.75, 0.95, 1.0), How::Plain),
        Fault::PumpStuck => (level.of(0.2, 0.5, 1.0), How::Contacts { called: chance(rng, 0.5) }),
        Fault::ExchangerDecline => (level.of(0.3, 0.5, 0.7), step_or_ramp(rng, DECLINE_DAYS)),
        Fault::BackupHeating => match level {
            Level::Mild => (6.0, How::Plain),
            Level::Middle => (12.0, How::Plain),
            Level::Strong => (home.control.set_point_degc, How::NoCompressor),
        },
        Fault::SurplusMissed => (level.of(0.4, 0.7, 1.0), How::Plain),
        Fault::DearHours => {
            let start_min = (uniform(rng, 13.0, 17.0) * 4.0).round() as u32 * 15;
            let minutes: u32 = level.of(180, 480, 1440);
            (f64::from(minutes) / 60.0, How::LeftOn(DailyWindow { start_min, minutes }))
        }
        Fault::RunsOut => (level.of(1.0, 1.4, 1.8), How::Plain),
        Fault::HygieneLow => {
            let heat_pump = matches!(home.source, Source::HeatPump(_));
            (level.of(52.0, 49.0, 45.0) - if heat_pump { 2.0 } else { 0.0 }, How::SetPoint)
        }
        Fault::ScaldRisk => (level.of(68.0, 71.0, 75.0), How::SetPoint),
    }
}

fn step_or_ramp(rng: &mut ChaCha8Rng, days: f64) -> How {
    How::Ramp(if chance(rng, 0.5) { days } else { 0.0 })
}

/// One of the home's elements; of two, the lower one.
pub(crate) fn one_element(rng: &mut ChaCha8Rng, home: &Design) -> How {
    match home.heaters.as_slice() {
        [_, _] if chance(rng, 0.7) => How::Element { index: 0, name: "lower" },
        [_, _] => How::Element { index: 1, name: "upper" },
        [only] => How::Element { index: only.index, name: "only" },
        _ => How::Plain,
    }
}

fn open_element(rng: &mut ChaCha8Rng, level: Level, home: &Design) -> How {
    match (level, one_element(rng, home)) {
        (Level::Strong, How::Element { name: "lower" | "upper", .. }) => How::AllElements,
        (_, one) => one,
    }
}

/// Moves a probe up or down by a share of the volume; the other way where there is no room.
fn shifted_probe(probe: usize, shift: f64, home: &Design) -> (f64, How) {
    let height = home.true_probe_heights.get(probe).copied().unwrap_or(0.5);
    let room = 0.02..=0.98;
    let shift = if room.contains(&(height + shift)) { shift } else { -shift };
    (shift, How::Probe(probe))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::design;
    use crate::dice::{Purpose, dice};
    use crate::plan::FleetPlan;

    #[test]
    fn every_kind_grows_from_mild_to_strong() {
        assert!(Level::ALL.iter().all(|&l| Level::from_code(l.code()) == Some(l)));
        let home = Design {
            faults: Vec::new(),
            ..design(&FleetPlan { probes: Some(6), ..FleetPlan::default() }, 1)
        };
        // These turn a set point down, undo a flow or tell of it by the variant.
        let others =
            [Fault::HygieneLow, Fault::SensorStuck, Fault::StuckOn, Fault::ElementOpen, Fault::Destratified];
        for &fault in Fault::ALL.iter().filter(|f| !others.contains(f)) {
            let size = |level| {
                let (severity, _) = laid(&mut dice(3, 1, Purpose::Fault), fault, level, &home);
                if fault == Fault::MeterScale { libm::fabs(libm::log(severity)) } else { severity.abs() }
            };
            let [mild, middle, strong] = Level::ALL.map(size);
            assert!(mild < middle && middle < strong, "{} {mild} {middle} {strong}", fault.code());
        }
    }
}
