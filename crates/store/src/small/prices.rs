//! A series of prices by the half-hour.

use std::path::Path;

use chrono::{DateTime, MappedLocalTime, TimeZone};
use chrono_tz::Tz;
use drawoff_contract::small_tables::PriceRow;
use drawoff_contract::{ContractError, Money, Utc};

use super::Small;
use super::lines::{Layout, Line, lines};
use crate::intake::time::{SENSIBLE_MS, parse_iso};

const HALF_HOUR_MS: i64 = 1_800_000;
/// No household pays this for a kWh in a currency of everyday use; a price above it is in another unit.
const DEAREST: f64 = 1000.0;
/// Gaps that are named one by one; more of them are counted.
const NAMED_GAPS: usize = 5;

/// How a series of prices is laid out: a row a half-hour, by its start.
#[derive(Clone, Debug, PartialEq)]
pub struct PriceLayout {
    /// Column of the start of the half-hour: ISO with Z or an offset, or local time in `zone`.
    pub time: String,
    /// Column of the price.
    pub price: String,
    /// From the column's unit to main units a kWh: 0.01 for pence.
    pub factor: f64,
    /// Zone of times without Z or offset.
    pub zone: Option<Tz>,
}

/// Reads prices, sorted by time. Local times that a change of hour skips are left out and named; of the hour that comes twice the
/// first half-hours are the first pass, and a second pass that is not there is a gap.
///
/// # Errors
/// When the file cannot be read, lacks a column, or no row can be used.
pub fn read_prices(path: &Path, layout: &PriceLayout) -> Result<Small<PriceRow>, ContractError> {
    let lines = lines(
        path,
        Layout {
            section: "savings.tariffs",
            key: "savings.tariffs.half_hourly",
            separator: b',',
            decimal: '.',
            columns: vec![&layout.time, &layout.price],
        },
    )?;
    let mut small =
        Small { rows: Vec::<PriceRow>::new(), problems: lines.broken.clone(), remarks: Vec::new() };
    let mut last_ms = i64::MIN;
    for line in lines.rows() {
        match row(&line, layout, last_ms) {
            Ok(row) => {
                last_ms = row.from.0;
                small.rows.push(row);
            }
            Err(message) => small.problems.push(line.problem(&message)),
        }
    }
    small.rows.sort_by_key(|r| r.from);
    let doubled = small.rows.len();
    small.rows.dedup_by_key(|r| r.from);
    if small.rows.len() < doubled {
        let message = format!("{} half-hours are given a second time", doubled - small.rows.len());
        small.remarks.push(lines.whole(&message, "the first of each is kept"));
    }
    if small.rows.is_empty() {
        return Err(
            lines.whole("no price could be read", "one line a half-hour, below a line of column names")
        );
    }
    let short = small.rows.windows(2).filter(|pair| pair[1].from.0 - pair[0].from.0 < HALF_HOUR_MS).count();
    if short > 0 {
        let message = format!("{short} prices begin less than half an hour after the one before");
        return Err(lines.whole(&message, "give one price a half-hour, by its start"));
    }
    let gaps: Vec<(i64, i64)> = small
        .rows
        .windows(2)
        .filter(|pair| pair[1].from > pair[0].to)
        .map(|pair| (pair[0].to.0, pair[1].from.0))
        .collect();
    let hint = "half-hours without a price are not assessed";
    for (from, to) in gaps.iter().take(NAMED_GAPS) {
        small.remarks.push(lines.whole(&format!("no price from {} to {}", iso(*from), iso(*to)), hint));
    }
    if let Some(more) = gaps.len().checked_sub(NAMED_GAPS).filter(|n| *n > 0) {
        small.remarks.push(lines.whole(&format!("{more} more gaps"), hint));
    }
    Ok(small)
}

