//! Time columns of any format as instants in UTC.

use arrow::array::{Array, ArrayRef, AsArray};
use arrow::datatypes::{
    DataType, Int64Type, TimeUnit, TimestampMicrosecondType, TimestampMillisecondType,
    TimestampNanosecondType, TimestampSecondType,
};
use arrow::error::ArrowError;
use chrono::{DateTime, MappedLocalTime, NaiveDate, Offset, TimeZone};
use chrono_tz::Tz;
use drawoff_contract::mapping::TimeFormat;

use crate::intake::names::by_text;

/// No time in this row, or one that cannot be read.
pub(crate) const NO_TIME: i64 = i64::MIN;
/// 1990-01-01T00:00Z and 2100-01-01T00:00Z: a stamp outside is absurd.
pub(crate) const SENSIBLE_MS: std::ops::Range<i64> = 631_152_000_000..4_102_444_800_000;

const QUARTER_MS: i64 = 900_000;

/// A time column: milliseconds, UTC or, where `naive`, local clock time.
pub(crate) struct Times {
    /// Milliseconds since 1970-01-01 of UTC or of the local clock; [`NO_TIME`] where there is none.
    pub(crate) ms: Vec<i64>,
    /// Whether each row is local clock time; `None` when no row is.
    pub(crate) naive: Option<Vec<bool>>,
}

/// Reads a time column.
///
/// # Errors
/// When the column's type does not suit the format.
pub(crate) fn times(array: &ArrayRef, format: TimeFormat) -> Result<Times, ArrowError> {
    let is_text = matches!(
        array.data_type(),
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View | DataType::Dictionary(..)
    );
    match format {
        TimeFormat::Timestamp if !is_text => timestamps(array),
        TimeFormat::Timestamp | TimeFormat::Iso => iso_texts(array),
        TimeFormat::EpochS => Ok(absolute(epochs(array)?, |v| v.saturating_mul(1000))),
        TimeFormat::EpochMs => Ok(absolute(epochs(array)?, |v| v)),
        TimeFormat::EpochUs => Ok(absolute(epochs(array)?, |v| v.div_euclid(1000))),
    }
}

/// Scales; a saturated product must not look like [`NO_TIME`].
fn absolute(values: Vec<i64>, scale: impl Fn(i64) -> i64) -> Times {
    let ms = values.into_iter().map(|v| if v == NO_TIME { v } else { scale(v).max(NO_TIME + 1) });
    Times { ms: ms.collect(), naive: None }
}

fn epochs(array: &ArrayRef) -> Result<Vec<i64>, ArrowError> {
    match array.data_type() {
        DataType::Int64 => Ok(whole(array)),
        DataType::Dictionary(_, values) if !values.is_numeric() => by_text(array, NO_TIME, epochs),
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => {
            let texts = arrow::compute::cast(array, &DataType::Utf8)?;
            let parse = |t: &str| {
                t.trim().parse::<i64>().ok().or_else(|| t.trim().parse::<f64>().ok().and_then(rounded))
            };
            Ok(texts.as_string::<i32>().iter().map(|t| t.and_then(parse).unwrap_or(NO_TIME)).collect())
        }
        DataType::Float16 | DataType::Float32 | DataType::Float64 => {
            let floats = arrow::compute::cast(array, &DataType::Float64)?;
            let floats = floats.as_primitive::<arrow::datatypes::Float64Type>();
            Ok(floats.iter().map(|v| v.and_then(rounded).unwrap_or(NO_TIME)).collect())
        }
        _ => Ok(whole(&arrow::compute::cast(array, &DataType::Int64)?)),
    }
}

fn rounded(value: f64) -> Option<i64> {
    value.is_finite().then(|| value.round() as i64)
}

fn whole(array: &ArrayRef) -> Vec<i64> {
    let array = array.as_primitive::<Int64Type>();
    if array.null_count() == 0 {
        return array.values().to_vec();
    }
    array.iter().map(|v| v.unwrap_or(NO_TIME)).collect()
}

fn timestamps(array: &ArrayRef) -> Result<Times, ArrowError> {
    let DataType::Timestamp(unit, zone) = array.data_type() else {
        return Err(ArrowError::CastError(format!("{} is no timestamp", array.data_type())));
    };
    let raw: Vec<i64> = match unit {
        TimeUnit::Second => array.as_primitive::<TimestampSecondType>().iter().map(or_none).collect(),
        TimeUnit::Millisecond => {
            array.as_primitive::<TimestampMillisecondType>().iter().map(or_none).collect()
        }
        TimeUnit::Microsecond => {
            array.as_primitive::<TimestampMicrosecondType>().iter().map(or_none).collect()
        }
        TimeUnit::Nanosecond => array.as_primitive::<TimestampNanosecondType>().iter().map(or_none).collect(),
    };
    let times = absolute(raw, |v| match unit {
        TimeUnit::Second => v.saturating_mul(1000),
        TimeUnit::Millisecond => v,
        TimeUnit::Microsecond => v.div_euclid(1000),
        TimeUnit::Nanosecond => v.div_euclid(1_000_000),
    });
    let naive = zone.is_none().then(|| vec![true; times.ms.len()]);
    Ok(Times { naive, ..times })
}

