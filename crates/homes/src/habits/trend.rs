//! The fleet's level of use over time: season and holidays move all homes together, and the next day is like the last weeks.

use std::collections::BTreeMap;

use drawoff_contract::Day;

use super::history::History;

/// Days over which the level is smoothed: whole weeks, so that no kind of day counts more.
const SMOOTH_D: usize = 14;
/// Fewer homes than this show their own chances, not the season.
const LEAST_HOMES: usize = 20;

/// Factor by day that brings the use of that day to the fleet's level of its last weeks.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Trend(BTreeMap<Day, f64>);

impl Trend {
    /// Compares each day's use with what the homes seen that day use on their mean day. No trend of a small fleet.
    pub(crate) fn of(histories: &[History]) -> Self {
        let mut sums: BTreeMap<Day, (f64, f64)> = BTreeMap::new();
        let mut homes = 0;
        for history in histories {
            let mean = history.mean_day_kwh();
            if mean.is_nan() {
                continue;
            }
            homes += 1;
            for day in history.days.iter().filter(|d| d.counts && !d.energy_kwh.is_nan()) {
                let sum = sums.entry(day.day).or_default();
                *sum = (sum.0 + day.energy_kwh, sum.1 + mean);
            }
        }
        if homes < LEAST_HOMES || sums.len() < 2 * SMOOTH_D {
            return Self::default();
        }
        let days: Vec<(Day, (f64, f64))> = sums.into_iter().collect();
        let level = |i: usize| {
            // Whole windows only: those of the first and last days are not centred.
            let from = i.saturating_sub(SMOOTH_D / 2).min(days.len() - SMOOTH_D);
            let around = &days[from..from + SMOOTH_D];
            let (drawn, usual) = around.iter().fold((0.0, 0.0), |a, (_, s)| (a.0 + s.0, a.1 + s.1));
            drawn / usual
        };
        let last = level(days.len() - 1);
        let factor = |i: usize| last / level(i);
        Self((0..days.len()).map(|i| (days[i].0, factor(i))).filter(|(_, f)| f.is_finite()).collect())
    }

    /// A history as it would be at the fleet's present level.
    pub(crate) fn applied(&self, history: &History) -> History {
        let mut out = history.clone();
        let factors: Vec<f64> = out.days.iter().map(|d| self.0.get(&d.day).copied().unwrap_or(1.0)).collect();
        for (day, factor) in out.days.iter_mut().zip(&factors) {
            day.energy_kwh *= factor;
        }
        for hour in &mut out.hours {
            hour.energy_kwh *= factors[hour.day];
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::super::history::made_up::{Household, history};
    use super::*;

    /// Homes whose use grows by a half from the first day to the last.
    fn growing(homes: u64) -> Vec<History> {
        (0..homes)
            .map(|seed| {
                let mut h = history(Household { peak_draws: 1.5, draw_kwh: 0.5 }, 84, seed);
                for day in &mut h.days {
                    day.energy_kwh *= 1.0 + 0.5 * f64::from(day.day.0 - 20_000) / 83.0;
                }
                h
            })
            .collect()
    }

    #[test]
    fn a_season_is_taken_out() {
        let homes = growing(40);
        let trend = Trend::of(&homes);
        let mean = |days: &[super::super::history::HistoryDay]| {
            days.iter().map(|d| d.energy_kwh).sum::<f64>() / days.len() as f64
        };
        let levels = |h: &[History], days: std::ops::Range<usize>| {
            h.iter().map(|h| mean(&h.days[days.clone()])).sum::<f64>() / h.len() as f64
        };
        let flat: Vec<History> = homes.iter().map(|h| trend.applied(h)).collect();
        let (first, last) = (levels(&flat, 0..14), levels(&flat, 70..84));
        assert!((first / last - 1.0).abs() < 0.05, "{first} {last}");
        assert!((last / levels(&homes, 70..84) - 1.0).abs() < 0.02, "the last weeks stay as they are");
    }

    #[test]
    fn a_few_homes_show_no_season() {
        let homes = growing(5);
        assert_eq!(Trend::of(&homes).applied(&homes[0]), homes[0]);
    }
}
