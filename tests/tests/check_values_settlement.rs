//! Half-hours of local days: settlement periods of Great Britain, 48 a day, 46 and 50 on the days on which the clocks change
//! (Elexon, glossary).

use drawoff_contract::Day;
use drawoff_contract::local::{LocalDay, date, minute_of_day};

/// Days of 46 and of 50 settlement periods.
const SHORT: [&str; 5] = ["2023-03-26", "2024-03-31", "2025-03-30", "2026-03-29", "2027-03-28"];
const LONG: [&str; 5] = ["2023-10-29", "2024-10-27", "2025-10-26", "2026-10-25", "2027-10-31"];

/// Days since 1970 of 1 January 2018 and 2031.
const FROM_TO: (i32, i32) = (17_532, 22_280);

#[test]
fn periods_of_every_day_from_2018_to_2030() {
    let zone = chrono_tz::Europe::London;
    let mut of_year = std::collections::BTreeMap::<String, (usize, usize)>::new();
    for number in FROM_TO.0..FROM_TO.1 {
        let day = LocalDay::of(zone, Day(number));
        let name = date(Day(number)).to_string();
        let periods = day.half_hours();
        let changes = of_year.entry(name[..4].to_owned()).or_default();
        changes.0 += periods;
        changes.1 += usize::from(periods != 48);
        if SHORT.contains(&name.as_str()) {
            assert_eq!(periods, 46, "{name}");
        } else if LONG.contains(&name.as_str()) {
            assert_eq!(periods, 50, "{name}");
        } else if ("2023".."2028").contains(&&name[..4]) {
            assert_eq!(periods, 48, "{name}");
        }
        assert!(matches!(periods, 46 | 48 | 50) && minute_of_day(zone, day.start_ms) == 0, "{name}");
        // in summer the first period begins at 23:00 UTC of the day before
        if matches!(&name[5..7], "05" | "06" | "07" | "08") {
            assert_eq!(day.start_ms.rem_euclid(86_400_000), 23 * 3_600_000, "{name}");
        }
    }
    assert_eq!(of_year.len(), 13);
    for (year, (periods, changes)) in of_year {
        let leap = year.parse::<u32>().unwrap().is_multiple_of(4);
        assert_eq!((periods, changes), (if leap { 17_568 } else { 17_520 }, 2), "{year}");
    }
}

#[test]
fn periods_of_a_long_and_a_short_day() {
    let zone = chrono_tz::Europe::London;
    let of = |name: &str| (FROM_TO.0..FROM_TO.1).map(Day).find(|day| date(*day).to_string() == name).unwrap();
    let local_minute = |name: &str, period: i64| {
        minute_of_day(zone, LocalDay::of(zone, of(name)).start_ms + (period - 1) * 1_800_000)
    };
    // long day: period 4 begins at 01:30 summer time, period 5 at 01:00 winter time, period 50 at 23:30
    assert_eq!([4, 5, 50].map(|period| local_minute(LONG[3], period)), [90, 60, 23 * 60 + 30]);
    // short day: period 3 begins at 02:00 summer time, which is 01:00 UTC
    assert_eq!(local_minute(SHORT[3], 3), 120);
    assert_eq!((LocalDay::of(zone, of(SHORT[3])).start_ms + 2 * 1_800_000).rem_euclid(86_400_000), 3_600_000);
}
