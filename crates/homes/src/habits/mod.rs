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

use self::demand::{Demand, LevelSums, Levels, home_levels};
use self::history::History;
use self::shapes::Shape;
use self::trend::Trend;
use crate::groups::Groups;
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

/// What the habits of one home are read from: small against its daybook.
#[derive(Clone, Debug)]
pub struct HomeUse {
    home: String,
    seen: Vec<vacancy::DayUse>,
    /// With all days counting.
    history: History,
}

impl HomeUse {
    /// Takes what is needed from a home's daybook and reading.
    #[must_use]
    pub fn new(input: HabitInput<'_>) -> Self {
        Self {
            home: input.notes.cylinder.home.clone(),
            seen: vacancy::days_seen(input.notes, input.reading),
            history: History::new(input.notes, input.reading),
        }
    }

    /// Empty days, and the history without days away.
    fn at_home(&self, fleet: day_evidence::FleetDays) -> (Vec<VacancyRow>, History) {
        let days: Vec<Day> = self.history.days.iter().map(|d| d.day).collect();
        let vacancy = vacancy::read_vacancy(&self.home, &days, &self.seen, fleet);
        let history = self.history.at_home(&vacancy);
        (vacancy, history)
    }
}

/// Homes of a fleet from which its habits are learnt are at most so many: enough for shapes, groups and levels, and few enough for memory.
pub const MOST_LEARNT_FROM: usize = 300;

/// Indices of the homes that a fleet is learnt from: all of a small one, else evenly taken.
#[must_use]
pub fn learnt_from(homes: usize) -> Vec<usize> {
    (0..homes).step_by(homes.div_ceil(MOST_LEARNT_FROM).max(1)).collect()
}

/// How empty days look over a fleet.
#[derive(Clone, Copy, Debug)]
pub struct FleetEmptyDays(day_evidence::FleetDays);

impl FleetEmptyDays {
    /// Learns from some homes.
    #[must_use]
    pub fn learn(homes: &[&HomeUse]) -> Self {
        let seen: Vec<Vec<vacancy::DayUse>> = homes.iter().map(|h| h.seen.clone()).collect();
        Self(day_evidence::FleetDays::new(&seen))
    }

    /// Empty days of one home.
    #[must_use]
    pub fn of_home(&self, home: &HomeUse) -> Vec<VacancyRow> {
        home.at_home(self.0).0
    }
}

/// What a fleet tells of habits.
#[derive(Clone, Debug)]
pub struct FleetHabits {
    empty: FleetEmptyDays,
    groups: Groups,
    medoids: Vec<patterns::Medoid>,
    rates: rates::FleetRates,
    demand: FleetDemand,
}

/// Habits of one home.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HomeHabits {
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
    /// Group of the home; `None` where an hour of the day was never seen.
    pub group: Option<i64>,
    /// Mean heat drawn on a day that counts, kWh; NaN of none.
    pub mean_day_kwh: f64,
}

impl FleetHabits {
    /// Learns from some homes (see [`learnt_from`]); the same `seed` gives the same groups.
    #[must_use]
    pub fn learn(homes: &[&HomeUse], seed: u64) -> Self {
        let empty = FleetEmptyDays::learn(homes);
        let histories: Vec<History> = homes.par_iter().map(|h| h.at_home(empty.0).1).collect();
        let (patterns, groups) = patterns::groups(&histories, seed);
        let medoid = |&i: &usize| patterns::Medoid::new(&homes[i].home, &patterns[i]);
        let sums: Vec<rates::Sums> = histories.par_iter().map(rates::Sums::new).collect();
        Self {
            empty,
            medoids: groups.medoids.iter().map(medoid).collect(),
            rates: rates::FleetRates::of(&sums),
            demand: FleetDemand::learn(&histories, &groups.of_home),
            groups,
        }
    }

    /// Habits of one home, whether the fleet was learnt from it or not.
    #[must_use]
    pub fn of_home(&self, home: &HomeUse) -> HomeHabits {
        let (vacancy, history) = home.at_home(self.empty.0);
        let name = &home.home;
        let group = self.groups.group_of(&patterns::pattern(&history));
        let (demand, levels) = self.demand.of_home(&history, group);
        HomeHabits {
            vacancy,
            rates: self.rates.rows(name, &rates::Sums::new(&history)),
            demand: demand.rows(name, &levels),
            changes: changes::read_changes(name, &history, &self.demand.trend.applied(&history)),
            hour_changes: changes::read_hour_changes(name, &history),
            group,
            mean_day_kwh: history.mean_day_kwh(),
        }
    }

    /// What is shown of each group, from the group and the mean day (kWh) of each home.
    #[must_use]
    pub fn group_rows(&self, homes: &[(Option<i64>, f64)]) -> Vec<GroupRow> {
        patterns::group_rows(&self.groups, &self.medoids, homes)
    }
}

