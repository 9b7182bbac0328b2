//! Local days in a home's zone. A row belongs to the day in which its interval ends before midnight.

use std::cell::Cell;

use chrono::{DateTime, Datelike, Duration, NaiveDate, NaiveTime, Offset, TimeZone};
use chrono_tz::Tz;

use crate::cell::Day;

const MS_PER_DAY: i64 = 86_400_000;

/// One local calendar day: its start and end as instants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LocalDay {
    /// The calendar day.
    pub day: Day,
    /// First instant of the day, UTC milliseconds.
    pub start_ms: i64,
    /// First instant of the next day, UTC milliseconds.
    pub end_ms: i64,
}

impl LocalDay {
    /// The local day that holds the interval which ends at `stamp_ms`.
    #[must_use]
    pub fn of_stamp(zone: Tz, stamp_ms: i64) -> Self {
        Self::of(zone, day_of(zone, stamp_ms - 1))
    }

    /// A calendar day in a zone.
    #[must_use]
    pub fn of(zone: Tz, day: Day) -> Self {
        Self { day, start_ms: midnight_ms(zone, day), end_ms: midnight_ms(zone, Day(day.0 + 1)) }
    }

    /// Length: 23, 24 or 25 hours in most zones.
    #[must_use]
    pub fn hours(&self) -> f64 {
        (self.end_ms - self.start_ms) as f64 / 3_600_000.0
    }

    /// Number of settlement periods of 30 minutes: 46, 48 or 50 in most zones.
    #[must_use]
    pub fn half_hours(&self) -> usize {
        usize::try_from((self.end_ms - self.start_ms) / 1_800_000).unwrap_or(0)
    }
}

fn instant(ms: i64) -> DateTime<chrono::Utc> {
    DateTime::from_timestamp_millis(ms).unwrap_or_default()
}

/// A day of UTC over which a zone keeps its offset.
#[derive(Clone, Copy)]
struct KeptOffset {
    zone: Tz,
    utc_day: i64,
    offset_ms: i64,
}

thread_local! {
    /// Instants are asked for one after another: most lie in the day of the last one, and the zone is looked up once a day.
    static LAST: Cell<Option<KeptOffset>> = const { Cell::new(None) };
}

/// An instant on the zone's own clock, as milliseconds since the start of 1970 on that clock.
fn local_ms(zone: Tz, ms: i64) -> i64 {
    let utc_day = ms.div_euclid(MS_PER_DAY);
    if let Some(last) = LAST.get().filter(|l| l.utc_day == utc_day && l.zone == zone) {
        return ms + last.offset_ms;
    }
    let offset_ms =
        |ms: i64| i64::from(instant(ms).with_timezone(&zone).offset().fix().local_minus_utc()) * 1000;
    let (first, last) = (utc_day * MS_PER_DAY, utc_day * MS_PER_DAY + MS_PER_DAY - 1);
    let offset = offset_ms(ms);
    // No zone changes and changes back within a day.
    if offset_ms(first) == offset && offset_ms(last) == offset {
        LAST.set(Some(KeptOffset { zone, utc_day, offset_ms: offset }));
    }
    ms + offset
}

/// Calendar day of an instant in a zone.
#[must_use]
pub fn day_of(zone: Tz, ms: i64) -> Day {
    Day(i32::try_from(local_ms(zone, ms).div_euclid(MS_PER_DAY)).unwrap_or_default())
}

/// Local minute of the day (0 to 1439) of an instant.
#[must_use]
pub fn minute_of_day(zone: Tz, ms: i64) -> u32 {
    u32::try_from(local_ms(zone, ms).rem_euclid(MS_PER_DAY) / 60_000).unwrap_or(0)
}

/// Which half-hour of its local day an instant lies in, from 1: the settlement period in a zone that settles by local days.
///
/// A service that counts by days of UTC (zone UTC) gives another number in summer.
///
/// ```
/// use drawoff_contract::local::half_hour_of_day;
/// // 1 July 2026, 12:00 UTC: 13:00 in London
/// assert_eq!(half_hour_of_day(chrono_tz::Europe::London, 1_782_907_200_000), 27);
/// assert_eq!(half_hour_of_day(chrono_tz::UTC, 1_782_907_200_000), 25);
/// ```
#[must_use]
pub fn half_hour_of_day(zone: Tz, ms: i64) -> usize {
    let since_ms = ms - LocalDay::of(zone, day_of(zone, ms)).start_ms;
    usize::try_from(since_ms / 1_800_000).unwrap_or(0) + 1
}

