//! Money, likelihood and dates as a reader wants them.

use chrono::{DateTime, Datelike, Timelike};
use chrono_tz::Tz;
use drawoff_contract::{Day, Money, Utc};

use crate::text;

const MILLION: i128 = 1_000_000;
/// Below this many main units two decimals are shown; above, the interval is far wider than a hundredth.
const WHOLE_FROM: i128 = 10;

/// Exact decimal main units, trailing zeros trimmed: `Money(12_500_000)` is `12.5`.
#[must_use]
pub fn money_decimal(money: Money) -> String {
    let millionths = i128::from(money.0);
    let sign = if millionths < 0 { "-" } else { "" };
    let size = millionths.abs();
    let decimals = format!("{:06}", size % MILLION);
    let decimals = decimals.trim_end_matches('0');
    let point = if decimals.is_empty() { "" } else { "." };
    format!("{sign}{}{point}{decimals}", size / MILLION)
}

/// Rounded for reading: whole units from 10 up, else two decimals, half to even; `currency` is an ISO 4217 code.
#[must_use]
pub fn money(money: Money, currency: &str) -> String {
    let millionths = i128::from(money.0);
    let digits = if millionths.abs() < WHOLE_FROM * MILLION && millionths != 0 { 2 } else { 0 };
    let step = if digits == 2 { 10_000 } else { MILLION };
    let rounded = half_even(millionths.abs(), step);
    let amount = if digits == 2 {
        format!("{}.{:02}", rounded / 100, rounded % 100)
    } else {
        grouped(&rounded.to_string())
    };
    let sign = if millionths < 0 && rounded != 0 { "\u{2212}" } else { "" };
    match currency {
        "GBP" => format!("{sign}£{amount}"),
        "EUR" => format!("{sign}€{amount}"),
        "" => format!("{sign}{amount}"),
        code => format!("{sign}{amount}\u{a0}{}", text::visible(code)),
    }
}

/// "from to" of an interval of money.
#[must_use]
pub fn money_range(low: Money, high: Money, currency: &str) -> String {
    format!("{} to {}", money(low, currency), money(high, currency))
}

/// Main units with the currency's own places, for tables whose sums are read: `Money(12_345_678)` of GBP is `12.35`, half to even; no
/// currency sign.
///
/// Places: ISO 4217, column of minor units, from memory; two where the code is unknown.
#[must_use]
pub fn money_amount(money: Money, currency: &str) -> String {
    let places = match currency {
        "JPY" | "KRW" | "ISK" | "CLP" | "VND" | "XAF" | "XOF" | "PYG" | "UGX" => 0,
        "BHD" | "IQD" | "JOD" | "KWD" | "LYD" | "OMR" | "TND" => 3,
        _ => 2_u32,
    };
    let parts = 10_i128.pow(places);
    let millionths = i128::from(money.0);
    let rounded = half_even(millionths.abs(), MILLION / parts);
    let sign = if millionths < 0 && rounded != 0 { "\u{2212}" } else { "" };
    let whole = grouped(&(rounded / parts).to_string());
    let width = places as usize;
    if places == 0 { format!("{sign}{whole}") } else { format!("{sign}{whole}.{:0width$}", rounded % parts) }
}

fn half_even(size: i128, step: i128) -> i128 {
    let (whole, rest) = (size / step, size % step);
    let up = rest * 2 > step || (rest * 2 == step && whole % 2 == 1);
    whole + i128::from(up)
}

/// Digits with a comma at every third place.
#[must_use]
pub fn grouped(digits: &str) -> String {
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

/// A count with commas.
#[must_use]
pub fn count(n: usize) -> String {
    grouped(&n.to_string())
}

/// A probability in words. NaN is "not stated".
///
/// Source of the scale: IPCC guidance note on consistent treatment of uncertainties (2010), table 1, from memory.
#[must_use]
pub fn sure(probability: f64) -> &'static str {
    match probability {
        p if p.is_nan() => "not stated",
        p if p >= 0.99 => "virtually certain",
        p if p >= 0.9 => "very likely",
        p if p >= 0.66 => "likely",
        p if p >= 0.33 => "about as likely as not",
        p if p >= 0.1 => "unlikely",
        _ => "very unlikely",
    }
}

/// A probability in per cent; never rounded to certainty. NaN is a dash.
#[must_use]
pub fn per_cent(probability: f64) -> String {
    let percent = probability * 100.0;
    if percent.is_nan() {
        "–".to_owned()
    } else if percent > 99.0 {
        "over 99\u{a0}%".to_owned()
    } else if percent < 1.0 {
        "under 1\u{a0}%".to_owned()
    } else {
        format!("{percent:.0}\u{a0}%")
    }
}

fn calendar(day: Day) -> Option<chrono::NaiveDate> {
    chrono::NaiveDate::from_num_days_from_ce_opt(day.0.checked_add(719_163)?)
}

/// ISO 8601 calendar day; empty beyond the calendar.
#[must_use]
pub fn iso_day(day: Day) -> String {
    calendar(day).map(|d| d.format("%Y-%m-%d").to_string()).unwrap_or_default()
}