fn or_none(value: Option<i64>) -> i64 {
    value.unwrap_or(NO_TIME)
}

fn iso_texts(array: &ArrayRef) -> Result<Times, ArrowError> {
    let (ms, naive): (Vec<i64>, Vec<bool>) = iso_instants(array)?.into_iter().unzip();
    Ok(Times { ms, naive: naive.contains(&true).then_some(naive) })
}

/// Reads "2026-03-29T01:05", with seconds and fraction if given, `T` or a space between, and an offset if given.
///
/// The second part says whether there was no offset.
pub(crate) fn parse_iso(text: &str) -> Option<(i64, bool)> {
    let bytes = text.trim().as_bytes();
    let number = |from: usize, to: usize| -> Option<i64> {
        let digits = bytes.get(from..to)?;
        digits.iter().try_fold(0_i64, |n, b| b.is_ascii_digit().then(|| n * 10 + i64::from(b - b'0')))
    };
    let sign = |at: usize, signs: &[u8]| bytes.get(at).is_some_and(|b| signs.contains(b));
    if !(sign(4, b"-") && sign(7, b"-") && sign(10, b"T t") && sign(13, b":")) {
        return None;
    }
    let year = i32::try_from(number(0, 4)?).ok()?;
    let (month, day) = (u32::try_from(number(5, 7)?).ok()?, u32::try_from(number(8, 10)?).ok()?);
    let (hour, minute) = (number(11, 13)?, number(14, 16)?);
    let mut at = 16;
    let mut second_ms = 0;
    if sign(at, b":") {
        second_ms = number(17, 19)? * 1000;
        at = 19;
        if sign(at, b".,") {
            let digits = bytes[at + 1..].iter().take_while(|b| b.is_ascii_digit()).count();
            let kept = digits.min(3);
            second_ms += number(at + 1, at + 1 + kept)? * [1000, 100, 10, 1].get(kept)?;
            at += 1 + digits;
        }
    }
    if hour > 24 || minute > 59 || second_ms > 59_999 {
        return None;
    }
    let days = NaiveDate::from_ymd_opt(year, month, day)?.to_epoch_days();
    let local = i64::from(days) * 86_400_000 + hour * 3_600_000 + minute * 60_000 + second_ms;
    match bytes.get(at..)? {
        [] => Some((local, true)),
        b"Z" | b"z" => Some((local, false)),
        [east @ (b'+' | b'-'), offset @ ..] => {
            let (hours, minutes) = match offset.len() {
                2 => (number(at + 1, at + 3)?, 0),
                4 => (number(at + 1, at + 3)?, number(at + 3, at + 5)?),
                5 if offset[2] == b':' => (number(at + 1, at + 3)?, number(at + 4, at + 6)?),
                _ => return None,
            };
            let offset_ms = (hours * 60 + minutes) * 60_000;
            Some((if *east == b'+' { local - offset_ms } else { local + offset_ms }, false))
        }
        _ => None,
    }
}

/// Which pass through a repeated hour a run of rows is in.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Pass {
    last_local_ms: Option<i64>,
    second: bool,
}

/// Local clock time to instants, remembering the last quarter of an hour.
pub(crate) struct Clock {
    zone: Tz,
    hourly: bool,
    quarter: i64,
    offsets: MappedLocalTime<i64>,
}

impl Clock {
    /// A clock of a zone. With a cadence of an hour or more a repeated stamp is the second pass, not a copy.
    pub(crate) fn new(zone: Tz, cadence_min: Option<f64>) -> Self {
        let hourly = cadence_min.is_some_and(|m| m >= 60.0);
        Self { zone, hourly, quarter: i64::MIN, offsets: MappedLocalTime::None }
    }

