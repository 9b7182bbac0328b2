//! A home's draws by hour of weekday, Saturday and Sunday, for grouping homes, and what is shown of the groups.

use drawoff_contract::habit_tables::{DayType, GroupRow};

use super::history::History;
use crate::groups::{Groups, habit_groups};
use crate::robust::quantile;

/// Days of its own kind at which an hour's mean counts as much as that of all days: a month has four Saturdays.
const OTHER_KINDS_DAYS: f64 = 6.0;
/// Weight of the hours either side: the draws of a shape lie within half an hour of where a month shows them (design choice).
const NEXT_HOUR: f64 = 0.15;

/// Mean heat drawn in each hour of a weekday, a Saturday and a Sunday, 72 figures, kWh; NaN in hours never seen on any day.
///
/// Days away do not count. An hour of few days of its kind is drawn towards that hour on all days.
pub(crate) fn pattern(history: &History) -> Vec<f32> {
    let mut sums = [[(0.0, 0.0); 24]; 3];
    let counted = |h: &&super::history::HistoryHour| !h.energy_kwh.is_nan() && history.days[h.day].counts;
    for hour in history.hours.iter().filter(counted) {
        let sum = &mut sums[history.days[hour.day].kind as usize][hour.hour];
        *sum = (sum.0 + hour.energy_kwh, sum.1 + 1.0);
    }
    let all: [f64; 24] = std::array::from_fn(|h| {
        let (kwh, days) = sums.iter().fold((0.0, 0.0), |a, kind| (a.0 + kind[h].0, a.1 + kind[h].1));
        kwh / days
    });
    sums.iter()
        .flat_map(|of_kind| {
            let mean: [f64; 24] = std::array::from_fn(|h| {
                ((of_kind[h].0 + OTHER_KINDS_DAYS * all[h]) / (of_kind[h].1 + OTHER_KINDS_DAYS)).max(0.0)
            });
            (0..24).map(move |h| {
                // The larger of NaN and 0 is 0: an hour never seen stays unseen, and so do those beside it.
                let beside = all[(h + 23) % 24] + all[h] + all[(h + 1) % 24];
                let smooth = (1.0 - 2.0 * NEXT_HOUR) * mean[h]
                    + NEXT_HOUR * (mean[(h + 23) % 24] + mean[(h + 1) % 24]);
                if beside.is_nan() { f32::NAN } else { smooth as f32 }
            })
        })
        .collect()
}

/// Groups of the homes of a fleet by the shape of their day.
pub(crate) fn groups(histories: &[History], seed: u64) -> (Vec<Vec<f32>>, Groups) {
    let patterns: Vec<Vec<f32>> = histories.iter().map(pattern).collect();
    let groups = habit_groups(&patterns, seed);
    (patterns, groups)
}

/// What is shown of a group beside its members.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Medoid {
    home: String,
    /// Shares of the day by hour, for a weekday, a Saturday and a Sunday.
    shares: [Vec<f32>; 3],
}

impl Medoid {
    pub(crate) fn new(home: &str, pattern: &[f32]) -> Self {
        let share = |kind: DayType| -> Vec<f32> {
            let of_kind = &pattern[kind as usize * 24..][..24];
            let total: f32 = of_kind.iter().sum();
            of_kind.iter().map(|v| v / total).collect()
        };
        Self { home: home.to_owned(), shares: DayType::ALL.map(share) }
    }
}

/// What is shown of each group, from the group and the mean day of each home, kWh.
pub(crate) fn group_rows(groups: &Groups, medoids: &[Medoid], homes: &[(Option<i64>, f64)]) -> Vec<GroupRow> {
    let row = |(place, medoid): (usize, &Medoid)| {
        let number = place as i64 + 1;
        let levels: Vec<f64> = homes.iter().filter(|h| h.0 == Some(number)).map(|h| h.1).collect();
        let [weekday, saturday, sunday] = medoid.shares.clone();
        GroupRow {
            group: number,
            homes: levels.len() as i64,
            medoid_home: medoid.home.clone(),
            stability: groups.stability,
            verdict: groups.verdict.to_owned(),
            energy_kwh_per_day_p25: quantile(&levels, 0.25),
            energy_kwh_per_day_p50: quantile(&levels, 0.5),
            energy_kwh_per_day_p75: quantile(&levels, 0.75),
            weekday_by_hour: weekday,
            saturday_by_hour: saturday,
            sunday_by_hour: sunday,
        }
    };
    medoids.iter().enumerate().map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::super::history::made_up::{Household, history};
    use super::*;

    #[test]
    fn the_pattern_is_that_of_the_kind_of_day_and_of_days_at_home() {
        let mut h = history(Household { peak_draws: 1.5, draw_kwh: 0.5 }, 84, 1);
        let found = pattern(&h);
        assert_eq!(found.len(), 72);
        // The morning is two hours later at the weekend.
        assert!(found[7] > 2.0 * found[10] && found[24 + 10] > 1.5 * found[24 + 6], "{found:?}");
        for day in 20..40 {
            h.days[day].counts = false;
            h.hours[day * 24..(day + 1) * 24].iter_mut().for_each(|x| x.energy_kwh = 0.0);
        }
        let again = pattern(&h);
        assert!(f64::from((again[7] / found[7] - 1.0).abs()) < 0.25, "{} {}", again[7], found[7]);
    }

    #[test]
    fn an_hour_never_seen_is_unknown() {
        let mut h = history(Household { peak_draws: 1.5, draw_kwh: 0.5 }, 14, 1);
        h.hours.iter_mut().filter(|x| x.hour == 3).for_each(|x| x.energy_kwh = f64::NAN);
        let found = pattern(&h);
        assert!(found[3].is_nan() && found[24 + 3].is_nan() && !found[12].is_nan());
    }
}
