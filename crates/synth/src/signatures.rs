//! Each fault leaves its mark in the data: a home with it is compared with its own sound twin, drawn from the same
//! numbers.

use drawoff_contract::{DailyWindow, Fault};

use crate::control::Mode;
use crate::cylinder::{INLET_DENSITY_KG_PER_L, STORED_DENSITY_KG_PER_L};
use crate::design::{Design, design};
use crate::fault::{How, Injected, RAMP_DAYS};
use crate::fleet::run;
use crate::household::Habit;
use crate::measure::{Row, rows};
use crate::plan::FleetPlan;
use crate::sums::{Sample, Simulated};

const ONSET_DAY: usize = 8;
const ROWS_A_DAY: usize = 288;

fn plan() -> FleetPlan {
    FleetPlan { seed: 11, homes: 1, days: 24, zone: chrono_tz::UTC, ..FleetPlan::default() }
}

/// A sound home of three people with a low element.
fn sound(mode: Mode) -> Design {
    let mut home = design(&plan(), 0);
    home.habit = Habit::Normal;
    home.people = 3;
    home.heaters =
        vec![crate::control::Heater { index: 0, rated_w: 3000.0, height: 0.1, thermostat_height: 0.15 }];
    home.control.mode = mode;
    home.control.window = DailyWindow { start_min: 30, minutes: 420 };
    home.control.boost = None;
    home.volume_l = 210.0;
    home.body.volume_l = 210.0;
    home.probe_heights = vec![0.95, 0.75, 0.5, 0.3, 0.08];
    home.true_probe_heights = home.probe_heights.clone();
    home.faults.clear();
    home
}

fn with(mode: Mode, fault: Fault, severity: f64, how: How) -> Design {
    let onset_s = ONSET_DAY as i64 * 86_400;
    Design {
        faults: vec![Injected { fault, onset_s, pre_existing: false, severity, how, level: None }],
        ..sound(mode)
    }
}

fn simulated(home: &Design) -> Simulated {
    run(&plan(), 0, home)
}

fn before(samples: &[Sample]) -> &[Sample] {
    &samples[..ONSET_DAY * ROWS_A_DAY]
}

/// The last ten days: a ramp has ended by then.
fn after(samples: &[Sample]) -> &[Sample] {
    &samples[14 * ROWS_A_DAY..]
}

fn highest(samples: &[Sample]) -> f64 {
    samples.iter().map(|s| s.probe_degc[0]).fold(0.0, f64::max)
}

fn mean(samples: &[Sample], get: impl Fn(&Sample) -> f64) -> f64 {
    samples.iter().map(get).sum::<f64>() / samples.len() as f64
}

fn measured(home: &Design) -> Vec<Row> {
    rows(&plan(), 0, home, &simulated(home).samples)
}

#[test]
fn an_open_element_is_called_and_takes_nothing() {
    let home = with(Mode::Night, Fault::ElementOpen, 1.0, How::Element { index: 0, name: "only" });
    let samples = simulated(&home).samples;
    assert!(before(&samples).iter().any(|s| s.power_w[0] > 2700.0));
    assert!(after(&samples).iter().all(|s| s.power_w[0] == 0.0));
    assert!(mean(after(&samples), |s| f64::from(s.call[0])) > 0.28, "called through the window");
    assert!(after(&samples)[ROWS_A_DAY..].iter().all(|s| s.probe_degc[0] < 30.0));
}

#[test]
fn half_an_element_takes_half() {
    let home = with(Mode::Always, Fault::ElementHalf, 0.5, How::Element { index: 0, name: "only" });
    let samples = simulated(&home).samples;
    let most = |s: &[Sample]| s.iter().map(|s| s.power_w[0]).fold(0.0, f64::max);
    assert!((most(after(&samples)) / most(before(&samples)) - 0.5).abs() < 0.04);
}

#[test]
fn thermostats_stop_off_their_set_point() {
    for (severity, how) in [(10.0, How::Ramp(0.0)), (9.0, How::Ramp(RAMP_DAYS)), (-12.0, How::Ramp(0.0))] {
        let fault = if severity > 0.0 { Fault::ThermostatHot } else { Fault::ThermostatCold };
        let samples = simulated(&with(Mode::Always, fault, severity, how)).samples;
        let moved = highest(&samples[19 * ROWS_A_DAY..]) - highest(before(&samples));
        assert!((moved - severity).abs() < 2.0, "{severity} {moved}");
    }
}

#[test]
fn mixing_takes_the_layers_away() {
    let spread = |home: &Design| mean(after(&simulated(home).samples), |s| s.probe_degc[0] - s.probe_degc[4]);
    let layered = spread(&sound(Mode::Night));
    for (severity, how) in [(3.0, How::Pump), (0.75, How::InletJet), (120.0, How::Conduction)] {
        let mixed = spread(&with(Mode::Night, Fault::Destratified, severity, how.clone()));
        assert!(mixed < 0.6 * layered, "{how:?}: {mixed} against {layered}");
    }
}

