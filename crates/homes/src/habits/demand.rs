//! Quantiles of the heat drawn in the next hours, from the home's own history, completed by its group and calibrated.
//!
//! Each (kind of day, hour, hours ahead) has a weighted sample: the home's own days of that kind, its other days for less, and
//! a little of its group's shape at the home's level. The levels at which the samples are read are then set so that days left
//! out of them are covered as often as they should be: split-conformal calibration of the distribution (Chernozhukov, Wüthrich
//! and Zhu, PNAS 118 (2021) e2107794118, from memory), by home, or by group where its days are few.

use drawoff_contract::Day;
use drawoff_contract::habit_tables::{DayType, HabitRow};

use super::history::History;
use super::sample::{Own, Sample, Weighing, samples_of_hour};
use super::shapes::{Shape, cell};

/// Hours ahead.
pub(crate) const AHEAD_H: [usize; 6] = [1, 2, 4, 8, 12, 24];
/// Levels of the quantiles.
pub const LEVELS: [f64; 4] = [0.5, 0.8, 0.9, 0.95];
/// A day so long ago counts half.
pub(crate) const HALF_LIFE_D: f64 = 42.0;
/// Days longer ago than this count for less than a twentieth and are left out.
const LONGEST_AGO_D: i32 = 180;
/// What a day of another kind counts, against one of the same kind.
const OTHER_KIND: f64 = 0.2;
/// What the group's shape counts for in each sample, as days.
const SHAPE_DAYS: f64 = 2.0;
/// Effective days at which a home's own calibration counts as much as its group's.
const CALIBRATION_DAYS: f64 = 20.0;
/// The pool's calibration goes by its last weeks: a day so long ago counts half.
const POOL_HALF_LIFE_D: f64 = 14.0;
/// A day is asked of days at least so far from it, because a forecast is asked for days that lie ahead of all that it knows:
/// people's weeks are like the weeks beside them. (Of short histories at least a sixth of the days apart; the least is two, as
/// the time ahead runs over midnight. Leaving out blocks: P. Burman, E. Chow and D. Nolan, Biometrika 81 (1994) 351-358, from memory.)
const APART_D: usize = 7;
/// Less than this is noise of the heat balance: such a quantile is not calibrated by, and reads as nothing drawn, kWh.
pub(crate) const LEAST_DEMAND_KWH: f64 = 0.05;

/// Amounts drawn ahead from one hour of one day.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Window {
    pub(crate) day: usize,
    pub(crate) kind: DayType,
    pub(crate) hour: usize,
    pub(crate) kwh: f64,
}

/// All times ahead of a length that a history holds whole.
pub(crate) fn windows(history: &History, ahead_h: usize) -> Vec<Window> {
    (0..history.hours.len())
        .filter_map(|first| {
            let at = history.hours[first];
            let kwh = history.drawn_ahead(first, ahead_h)?;
            Some(Window { day: at.day, kind: history.days[at.day].kind, hour: at.hour, kwh })
        })
        .collect()
}

/// Weight of each day by its age; 0 for days that do not count or are too old.
pub(crate) fn weights(history: &History) -> Vec<f64> {
    let last = history.days.last().map_or(0, |d| d.day.0);
    history
        .days
        .iter()
        .map(|d| {
            let ago = last - d.day.0;
            if d.counts && ago <= LONGEST_AGO_D { (-f64::from(ago) / HALF_LIFE_D).exp2() } else { 0.0 }
        })
        .collect()
}

/// Where a time ahead stands in a sample without its day.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Standing {
    /// Share of the sample below it.
    level: f64,
    day: Day,
    /// Weight by age, as in the samples.
    weight: f64,
}

/// Samples of one home and what is learnt of them.
#[derive(Clone, Debug)]
pub(crate) struct Demand {
    /// By hours ahead, then by kind of day and hour.
    samples: Vec<Vec<Sample>>,
    /// Where its own days stand, by hours ahead and level.
    standings: Vec<[Vec<Standing>; 4]>,
    /// Effective number of days.
    effective_days: f64,
}

impl Demand {
    /// Builds the samples of a home and asks each of its days where it stands among the others.
    pub(crate) fn new(history: &History, shape: &Shape, level_kwh: f64) -> Self {
        let weights = weights(history);
        let apart = (history.days.len() / 6).clamp(2, APART_D);
        let by = Weighing { other_kind: OTHER_KIND, apart, least_kwh: LEAST_DEMAND_KWH };
        let (mut samples, mut standings) = (Vec::new(), Vec::new());
        for (a, ahead_h) in AHEAD_H.into_iter().enumerate() {
            let mut by_hour: Vec<Vec<Own>> = vec![Vec::new(); 24];
            for w in windows(history, ahead_h).into_iter().filter(|w| weights[w.day] > 0.0) {
                by_hour[w.hour].push(Own { kwh: w.kwh, day: w.day, kind: w.kind, weight: weights[w.day] });
            }
            let mut of_ahead = vec![Sample::default(); DayType::ALL.len() * 24];
            let mut found: [Vec<Standing>; 4] = Default::default();
            for (hour, own) in by_hour.iter().enumerate() {
                let lent = DayType::ALL.map(|kind| shape.lent(a, cell(kind, hour), level_kwh, SHAPE_DAYS));
                let (of_hour, standing) = samples_of_hour(own, lent, by);
                for (kind, sample) in DayType::ALL.into_iter().zip(of_hour) {
                    of_ahead[cell(kind, hour)] = sample;
                }
                for (o, standing) in own.iter().zip(standing) {
                    let Some([level, idle]) = standing else { continue };
                    let standing = Standing { level, day: history.days[o.day].day, weight: o.weight };
                    // Whether a quantile is above nothing is asked of the other days too: the day asked must not bring itself in.
                    for (list, _) in found.iter_mut().zip(LEVELS).filter(|(_, l)| idle <= *l) {
                        list.push(standing);
                    }
                }
            }
            samples.push(of_ahead);
            standings.push(found);
        }
        let (sum, squares) = weights.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
        let effective_days = if squares > 0.0 { sum * sum / squares } else { 0.0 };
        Self { samples, standings, effective_days }
    }

