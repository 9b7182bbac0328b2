//! Litres and heat a day against truth: each home's mean over the period, and its single days.

use std::collections::BTreeMap;

use drawoff_contract::results::{DayRow, DrawOffRow, HomeRow};
use drawoff_contract::{Day, FaultClass};

use crate::errors::RelativeErrors;
use crate::truth::{TruthDay, TruthHome, utc_day};

/// Homes that truly draw less than this a day are counted apart: a relative error means nothing there.
pub const NEARLY_EMPTY_LITRES_PER_DAY: f64 = 1.0;

const MS_PER_DAY: i64 = 86_400_000;

/// Errors of litres or of kWh.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Amount {
    /// The home's mean day.
    pub home_mean: RelativeErrors,
    /// Mean absolute error of UTC days over the home's mean day, one a home; draw-offs are summed into UTC days.
    pub utc_days: Vec<f64>,
    /// The same from the day table, over local days that are UTC days and have a value, one a home.
    pub local_days: Vec<f64>,
}

impl Amount {
    fn add(&mut self, other: &Self) {
        self.home_mean.add(&other.home_mean);
        self.utc_days.extend_from_slice(&other.utc_days);
        self.local_days.extend_from_slice(&other.local_days);
    }
}

/// Errors of litres and kWh for one set of homes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct AmountPair {
    /// Water leaving the tank.
    pub litres: Amount,
    /// Heat above the cold feed.
    pub energy: Amount,
}

/// Errors of daily amounts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct AmountScore {
    /// Every home that draws.
    pub all: AmountPair,
    /// Homes without an equipment fault: no leak, no failed heater.
    pub equipment_sound: AmountPair,
    /// Litres a day estimated at homes that truly draw almost nothing.
    pub nearly_empty_litres_per_day: Vec<f64>,
}

/// What a run says of one home.
#[derive(Clone, Copy, Debug)]
pub struct HomeResults<'a> {
    /// Its row, if it has one.
    pub home: Option<&'a HomeRow>,
    /// Its local days.
    pub days: &'a [&'a DayRow],
    /// Its draw-offs.
    pub draw_offs: &'a [&'a DrawOffRow],
}

impl AmountScore {
    /// Takes one home in.
    pub fn push(&mut self, results: HomeResults<'_>, truth: &TruthHome) {
        let litres_per_day = results.home.and_then(|r| r.litres_per_day);
        if truth.litres_per_day < NEARLY_EMPTY_LITRES_PER_DAY {
            self.nearly_empty_litres_per_day.extend(litres_per_day);
            return;
        }
        let energy_per_day = results.home.and_then(|r| r.energy_kwh_per_day);
        let by_day = utc_sums(results.draw_offs);
        let sets =
            [Some(&mut self.all), (!truth.has(FaultClass::Equipment)).then_some(&mut self.equipment_sound)];
        for set in sets.into_iter().flatten() {
            set.litres.home_mean.push(litres_per_day, truth.litres_per_day);
            set.energy.home_mean.push(energy_per_day, truth.kwh_draw_per_day);
            if litres_per_day.is_some() {
                set.litres.utc_days.extend(day_error(
                    &truth.days,
                    |d| Some(by_day.get(&d.day).map_or(0.0, |s| s.0)),
                    |d| d.litres,
                ));
                set.litres.local_days.extend(day_error(
                    &truth.days,
                    |d| day_row(results.days, d)?.litres,
                    |d| d.litres,
                ));
            }
            if energy_per_day.is_some() {
                set.energy.utc_days.extend(day_error(
                    &truth.days,
                    |d| Some(by_day.get(&d.day).map_or(0.0, |s| s.1)),
                    |d| d.kwh,
                ));
                set.energy.local_days.extend(day_error(
                    &truth.days,
                    |d| day_row(results.days, d)?.energy_kwh,
                    |d| d.kwh,
                ));
            }
        }
    }

    /// Adds the homes of another fleet.
    pub fn add(&mut self, other: &Self) {
        for (mine, theirs) in
            [(&mut self.all, &other.all), (&mut self.equipment_sound, &other.equipment_sound)]
        {
            mine.litres.add(&theirs.litres);
            mine.energy.add(&theirs.energy);
        }
        self.nearly_empty_litres_per_day.extend_from_slice(&other.nearly_empty_litres_per_day);
    }
}

