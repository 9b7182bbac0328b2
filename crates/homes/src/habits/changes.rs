//! Days on which a home's use changed for good: how much it draws, or at which hours.
//!
//! What the search can show, measured by `power` on days of homes drawn anew, the change in the middle (odd half of the reference
//! homes; `synth` homes in brackets). Days of one home scatter by 45 % of their mean, and more is not in them.
//!
//! | level | found in 60 d | found in 120 d | within 3 d of those found |
//! |---|---|---|---|
//! | as it was | 4 % (5 %) | 3 % (3 %) | |
//! | x 1.3 | 52 % (38 %) | 77 % (58 %) | 60 to 66 % |
//! | x 0.7 | 77 % (59 %) | 93 % (79 %) | 71 to 77 % |
//! | x 1.6 | 90 % (74 %) | 99 % (93 %) | 79 to 86 % |
//!
//! Draws that all come two hours later are found in 60 d at 30 % (33 %) of homes, in 120 d at 49 % (46 %).

use drawoff_contract::habit_tables::{ChangeRow, DayType, HourChangeRow};

use super::history::{History, HistoryDay};
use super::segments::{Cut, LEAST_DAYS, cuts, normal_scores};

/// Penalty of a change of level, in logarithms of the number of days: chance alone brings such a change at fewer than 5 homes in
/// 100, of 60 days or of 120 (`power`).
const LEVEL_PENALTY_LOGS: f64 = 2.2;
/// What is added for a change of hours, which has four figures a day to change.
const HOURS_PENALTY_MORE: f64 = 12.0;
/// Homes that draw less than this a day have no level that could change, kWh.
const LEAST_LEVEL_KWH: f64 = 0.3;
/// Changes smaller than this share of the level are of no use to anybody.
const LEAST_CHANGE: f64 = 0.15;
/// First hours of the parts of a day whose shares are watched: night, morning, day, evening.
const PARTS: [usize; 4] = [0, 6, 11, 17];
/// Changes of hours that move less than this share of the day's heat are of no use to anybody.
const LEAST_MOVED: f64 = 0.1;

/// Weekdays, or Saturdays and Sundays: days that are ranked together.
fn kind(day: &HistoryDay) -> usize {
    usize::from(day.kind != DayType::Weekday)
}

fn penalty(days: usize) -> f64 {
    LEVEL_PENALTY_LOGS * (days.max(1) as f64).ln()
}

/// Changes of level in a series of days with the energies of each, kWh.
pub(crate) fn level_cuts(energies: &[f64], kinds: &[usize]) -> Vec<Cut> {
    let drawn: Vec<f64> = energies.iter().map(|e| e.max(0.0)).collect();
    cuts(&[normal_scores(&drawn, kinds)], penalty(kinds.len()))
}

/// Changes of level of one home, oldest first. Days away and days not seen are left out of the series.
///
/// `level` is the same history with the fleet's season taken out: what all homes do is no change of one. Means are those of the
/// history as it was. A leak that begins or a heater that fails shows as a change too: the energy cannot tell.
pub(crate) fn read_changes(home: &str, history: &History, level: &History) -> Vec<ChangeRow> {
    let known = |d: &&HistoryDay| d.counts && !d.energy_kwh.is_nan();
    let days: Vec<_> = history.days.iter().filter(known).collect();
    let n = days.len();
    let energies: Vec<f64> = level.days.iter().filter(known).map(|d| d.energy_kwh).collect();
    if n < 2 * LEAST_DAYS || energies.iter().sum::<f64>() < LEAST_LEVEL_KWH * n as f64 {
        return Vec::new();
    }
    let kinds: Vec<usize> = days.iter().map(|d| kind(d)).collect();
    let found = level_cuts(&energies, &kinds);
    let as_drawn: Vec<f64> = days.iter().map(|d| d.energy_kwh).collect();
    let mean = |of: &[f64], from: usize, to: usize| of[from..to].iter().sum::<f64>() / (to - from) as f64;
    between(&found, n)
        .filter_map(|(cut, [from, at, to])| {
            let (was, is) = (mean(&energies, from, at), mean(&energies, at, to));
            let row = ChangeRow {
                home: home.to_owned(),
                day: days[at].day,
                before: mean(&as_drawn, from, at),
                after: mean(&as_drawn, at, to),
                score: cut.score,
            };
            ((is - was).abs() >= LEAST_CHANGE * is.max(was)).then_some(row)
        })
        .collect()
}

