//! The way of the data: readings of each home to daybook, daybook to homes, homes to findings.

use drawoff_contract::results::{FindingRow, HomeRow};
use drawoff_contract::{Cylinder, Fault, HomeRows, Outcome};
use drawoff_daybook::{Machine, Notes, Setup};
use drawoff_faults::probes::{Probes, sound_probes};
use drawoff_faults::{Context, assess};
use drawoff_homes::classes::read_classes;
use drawoff_homes::habits::{HabitInput, Habits, read_empty_days, read_habits};
use drawoff_homes::shrink::report_fleet;
use drawoff_homes::{FleetPriors, HomeNotes, HomeReading, read_home};
use drawoff_tank::water::Water;
use rayon::prelude::*;

/// The daybook of a home, or what the register lacks for one.
pub(crate) struct HomeDaybook<'a> {
    pub(crate) cylinder: &'a Cylinder,
    pub(crate) notes: Result<Notes, &'static str>,
}

/// Reduces the rows of one home; `files` is the number of input files that they may come from.
pub(crate) fn reduce(
    cylinder: &Cylinder,
    rows: &HomeRows,
    files: usize,
    water: Water,
) -> Result<Notes, &'static str> {
    let setup = Setup::new(cylinder, drawoff_daybook::Settings { water })?;
    let mut machine = Machine::new(setup, files);
    machine.push(rows);
    Ok(machine.finish())
}

/// Everything after the daybook.
pub(crate) struct Assessed {
    pub(crate) readings: Vec<HomeReading>,
    pub(crate) homes: Vec<HomeRow>,
    pub(crate) findings: Vec<FindingRow>,
    pub(crate) habits: Habits,
}

/// What to work out beside the homes themselves.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wanted {
    pub(crate) faults: bool,
    /// All habits; otherwise empty days only, which take a small part of the time.
    pub(crate) habits: bool,
}

/// Reads and assesses every home from its daybook; probabilities are not calibrated yet.
pub(crate) fn assess_fleet(daybooks: &[HomeDaybook<'_>], water: Water, seed: u64) -> Assessed {
    read_fleet(daybooks, water, seed, Wanted { faults: true, habits: true })
}

/// What a daybook holds, or nothing where there is none.
fn notes_of<'a>(daybook: &'a HomeDaybook<'_>, empty: &'a Notes) -> HomeNotes<'a> {
    let n = daybook.notes.as_ref().unwrap_or(empty);
    HomeNotes { cylinder: daybook.cylinder, days: &n.days, spells: &n.spells, draws: &n.draws }
}

/// What the homes of a fleet tell each other.
pub(crate) fn priors(daybooks: &[HomeDaybook<'_>]) -> FleetPriors {
    let empty = Notes::default();
    FleetPriors::new(&daybooks.iter().map(|d| notes_of(d, &empty)).collect::<Vec<_>>())
}

/// Reads one home and, if wanted, assesses its faults.
pub(crate) fn read_one(
    daybook: &HomeDaybook<'_>,
    priors: &FleetPriors,
    settings: drawoff_homes::Settings,
    faults: bool,
) -> (HomeReading, Vec<FindingRow>) {
    let empty = Notes::default();
    let n = notes_of(daybook, &empty);
    let cold = priors.fleet_cold_feed(n.days);
    let probes = n.cylinder.probe_heights.len();
    let sound = sound_probes(Probes { days: n.days, probes, cold_degc: &cold });
    let reading = read_home(n, priors, &sound, settings);
    let findings = match &daybook.notes {
        _ if !faults => Vec::new(),
        Ok(notes) if !notes.days.is_empty() => {
            let ctx = Context {
                cylinder: n.cylinder,
                days: n.days,
                spells: n.spells,
                draws: n.draws,
                reading: &reading,
            };
            assess(&ctx).iter().map(|a| a.row(&n.cylinder.home)).collect()
        }
        Ok(_) => unassessed(&n.cylinder.home, Outcome::TooLittleData, "readings"),
        Err(missing) => unassessed(&n.cylinder.home, Outcome::NotAssessed, missing),
    };
    (reading, findings)
}

/// Reads every home from its daybook; what is not wanted is empty.
pub(crate) fn read_fleet(daybooks: &[HomeDaybook<'_>], water: Water, seed: u64, wanted: Wanted) -> Assessed {
    let empty = Notes::default();
    let notes: Vec<HomeNotes<'_>> = daybooks.iter().map(|d| notes_of(d, &empty)).collect();
    let priors = FleetPriors::new(&notes);
    let settings = drawoff_homes::Settings { water, seed };
    let mut results: Vec<(HomeReading, Vec<FindingRow>)> =
        daybooks.par_iter().map(|d| read_one(d, &priors, settings, wanted.faults)).collect();
    report_fleet(results.iter_mut().map(|(r, _)| r).zip(notes.iter().map(|n| n.cylinder)));
    let inputs: Vec<HabitInput<'_>> = notes
        .iter()
        .zip(&results)
        .map(|(notes, (reading, _))| HabitInput { notes: *notes, reading })
        .collect();
    let habits = if wanted.habits {
        read_habits(&inputs, seed)
    } else {
        Habits {
            vacancy: read_empty_days(&inputs),
            group_of_home: vec![None; inputs.len()],
            ..Habits::default()
        }
    };
    let readings: Vec<(HomeNotes<'_>, &HomeReading)> = inputs.iter().map(|i| (i.notes, i.reading)).collect();
    let classes = read_classes(&readings, water);
    let groups = habits.group_of_home.clone();
    let mut out = Assessed { readings: Vec::new(), homes: Vec::new(), findings: Vec::new(), habits };
    for (((mut reading, findings), group), classes) in results.into_iter().zip(groups).zip(classes) {
        classes.write(&mut reading);
        out.homes.push(HomeRow { habit_group: group, ..reading.row.clone() });
        out.findings.extend(findings);
        out.readings.push(reading);
    }
    out
}

/// A home of which nothing can be said, for one reason.
fn unassessed(home: &str, outcome: Outcome, missing: &str) -> Vec<FindingRow> {
    Fault::ALL
        .iter()
        .map(|fault| FindingRow {
            home: home.to_owned(),
            fault: fault.code().to_owned(),
            outcome: outcome.code().to_owned(),
            probability: None,
            onset: None,
            effect: None,
            statistic: String::new(),
            margin: None,
            evidence_days: 0,
            energy_kwh_per_year: None,
            energy_kwh_per_year_p05: None,
            energy_kwh_per_year_p95: None,
            evidence_for: String::new(),
            evidence_against: String::new(),
            missing: missing.to_owned(),
            folded_under: String::new(),
        })
        .collect()
}