#[test]
fn a_steady_leak_lets_cold_water_in_round_the_clock() {
    let run = simulated(&with(Mode::Always, Fault::LeakSteady, 0.15, How::Plain));
    let expected = 0.15 * 1440.0 * STORED_DENSITY_KG_PER_L / INLET_DENSITY_KG_PER_L;
    assert_eq!(run.days[ONSET_DAY - 1].litres.leak, 0.0);
    assert!(run.days[ONSET_DAY..].iter().all(|d| (d.litres.leak - expected).abs() < 0.01));
    let element =
        |days: &[crate::sums::DaySums]| days.iter().map(|d| d.element_j[0]).sum::<f64>() / days.len() as f64;
    assert!(element(&run.days[ONSET_DAY..]) > element(&run.days[..ONSET_DAY]) + 5.0 * 3.6e6);
}

#[test]
fn a_passing_relief_valve_leaks_only_while_heating() {
    let run = simulated(&with(Mode::Night, Fault::LeakHeating, 0.4, How::Plain));
    for (day, samples) in run.days.iter().zip(run.samples.chunks(ROWS_A_DAY)).skip(ONSET_DAY + 1) {
        let heating_min: f64 = samples.iter().map(|s| 5.0 * (s.power_w[0] / 2900.0).min(1.0)).sum();
        assert!(
            (day.litres.leak - 0.4 * heating_min).abs() < 0.1 * 0.4 * heating_min + 2.0,
            "{} {heating_min}",
            day.litres.leak
        );
    }
}

#[test]
fn excess_loss_scales_the_coefficient() {
    let coefficient = |run: &Simulated| run.loss_j / run.excess_k_s;
    let ratio = coefficient(&simulated(&with(Mode::Always, Fault::LossDoubled, 2.4, How::Plain)))
        / coefficient(&simulated(&sound(Mode::Always)));
    assert!((ratio - 2.4).abs() < 0.1, "{ratio}");
}

#[test]
fn gravity_carries_heat_away_at_night_only() {
    let run = simulated(&with(Mode::Always, Fault::GravityNight, 6.0, How::PipeFlow(0.4)));
    let day = &run.days[ONSET_DAY + 2];
    assert!(
        (day.litres.circulation - 0.4 * 480.0 * STORED_DENSITY_KG_PER_L / INLET_DENSITY_KG_PER_L).abs()
            < 0.01
    );
    assert!(day.heat_j.circulation > 0.8 * 3.6e6, "{}", day.heat_j.circulation);
    assert_eq!(run.days[ONSET_DAY - 1].litres.circulation, 0.0);
}

#[test]
fn welded_switches_heat_on() {
    let thermostat = simulated(&with(Mode::Always, Fault::StuckOn, 82.0, How::Thermostat)).samples;
    assert!(highest(before(&thermostat)) < 70.0 && highest(after(&thermostat)) > 79.0);
    let relay = simulated(&with(Mode::Night, Fault::StuckOn, 60.0, How::Relay)).samples;
    let uncalled = |s: &[Sample]| s.iter().filter(|s| s.power_w[0] > 1000.0 && !s.call[0]).count();
    // A thermostat that opens within a row leaves power behind with the call gone: a row a day or so.
    assert!(uncalled(before(&relay)) < 20 && uncalled(after(&relay)) > 60, "{}", uncalled(after(&relay)));
    assert!(highest(after(&relay)) < 70.0);
}

#[test]
fn probes_freeze_err_and_change_places() {
    let twin = measured(&sound(Mode::Night));
    let last = &twin[ONSET_DAY * ROWS_A_DAY + 1..];
    let faulty = |fault, severity, how| {
        measured(&with(Mode::Night, fault, severity, how))[ONSET_DAY * ROWS_A_DAY + 1..].to_vec()
    };
    let stuck = faulty(Fault::SensorStuck, 0.0, How::Probe(2));
    assert!(stuck.iter().all(|r| r.probe_degc[2] == stuck[0].probe_degc[2]));
    let offset = faulty(Fault::SensorOffset, -5.0, How::Probe(1));
    let swapped = faulty(Fault::SensorSwap, 2.0, How::Probes(1, 3));
    for ((sound, off), swap) in last.iter().zip(&offset).zip(&swapped) {
        assert!((off.probe_degc[1] - sound.probe_degc[1] + 5.0).abs() < 0.11);
        assert_eq!(off.probe_degc[0], sound.probe_degc[0]);
        assert_eq!((swap.probe_degc[1], swap.probe_degc[3]), (sound.probe_degc[3], sound.probe_degc[1]));
    }
}

#[test]
fn without_draws_nothing_flows() {
    let run = simulated(&Design { habit: Habit::Vacant, ..sound(Mode::Always) });
    assert!(run.draws.is_empty());
    assert!(run.days.iter().all(|d| d.litres == crate::sums::Flows::default()));
    assert!(run.days.iter().all(|d| d.heat_j == crate::sums::Flows::default()));
}

#[test]
fn registers_count_what_the_elements_took() {
    let home = sound(Mode::Always);
    let run = simulated(&home);
    let sent = rows(&plan(), 0, &home, &run.samples);
    let at = |row: usize| sent[row].register_wh.unwrap() as f64;
    let metered = at(sent.len() - 1) - at(0);
    let taken = run.days.iter().map(|d| d.element_j[0]).sum::<f64>() / 3600.0;
    assert!((metered / taken - 1.0).abs() < 0.025, "{metered} {taken}");
}
