//! Habits: which days a home stands empty, how it draws through the day, how much it may draw, and when that changed.

mod changes;
pub mod coverage;
mod day_evidence;
mod demand;
mod history;
mod patterns;
pub mod power;
mod rates;
pub mod rivals;
mod sample;
mod segments;
mod semi_markov;
mod shapes;
mod trend;
mod vacancy;
#[cfg(test)]
mod whole_homes;

use std::collections::BTreeMap;

use drawoff_contract::Day;
use drawoff_contract::habit_tables::{ChangeRow, GroupRow, HabitRow, HourChangeRow, RateRow, VacancyRow};
use rayon::prelude::*;

use self::demand::{Demand, Levels, home_levels, pooled_levels};
use self::history::History;
use self::shapes::Shape;
use self::trend::Trend;
use crate::reading::{HomeNotes, HomeReading};

pub use self::demand::LEVELS;

/// Groups smaller than this are read by the whole fleet's shape.
const LEAST_GROUP: usize = 8;
/// A home's mean day counts against this many of its fleet's.
const LEVEL_DAYS: f64 = 1.0;

/// What is known of one home before its habits are read.
#[derive(Clone, Copy, Debug)]
pub struct HabitInput<'a> {
    /// Its daybook.
    pub notes: HomeNotes<'a>,
    /// Its reading.
    pub reading: &'a HomeReading,
}

/// The tables of habits, homes in the order given.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Habits {
    /// Empty days.
    pub vacancy: Vec<VacancyRow>,
    /// Rates by hour.
    pub rates: Vec<RateRow>,
    /// Quantiles of demand.
    pub demand: Vec<HabitRow>,
    /// Changes of level.
    pub changes: Vec<ChangeRow>,
    /// Changes of hours.
    pub hour_changes: Vec<HourChangeRow>,
    /// Groups of homes with a like shape of day.
    pub groups: Vec<GroupRow>,
    /// Group of each home, in the order given; `None` where an hour of the day was never seen.
    pub group_of_home: Vec<Option<i64>>,
}

/// Reads the habits of a fleet. A home without a day that was seen has rows in `vacancy` only, all unknown.
///
/// The same `seed` gives the same groups.
#[must_use]
pub fn read_habits(homes: &[HabitInput<'_>], seed: u64) -> Habits {
    let (vacancy, histories) = histories(homes);
    let names: Vec<&str> = homes.iter().map(|h| h.notes.cylinder.home.as_str()).collect();
    let (patterns, groups) = patterns::groups(&histories, seed);
    let sums: Vec<(&str, rates::Sums)> =
        names.iter().copied().zip(histories.par_iter().map(rates::Sums::new).collect::<Vec<_>>()).collect();
    let fleet = FleetDemand::new(&histories, &groups.of_home);
    let demand: Vec<Vec<HabitRow>> =
        (0..homes.len()).into_par_iter().map(|i| fleet.homes[i].rows(names[i], &fleet.levels[i])).collect();
    let trend = Trend::of(&histories);
    let changes: Vec<(Vec<ChangeRow>, Vec<HourChangeRow>)> = (0..homes.len())
        .into_par_iter()
        .map(|i| {
            let level = changes::read_changes(names[i], &histories[i], &trend.applied(&histories[i]));
            (level, changes::read_hour_changes(names[i], &histories[i]))
        })
        .collect();
    let (changes, hour_changes): (Vec<_>, Vec<_>) = changes.into_iter().unzip();
    Habits {
        vacancy: vacancy.into_iter().flatten().collect(),
        rates: rates::rate_rows(&sums),
        demand: demand.into_iter().flatten().collect(),
        changes: changes.into_iter().flatten().collect(),
        hour_changes: hour_changes.into_iter().flatten().collect(),
        groups: patterns::group_rows(&names, &histories, &patterns, &groups),
        group_of_home: groups.of_home,
    }
}

/// Empty days and hourly history of each home.
fn histories(homes: &[HabitInput<'_>]) -> (Vec<Vec<VacancyRow>>, Vec<History>) {
    let seen: Vec<Vec<vacancy::DayUse>> =
        homes.par_iter().map(|h| vacancy::days_seen(h.notes, h.reading)).collect();
    let fleet = day_evidence::FleetDays::new(&seen);
    homes
        .par_iter()
        .zip(&seen)
        .map(|(h, seen)| {
            let days: Vec<Day> = h.notes.days.iter().map(|d| d.day).collect();
            let vacancy = vacancy::read_vacancy(&h.notes.cylinder.home, &days, seen, fleet);
            let history = History::new(h.notes, h.reading, &vacancy);
            (vacancy, history)
        })
        .unzip()
}

/// Reads the empty days of a fleet and nothing else, which takes a small part of the time; the same rows as [`read_habits`].
#[must_use]
pub fn read_empty_days(homes: &[HabitInput<'_>]) -> Vec<VacancyRow> {
    histories(homes).0.into_iter().flatten().collect()
}

/// Samples and calibrated levels of every home of a fleet.
struct FleetDemand {
    homes: Vec<Demand>,
    levels: Vec<Levels>,
}

impl FleetDemand {
    fn new(histories: &[History], groups: &[Option<i64>]) -> Self {
        let trend = Trend::of(histories);
        let histories: Vec<History> = histories.par_iter().map(|h| trend.applied(h)).collect();
        let own: Vec<f64> = histories.iter().map(History::mean_day_kwh).collect();
        let known: Vec<f64> = own.iter().copied().filter(|v| !v.is_nan()).collect();
        let fleet_mean = known.iter().sum::<f64>() / known.len() as f64;
        let seen_days =
            |h: &History| h.days.iter().filter(|d| d.counts && !d.energy_kwh.is_nan()).count() as f64;
        let levels_kwh: Vec<f64> = histories
            .iter()
            .zip(&own)
            .map(|(h, own)| {
                let n = seen_days(h);
                if n > 0.0 { (n * own + LEVEL_DAYS * fleet_mean) / (n + LEVEL_DAYS) } else { f64::NAN }
            })
            .collect();
        // Homes of small groups, or of none, are pooled with the whole fleet.
        let mut sizes: BTreeMap<i64, usize> = BTreeMap::new();
        groups.iter().flatten().for_each(|g| *sizes.entry(*g).or_default() += 1);
        let pool_of = |group: Option<i64>| group.filter(|g| sizes[g] >= LEAST_GROUP);
        let all: Vec<usize> = (0..histories.len()).collect();
        let mut pools: BTreeMap<Option<i64>, Vec<usize>> = BTreeMap::from([(None, all.clone())]);
        for i in all {
            if let Some(group) = pool_of(groups[i]) {
                pools.entry(Some(group)).or_default().push(i);
            }
        }
        let shapes: BTreeMap<Option<i64>, Shape> = pools
            .iter()
            .map(|(pool, members)| {
                let of: Vec<(&History, f64)> = members.iter().map(|&i| (&histories[i], own[i])).collect();
                (*pool, Shape::of(&of))
            })
            .collect();
        let homes: Vec<Demand> = (0..histories.len())
            .into_par_iter()
            .map(|i| Demand::new(&histories[i], &shapes[&pool_of(groups[i])], levels_kwh[i]))
            .collect();
        let pooled: BTreeMap<Option<i64>, Levels> = pools
            .iter()
            .map(|(pool, members)| {
                (*pool, pooled_levels(&members.iter().map(|&i| &homes[i]).collect::<Vec<_>>()))
            })
            .collect();
        let levels =
            homes.iter().zip(groups).map(|(d, group)| home_levels(d, &pooled[&pool_of(*group)])).collect();
        Self { homes, levels }
    }
}
