//! Finished runs with their truth.

use std::path::Path;

use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::{ContractError, Cylinder, Table};
use drawoff_homes::{FleetPriors, HomeNotes, HomeReading, Settings, read_home};
use drawoff_score::Truth;
use drawoff_store::output::{read_batches, read_table};
use drawoff_store::{register, settings::read_mapping};
use drawoff_tank::water::Water;

/// Daybooks of a run and the truth of its fleet.
pub(crate) struct Loaded {
    cylinders: Vec<Cylinder>,
    days: Vec<DayNote>,
    spells: Vec<SpellNote>,
    draws: Vec<DrawNote>,
    pub(crate) truth: Truth,
}

/// Reads a run, its mapping, its register and its truth folder.
pub(crate) fn load(paths: &[String]) -> Result<Loaded, Vec<ContractError>> {
    let [run, mapping, cylinders, truth] = [0, 1, 2, 3].map(|i| Path::new(&paths[i]));
    let mapping = read_mapping(mapping)?;
    let cylinders = register::read(cylinders, &mapping).map_err(|e| vec![e])?.0.into_values().collect();
    let read = || -> Result<Loaded, ContractError> {
        let truth = |name: &str| read_batches(&truth.join(format!("truth_{name}.parquet")));
        Ok(Loaded {
            cylinders,
            days: table(run)?,
            spells: table(run)?,
            draws: table(run)?,
            truth: Truth::from_batches(
                &truth("homes")?,
                &truth("daily")?,
                &truth("draws")?,
                &truth("faults")?,
            )?,
        })
    };
    read().map_err(|e| vec![e])
}

fn table<T: Table>(run: &Path) -> Result<Vec<T>, ContractError> {
    read_table(&run.join(format!("{}.parquet", T::NAME)))
}

/// The rows of one home; tables are in order of homes.
fn of_home<'a, T>(rows: &'a [T], home: &str, name: impl Fn(&T) -> &str) -> &'a [T] {
    let from = rows.partition_point(|r| name(r) < home);
    let to = rows.partition_point(|r| name(r) <= home);
    &rows[from..to]
}

impl Loaded {
    pub(crate) fn notes(&self) -> Vec<HomeNotes<'_>> {
        self.cylinders
            .iter()
            .map(|cylinder| HomeNotes {
                cylinder,
                days: of_home(&self.days, &cylinder.home, |d| &d.home),
                spells: of_home(&self.spells, &cylinder.home, |s| &s.home),
                draws: of_home(&self.draws, &cylinder.home, |d| &d.home),
            })
            .filter(|n| !n.days.is_empty())
            .collect()
    }

    pub(crate) fn readings(&self, notes: &[HomeNotes<'_>]) -> Vec<HomeReading> {
        let priors = FleetPriors::new(notes);
        let settings = Settings { water: Water::Iapws, seed: 1 };
        let read =
            |n: &HomeNotes<'_>| read_home(*n, &priors, &vec![true; n.cylinder.probe_heights.len()], settings);
        notes.iter().map(read).collect()
    }
}
