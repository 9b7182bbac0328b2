//! What probes, meters and relays report of the samples, with the faults of probes laid on.

use drawoff_contract::Fault;
use drawoff_contract::readings::MAX_PROBES;
use rand_chacha::ChaCha8Rng;

use crate::design::Design;
use crate::dice::{Purpose, chance, dice, normal, uniform};
use crate::fault::{How, Injected};
use crate::plan::FleetPlan;
use crate::source::Source;
use crate::sums::Sample;

/// How probes err, apart from faults.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct ProbeErrors {
    /// One standard deviation of the constant error of each probe, K.
    pub(crate) calibration_k: f64,
    /// One standard deviation of the noise of each reading, K.
    pub(crate) noise_k: f64,
    /// From and to how slowly a probe follows the water, s.
    pub(crate) lag_s: (f64, f64),
    /// Most of the excess over the room that a pocket lets through, as a part of it.
    pub(crate) towards_room: f64,
}

impl ProbeErrors {
    /// Pockets and probes of ordinary homes: our own choice.
    pub(crate) const USUAL: Self =
        Self { calibration_k: 0.15, noise_k: 0.1, lag_s: (40.0, 200.0), towards_room: 0.012 };
}

/// One row as the home's unit sends it; values that the home has no meter for are NaN.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Row {
    /// Stamp, end of the interval, UTC ms.
    pub(crate) time_ms: i64,
    pub(crate) probe_degc: [f32; MAX_PROBES],
    pub(crate) power_w: [f32; 2],
    pub(crate) call: [Option<bool>; 2],
    pub(crate) register_wh: Option<i64>,
    pub(crate) pump: Option<bool>,
    pub(crate) surroundings_degc: f32,
    pub(crate) export_w: f32,
    /// Flow and return of the source's own water.
    pub(crate) primary_degc: [f32; 2],
}

/// Sees the samples through the home's probes and meters.
pub(crate) fn rows(plan: &FleetPlan, number: u32, home: &Design, samples: &[Sample]) -> Vec<Row> {
    let cadence_s = plan.cadence_s();
    let mut rng = dice(plan.seed, number, Purpose::Meters);
    let drawn = if chance(&mut rng, 0.6) { 10.0 } else { 2.0 };
    let steps_per_k = plan.resolution_k.map_or(drawn, |step_k| 1.0 / step_k);
    let calibration_k: Vec<f64> = home
        .true_probe_heights
        .iter()
        .map(|_| normal(&mut rng, 0.0, home.probe_errors.calibration_k))
        .collect();
    let gain = 1.0 + normal(&mut rng, 0.0, 0.005);
    let room_error_k = normal(&mut rng, 0.0, 0.2);
    let mut register_wh = uniform(&mut rng, 1.0e5, 3.0e6);
    let Exported { metered, called, pump } = exported(home);
    let mut further_rng = dice(plan.seed, number, Purpose::FurtherMeters);
    let mut frozen = f32::NAN;
    let mut out = Vec::with_capacity(samples.len());
    for (i, sample) in samples.iter().enumerate() {
        let end_s = (i as i64 + 1) * cadence_s;
        let mut probe_degc = [f32::NAN; MAX_PROBES];
        for (k, calibration) in calibration_k.iter().enumerate() {
            let offset_k = offset_k(&home.faults, k, end_s);
            let felt = sample.probe_degc[k]
                + calibration
                + offset_k
                + normal(&mut rng, 0.0, home.probe_errors.noise_k);
            probe_degc[k] = in_steps(felt, steps_per_k);
        }
        for injected in home.faults.iter().filter(|f| f.is_on(end_s)) {
            match (injected.fault, &injected.how) {
                (Fault::SensorSwap, &How::Probes(first, second)) => probe_degc.swap(first, second),
                (Fault::SensorStuck, &How::Probe(probe)) => {
                    frozen = if frozen.is_nan() { probe_degc[probe] } else { frozen };
                    probe_degc[probe] = frozen;
                }
                (Fault::SensorStuck, &How::ProbeSpells(probe)) => {
                    if (end_s.rem_euclid(86_400) as f64) < injected.severity * 3600.0 {
                        frozen = if frozen.is_nan() { probe_degc[probe] } else { frozen };
                        probe_degc[probe] = frozen;
                    } else {
                        frozen = f32::NAN;
                    }
                }
                (Fault::SensorStuck, &How::ProbeFar(probe)) => {
                    let far = probe_degc[probe] - injected.severity as f32;
                    frozen = if frozen.is_nan() { far } else { frozen };
                    probe_degc[probe] = frozen;
                }
                _ => {}
            }
        }
        let [power_scale, register_scale] = scales(&home.faults, end_s);
        let mut power_w = [f32::NAN; 2];
        let mut call = [None; 2];
        for element in (0..2).filter(|&e| metered[e]) {
            let true_w = sample.power_w[element] * gain;
            register_wh += true_w * cadence_s as f64 / 3600.0 * register_scale;
            power_w[element] = (true_w * power_scale * (1.0 + normal(&mut rng, 0.0, 0.01))).round() as f32;
        }
        for element in (0..2).filter(|&e| called[e]) {
            call[element] = Some(sample.call[element]);
        }
        let (export_w, primary_degc) = further(&mut further_rng, home, sample);
        let room = sample.room_degc + room_error_k + normal(&mut rng, 0.0, 0.1);
        out.push(Row {
            time_ms: plan.start_ms + end_s * 1000,
            probe_degc,
            power_w,
            call,
            register_wh: metered.contains(&true).then_some(register_wh as i64),
            pump: pump.then_some(sample.pump),
            surroundings_degc: if home.room_measured { in_steps(room, 10.0) } else { f32::NAN },
            export_w,
            primary_degc,
        });
    }
    out
}

