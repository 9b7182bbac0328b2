//! Invented fleets: made in memory a portion at a time, reduced to daybooks under every condition, and thrown away.

use std::time::Instant;

use drawoff_score::{Accuracy, Condition, Degradation, Half, Truth};
use drawoff_synth::{FleetPlan, HomeData, HomeTruth, generate_home, truth_batches};
use drawoff_tank::water::Water;
use rayon::prelude::*;

use super::conditions::{ALL, QUICK, cadence_min};
use super::in_memory::{cylinder, home_rows, own_mapping};
use super::reading::{Against, PoorerHome, poorer_home, score_fleet};
use crate::exit::Failure;
use crate::progress;
use crate::synth::portions;

/// Homes of a quick look.
pub(crate) const QUICK_HOMES: u32 = 40;
/// From this many homes on, coverage itself is held against its band.
const STRICT_HOMES: u32 = 200;

/// What fleets to make.
pub(crate) struct Fleet {
    pub(crate) homes: u32,
    pub(crate) days: u32,
    pub(crate) seed: u64,
    pub(crate) half: Half,
    pub(crate) quick: bool,
}

/// Measures the conditions of one plan, and those that need another plan.
pub(crate) fn measure(fleet: &Fleet) -> Result<Vec<Accuracy>, Failure> {
    let plan = FleetPlan { seed: fleet.seed, homes: fleet.homes, days: fleet.days, ..FleetPlan::default() };
    let mut conditions = Vec::new();
    if fleet.quick {
        conditions.extend(of_plan(&plan, "", &QUICK, fleet.half)?);
    } else {
        conditions.extend(of_plan(&plan, "", &ALL, fleet.half)?);
        let every_minute = FleetPlan { cadence_min: 1, ..plan };
        conditions.extend(of_plan(&every_minute, "1 min", &[Degradation::None], fleet.half)?);
    }
    Ok(vec![Accuracy {
        title: "Invented fleets".to_owned(),
        origin: format!(
            "{} homes over {} days, seed {}, made by drawoff's own `synth`, whose cylinder is finer than the estimators' model and \
             shares no code with them; {} homes.",
            fleet.homes,
            fleet.days,
            fleet.seed,
            fleet.half.code()
        ),
        strict: fleet.homes >= STRICT_HOMES,
        conditions,
    }])
}

/// Makes a fleet once and reads it under several conditions; `name` stands for the fleet as exported, if not empty.
fn of_plan(
    plan: &FleetPlan,
    name: &str,
    degradations: &[Degradation],
    half: Half,
) -> Result<Vec<Condition>, Failure> {
    let started = Instant::now();
    let mapping = own_mapping().map_err(Failure::settings)?;
    let mut poorer: Vec<Vec<PoorerHome>> = degradations.iter().map(|_| Vec::new()).collect();
    let mut truths: Vec<HomeTruth> = Vec::new();
    for indices in portions(plan) {
        let made: Vec<(HomeTruth, Vec<PoorerHome>)> = indices
            .into_par_iter()
            .map(|index| {
                let HomeData { readings, register, truth, .. } = generate_home(plan, index)?;
                let own = cylinder(&register, &mapping)?;
                let rows = home_rows(&readings)?;
                let homes =
                    degradations.iter().map(|d| poorer_home(&rows, &own, *d, 1, Water::Iapws)).collect();
                Ok((truth, homes))
            })
            .collect::<Result<_, drawoff_contract::ContractError>>()?;
        for (truth, homes) in made {
            truths.push(truth);
            poorer.iter_mut().zip(homes).for_each(|(all, home)| all.push(home));
        }
        progress::note(&format!("{} of {} homes made and reduced", truths.len(), plan.homes));
    }
    progress::note(&format!("made and reduced in {:.1} s", started.elapsed().as_secs_f64()));
    let truth = truth_of(truths)?;
    let mut conditions = Vec::new();
    for (&degradation, homes) in degradations.iter().zip(poorer) {
        let started = Instant::now();
        let cut;
        let truth = if let Degradation::Days(days) = degradation {
            cut = truth.first_days(days);
            &cut
        } else {
            &truth
        };
        let cadence_min = cadence_min(degradation, plan.cadence_min);
        let held_out = degradation == Degradation::None;
        let against = Against { truth, half, water: Water::Iapws, cadence_min, degradation, held_out };
        let homes = score_fleet(homes, &against);
        let is_named = degradation == Degradation::None && !name.is_empty();
        let label = if is_named { name.to_owned() } else { degradation.label() };
        let seconds = started.elapsed().as_secs_f64();
        progress::note(&format!("invented, {label}: {} homes in {seconds:.1} s", homes.len()));
        conditions.push(Condition { label, probes: degradation.probes(), cadence_min, homes });
    }
    Ok(conditions)
}

/// Truth as it would be read from its tables; a table that scores do not need is passed over.
fn truth_of(truths: Vec<HomeTruth>) -> Result<Truth, Failure> {
    let tables = truth_batches(truths)?;
    let table = |name: &str| -> Vec<_> {
        tables.iter().filter(|(n, _)| *n == name).map(|(_, batch)| batch.clone()).collect()
    };
    let mut truth = Truth::from_batches(
        &table("truth_homes"),
        &table("truth_daily"),
        &table("truth_draws"),
        &table("truth_faults"),
    )?;
    let stored = table("truth_stored");
    if !stored.is_empty() {
        truth.add_stored(&stored)?;
    }
    Ok(truth)
}
