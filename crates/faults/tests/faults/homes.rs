//! Homes with their assessments, and homes of the generator by fault.

use drawoff_contract::{Fault, Outcome};
use drawoff_faults::probes::{Probes, sound_probes};
use drawoff_faults::{Assessment, Context, assess};
use drawoff_homes::{FleetPriors, Settings, read_home};
use drawoff_synth::FleetPlan;
use drawoff_tank::Water;

use crate::made::made;
use crate::noted::{Noted, view};

/// Length of the period; onsets lie between the 10th and the 18th day.
const DAYS: u32 = 29;

pub(crate) fn plan(seed: u64) -> FleetPlan {
    FleetPlan { seed, days: DAYS, ..FleetPlan::default() }
}

/// All faults of a home.
pub(crate) fn assessed(n: &Noted, priors: &FleetPriors) -> Vec<Assessment> {
    let sound = sound_probes(Probes {
        days: &n.notes.days,
        probes: n.home.cylinder.probe_heights.len(),
        cold_degc: &priors.fleet_cold_feed(&n.notes.days),
    });
    let reading = read_home(view(n), priors, &sound, Settings { water: Water::Iapws, seed: 1 });
    assess(&Context {
        cylinder: &n.home.cylinder,
        days: &n.notes.days,
        spells: &n.notes.spells,
        draws: &n.notes.draws,
        reading: &reading,
    })
}

pub(crate) fn outcome(all: &[Assessment], fault: Fault) -> Outcome {
    all.iter().find(|a| a.fault == fault).unwrap().outcome
}

/// What was found of the classes that bring a visit.
pub(crate) fn calls(all: &[Assessment]) -> Vec<&'static str> {
    let data = drawoff_contract::FaultClass::Data;
    all.iter().filter(|a| a.is_fault() && a.fault.class() != data).map(|a| a.fault.code()).collect()
}

/// Seed and number of a home of each block with the fault, begun within the period; nearest the middle severity first.
pub(crate) fn with_fault(fault: Fault, seeds: std::ops::RangeInclusive<u64>) -> Vec<(u64, u32)> {
    let mut found: Vec<(f64, u64, u32)> = short_truths(seeds)
        .iter()
        .filter(|(_, _, kind, pre_existing, _)| *kind == fault.code() && !*pre_existing)
        .map(|(seed, index, _, _, severity)| (*severity, *seed, *index))
        .collect();
    let middle = found.iter().map(|f| f.0.abs()).sum::<f64>() / found.len().max(1) as f64;
    found.sort_by(|a, b| (a.0.abs() - middle).abs().total_cmp(&(b.0.abs() - middle).abs()));
    found.into_iter().map(|(_, seed, index)| (seed, index)).collect()
}

type ShortTruth = (u64, u32, String, bool, f64);

/// Faults of the blocks of these seeds. A day of each home is made to learn them: severities do not hang on the period.
fn short_truths(seeds: std::ops::RangeInclusive<u64>) -> &'static [ShortTruth] {
    static TRUTHS: std::sync::OnceLock<Vec<ShortTruth>> = std::sync::OnceLock::new();
    TRUTHS.get_or_init(|| {
        let homes = seeds.flat_map(|seed| (0..40).map(move |index| (seed, index)));
        homes
            .flat_map(|(seed, index)| {
                let home = made(&FleetPlan { days: 1, ..plan(seed) }, index);
                home.truth.faults.into_iter().map(move |f| (seed, index, f.kind, f.pre_existing, f.severity))
            })
            .collect()
    })
}