/// ISO 8601 instant in UTC with Z, milliseconds only where there are any; empty beyond the calendar.
#[must_use]
pub fn iso_instant(instant: Utc) -> String {
    let Some(at) = DateTime::from_timestamp_millis(instant.0) else { return String::new() };
    let pattern = if instant.0 % 1000 == 0 { "%Y-%m-%dT%H:%M:%SZ" } else { "%Y-%m-%dT%H:%M:%S%.3fZ" };
    at.format(pattern).to_string()
}

/// Calendar day, "3 Jan 2026"; empty beyond the calendar.
#[must_use]
pub fn day(day: Day) -> String {
    calendar(day).map(|d| d.format("%-d %b %Y").to_string()).unwrap_or_default()
}

/// A finite number rounded to whole, with commas.
#[must_use]
pub fn whole(value: f64) -> String {
    let rounded = value.round() as i64;
    let sign = if rounded < 0 { "\u{2212}" } else { "" };
    format!("{sign}{}", grouped(&rounded.unsigned_abs().to_string()))
}

/// Local calendar day, "3 Jan 2026"; empty beyond the calendar.
#[must_use]
pub fn date(instant: Utc, zone: Tz) -> String {
    local(instant, zone, "%-d %b %Y")
}

/// When something began, in local time, or that it is older than the data.
#[must_use]
pub fn since(onset: Option<Utc>, zone: Tz) -> String {
    onset.map_or_else(|| "before the data begin".to_owned(), |at| date(at, zone))
}

/// Local time by a `strftime` pattern; empty beyond the calendar.
#[must_use]
pub(crate) fn local(instant: Utc, zone: Tz, pattern: &str) -> String {
    DateTime::from_timestamp_millis(instant.0)
        // The first and last days of the calendar cannot be moved to another zone.
        .filter(|at| at.year().abs() < 200_000 && at.nanosecond() < 1_000_000_000)
        .map(|at| at.with_timezone(&zone).format(pattern).to_string())
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn money_is_exact_in_files_and_short_on_the_page() {
        assert_eq!(money_decimal(Money(12_500_000)), "12.5");
        assert_eq!(money_decimal(Money(-1)), "-0.000001");
        assert_eq!(money_decimal(Money(7_000_000)), "7");
        assert_eq!(money_decimal(Money(i64::MIN)), "-9223372036854.775808");
        assert_eq!(money(Money(1_234_500_000), "GBP"), "£1,234");
        assert_eq!(money(Money(1_235_500_000), "GBP"), "£1,236");
        assert_eq!(money(Money(-4_125_000), "EUR"), "\u{2212}€4.12");
        assert_eq!(money(Money(-1), "GBP"), "£0.00");
        assert_eq!(money(Money(0), "XTS"), "0\u{a0}XTS");
    }

    #[test]
    fn tables_show_the_places_of_the_currency() {
        assert_eq!(money_amount(Money(1_234_565_000), "GBP"), "1,234.56");
        assert_eq!(money_amount(Money(-1_500_000), "JPY"), "\u{2212}2");
        assert_eq!(money_amount(Money(7_000), "KWD"), "0.007");
        assert_eq!(money_amount(Money(-4_000), "XTS"), "0.00");
    }

    #[test]
    fn likelihood_never_claims_certainty() {
        assert_eq!((sure(1.0), per_cent(1.0)), ("virtually certain", "over 99\u{a0}%".to_owned()));
        assert_eq!((sure(0.7), per_cent(0.7)), ("likely", "70\u{a0}%".to_owned()));
        assert_eq!((sure(f64::NAN), per_cent(f64::NAN)), ("not stated", "–".to_owned()));
        assert_eq!(per_cent(-3.0), "under 1\u{a0}%");
    }

    #[test]
    fn dates_are_local_on_the_page_and_utc_in_files() {
        // 2026-03-29T23:30Z is 30 March in London: summer time began that day.
        let at = Utc(1_774_827_000_000);
        assert_eq!(iso_instant(at), "2026-03-29T23:30:00Z");
        assert_eq!(iso_instant(Utc(at.0 + 5)), "2026-03-29T23:30:00.005Z");
        assert_eq!(date(at, chrono_tz::Europe::London), "30 Mar 2026");
        assert_eq!(iso_day(Day(0)), "1970-01-01");
        assert_eq!(iso_day(Day(i32::MAX)), "");
        assert_eq!((day(Day(20_541)), day(Day(i32::MIN))), ("29 Mar 2026".to_owned(), String::new()));
        assert_eq!(
            (whole(1234.5), whole(-12.2), whole(-0.2)),
            ("1,235".to_owned(), "\u{2212}12".to_owned(), "0".to_owned())
        );
        assert_eq!(iso_instant(Utc(i64::MAX)), "");
        assert_eq!(date(Utc(i64::MIN), chrono_tz::Europe::London), "");
        assert_eq!(since(None, chrono_tz::UTC), "before the data begin");
    }
}
