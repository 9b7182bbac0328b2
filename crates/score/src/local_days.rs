//! What was truly drawn on each local day, and how far the day table is off.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::Day;
use drawoff_contract::local::LocalDay;
use drawoff_contract::results::DayRow;

use crate::truth::TruthHome;

/// Litres and kWh that were drawn on one local day.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Drawn {
    /// Water leaving for draw-offs, l.
    pub litres: f64,
    /// Heat above the cold feed, kWh.
    pub kwh: f64,
}

/// True draw-offs by local day, days without any left out; a draw-off over midnight is shared out by time.
#[must_use]
pub fn by_local_day(truth: &TruthHome, zone: Tz) -> BTreeMap<Day, Drawn> {
    let mut days: BTreeMap<Day, Drawn> = BTreeMap::new();
    for draw in &truth.draws {
        let length_ms = (draw.end_ms - draw.start_ms).max(1);
        let end_ms = draw.start_ms + length_ms;
        let mut from_ms = draw.start_ms;
        while from_ms < end_ms {
            let day = LocalDay::of_stamp(zone, from_ms + 1);
            let to_ms = end_ms.min(day.end_ms.max(from_ms + 1));
            let share = (to_ms - from_ms) as f64 / length_ms as f64;
            let sum = days.entry(day.day).or_default();
            sum.litres += draw.litres * share;
            sum.kwh += draw.kwh * share;
            from_ms = to_ms;
        }
    }
    days
}

/// Mean absolute error of the days of a home that have an estimate, over its true mean day.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DayErrors {
    /// Litres; `None` without an estimate.
    pub litres: Option<f64>,
    /// kWh; `None` without an estimate.
    pub kwh: Option<f64>,
}

/// Errors of the day table. The first and last day of a history are left out: truth may hold only a part of them.
#[must_use]
pub fn day_errors(rows: &[&DayRow], truth: &TruthHome, zone: Tz) -> DayErrors {
    let drawn = by_local_day(truth, zone);
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return DayErrors::default() };
    let whole = |row: &&&DayRow| row.day > first.day && row.day < last.day;
    let error = |estimate: &dyn Fn(&DayRow) -> Option<f64>, of: &dyn Fn(Drawn) -> f64, mean_day: f64| {
        let misses: Vec<f64> = rows
            .iter()
            .filter(whole)
            .filter_map(|row| {
                let true_sum = of(drawn.get(&row.day).copied().unwrap_or_default());
                Some((estimate(row).filter(|e| e.is_finite())? - true_sum).abs())
            })
            .collect();
        (!misses.is_empty() && mean_day > 0.0)
            .then(|| misses.iter().sum::<f64>() / misses.len() as f64 / mean_day)
    };
    DayErrors {
        litres: error(&|r| r.litres, &|d| d.litres, truth.litres_per_day),
        kwh: error(&|r| r.energy_kwh, &|d| d.kwh, truth.kwh_draw_per_day),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::{HOUR, truth_home};
    use crate::truth::TruthDraw;
    use chrono_tz::Europe::Berlin;
    use drawoff_contract::Utc;

    fn draw(start_ms: i64, end_ms: i64, litres: f64) -> TruthDraw {
        TruthDraw { start_ms, end_ms, litres, outlet_degc: 55.0, kwh: litres * 0.05 }
    }

    #[test]
    fn a_draw_belongs_to_the_day_of_the_zone() {
        // 1 January 1970, 22:30 to 23:30 UTC is 23:30 to 00:30 in Berlin.
        let mut truth = truth_home();
        truth.draws = vec![draw(22 * HOUR + HOUR / 2, 23 * HOUR + HOUR / 2, 40.0)];
        let days = by_local_day(&truth, Berlin);
        assert_eq!((days[&Day(0)].litres, days[&Day(1)].litres), (20.0, 20.0));
        let utc = by_local_day(&truth, chrono_tz::UTC);
        assert_eq!((utc.len(), utc[&Day(0)].litres), (1, 40.0));
    }

    #[test]
    fn days_without_an_estimate_do_not_count_and_empty_days_do() {
        let mut truth = truth_home();
        truth.litres_per_day = 50.0;
        truth.kwh_draw_per_day = 2.5;
        truth.draws = vec![draw(24 * HOUR + 1, 25 * HOUR, 60.0)];
        let row = |day: i32, litres: Option<f64>| DayRow {
            home: "a".to_owned(),
            day: Day(day),
            day_start_utc: Utc(i64::from(day) * 24 * HOUR),
            hours: 24.0,
            litres,
            energy_kwh: None,
            heater_kwh: None,
            loss_kwh: None,
            mean_stored_degc: None,
        };
        let rows =
            [row(0, Some(99.0)), row(1, Some(50.0)), row(2, Some(5.0)), row(3, None), row(4, Some(99.0))];
        let errors = day_errors(&rows.iter().collect::<Vec<_>>(), &truth, chrono_tz::UTC);
        // By hand: (10 + 5) / 2 / 50.
        assert!((errors.litres.unwrap() - 0.15).abs() < 1e-12, "{errors:?}");
        assert_eq!(errors.kwh, None);
    }
}