    /// The instant of a local time; `None` when the change of hour skips it.
    ///
    /// A repeated local time belongs to the first pass until the clock is seen to step back. Each file starts with
    /// the first pass: a file that begins within the second one cannot be told from its rows.
    pub(crate) fn instant(&mut self, local_ms: i64, pass: &mut Pass) -> Option<i64> {
        let quarter = local_ms.div_euclid(QUARTER_MS);
        if quarter != self.quarter {
            self.quarter = quarter;
            self.offsets = offsets_ms(self.zone, quarter * QUARTER_MS);
        }
        match self.offsets {
            MappedLocalTime::None => None,
            MappedLocalTime::Single(offset) => {
                *pass = Pass::default();
                Some(local_ms - offset)
            }
            MappedLocalTime::Ambiguous(first, second) => {
                let stepped_back = pass
                    .last_local_ms
                    .is_some_and(|last| local_ms < last || (self.hourly && local_ms == last));
                pass.second |= stepped_back;
                pass.last_local_ms = Some(local_ms);
                Some(local_ms - if pass.second { second } else { first })
            }
        }
    }
}

/// Offsets from UTC that hold at a local time. Zones change their offset at whole quarters of local time.
fn offsets_ms(zone: Tz, local_ms: i64) -> MappedLocalTime<i64> {
    let Some(local) = DateTime::from_timestamp_millis(local_ms) else { return MappedLocalTime::None };
    zone.offset_from_local_datetime(&local.naive_utc())
        .map(|offset| i64::from(offset.fix().local_minus_utc()) * 1000)
}

fn iso_instants(array: &ArrayRef) -> Result<Vec<(i64, bool)>, ArrowError> {
    const NONE: (i64, bool) = (NO_TIME, false);
    if matches!(array.data_type(), DataType::Dictionary(..)) {
        return by_text(array, NONE, iso_instants);
    }
    let texts = arrow::compute::cast(array, &DataType::Utf8)?;
    Ok(texts.as_string::<i32>().iter().map(|text| text.and_then(parse_iso).unwrap_or(NONE)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR: i64 = 3_600_000;

    fn iso(text: &str) -> Option<(i64, bool)> {
        parse_iso(text)
    }

    #[test]
    fn iso_texts_with_and_without_offsets() {
        // 2026-03-29 is day 20541 since 1970-01-01.
        let noon = 20_541 * 86_400_000 + 12 * HOUR;
        assert_eq!(iso("2026-03-29T12:00:00Z"), Some((noon, false)));
        assert_eq!(iso("2026-03-29 12:00"), Some((noon, true)));
        assert_eq!(iso("2026-03-29T14:00:00+02:00"), Some((noon, false)));
        assert_eq!(iso("2026-03-29T06:30:00.250-0530"), Some((noon + 250, false)));
        assert_eq!(iso("2026-03-29T12:00:00.123456789Z"), Some((noon + 123, false)));
        for bad in [
            "",
            "2026-03-29",
            "2026-02-30T00:00",
            "29.03.2026 12:00",
            "2026-03-29T12:61",
            "2026-03-29T12:00:00x",
        ] {
            assert_eq!(iso(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_skipped_hour_is_no_instant() {
        let mut clock = Clock::new(chrono_tz::Europe::Berlin, Some(5.0));
        let mut pass = Pass::default();
        let (two, _) = iso("2026-03-29T02:05").unwrap();
        assert_eq!(clock.instant(two, &mut pass), None);
        let (three, _) = iso("2026-03-29T03:00").unwrap();
        assert_eq!(clock.instant(three, &mut pass), Some(iso("2026-03-29T01:00Z").unwrap().0));
    }

    #[test]
    fn a_repeated_hour_is_told_apart_by_order() {
        let mut clock = Clock::new(chrono_tz::Europe::Berlin, Some(20.0));
        let mut pass = Pass::default();
        let local =
            ["01:40", "02:00", "02:20", "02:40", "02:40", "02:00", "02:20", "02:40", "03:00"].map(|hm| {
                let (ms, _) = iso(&format!("2025-10-26T{hm}")).unwrap();
                clock.instant(ms, &mut pass).unwrap()
            });
        let utc = ["23:40", "00:00", "00:20", "00:40", "00:40", "01:00", "01:20", "01:40", "02:00"];
        for (i, (found, hm)) in local.iter().zip(utc).enumerate() {
            let day = if i == 0 { "2025-10-25" } else { "2025-10-26" };
            assert_eq!(*found, iso(&format!("{day}T{hm}Z")).unwrap().0, "row {i}");
        }
    }

    #[test]
    fn hourly_stamps_repeat_once() {
        let mut clock = Clock::new(chrono_tz::Europe::Berlin, Some(60.0));
        let mut pass = Pass::default();
        let (two, _) = iso("2025-10-26T02:00").unwrap();
        let first = clock.instant(two, &mut pass).unwrap();
        assert_eq!(clock.instant(two, &mut pass), Some(first + HOUR));
    }
}
