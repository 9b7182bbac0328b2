//! Invented fleets: made in memory a portion at a time, reduced to daybooks under every condition, and thrown away.

use std::time::Instant;

use drawoff_contract::ContractError;
use drawoff_score::{Accuracy, Condition, Degradation, Half, Truth};
use drawoff_synth::{FleetPlan, HomeData, HomeTruth, generate_home, truth_batches, truth_stored_batch};
use drawoff_tank::water::Water;
use rayon::prelude::*;

use super::conditions::{Made, Only, cadence_min, with_elements, with_other_sources};
use super::in_memory::{cylinder, home_rows, own_mapping};
use super::reading::{Against, PoorerHome, poorer_home, score_fleet};
use crate::exit::Failure;
use crate::progress;
use crate::synth::portions;

/// Homes of a quick look.
pub(crate) const QUICK_HOMES: u32 = 40;
/// From this many homes on, coverage itself is held against its band.
const STRICT_HOMES: u32 = 200;

/// Measures the fleets that elements heat, and those that something else heats. A section of which nothing is asked is left out.
pub(crate) fn measure(
    plan: &FleetPlan,
    half: Half,
    quick: bool,
    only: Only<'_>,
) -> Result<Vec<Accuracy>, Failure> {
    plan.check().map_err(Failure::settings)?;
    let section = |title: &str, of_what: &str, fleets: Vec<Made>| -> Result<Accuracy, Failure> {
        let mut conditions = Vec::new();
        for made in &only.of_made(fleets) {
            conditions.extend(measure_fleet(made, half)?);
        }
        Ok(Accuracy {
            title: title.to_owned(),
            origin: format!(
                "{} homes over {} days, seed {}, {of_what}. Made by drawoff's own `synth`, whose cylinder is finer than the \
                 estimators' model and shares no code with them; {} homes.",
                plan.homes,
                plan.days,
                plan.seed,
                half.code()
            ),
            strict: plan.homes >= STRICT_HOMES,
            conditions,
        })
    };
    let elements =
        "2 to 8 probes unless a row says otherwise, heated by elements (one in seven by a surplus diverter)";
    let mut sections = vec![section("Invented fleets", elements, with_elements(plan, quick))?];
    if !quick {
        let others = "2 to 8 probes, a fleet for each source of heat";
        sections.push(section("Invented fleets, other sources of heat", others, with_other_sources(plan))?);
    }
    sections.retain(|s| !s.conditions.is_empty());
    Ok(sections)
}

/// Makes a fleet once and reads it under its conditions.
fn measure_fleet(made: &Made, half: Half) -> Result<Vec<Condition>, Failure> {
    let started = Instant::now();
    let (plan, degradations) = (&made.plan, &made.degradations);
    let mapping = own_mapping().map_err(Failure::settings)?;
    let mut poorer: Vec<Vec<PoorerHome>> = degradations.iter().map(|_| Vec::new()).collect();
    let mut truth = Truth::default();
    for indices in portions(plan) {
        let homes: Vec<(HomeTruth, Vec<PoorerHome>)> = indices
            .into_par_iter()
            .map(|index| {
                let HomeData { readings, register, truth, .. } = generate_home(plan, index)?;
                let own = cylinder(&register, &mapping)?;
                let rows = home_rows(&readings)?;
                let homes =
                    degradations.iter().map(|d| poorer_home(&rows, &own, *d, 1, Water::Iapws)).collect();
                Ok((truth, homes))
            })
            .collect::<Result<_, ContractError>>()?;
        let (truths, homes): (Vec<HomeTruth>, Vec<Vec<PoorerHome>>) = homes.into_iter().unzip();
        truth.homes.extend(truth_of(truths)?.homes);
        for of_home in homes {
            poorer.iter_mut().zip(of_home).for_each(|(all, home)| all.push(home));
        }
        let (name, done) = (made.name, truth.homes.len());
        progress::note(&format!("invented, {name}: {done} of {} homes made and reduced", plan.homes));
    }
    let mut conditions = Vec::new();
    for (&degradation, homes) in degradations.iter().zip(poorer) {
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
        let as_made = degradation == Degradation::None;
        conditions.push(Condition {
            label: made.label(degradation),
            probes: if as_made { plan.probes.map(usize::from) } else { degradation.probes() },
            cadence_min,
            heating: made.heating,
            homes,
        });
    }
    let seconds = started.elapsed().as_secs_f64();
    progress::note(&format!("invented, {}: {} conditions in {seconds:.1} s", made.name, conditions.len()));
    Ok(conditions)
}

/// Truth as it would be read from its tables.
fn truth_of(truths: Vec<HomeTruth>) -> Result<Truth, Failure> {
    let (_, stored) = truth_stored_batch(&truths)?;
    let mut truth = truth_without_stored(truths)?;
    truth.add_stored(&[stored])?;
    Ok(truth)
}

/// The same without stored water at every half-hour, which takes much room.
pub(crate) fn truth_without_stored(truths: Vec<HomeTruth>) -> Result<Truth, Failure> {
    let tables = truth_batches(truths)?;
    let table = |name: &str| -> Vec<_> {
        tables.iter().filter(|(n, _)| *n == name).map(|(_, batch)| batch.clone()).collect()
    };
    Ok(Truth::from_batches(
        &table("truth_homes"),
        &table("truth_daily"),
        &table("truth_draws"),
        &table("truth_faults"),
    )?)
}