fn row(line: &Line<'_>, layout: &PriceLayout, last_ms: i64) -> Result<PriceRow, String> {
    let text = line.need(&layout.time)?;
    let at = match parse_iso(text) {
        Some((ms, false)) => Some(ms),
        Some((ms, true)) => {
            let zone =
                layout.zone.ok_or_else(|| format!("`{text}` has neither Z nor an offset; name its zone"))?;
            Some(
                local(zone, ms, last_ms)
                    .ok_or_else(|| format!("`{text}` is skipped by a change of hour in {zone}"))?,
            )
        }
        None => None,
    };
    let from_ms = at.filter(|ms| SENSIBLE_MS.contains(ms)).ok_or_else(|| format!("`{text}` is no time"))?;
    let column = &layout.price;
    let value = line.number(column)?.ok_or_else(|| format!("column `{column}`: the cell is empty"))?;
    let price = value * layout.factor;
    if price.abs() >= DEAREST {
        return Err(format!("column `{column}`: {value} is no price a kWh once converted; check `factor`"));
    }
    let money = Money((price * 1_000_000.0).round_ties_even() as i64);
    Ok(PriceRow { from: Utc(from_ms), to: Utc(from_ms + HALF_HOUR_MS), price: money })
}

/// The instant of a local time; of two the one after the row before.
fn local(zone: Tz, naive_ms: i64, last_ms: i64) -> Option<i64> {
    let naive = DateTime::from_timestamp_millis(naive_ms)?.naive_utc();
    match zone.from_local_datetime(&naive) {
        MappedLocalTime::Single(at) => Some(at.timestamp_millis()),
        MappedLocalTime::Ambiguous(first, second) => {
            let (first, second) = (first.timestamp_millis(), second.timestamp_millis());
            Some(if last_ms >= first { second } else { first })
        }
        MappedLocalTime::None => None,
    }
}

fn iso(ms: i64) -> String {
    DateTime::from_timestamp_millis(ms).map(|t| t.to_string().replace(" UTC", "Z")).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::testing::write_text;

    fn read(text: &str, zone: Option<Tz>) -> Result<Small<PriceRow>, ContractError> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("prices.csv");
        write_text(&path, text);
        let layout = PriceLayout { time: "t".to_owned(), price: "pence".to_owned(), factor: 0.01, zone };
        read_prices(&path, &layout)
    }

    #[test]
    fn prices_may_be_below_nothing_and_gaps_are_named() {
        let small = read("t,pence\n2026-03-01T00:30Z,-1.5\n2026-03-01T00:00Z,25\n2026-03-01T02:00Z,x\n2026-03-01T03:00Z,1\n", None).unwrap();
        let prices: Vec<i64> = small.rows.iter().map(|r| r.price.0).collect();
        assert_eq!(prices, [250_000, -15_000, 10_000]);
        assert!(small.problems[0].to_string().contains("`x` is no number"), "{:?}", small.problems);
        assert!(
            small.remarks[0]
                .to_string()
                .contains("no price from 2026-03-01 01:00:00Z to 2026-03-01 03:00:00Z")
        );
        assert!(read("t,pence\n2026-03-01T00:30,1\n", None).is_err());
    }

    #[test]
    fn local_days_of_48_rows_lack_an_hour_in_autumn_and_have_one_too_many_in_spring() {
        let zone = Some(chrono_tz::Europe::London);
        let day = |date: &str| -> String {
            (0..48).map(|i| format!("{date}T{:02}:{:02},1\n", i / 2, i % 2 * 30)).collect()
        };
        let spring = read(&format!("t,pence\n{}", day("2013-03-31")), zone).unwrap();
        assert_eq!((spring.rows.len(), spring.problems.len()), (46, 2));
        assert!(spring.problems[0].to_string().contains("skipped by a change of hour"));
        let autumn = read(&format!("t,pence\n{}", day("2013-10-27")), zone).unwrap();
        assert_eq!((autumn.rows.len(), autumn.problems.len(), autumn.remarks.len()), (48, 0, 1));
    }
}