/// Which of a home's columns the export fills.
struct Exported {
    metered: [bool; 2],
    called: [bool; 2],
    pump: bool,
}

fn exported(home: &Design) -> Exported {
    let elements = [0, 1].map(|i| home.heaters.iter().any(|h| h.index == i));
    match &home.source {
        Source::Elements => Exported { metered: elements, called: elements, pump: false },
        Source::TopPump(source) => {
            Exported { metered: elements, called: elements, pump: source.pump_exported }
        }
        Source::Coil(coil) => {
            Exported { metered: [false; 2], called: [coil.call_exported, false], pump: false }
        }
        Source::HeatPump(source) => {
            let columns = [true, source.boost.own_meter];
            Exported { metered: columns, called: columns, pump: source.pump_exported }
        }
    }
}

/// Error of a probe, K: a step, or one that grows by the week.
fn offset_k(faults: &[Injected], probe: usize, second: i64) -> f64 {
    let here = |f: &&Injected| f.how == How::Probe(probe) && f.is_on(second);
    let error_k = |f: &Injected| match f.fault {
        Fault::SensorOffset => f.severity,
        Fault::SensorDrift => f.severity * (second - f.onset_s) as f64 / (7.0 * 86_400.0),
        _ => 0.0,
    };
    faults.iter().filter(here).map(error_k).sum()
}

/// Factors on power and on what the register counts.
fn scales(faults: &[Injected], second: i64) -> [f64; 2] {
    let wrong = faults.iter().find(|f| f.fault == Fault::MeterScale && f.is_on(second));
    wrong.map_or([1.0; 2], |f| [if f.how == How::RegisterOnly { 1.0 } else { f.severity }, f.severity])
}

/// Power to the grid in watts, and flow and return in tenths of a kelvin, where the home has meters for them.
fn further(rng: &mut ChaCha8Rng, home: &Design, sample: &Sample) -> (f32, [f32; 2]) {
    let export_w = if home.control.solar_peak_w > 0.0 {
        (sample.export_w * (1.0 + normal(rng, 0.0, 0.01))).round() as f32
    } else {
        f32::NAN
    };
    let primary_degc = if home.primary_exported {
        sample.primary_degc.map(|degc| in_steps(degc + normal(rng, 0.0, 0.1), 10.0))
    } else {
        [f32::NAN; 2]
    };
    (export_w, primary_degc)
}

fn in_steps(value: f64, steps_per_k: f64) -> f32 {
    ((value * steps_per_k).round() / steps_per_k) as f32
}