/// Each cut with the edges before, at and after it.
fn between(found: &[Cut], n: usize) -> impl Iterator<Item = (Cut, [usize; 3])> {
    (0..found.len()).map(move |i| {
        let from = if i == 0 { 0 } else { found[i - 1].at };
        let to = found.get(i + 1).map_or(n, |c| c.at);
        (found[i], [from, found[i].at, to])
    })
}

/// Heat drawn by hour on each day that counts, was seen whole and drew anything, with the index of the day.
pub(crate) fn hourly_days(history: &History) -> Vec<(usize, [f64; 24])> {
    let mut sums = vec![([0.0; 24], 0_u32); history.days.len()];
    for hour in history.hours.iter().filter(|h| !h.energy_kwh.is_nan()) {
        let (of_day, seen) = &mut sums[hour.day];
        of_day[hour.hour] += hour.energy_kwh.max(0.0);
        *seen += 1;
    }
    let drawn = |(i, (of_day, seen)): (usize, &([f64; 24], u32))| {
        let whole = history.days[i].counts && *seen >= 23;
        (whole && of_day.iter().sum::<f64>() >= LEAST_LEVEL_KWH).then_some((i, *of_day))
    };
    sums.iter().enumerate().filter_map(drawn).collect()
}

/// Changes of hours in a series of days with the heat drawn in each hour.
pub(crate) fn hour_cuts(days: &[[f64; 24]], kinds: &[usize]) -> Vec<Cut> {
    let shares: Vec<Vec<f64>> = (0..PARTS.len())
        .map(|p| {
            let to = PARTS.get(p + 1).copied().unwrap_or(24);
            let share = |d: &[f64; 24]| d[PARTS[p]..to].iter().sum::<f64>() / d.iter().sum::<f64>();
            normal_scores(&days.iter().map(share).collect::<Vec<_>>(), kinds)
        })
        .collect();
    cuts(&shares, penalty(kinds.len()) + HOURS_PENALTY_MORE)
}