    /// Calibrated quantiles of a kind of day, hour and number of hours ahead, kWh, by [`LEVELS`]; NaN without any sample.
    pub(crate) fn quantiles(&self, levels: &Levels, ahead: usize, cell: usize) -> [f64; 4] {
        let sample = &self.samples[ahead][cell];
        levels[ahead].map(|level| {
            let kwh = sample.quantile(level);
            if kwh < LEAST_DEMAND_KWH { 0.0 } else { kwh }
        })
    }

    /// Rows of the results; none for a home without any sample.
    pub(crate) fn rows(&self, home: &str, levels: &Levels) -> Vec<HabitRow> {
        let milli = |kwh: f64| (kwh * 1000.0).round() / 1000.0;
        let mut rows = Vec::new();
        for kind in DayType::ALL {
            for hour in 0..24 {
                let mut least = [0.0_f64; 4];
                for (a, ahead_h) in AHEAD_H.into_iter().enumerate() {
                    let found = self.quantiles(levels, a, cell(kind, hour));
                    if found[0].is_nan() {
                        continue;
                    }
                    // More time ahead never holds less, though samples of different lengths are not the same days.
                    least = std::array::from_fn(|l| least[l].max(found[l]));
                    rows.push(HabitRow {
                        home: home.to_owned(),
                        day_type: kind.code().to_owned(),
                        hour: hour as i64,
                        ahead_h: ahead_h as i64,
                        p50_kwh: milli(least[0]),
                        p80_kwh: milli(least[1]),
                        p90_kwh: milli(least[2]),
                        p95_kwh: milli(least[3]),
                    });
                }
            }
        }
        rows
    }
}

/// Levels at which samples are read, by hours ahead, so that [`LEVELS`] are met.
pub(crate) type Levels = Vec<[f64; 4]>;

/// Steps in which levels are told apart when many are weighed.
const LEVEL_STEPS: usize = 2000;

/// Weight of the standings of many days, by hours ahead, level and step: a fleet has millions, so they are summed and not listed.
#[derive(Clone, Debug)]
pub(crate) struct LevelSums {
    sums: Vec<[Vec<f64>; 4]>,
}

impl LevelSums {
    pub(crate) fn new() -> Self {
        Self { sums: vec![std::array::from_fn(|_| vec![0.0; LEVEL_STEPS + 1]); AHEAD_H.len()] }
    }

    fn add(&mut self, home: &Demand, weigh: impl Fn(&Standing) -> f64) {
        for (sums, standings) in self.sums.iter_mut().zip(&home.standings) {
            for (sums, of_level) in sums.iter_mut().zip(standings) {
                for s in of_level {
                    sums[(s.level * LEVEL_STEPS as f64).ceil() as usize] += weigh(s);
                }
            }
        }
    }

    /// Adds a home of a pool whose last day is `last`. A pool has homes enough to go by its last weeks, and so follows the season.
    pub(crate) fn add_pooled(&mut self, home: &Demand, last: Day) {
        self.add(home, |s| (-f64::from(last.0 - s.day.0) / POOL_HALF_LIFE_D).exp2());
    }

    /// Levels that cover the days as often as they should; the nominal ones without any day.
    pub(crate) fn levels(&self) -> Levels {
        let level = |sums: &[f64], nominal: f64| {
            let total: f64 = sums.iter().sum();
            let mut sum = 0.0;
            let reached = sums.iter().position(|w| {
                sum += w;
                sum >= nominal * total * (1.0 - 1e-12)
            });
            match reached {
                Some(step) if total > 0.0 => step as f64 / LEVEL_STEPS as f64,
                _ => nominal,
            }
        };
        self.sums.iter().map(|sums| rising(std::array::from_fn(|l| level(&sums[l], LEVELS[l])))).collect()
    }
}

/// Levels of one home: its own, drawn towards its pool's where its days are few.
pub(crate) fn home_levels(demand: &Demand, pool: &Levels) -> Levels {
    let mut own = LevelSums::new();
    own.add(demand, |s| s.weight);
    let share = demand.effective_days / (demand.effective_days + CALIBRATION_DAYS);
    own.levels()
        .iter()
        .zip(pool)
        .map(|(own, pool)| rising(std::array::from_fn(|l| share * own[l] + (1.0 - share) * pool[l])))
        .collect()
}

fn rising(mut levels: [f64; 4]) -> [f64; 4] {
    for l in 1..levels.len() {
        levels[l] = levels[l].max(levels[l - 1]);
    }
    levels
}