/// Reads the habits of a fleet. A home without a day that was seen has rows in `vacancy` only, all unknown.
///
/// The same `seed` gives the same groups.
#[must_use]
pub fn read_habits(homes: &[HabitInput<'_>], seed: u64) -> Habits {
    let uses: Vec<HomeUse> = homes.par_iter().map(|h| HomeUse::new(*h)).collect();
    let fleet =
        FleetHabits::learn(&learnt_from(uses.len()).into_iter().map(|i| &uses[i]).collect::<Vec<_>>(), seed);
    let of_homes: Vec<HomeHabits> = uses.par_iter().map(|u| fleet.of_home(u)).collect();
    let mut out = Habits {
        groups: fleet.group_rows(&of_homes.iter().map(|h| (h.group, h.mean_day_kwh)).collect::<Vec<_>>()),
        ..Habits::default()
    };
    for home in of_homes {
        out.vacancy.extend(home.vacancy);
        out.rates.extend(home.rates);
        out.demand.extend(home.demand);
        out.changes.extend(home.changes);
        out.hour_changes.extend(home.hour_changes);
        out.group_of_home.push(home.group);
    }
    out
}

/// Hourly history of each home, without days away.
fn histories(homes: &[HabitInput<'_>]) -> Vec<History> {
    let uses: Vec<HomeUse> = homes.par_iter().map(|h| HomeUse::new(*h)).collect();
    let empty = FleetEmptyDays::learn(&uses.iter().collect::<Vec<_>>());
    uses.par_iter().map(|u| u.at_home(empty.0).1).collect()
}

/// How the homes of a fleet draw ahead, by pool of homes of a like shape.
#[derive(Clone, Debug)]
struct FleetDemand {
    trend: Trend,
    fleet_mean_kwh: f64,
    /// By group; `None` is the whole fleet, for homes of small groups or of none.
    pools: BTreeMap<Option<i64>, (Shape, Levels)>,
}

/// Homes whose samples are in memory at one time.
const DEMAND_AT_ONCE: usize = 16;

impl FleetDemand {
    fn learn(histories: &[History], groups: &[Option<i64>]) -> Self {
        let trend = Trend::of(histories);
        let histories: Vec<History> = histories.par_iter().map(|h| trend.applied(h)).collect();
        let own: Vec<f64> = histories.iter().map(History::mean_day_kwh).collect();
        let known: Vec<f64> = own.iter().copied().filter(|v| !v.is_nan()).collect();
        let fleet_mean_kwh = known.iter().sum::<f64>() / known.len() as f64;
        let mut sizes: BTreeMap<i64, usize> = BTreeMap::new();
        groups.iter().flatten().for_each(|g| *sizes.entry(*g).or_default() += 1);
        let all: Vec<usize> = (0..histories.len()).collect();
        let mut members: BTreeMap<Option<i64>, Vec<usize>> = BTreeMap::from([(None, all.clone())]);
        for i in all {
            if let Some(group) = groups[i].filter(|g| sizes[g] >= LEAST_GROUP) {
                members.entry(Some(group)).or_default().push(i);
            }
        }
        let shape = |members: &[usize]| {
            Shape::of(&members.iter().map(|&i| (&histories[i], own[i])).collect::<Vec<_>>())
        };
        let pools = members.iter().map(|(pool, of)| (*pool, (shape(of), Levels::new()))).collect();
        let mut fleet = Self { trend, fleet_mean_kwh, pools };
        let last_day = |of: &[usize]| of.iter().flat_map(|&i| &histories[i].days).map(|d| d.day).max();
        let mut sums: BTreeMap<Option<i64>, (LevelSums, Day)> = members
            .iter()
            .map(|(pool, of)| (*pool, (LevelSums::new(), last_day(of).unwrap_or_default())))
            .collect();
        for (first, chunk) in histories.chunks(DEMAND_AT_ONCE).enumerate() {
            let demands: Vec<Demand> = chunk
                .par_iter()
                .enumerate()
                .map(|(k, history)| fleet.samples(history, groups[first * DEMAND_AT_ONCE + k]))
                .collect();
            for (k, demand) in demands.iter().enumerate() {
                let pool = fleet.pool_of(groups[first * DEMAND_AT_ONCE + k]);
                for of in [None, pool].into_iter().take(1 + usize::from(pool.is_some())) {
                    if let Some((sums, last)) = sums.get_mut(&of) {
                        sums.add_pooled(demand, *last);
                    }
                }
            }
        }
        for (pool, (sums, _)) in sums {
            if let Some((_, levels)) = fleet.pools.get_mut(&pool) {
                *levels = sums.levels();
            }
        }
        fleet
    }

    fn pool_of(&self, group: Option<i64>) -> Option<i64> {
        group.filter(|g| self.pools.contains_key(&Some(*g)))
    }

    /// Samples of a home whose history is already at the fleet's present level.
    fn samples(&self, at_level: &History, group: Option<i64>) -> Demand {
        let own = at_level.mean_day_kwh();
        let n = at_level.days.iter().filter(|d| d.counts && !d.energy_kwh.is_nan()).count() as f64;
        let level_kwh =
            if n > 0.0 { (n * own + LEVEL_DAYS * self.fleet_mean_kwh) / (n + LEVEL_DAYS) } else { f64::NAN };
        Demand::new(at_level, &self.pools[&self.pool_of(group)].0, level_kwh)
    }

    /// Samples of a home, and the calibrated levels to read them at.
    fn of_home(&self, history: &History, group: Option<i64>) -> (Demand, Levels) {
        let demand = self.samples(&self.trend.applied(history), group);
        let levels = home_levels(&demand, &self.pools[&self.pool_of(group)].1);
        (demand, levels)
    }
}