/// Changes of hours of one home, oldest first. Days away, days not seen whole and days without draws are left out.
pub(crate) fn read_hour_changes(home: &str, history: &History) -> Vec<HourChangeRow> {
    let (places, days): (Vec<usize>, Vec<[f64; 24]>) = hourly_days(history).into_iter().unzip();
    let kinds: Vec<usize> = places.iter().map(|&i| kind(&history.days[i])).collect();
    let shape = |from: usize, to: usize| -> Vec<f32> {
        let total: f64 = days[from..to].iter().flatten().sum();
        (0..24).map(|h| (days[from..to].iter().map(|d| d[h]).sum::<f64>() / total) as f32).collect()
    };
    between(&hour_cuts(&days, &kinds), days.len())
        .filter_map(|(cut, [from, at, to])| {
            let (before, after) = (shape(from, at), shape(at, to));
            let moved: f32 = before.iter().zip(&after).map(|(a, b)| (b - a).max(0.0)).sum();
            let row = HourChangeRow {
                home: home.to_owned(),
                day: history.days[places[at]].day,
                before_by_hour: before,
                after_by_hour: after,
                score: cut.score,
            };
            (f64::from(moved) >= LEAST_MOVED).then_some(row)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::history::made_up::{Household, history};
    use super::*;

    /// Use falls or rises to a multiple from a day on.
    fn changed(days: usize, at: usize, times: f64, seed: u64) -> History {
        let mut h = history(Household { peak_draws: 1.2, draw_kwh: 0.5 }, days, seed);
        for day in &mut h.days[at..] {
            day.energy_kwh *= times;
        }
        h
    }

    fn changes(history: &History) -> Vec<ChangeRow> {
        read_changes("a", history, history)
    }

    #[test]
    fn a_doubling_is_found_with_its_date() {
        let (mut near, mut alone) = (0, 0);
        for seed in 0..40 {
            let h = changed(90, 40, 2.0, seed);
            let found = changes(&h);
            assert!(!found.is_empty(), "seed {seed}");
            // Chance adds a second change at a few homes of a hundred.
            alone += usize::from(found.len() == 1);
            assert!(found[0].score > 1.0 && found[0].after > 1.5 * found[0].before);
            near += usize::from((found[0].day.0 - h.days[40].day.0).abs() <= 3);
        }
        // The days of these homes scatter by half their mean, so that a few days at the edge fit either side.
        assert!(alone >= 37, "{alone} of 40 with one change");
        assert!(near >= 34, "{near} of 40 dated within three days");
    }

    #[test]
    fn no_change_is_taken_for_one_at_most_in_five_homes_of_a_hundred() {
        for days in [60, 120] {
            let homes: Vec<History> = (0..300).map(|seed| changed(days, 30, 1.0, seed)).collect();
            let level = homes.iter().filter(|h| !changes(h).is_empty()).count();
            let hours = homes.iter().filter(|h| !read_hour_changes("a", h).is_empty()).count();
            assert!(level <= 15 && hours <= 15, "{level} and {hours} of 300 homes of {days} days");
        }
    }

    #[test]
    fn the_search_does_not_see_the_unit() {
        let h = changed(90, 40, 1.8, 7);
        let mut larger = h.clone();
        larger.days.iter_mut().for_each(|d| d.energy_kwh *= 3.0);
        let days = |h: &History| changes(h).iter().map(|c| c.day).collect::<Vec<_>>();
        assert!(!days(&h).is_empty());
        assert_eq!(days(&h), days(&larger));
    }

    #[test]
    fn two_changes_are_parted() {
        let mut h = changed(120, 40, 2.2, 3);
        for day in &mut h.days[80..] {
            day.energy_kwh /= 2.2;
        }
        let found = changes(&h);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found[0].after > found[0].before && found[1].after < found[1].before);
    }

    #[test]
    fn days_away_and_single_odd_days_are_no_change() {
        let mut h = changed(60, 30, 1.0, 4);
        for day in &mut h.days[30..50] {
            (day.energy_kwh, day.counts) = (0.0, false);
        }
        h.days[10].energy_kwh = 60.0;
        h.days[12].energy_kwh = f64::NAN;
        assert!(changes(&h).is_empty());
    }

    #[test]
    fn other_hours_are_found_and_the_same_hours_at_another_level_are_not() {
        let mut h = history(Household { peak_draws: 1.2, draw_kwh: 0.5 }, 80, 6);
        let mut late = h.clone();
        for hour in late.hours.iter_mut().filter(|x| x.day >= 45) {
            hour.hour = (hour.hour + 5) % 24;
        }
        let found = read_hour_changes("a", &late);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].day.0 - late.days[45].day.0).abs() <= 3);
        assert!((found[0].before_by_hour.iter().sum::<f32>() - 1.0).abs() < 1e-3);
        for hour in h.hours.iter_mut().filter(|x| x.day >= 45) {
            hour.energy_kwh *= 2.0;
        }
        assert!(read_hour_changes("a", &h).is_empty());
    }

    #[test]
    fn too_few_days_or_no_use_give_none() {
        assert!(changes(&changed(27, 13, 3.0, 1)).is_empty());
        assert!(changes(&changed(60, 30, 0.0, 1)).len() <= 1);
        assert!(changes(&History::default()).is_empty());
    }
}
