//! One fleet under one condition: daybooks in, a score of every home out.

use std::collections::BTreeMap;

use drawoff_contract::habit_tables::{HabitRow, VacancyRow};
use drawoff_contract::{Channel, Cylinder, Day, FaultClass, HomeRows};
use drawoff_daybook::Notes;
use drawoff_score::{Degradation, Half, HomeRead, HomeScore, Truth, quantiles, score_home};
use drawoff_tank::water::Water;

use crate::replay::until;
use crate::stages::{self, HomeDaybook, Wanted};

/// Seed of the run, as a pipeline has it unless it says otherwise.
const RUN_SEED: u64 = 1;
/// Share of the days that quantiles of demand are read from; they are asked of the rest.
const READ_SHARE: (usize, usize) = (2, 3);

/// One home as it comes out of the poorer export.
pub(crate) struct PoorerHome {
    pub(crate) cylinder: Cylinder,
    pub(crate) notes: Result<Notes, &'static str>,
    pub(crate) room_measured: bool,
}

/// Makes a home's export poorer and reduces it.
pub(crate) fn poorer_home(
    rows: &HomeRows,
    cylinder: &Cylinder,
    degradation: Degradation,
    files: usize,
    water: Water,
) -> PoorerHome {
    let made;
    let rows = if degradation.changes_rows() {
        made = degradation.rows(rows, cylinder);
        &made
    } else {
        rows
    };
    let cylinder = degradation.cylinder(cylinder);
    let notes = stages::reduce(&cylinder, rows, files, water);
    PoorerHome { notes, room_measured: measured(rows), cylinder }
}

/// Whether the surroundings are known at half of the rows or more.
fn measured(rows: &HomeRows) -> bool {
    let known = (0..rows.len()).filter(|&i| !rows.at(Channel::Surroundings, i).is_nan()).count();
    known > 0 && 2 * known >= rows.len()
}

/// What a condition is scored against, and on which homes.
pub(crate) struct Against<'a> {
    pub(crate) truth: &'a Truth,
    pub(crate) half: Half,
    pub(crate) water: Water,
    pub(crate) cadence_min: u32,
    pub(crate) degradation: Degradation,
    /// Whether days are held out to ask quantiles of demand, which reads the fleet once more.
    pub(crate) held_out: bool,
}

/// Reads a fleet and scores every home that truth knows, in the order of their identifiers.
pub(crate) fn score_fleet(homes: Vec<PoorerHome>, against: &Against<'_>) -> Vec<HomeScore> {
    let room: BTreeMap<String, bool> =
        homes.iter().map(|h| (h.cylinder.home.clone(), h.room_measured)).collect();
    let (cylinders, notes): (Vec<Cylinder>, Vec<_>) =
        homes.into_iter().map(|h| (h.cylinder, h.notes)).unzip();
    let daybooks: Vec<HomeDaybook<'_>> =
        cylinders.iter().zip(notes).map(|(cylinder, notes)| HomeDaybook { cylinder, notes }).collect();
    let wanted = Wanted { faults: false, habits: false };
    let read = stages::read_fleet(&daybooks, against.water, RUN_SEED, wanted);
    let mut vacancy: BTreeMap<&str, Vec<&VacancyRow>> = BTreeMap::new();
    read.habits.vacancy.iter().for_each(|row| vacancy.entry(&row.home).or_default().push(row));
    let mut scores = Vec::new();
    for (daybook, reading) in daybooks.iter().zip(&read.readings) {
        let cylinder = daybook.cylinder;
        let probes = cylinder.probe_heights.len();
        let wrong_count = against.degradation.probes().is_some_and(|n| n != probes);
        let Some(truth) = against.truth.homes.get(&cylinder.home) else { continue };
        if wrong_count || !against.half.contains(&cylinder.home) {
            continue;
        }
        let none = Notes::default();
        let home = HomeRead {
            home: &reading.row,
            days: &reading.days.rows,
            draw_offs: &reading.days.draws,
            vacancy: vacancy.get(cylinder.home.as_str()).map_or(&[], Vec::as_slice),
            notes: &daybook.notes.as_ref().unwrap_or(&none).days,
            volume_l: cylinder.volume_l,
            zone: cylinder.zone,
            probes,
            room_measured: room.get(&cylinder.home).copied().unwrap_or(false),
            interval_ms: i64::from(against.cadence_min) * 60_000,
        };
        scores.push(score_home(&home, truth));
    }
    if against.held_out {
        ask_quantiles(&daybooks, against, &mut scores);
    }
    scores
}

/// Reads the fleet from the first part of its days and asks the rest.
fn ask_quantiles(daybooks: &[HomeDaybook<'_>], against: &Against<'_>, scores: &mut [HomeScore]) {
    let mut rest: BTreeMap<&str, Vec<Day>> = BTreeMap::new();
    let first: Vec<HomeDaybook<'_>> = daybooks
        .iter()
        .map(|d| {
            let notes = d.notes.as_ref().map_err(|missing| *missing).map(|notes| {
                let cut = notes.days.len() * READ_SHARE.0 / READ_SHARE.1;
                // The last day of an export is seldom whole.
                let asked = notes.days[cut..].iter().map(|n| n.day);
                let last = notes.days.last().map(|n| n.day);
                rest.insert(&d.cylinder.home, asked.filter(|day| Some(*day) != last).collect());
                until(notes, cut)
            });
            HomeDaybook { cylinder: d.cylinder, notes }
        })
        .collect();
    let wanted = Wanted { faults: false, habits: true };
    let read = stages::read_fleet(&first, against.water, RUN_SEED, wanted);
    let mut demand: BTreeMap<&str, Vec<&HabitRow>> = BTreeMap::new();
    read.habits.demand.iter().for_each(|row| demand.entry(&row.home).or_default().push(row));
    for score in scores {
        let (Some(truth), Some(days)) = (against.truth.homes.get(&score.home), rest.get(score.home.as_str()))
        else {
            continue;
        };
        let zone = first.iter().find(|d| d.cylinder.home == score.home).map(|d| d.cylinder.zone);
        if let Some(zone) = zone.filter(|_| !truth.has(FaultClass::Equipment)) {
            let rows = demand.get(score.home.as_str()).map_or(&[] as &[&HabitRow], Vec::as_slice);
            score.quantiles = Some(quantiles::within(rows, days, truth, zone));
        }
    }
}
