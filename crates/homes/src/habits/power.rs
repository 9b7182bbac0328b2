//! What a number of days can show of a change: how often one is found and how far its date is off, against false alarms.
//!
//! Days of real homes are drawn anew, weekdays from weekdays and weekends from weekends, so that nothing but the injected change
//! lasts. What chance does to days that follow each other in life is asked apart, of histories as they were.

use drawoff_contract::seed::seed;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::changes::{hour_cuts, hourly_days, level_cuts};
use super::trend::Trend;
use super::{HabitInput, histories};

/// Homes with fewer days than this, or of next to no use, are not drawn from.
const LEAST_DAYS: usize = 30;
/// Least mean of a day, kWh.
const LEAST_KWH: f64 = 1.0;

/// One question: so many days, changed from `at` on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Question {
    /// Length of the series, d.
    pub days: usize,
    /// First changed day.
    pub at: usize,
    /// Factor on the energies from then on; 1 for none.
    pub times: f64,
    /// Hours by which the draws move from then on.
    pub later_h: usize,
}

/// Answers over all homes and rounds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Answer {
    /// Series asked.
    pub asked: usize,
    /// Series with at least one change of level found; the nearest one counts.
    pub level_found: usize,
    /// Distance of the nearest change of level, d, where one was found.
    pub level_off_d: Vec<usize>,
    /// Series with at least one change of hours found.
    pub hours_found: usize,
    /// Distance of the nearest change of hours, d.
    pub hours_off_d: Vec<usize>,
}

/// Draws the days of each home anew `rounds` times and asks.
#[must_use]
pub fn change_power(homes: &[HabitInput<'_>], question: Question, rounds: usize) -> Answer {
    let names: Vec<&str> = homes.iter().map(|h| h.notes.cylinder.home.as_str()).collect();
    let all = histories(homes);
    let trend = Trend::of(&all);
    let of_home = |i: usize| -> Answer {
        let history = trend.applied(&all[i]);
        let mut pools: [Vec<[f64; 24]>; 2] = Default::default();
        for (day, hours) in hourly_days(&history) {
            let weekend = drawoff_contract::local::weekday(history.days[day].day) >= 5;
            pools[usize::from(weekend)].push(hours);
        }
        let known = pools.iter().map(Vec::len).sum::<usize>();
        let kwh = pools.iter().flatten().flatten().sum::<f64>() / known as f64;
        let mut answer = Answer::default();
        if known < LEAST_DAYS || pools.iter().any(Vec::is_empty) || kwh < LEAST_KWH {
            return answer;
        }
        let mut rng = ChaCha8Rng::seed_from_u64(seed(question.days as u64, names[i], "change power"));
        for _ in 0..rounds {
            let kinds: Vec<usize> = (0..question.days).map(|d| usize::from(d % 7 >= 5)).collect();
            let days: Vec<[f64; 24]> = (0..question.days)
                .map(|d| {
                    let pool = &pools[kinds[d]];
                    let drawn = pool[rng.random_range(0..pool.len())];
                    if d < question.at {
                        return drawn;
                    }
                    std::array::from_fn(|h| question.times * drawn[(h + 24 - question.later_h) % 24])
                })
                .collect();
            let energies: Vec<f64> = days.iter().map(|d| d.iter().sum()).collect();
            answer.asked += 1;
            let nearest =
                |cuts: Vec<super::segments::Cut>| cuts.iter().map(|c| c.at.abs_diff(question.at)).min();
            if let Some(off) = nearest(level_cuts(&energies, &kinds)) {
                answer.level_found += 1;
                answer.level_off_d.push(off);
            }
            if let Some(off) = nearest(hour_cuts(&days, &kinds)) {
                answer.hours_found += 1;
                answer.hours_off_d.push(off);
            }
        }
        answer
    };
    let found: Vec<Answer> = (0..homes.len()).into_par_iter().map(of_home).collect();
    found.into_iter().fold(Answer::default(), |mut sum, a| {
        sum.asked += a.asked;
        sum.level_found += a.level_found;
        sum.level_off_d.extend(a.level_off_d);
        sum.hours_found += a.hours_found;
        sum.hours_off_d.extend(a.hours_off_d);
        sum
    })
}
