//! How often a day's demand stays within its quantiles, on days that the quantiles were not read from.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::Day;
use drawoff_contract::habit_tables::{DayType, HabitRow};

use crate::local_days::by_local_day;
use crate::truth::TruthHome;
use crate::vacancy::VACANT_BELOW_LITRES;
use crate::wilson::Share;

/// The quantiles of the habits table.
pub const LEVELS: [f64; 4] = [0.50, 0.80, 0.90, 0.95];

/// Days of one home within each quantile of the whole day's heat.
///
/// `days` are the local days asked, none of which the rows were read from; vacant days are passed over, since the table tells
/// of occupied days. A home without a row for a kind of day is not asked on it.
#[must_use]
pub fn within(rows: &[&HabitRow], days: &[Day], truth: &TruthHome, zone: Tz) -> [Share; 4] {
    let whole_day: BTreeMap<&str, &HabitRow> =
        rows.iter().filter(|r| r.hour == 0 && r.ahead_h == 24).map(|r| (r.day_type.as_str(), *r)).collect();
    let drawn = by_local_day(truth, zone);
    let mut shares = [Share::default(); 4];
    for day in days {
        let Some(drawn) = drawn.get(day).filter(|d| d.litres >= VACANT_BELOW_LITRES) else { continue };
        let Some(row) = whole_day.get(DayType::of(*day).code()) else { continue };
        for (share, quantile) in shares.iter_mut().zip([row.p50_kwh, row.p80_kwh, row.p90_kwh, row.p95_kwh]) {
            if !quantile.is_nan() {
                share.count(drawn.kwh <= quantile);
            }
        }
    }
    shares
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::{HOUR, truth_home};
    use crate::truth::TruthDraw;

    #[test]
    fn only_occupied_days_of_a_known_kind_are_asked() {
        let row = HabitRow {
            home: "a".to_owned(),
            day_type: DayType::Weekday.code().to_owned(),
            hour: 0,
            ahead_h: 24,
            p50_kwh: 1.0,
            p80_kwh: 2.0,
            p90_kwh: 3.0,
            p95_kwh: f64::NAN,
        };
        let other = HabitRow { hour: 7, p50_kwh: 99.0, ..row.clone() };
        let mut truth = truth_home();
        let draw = |day: i64, kwh: f64| TruthDraw {
            start_ms: (24 * day + 8) * HOUR,
            end_ms: (24 * day + 9) * HOUR,
            litres: 20.0,
            outlet_degc: 55.0,
            kwh,
        };
        // Days 0 and 1 were a Thursday and a Friday, day 2 a Saturday; nothing is drawn on day 4, a Monday.
        truth.draws = vec![draw(0, 0.9), draw(1, 2.5), draw(2, 0.1)];
        let asked = [Day(0), Day(1), Day(2), Day(4)];
        let shares = within(&[&other, &row], &asked, &truth, chrono_tz::UTC);
        assert_eq!(shares, [Share::new(1, 2), Share::new(1, 2), Share::new(2, 2), Share::new(0, 0)]);
    }
}
