//! Half-hours of local days: settlement periods of Great Britain, 48 a day, 46 and 50 on the days on which the clocks change
//! (Elexon, glossary). The hours of two-rate meters, and the times of the public carbon-intensity service of Great Britain.

use drawoff_contract::local::{LocalDay, date, half_hour_of_day, minute_of_day};
use drawoff_contract::mapping::CarbonMapping;
use drawoff_contract::meter_window::{MeterWindow, half_hours_by_local_clock, half_hours_within};
use drawoff_contract::{DailyWindow, Day};
use drawoff_store::small::read_carbon;

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

#[test]
fn seven_hours_of_a_meter_that_keeps_winter_time() {
    // one confirmed case: 00:00 to 07:00 GMT, which is 01:00 to 08:00 of British summer time
    let zone = chrono_tz::Europe::London;
    let night = DailyWindow { start_min: 0, minutes: 420 };
    let meter = [MeterWindow { window: night, east_min: 0 }];
    let split = [(23 * 60, 120), (150, 300)]
        .map(|(start_min, minutes)| MeterWindow { window: DailyWindow { start_min, minutes }, east_min: 0 });
    for number in FROM_TO.0..FROM_TO.1 {
        let day = LocalDay::of(zone, Day(number));
        let name = date(Day(number)).to_string();
        assert_eq!(half_hours_within(&meter, &day), 14, "{name}");
        let first = (0..50).map(|i| day.start_ms + i * 1_800_000).find(|ms| meter[0].contains(*ms)).unwrap();
        let summer = day.start_ms.rem_euclid(86_400_000) != 0;
        assert_eq!(minute_of_day(zone, first), if summer { 60 } else { 0 }, "{name}");
        // kept by the local clock it is an hour shorter or longer where the clocks change within it
        let local = half_hours_by_local_clock(night, zone, &day);
        assert_eq!(local, (14 + day.half_hours()) - 48, "{name}");
        // a split supply across midnight: seven hours of any day of 24 hours
        if day.half_hours() == 48 {
            assert_eq!(half_hours_within(&split, &day), 14, "{name}");
        }
    }
}

#[test]
fn half_hours_of_utc_days_are_not_settlement_periods_in_summer() {
    // a public carbon service numbers the half-hours of a UTC day: two behind the settlement period in summer
    let zone = chrono_tz::Europe::London;
    for (name, ahead) in [("2018-01-20", 0), ("2026-07-01", 2), ("2026-11-25", 0)] {
        let day = (FROM_TO.0..FROM_TO.1).find(|day| date(Day(*day)).to_string() == name).unwrap();
        for half_hour in 0..46 {
            let ms = i64::from(day) * 86_400_000 + half_hour * 1_800_000;
            assert_eq!(half_hour_of_day(chrono_tz::UTC, ms), half_hour as usize + 1, "{name}");
            assert_eq!(half_hour_of_day(zone, ms), half_hour as usize + 1 + ahead, "{name}");
        }
    }
}

#[test]
fn times_of_the_carbon_service_are_utc() {
    // its published sample: 2018-01-20T12:00Z, actual 263 g/kWh; and the hour at which London's clocks go forward
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("carbon.csv");
    let text = "from,g_per_kwh\n2018-01-20T12:00Z,263\n2026-03-29T01:00Z,101\n2026-03-29T01:30Z,102\n";
    #[expect(clippy::disallowed_methods, reason = "a test writes its own input")]
    std::fs::write(&path, text).unwrap();
    let small = read_carbon(&path, &CarbonMapping::default()).unwrap();
    assert_eq!(small.problems, []);
    let read: Vec<(i64, f64)> = small.rows.iter().map(|row| (row.from.0 / 1000, row.g_per_kwh)).collect();
    // 17,551 days and 12 h; 20,541 days and 1 h after 1970
    assert_eq!(read, [(1_516_449_600, 263.0), (1_774_746_000, 101.0), (1_774_747_800, 102.0)]);
}
