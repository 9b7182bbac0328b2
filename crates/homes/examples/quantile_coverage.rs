//! How often held-out demand stays within its quantiles, for finished runs.
//!
//! `cargo run -p drawoff-homes --example quantile_coverage -- RUN MAPPING REGISTER [RUN MAPPING REGISTER ...]`, where RUN is the
//! output folder of `drawoff run`, and mapping and register are those of its pipeline. Runs are pooled in the last table.

use std::path::{Path, PathBuf};

use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::results::HomeRow;
use drawoff_contract::{ContractError, Cylinder, Table};
use drawoff_homes::habits::coverage::{AheadCoverage, held_out, shares};
use drawoff_homes::habits::{HabitInput, LEVELS};
use drawoff_homes::{FleetPriors, HomeNotes, HomeReading, Settings, read_home};
use drawoff_store::output::read_table;
use drawoff_store::{register, settings::read_mapping};
use drawoff_tank::water::Water;

const READ: [&str; 2] = ["read once", "read anew each week"];

fn table<T: Table>(run: &Path) -> Result<Vec<T>, ContractError> {
    read_table(&run.join(format!("{}.parquet", T::NAME)))
}

/// The rows of one home; tables are in order of homes.
fn of_home<'a, T>(rows: &'a [T], home: &str, name: impl Fn(&T) -> &str) -> &'a [T] {
    let from = rows.partition_point(|r| name(r) < home);
    let to = rows.partition_point(|r| name(r) <= home);
    &rows[from..to]
}

/// Coverage with quantiles read once, and read anew each week.
fn coverage(
    run: &Path,
    mapping: &Path,
    cylinders: &Path,
) -> Result<[Vec<AheadCoverage>; 2], Vec<ContractError>> {
    let mapping = read_mapping(mapping)?;
    let cylinders = register::read(cylinders, &mapping).map_err(|e| vec![e])?.0;
    let read = || -> Result<_, ContractError> {
        Ok((
            table::<DayNote>(run)?,
            table::<SpellNote>(run)?,
            table::<DrawNote>(run)?,
            table::<HomeRow>(run)?,
        ))
    };
    let (days, spells, draws, rows) = read().map_err(|e| vec![e])?;
    let of_cylinder = |c: &Cylinder| of_home(&days, &c.home, |d| &d.home).to_vec();
    let noted: Vec<(&Cylinder, Vec<DayNote>)> =
        cylinders.values().map(|c| (c, of_cylinder(c))).filter(|(_, days)| !days.is_empty()).collect();
    let notes: Vec<HomeNotes<'_>> = noted
        .iter()
        .map(|(cylinder, days)| HomeNotes {
            cylinder,
            days,
            spells: of_home(&spells, &cylinder.home, |s| &s.home),
            draws: of_home(&draws, &cylinder.home, |d| &d.home),
        })
        .collect();
    let priors = FleetPriors::new(&notes);
    let settings = Settings { water: Water::Iapws, seed: 1 };
    let readings: Vec<HomeReading> = notes
        .iter()
        .map(|n| read_home(*n, &priors, &vec![true; n.cylinder.probe_heights.len()], settings))
        .collect();
    let inputs: Vec<HabitInput<'_>> = notes
        .iter()
        .zip(&readings)
        .map(|(n, reading)| HabitInput {
            notes: *n,
            reading,
            group: of_home(&rows, &n.cylinder.home, |r| &r.home).first().and_then(|r| r.habit_group),
        })
        .collect();
    Ok([held_out(&inputs, None), held_out(&inputs, Some(7))])
}

#[expect(clippy::print_stdout, reason = "an example prints its result")]
fn print(title: &str, table: &[AheadCoverage]) {
    println!("{title}: share of held-out times within the quantile, per cent");
    println!(
        "  hours   where a quantile is above nothing   always                          homes within +-5 points"
    );
    for row in table {
        let percents = |counts| shares(counts).map(|s| format!("{:7.1}", 100.0 * s)).concat();
        let near: String = (0..LEVELS.len())
            .map(|l| {
                let homes = &row.of_homes[l];
                let within = homes.iter().filter(|s| (**s - LEVELS[l]).abs() <= 0.05).count();
                format!("{:7.0}", 100.0 * within as f64 / homes.len() as f64)
            })
            .collect();
        println!(
            "  {:>5}   {}        {}    {near}",
            row.ahead_h,
            percents(&row.of_demand),
            percents(&row.of_all)
        );
    }
}

fn pool(mut all: Vec<AheadCoverage>, more: Vec<AheadCoverage>) -> Vec<AheadCoverage> {
    if all.is_empty() {
        return more;
    }
    for (a, b) in all.iter_mut().zip(more) {
        for l in 0..LEVELS.len() {
            for (sum, part) in [(&mut a.of_demand[l], b.of_demand[l]), (&mut a.of_all[l], b.of_all[l])] {
                *sum = (sum.0 + part.0, sum.1 + part.1);
            }
            a.of_homes[l].extend(&b.of_homes[l]);
        }
    }
    all
}

#[expect(clippy::print_stderr, reason = "an example says what it cannot read")]
fn main() {
    let paths: Vec<PathBuf> = std::env::args_os().skip(1).map(PathBuf::from).collect();
    let mut all = [Vec::new(), Vec::new()];
    for run in paths.chunks_exact(3) {
        match coverage(&run[0], &run[1], &run[2]) {
            Ok(found) => {
                for ((how, sum), part) in READ.into_iter().zip(&mut all).zip(found) {
                    print(&format!("{}, {how}", run[0].display()), &part);
                    *sum = pool(std::mem::take(sum), part);
                }
            }
            Err(problems) => problems.iter().for_each(|p| eprintln!("{p}")),
        }
    }
    for (how, sum) in READ.into_iter().zip(&all) {
        print(&format!("all, {how}"), sum);
    }
}
