//! A value by interval of UTC: carbon intensity of the grid, or a price that changes by the half-hour.

use drawoff_contract::Utc;

/// Half an hour, ms.
pub const HALF_HOUR_MS: i64 = 1_800_000;
/// A year that keeps the day of the week: 52 weeks, ms.
pub const WEEK_YEAR_MS: i64 = 364 * 86_400_000;

/// One interval, in whole millionths of the unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Interval {
    /// Start.
    pub from: Utc,
    /// End.
    pub to: Utc,
    /// Value: millionths of the currency a kWh, or mg/kWh.
    pub value: i64,
}

/// Intervals in order of time that do not overlap, and by how many years of 364 days they are shifted to meet the readings.
///
/// An hour gives the same value to both of its halves.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Series {
    rows: Vec<Interval>,
    shift_years: i64,
}

impl Series {
    /// From intervals in order of time. With a shift of 1 a half-hour takes the value of 364 days before it; with -1 of 364 days after.
    #[must_use]
    pub fn new(rows: Vec<Interval>, shift_years: i64) -> Self {
        Self { rows, shift_years }
    }

    /// Declared shift, years of 364 days.
    #[must_use]
    pub fn shift_years(&self) -> i64 {
        self.shift_years
    }

    /// Value of the half-hour that begins at `start_ms`, weighted by time and rounded half to even; `None` unless all of it is covered.
    ///
    /// ```
    /// use drawoff_contract::Utc;
    /// use drawoff_savings::series::{Interval, Series, WEEK_YEAR_MS};
    /// let hour = Interval { from: Utc(0), to: Utc(3_600_000), value: 210_000 };
    /// assert_eq!(Series::new(vec![hour], 0).at(1_800_000), Some(210_000));
    /// assert_eq!(Series::new(vec![hour], 0).at(3_600_000), None);
    /// assert_eq!(Series::new(vec![hour], 1).at(WEEK_YEAR_MS), Some(210_000));
    /// ```
    #[must_use]
    pub fn at(&self, start_ms: i64) -> Option<i64> {
        let from_ms = start_ms - self.shift_years * WEEK_YEAR_MS;
        let to_ms = from_ms + HALF_HOUR_MS;
        let first = self.rows.partition_point(|r| r.to.0 <= from_ms);
        let row = self.rows.get(first)?;
        if row.from.0 <= from_ms && row.to.0 >= to_ms {
            return Some(row.value);
        }
        let (mut held_ms, mut sum) = (0_i64, 0_i128);
        for row in self.rows[first..].iter().take_while(|r| r.from.0 < to_ms) {
            let part_ms = row.to.0.min(to_ms) - row.from.0.max(from_ms);
            held_ms += part_ms;
            sum += i128::from(part_ms) * i128::from(row.value);
        }
        (held_ms == HALF_HOUR_MS).then(|| half_even(sum, i128::from(HALF_HOUR_MS)))
    }
}

/// Quotient by a divisor above 0, halves to the even neighbour.
fn half_even(sum: i128, divisor: i128) -> i64 {
    let whole = sum.div_euclid(divisor);
    let up = match (2 * sum.rem_euclid(divisor)).cmp(&divisor) {
        std::cmp::Ordering::Less => 0,
        std::cmp::Ordering::Equal => whole.rem_euclid(2),
        std::cmp::Ordering::Greater => 1,
    };
    i64::try_from(whole + up).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_of_an_interval_are_weighed_and_gaps_are_no_value() {
        let row =
            |from: i64, to: i64, value| Interval { from: Utc(from * 60_000), to: Utc(to * 60_000), value };
        let series = Series::new(vec![row(0, 10, 100), row(10, 30, 400), row(30, 45, 9), row(50, 90, 9)], 0);
        assert_eq!(series.at(0), Some(300)); // (10 x 100 + 20 x 400) / 30
        assert_eq!(series.at(HALF_HOUR_MS), None);
        assert_eq!(series.at(2 * HALF_HOUR_MS), Some(9));
        assert_eq!(series.at(-HALF_HOUR_MS), None);
        assert_eq!((half_even(5, 2), half_even(7, 2), half_even(-5, 2)), (2, 4, -2));
    }
}