/// Offset of the zone from UTC at an instant, minutes east.
#[must_use]
pub fn offset_minutes(zone: Tz, ms: i64) -> i64 {
    i64::from(instant(ms).with_timezone(&zone).offset().fix().local_minus_utc()) / 60
}

/// The calendar date.
#[must_use]
pub fn date(day: Day) -> NaiveDate {
    NaiveDate::from_num_days_from_ce_opt(day.0 + 719_163).unwrap_or_default()
}

/// The day of a calendar date.
#[must_use]
pub fn day(date: NaiveDate) -> Day {
    Day(date.num_days_from_ce() - 719_163)
}

/// Monday = 0 to Sunday = 6.
#[must_use]
pub fn weekday(day: Day) -> u32 {
    date(day).weekday().num_days_from_monday()
}

/// Months since the start of the year at noon of a day, 0 to 12; each month counts as one, whatever its length.
#[must_use]
pub fn months_into_year(day: Day) -> f64 {
    let date = date(day);
    f64::from(date.month0()) + (f64::from(date.day()) - 0.5) / f64::from(date.num_days_in_month())
}

/// First instant of a calendar day in a zone; where midnight is skipped, the first instant after it.
fn midnight_ms(zone: Tz, day: Day) -> i64 {
    let midnight = date(day).and_time(NaiveTime::MIN);
    for minutes in (0..=180).step_by(15) {
        if let Some(found) = zone.from_local_datetime(&(midnight + Duration::minutes(minutes))).earliest() {
            return found.timestamp_millis();
        }
    }
    i64::from(day.0) * MS_PER_DAY
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn change_days_have_46_and_50_half_hours() {
        let zone = chrono_tz::Europe::London;
        let of = |y, m, d| {
            let date = NaiveDate::from_ymd_opt(y, m, d).unwrap();
            LocalDay::of(zone, Day(date.num_days_from_ce() - 719_163))
        };
        assert_eq!(of(2026, 3, 29).half_hours(), 46);
        assert_eq!(of(2026, 10, 25).half_hours(), 50);
        assert_eq!(of(2026, 6, 1).half_hours(), 48);
        assert_eq!(day_of(zone, of(2026, 3, 29).start_ms), of(2026, 3, 29).day);
    }

    #[test]
    fn the_clock_is_that_of_the_zone_at_every_quarter_of_an_hour() {
        use chrono::Timelike;
        let zones = [
            chrono_tz::Europe::London,
            chrono_tz::Australia::Lord_Howe,
            chrono_tz::Africa::Casablanca,
            chrono_tz::Asia::Kathmandu,
            chrono_tz::Pacific::Apia,
            chrono_tz::America::St_Johns,
        ];
        // 2011, in which Apia left out a day, and 2026; instants out of order as well.
        for from in [1_293_840_000_000, 1_767_225_600_000] {
            for quarter in 0..366 * 96 {
                let ms = from + ((quarter * 37) % (366 * 96)) * 900_000 - i64::from(quarter % 2 == 0);
                for zone in zones {
                    for ms in [ms, from + quarter * 900_000] {
                        let local = instant(ms).with_timezone(&zone);
                        assert_eq!(
                            minute_of_day(zone, ms),
                            local.hour() * 60 + local.minute(),
                            "{zone} {ms}"
                        );
                        assert_eq!(day_of(zone, ms).0, local.num_days_from_ce() - 719_163, "{zone} {ms}");
                    }
                }
            }
        }
    }

    #[test]
    fn a_stamp_at_midnight_belongs_to_the_day_that_ends() {
        let zone = chrono_tz::UTC;
        assert_eq!(LocalDay::of_stamp(zone, MS_PER_DAY).day, Day(0));
        assert_eq!(LocalDay::of_stamp(zone, MS_PER_DAY + 1).day, Day(1));
    }
}
