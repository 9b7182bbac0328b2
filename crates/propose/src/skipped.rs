//! Whether stamps without a zone are the local time of one: its clocks skip an hour in spring, and nobody reads anything in it.

use std::collections::BTreeSet;

use chrono::{DateTime, MappedLocalTime, TimeZone};

use crate::sample::Sample;

/// Clocks change at quarters of an hour (common practice, no source).
const QUARTER_MS: i64 = 900_000;
const QUARTERS_A_DAY: i64 = 96;

/// Homes with rows on both sides of an hour that the clocks skip, and rows within such hours; `None` where the readings span none.
///
/// Only days with rows are looked at: one absurd stamp must not make millennia of them.
pub(crate) fn skipped_hours(zone: chrono_tz::Tz, sample: &Sample) -> Option<(usize, usize)> {
    let hours = skipped(zone, sample);
    if hours.is_empty() {
        return None;
    }
    let (mut homes, mut rows) = (0, 0);
    for home in &sample.homes {
        let at = |ms: i64| home.time_ms.partition_point(|t| *t < ms);
        let mut has_both = false;
        for &(start, end) in &hours {
            // A stamp at the end of an interval may name the first instant that is skipped.
            rows += at(end) - at(start + 1);
            has_both |= at(start + 1) > at(start - 4 * QUARTER_MS) && at(end + 4 * QUARTER_MS) > at(end);
        }
        homes += usize::from(has_both);
    }
    Some((homes, rows))
}

/// Starts and ends of the times that the clocks skip on days with rows.
fn skipped(zone: chrono_tz::Tz, sample: &Sample) -> Vec<(i64, i64)> {
    let is_skipped = |quarter: i64| {
        let local = DateTime::from_timestamp_millis(quarter * QUARTER_MS).map(|t| t.naive_utc());
        local.is_some_and(|l| matches!(zone.offset_from_local_datetime(&l), MappedLocalTime::None))
    };
    let stamps = sample.homes.iter().flat_map(|h| &h.time_ms);
    let days: BTreeSet<i64> = stamps.map(|t| t.div_euclid(QUARTERS_A_DAY * QUARTER_MS)).collect();
    let quarters = days.into_iter().flat_map(|day| day * QUARTERS_A_DAY..(day + 1) * QUARTERS_A_DAY);
    let mut hours: Vec<(i64, i64)> = Vec::new();
    for quarter in quarters.filter(|q| is_skipped(*q)) {
        let (start, end) = (quarter * QUARTER_MS, (quarter + 1) * QUARTER_MS);
        match hours.last_mut() {
            Some(last) if last.1 == start => last.1 = end,
            _ => hours.push((start, end)),
        }
    }
    hours
}

#[cfg(test)]
mod tests {
    use chrono_tz::Europe::London;

    use super::*;
    use crate::sample::Home;

    /// A stamp every five minutes of 2024 and 2025, ms.
    fn instants() -> impl Iterator<Item = i64> {
        (1_704_067_200_000..1_767_225_600_000).step_by(300_000)
    }

    fn home(stamps: impl Iterator<Item = i64>) -> Home {
        let stamps: BTreeSet<i64> = stamps.collect();
        Home { name: "a".to_owned(), time_ms: stamps.into_iter().collect(), values: Vec::new() }
    }

    fn local(ms: i64) -> i64 {
        let at = DateTime::from_timestamp_millis(ms).unwrap().with_timezone(&London);
        at.naive_local().and_utc().timestamp_millis()
    }

    fn of(homes: Vec<Home>) -> Option<(usize, usize)> {
        skipped_hours(London, &Sample { columns: Vec::new(), homes })
    }

    #[test]
    fn two_springs_of_local_stamps_have_no_row_in_either_hour() {
        let sample = of(vec![home(instants().map(local)), home(instants().map(local))]);
        assert_eq!(sample, Some((2, 0)));
        // The same instants as UTC stand in both hours: eleven rows in each, but for the first instant.
        assert_eq!(of(vec![home(instants())]), Some((1, 22)));
        assert_eq!(of(vec![home(instants().take(1000))]), None);
    }

    #[test]
    fn an_absurd_stamp_costs_one_day_and_changes_nothing() {
        let last_ms_of_9999 = 253_402_300_799_000;
        let absurd = [i64::MIN / 2, last_ms_of_9999].into_iter();
        let started = std::time::Instant::now();
        assert_eq!(of(vec![home(instants().map(local).chain(absurd))]), Some((1, 0)));
        // All quarters up to then are minutes of work, these are well below a second.
        assert!(started.elapsed() < std::time::Duration::from_secs(10));
    }
}