/// Mean absolute error of the days that have an estimate, over the true mean of all days; `None` of no such day.
fn day_error(
    days: &[TruthDay],
    estimate: impl Fn(&TruthDay) -> Option<f64>,
    truth: impl Fn(&TruthDay) -> f64,
) -> Option<f64> {
    let misses: Vec<f64> = days.iter().filter_map(|d| Some((estimate(d)? - truth(d)).abs())).collect();
    let mean_day = days.iter().map(&truth).sum::<f64>() / days.len() as f64;
    (!misses.is_empty() && mean_day > 0.0)
        .then(|| misses.iter().sum::<f64>() / misses.len() as f64 / mean_day)
}

/// The local day that is this UTC day to the millisecond; none in a zone off UTC.
fn day_row<'a>(rows: &[&'a DayRow], day: &TruthDay) -> Option<&'a DayRow> {
    let start_ms = i64::from(day.day.0) * MS_PER_DAY;
    rows.iter().find(|r| r.day_start_utc.0 == start_ms && r.hours == 24.0).copied()
}

/// Litres and kWh by UTC day; a draw-off over midnight is shared out by time.
fn utc_sums(draw_offs: &[&DrawOffRow]) -> BTreeMap<Day, (f64, f64)> {
    let mut sums: BTreeMap<Day, (f64, f64)> = BTreeMap::new();
    for draw in draw_offs {
        let length_ms = (draw.end.0 - draw.start.0).max(1);
        let mut from_ms = draw.start.0;
        let end_ms = from_ms + length_ms;
        while from_ms < end_ms {
            let to_ms = end_ms.min((from_ms.div_euclid(MS_PER_DAY) + 1) * MS_PER_DAY);
            let share = (to_ms - from_ms) as f64 / length_ms as f64;
            let sum = sums.entry(utc_day(from_ms)).or_default();
            sum.0 += draw.litres * share;
            sum.1 += draw.energy_kwh * share;
            from_ms = to_ms;
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::{HOUR, draw_off, home_row, truth_home};
    use drawoff_contract::Utc;

    #[test]
    fn a_draw_over_midnight_is_shared_by_time() {
        let draw = draw_off("a", 23 * HOUR, 27 * HOUR, 40.0);
        let sums = utc_sums(&[&draw]);
        assert_eq!(sums[&Day(0)].0, 10.0);
        assert_eq!(sums[&Day(1)].0, 30.0);
    }

    #[test]
    fn mean_and_days_are_scored_apart() {
        // Truth: 100 l on each of two days. All 200 l are seen, but 20 l of them on the wrong day.
        let mut truth = truth_home();
        truth.litres_per_day = 100.0;
        truth.days = vec![
            TruthDay { day: Day(0), litres: 100.0, kwh: 5.0, tank_above_room_k: 30.0, kwh_loss: None },
            TruthDay { day: Day(1), litres: 100.0, kwh: 5.0, tank_above_room_k: 30.0, kwh_loss: None },
        ];
        let mut row = home_row("a");
        row.litres_per_day = Some(100.0);
        let draws = [draw_off("a", HOUR, 2 * HOUR, 120.0), draw_off("a", 25 * HOUR, 26 * HOUR, 80.0)];
        let day = DayRow {
            home: "a".to_owned(),
            day: Day(1),
            day_start_utc: Utc(MS_PER_DAY),
            hours: 24.0,
            litres: Some(90.0),
            energy_kwh: None,
            heater_kwh: None,
            loss_kwh: None,
            mean_stored_degc: None,
        };
        let shifted = DayRow { day: Day(0), day_start_utc: Utc(-HOUR), litres: Some(0.0), ..day.clone() };
        let mut score = AmountScore::default();
        let draw_offs: Vec<&DrawOffRow> = draws.iter().collect();
        score.push(HomeResults { home: Some(&row), days: &[&day, &shifted], draw_offs: &draw_offs }, &truth);
        assert_eq!(score.all.litres.home_mean.values, vec![0.0]);
        assert_eq!(score.all.litres.utc_days, vec![0.2]);
        assert_eq!(score.all.litres.local_days, vec![0.1]);
        assert_eq!(score.all.energy.home_mean.not_assessed, 1);
        assert!(score.all.energy.utc_days.is_empty());
    }

    #[test]
    fn an_empty_home_is_told_in_litres() {
        let mut truth = truth_home();
        truth.litres_per_day = 0.0;
        let mut row = home_row("a");
        row.litres_per_day = Some(0.7);
        let mut score = AmountScore::default();
        score.push(HomeResults { home: Some(&row), days: &[], draw_offs: &[] }, &truth);
        assert_eq!(score.nearly_empty_litres_per_day, vec![0.7]);
        assert!(score.all.litres.home_mean.values.is_empty());
    }
}
