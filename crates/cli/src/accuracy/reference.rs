//! The reference fleets: exports of a simulator that is not ours, read from files.

use std::path::Path;
use std::time::Instant;

use drawoff_score::{Accuracy, Condition, Degradation, Half, HomeScore, Truth};
use rayon::prelude::*;

use super::conditions::{Only, QUICK, REFERENCE, cadence_min};
use super::reading::{Against, poorer_home, score_fleet};
use crate::args::PipelineArgs;
use crate::exit::Failure;
use crate::progress;
use crate::run::{self, Inputs, gather};
use crate::score::read_truth;

/// Cadence of both fleets, min.
const OWN_CADENCE_MIN: u32 = 5;

/// One fleet: its folder, its exports and register below it, its pipeline.
pub(crate) const FLEETS: [(&str, &str, &str, &str); 2] = [
    ("wide", "readings", "assets.csv", "pipelines/reference-wide.toml"),
    ("tall", "points", "register.csv", "pipelines/reference-tall.toml"),
];

/// Measures both fleets under every condition that is asked for, homes pooled.
pub(crate) fn measure(folder: &Path, half: Half, quick: bool, only: Only<'_>) -> Result<Accuracy, Failure> {
    let degradations = &only.of_export(if quick { &QUICK } else { &REFERENCE });
    let mut conditions: Vec<Condition> = degradations
        .iter()
        .map(|d| Condition {
            label: d.label(),
            probes: d.probes(),
            cadence_min: cadence_min(*d, OWN_CADENCE_MIN),
            ..Condition::default()
        })
        .collect();
    let fleets = if degradations.is_empty() {
        &[]
    } else if quick {
        &FLEETS[..1]
    } else {
        &FLEETS[..]
    };
    for (name, exports, register, pipeline) in fleets {
        let fleet = folder.join(name);
        let set = |key: &str, path: &str| format!("inputs.{key}={}", fleet.join(path).display());
        let inputs = run::read_inputs(&PipelineArgs {
            pipeline: pipeline.into(),
            set: vec![set("readings", exports), set("register", register)],
        })?;
        let truth = read_truth(&fleet.join("truth"))?;
        measure_fleet(name, &inputs, &truth, half, degradations, &mut conditions);
    }
    let homes = if quick { "one fleet" } else { "two fleets" };
    Ok(Accuracy {
        title: "Reference fleets".to_owned(),
        origin: format!(
            "Readings of {homes} of 132 homes over 60 days, 5 min, 6 to 8 probes, simulated by other programs than drawoff's own \
             (EnergyPlus stratified water heater, OpenDHW draw-offs), {} homes.",
            half.code()
        ),
        strict: false,
        conditions,
    })
}

fn measure_fleet(
    name: &str,
    inputs: &Inputs,
    truth: &Truth,
    half: Half,
    degradations: &[Degradation],
    conditions: &mut [Condition],
) {
    let gathered = gather(inputs);
    let water = inputs.pipeline.water.water();
    let files = gathered.files.len();
    for (&degradation, condition) in degradations.iter().zip(conditions) {
        let started = Instant::now();
        let homes = gathered
            .homes
            .par_iter()
            .filter_map(|(home, rows)| {
                let cylinder = inputs.cylinders.get(home)?;
                Some(poorer_home(rows, cylinder, degradation, files, water))
            })
            .collect();
        let cut;
        let truth = if let Degradation::Days(days) = degradation {
            cut = truth.first_days(days);
            &cut
        } else {
            truth
        };
        let against = Against {
            truth,
            half,
            water,
            cadence_min: condition.cadence_min,
            degradation,
            held_out: degradation == Degradation::None,
        };
        let scores: Vec<HomeScore> = score_fleet(homes, &against);
        progress::note(&format!(
            "{name}, {}: {} homes in {:.1} s",
            condition.label,
            scores.len(),
            started.elapsed().as_secs_f64()
        ));
        condition.homes.extend(scores);
    }
}
