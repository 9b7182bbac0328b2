//! The fleet's level of use over time: season and holidays move all homes together, and the next days go on as the last weeks did.

use std::collections::BTreeMap;

use drawoff_contract::Day;

use super::history::History;

/// Days over which the level is smoothed: whole weeks, so that no kind of day counts more.
const SMOOTH_D: usize = 14;
/// Whole weeks that show whether the level rises or falls.
const SLOPE_D: usize = 28;
/// The level is told for so many days after the last one: the middle of a fortnight until the next run.
const AHEAD_D: f64 = 7.0;
/// Spread of the weekly growth of a fleet's level that is believed beforehand (design choice): the feed cools or warms by a few
/// kelvin in a month, and people draw with it.
const GROWTH_A_WEEK: f64 = 0.02;
/// Fewer homes than this show their own chances, not the season.
const LEAST_HOMES: usize = 20;

/// Factor by day that brings the use of that day to the fleet's level of the days to come.
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
        // The last window lies half its length before the end.
        let ahead_d = SMOOTH_D as f64 / 2.0 + AHEAD_D;
        let coming = level(days.len() - 1) * (growth_a_day(&days) * ahead_d).exp();
        let factor = |i: usize| coming / level(i);
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

/// Growth a day of the logarithm of the level over the last weeks, by least squares through whole weeks, drawn towards none.
fn growth_a_day(days: &[(Day, (f64, f64))]) -> f64 {
    let last = &days[days.len().saturating_sub(SLOPE_D)..];
    let weeks: Vec<f64> = last
        .chunks_exact(7)
        .map(|week| {
            let (drawn, usual) = week.iter().fold((0.0, 0.0), |a, (_, s)| (a.0 + s.0, a.1 + s.1));
            (drawn / usual).ln()
        })
        .filter(|v| v.is_finite())
        .collect();
    let n = weeks.len() as f64;
    if weeks.len() < 3 {
        return 0.0;
    }
    let middle = (n - 1.0) / 2.0;
    let squares: f64 = (0..weeks.len()).map(|i| (i as f64 - middle).powi(2)).sum();
    let slope = weeks.iter().enumerate().map(|(i, v)| (i as f64 - middle) * v).sum::<f64>() / squares;
    let mean = weeks.iter().sum::<f64>() / n;
    let about: f64 =
        weeks.iter().enumerate().map(|(i, v)| (v - mean - slope * (i as f64 - middle)).powi(2)).sum();
    let error = about / (n - 2.0) / squares;
    let believed = GROWTH_A_WEEK * GROWTH_A_WEEK;
    slope * believed / (believed + error) / 7.0
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
        // The last fortnight is at 1 + 0.5 * 76.5 / 83, a week after its end the homes are at 1 + 0.5 * 90 / 83.
        let growth = (1.0 + 0.5 * 90.0 / 83.0) / (1.0 + 0.5 * 76.5 / 83.0);
        let found = last / levels(&homes, 70..84);
        assert!((found / growth - 1.0).abs() < 0.03, "{found} {growth}");
    }

    #[test]
    fn chance_is_no_growth() {
        let homes: Vec<History> =
            (0..60).map(|seed| history(Household { peak_draws: 1.5, draw_kwh: 0.5 }, 84, seed)).collect();
        let found = Trend::of(&homes).applied(&homes[0]).days[83].energy_kwh / homes[0].days[83].energy_kwh;
        assert!((found - 1.0).abs() < 0.04, "{found}");
    }

    #[test]
    fn a_few_homes_show_no_season() {
        let homes = growing(5);
        assert_eq!(Trend::of(&homes).applied(&homes[0]), homes[0]);
    }
}
