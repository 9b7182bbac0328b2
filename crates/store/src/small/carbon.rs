//! The series of carbon intensities.

use std::path::Path;

use drawoff_contract::mapping::{CarbonMapping, Stamp, TimeFormat};
use drawoff_contract::small_tables::CarbonRow;
use drawoff_contract::{ContractError, Utc};

use super::Small;
use super::lines::{Layout, Line, lines};
use crate::intake::time::{SENSIBLE_MS, parse_iso};

/// Above what burning peat or lignite in an old plant gives off (common practice, no source): another unit.
const DIRTIEST_G_PER_KWH: f64 = 3000.0;
/// Gaps that are named one by one; more of them are counted.
const NAMED_GAPS: usize = 20;

/// Reads carbon intensities, sorted by time.
///
/// A row whose interval is there already, or overlaps an earlier one, is left out. Gaps are remarks.
///
/// # Errors
/// When the file cannot be read, mapped columns are missing, or no row can be used.
pub fn read_carbon(path: &Path, mapping: &CarbonMapping) -> Result<Small<CarbonRow>, ContractError> {
    let layout = Layout {
        section: "carbon",
        key: "inputs.carbon",
        separator: mapping.separator,
        decimal: mapping.decimal,
        columns: mapping.columns(),
    };
    let lines = lines(path, layout)?;
    let mut problems = lines.broken.clone();
    let mut read: Vec<(CarbonRow, Line<'_>)> = Vec::new();
    for line in lines.rows() {
        match row(&line, mapping) {
            Ok(row) => read.push((row, line)),
            Err(message) => problems.push(line.problem(&message)),
        }
    }
    // Stable: of two rows of one interval the first in the file is kept.
    read.sort_by_key(|(row, _)| row.from);
    let mut small = Small { rows: Vec::new(), problems, remarks: Vec::new() };
    let mut gaps = Vec::new();
    for (row, line) in read {
        let last: Option<&CarbonRow> = small.rows.last();
        match last {
            Some(last) if row.from == last.from => {
                let message = format!("the interval from {} is given a second time", iso(row.from));
                small.problems.push(line.problem(&message));
                continue;
            }
            Some(last) if row.from < last.to => {
                let message =
                    format!("the interval from {} overlaps the one from {}", iso(row.from), iso(last.from));
                small.problems.push(line.problem(&message));
                continue;
            }
            Some(last) if row.from > last.to => gaps.push((last.to, row.from)),
            _ => {}
        }
        small.rows.push(row);
    }
    if small.rows.is_empty() {
        let mut error = lines
            .whole("no carbon intensity could be read", "one line an interval, below a line of column names");
        if let Some(first) = small.problems.first() {
            error.message = format!("{}; {first}", error.message);
        }
        return Err(error);
    }
    let hint = "means leave the gap out; export it again to close it";
    for (from, to) in gaps.iter().take(NAMED_GAPS) {
        small.remarks.push(lines.whole(&format!("no intensity from {} to {}", iso(*from), iso(*to)), hint));
    }
    if let Some(more) = gaps.len().checked_sub(NAMED_GAPS).filter(|n| *n > 0) {
        small.remarks.push(lines.whole(&format!("{more} more gaps"), hint));
    }
    Ok(small)
}

fn row(line: &Line<'_>, m: &CarbonMapping) -> Result<CarbonRow, String> {
    let stamp_ms = instant(line.need(&m.time_column)?, m.time_format)
        .map_err(|why| format!("column `{}`: {why}", m.time_column))?;
    let column = &m.intensity.column;
    let value = line.number(column)?.ok_or_else(|| format!("column `{column}`: the cell is empty"))?;
    let g_per_kwh = value * m.intensity.factor + m.intensity.offset;
    if !(0.0..=DIRTIEST_G_PER_KWH).contains(&g_per_kwh) {
        let message = format!("{value} is not between 0 and {DIRTIEST_G_PER_KWH} g/kWh once converted");
        return Err(format!("column `{column}`: {message}; check the unit"));
    }
    let length_ms = (m.interval_min * 60_000.0).round() as i64;
    let from_ms = if m.stamp == Stamp::Start { stamp_ms } else { stamp_ms - length_ms };
    Ok(CarbonRow {
        from: Utc(from_ms),
        to: Utc(from_ms + length_ms),
        g_per_kwh,
        kind: m.kind.code().to_owned(),
        basis: m.basis.code().to_owned(),
    })
}

fn instant(text: &str, format: TimeFormat) -> Result<i64, String> {
    let whole = |scale: f64| {
        let number: Option<f64> = text.parse().ok().filter(|v: &f64| v.is_finite());
        // Far-off numbers saturate, and are refused below.
        number.map(|v| (v * scale).round() as i64)
    };
    let ms = match format {
        TimeFormat::EpochS => whole(1000.0),
        TimeFormat::EpochMs => whole(1.0),
        TimeFormat::EpochUs => whole(0.001),
        TimeFormat::Iso | TimeFormat::Timestamp => match parse_iso(text) {
            Some((_, true)) => return Err(format!("`{text}` has neither Z nor an offset; times are UTC")),
            found => found.map(|(ms, _)| ms),
        },
    };
    ms.filter(|ms| SENSIBLE_MS.contains(ms))
        .ok_or_else(|| format!("`{text}` is no time of the mapping's format"))
}

fn iso(at: Utc) -> String {
    chrono::DateTime::from_timestamp_millis(at.0)
        .map(|t| t.to_string().replace(" UTC", "Z"))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::testing::{write_parquet, write_text};
    use arrow::array::{Float64Array, Int64Array, TimestampNanosecondArray};
    use drawoff_contract::mapping::UnitColumn;
    use std::sync::Arc;

    const HALF_HOUR: i64 = 1_800_000;
    /// 2026-03-09T00:00Z.
    const START: i64 = 1_773_014_400_000;

    fn read(text: &str) -> Result<Small<CarbonRow>, ContractError> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("carbon.csv");
        write_text(&path, text);
        read_carbon(&path, &CarbonMapping::default())
    }

    fn texts(problems: &[ContractError]) -> Vec<String> {
        problems.iter().map(|e| format!("{} {}", e.subject.rsplit('/').next().unwrap(), e.message)).collect()
    }

    #[test]
    fn bad_rows_copies_and_gaps_are_named() {
        let small = read(
            "from,g_per_kwh\n2026-03-09T01:00Z,150\n2026-03-09T00:00Z,100.5\n2026-03-09T00:00:00Z,999\n\
             2026-03-09T00:45Z,140\n2026-03-09T01:15Z,1\n2026-03-09T02:00,120\n2026-03-09T02:00Z,-4\n\
             2026-03-09T04:00+01:00,130\nsoon,1\n2026-03-09T05:00Z,\n",
        )
        .unwrap();
        let from: Vec<i64> = small.rows.iter().map(|r| (r.from.0 - START) / 900_000).collect();
        assert_eq!(from, [0, 3, 5, 12]);
        assert_eq!((small.rows[0].g_per_kwh, small.rows[0].to.0), (100.5, START + HALF_HOUR));
        assert_eq!(
            texts(&small.problems),
            [
                "carbon.csv line 7 column `from`: `2026-03-09T02:00` has neither Z nor an offset; times are UTC",
                "carbon.csv line 8 column `g_per_kwh`: -4 is not between 0 and 3000 g/kWh once converted; check the unit",
                "carbon.csv line 10 column `from`: `soon` is no time of the mapping's format",
                "carbon.csv line 11 column `g_per_kwh`: the cell is empty",
                "carbon.csv line 4 the interval from 2026-03-09 00:00:00Z is given a second time",
                "carbon.csv line 2 the interval from 2026-03-09 01:00:00Z overlaps the one from 2026-03-09 00:45:00Z",
            ]
        );
        assert_eq!(
            texts(&small.remarks),
            [
                "carbon.csv no intensity from 2026-03-09 00:30:00Z to 2026-03-09 00:45:00Z",
                "carbon.csv no intensity from 2026-03-09 01:45:00Z to 2026-03-09 03:00:00Z",
            ]
        );
    }

    #[test]
    fn many_gaps_are_counted() {
        let rows: String = (0..30).map(|day| format!("2026-03-{:02}T00:00Z,1\n", day + 1)).collect();
        let small = read(&format!("from,g_per_kwh\n{rows}")).unwrap();
        assert_eq!((small.rows.len(), small.problems.len(), small.remarks.len()), (30, 0, 21));
        assert_eq!(
            texts(&small.remarks)[0],
            "carbon.csv no intensity from 2026-03-01 00:30:00Z to 2026-03-02 00:00:00Z"
        );
        assert_eq!(texts(&small.remarks)[20], "carbon.csv 9 more gaps");
    }

    #[test]
    fn parquet_epochs_timestamps_and_kilograms() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("carbon.parquet");
        let stamps = [START, START + HALF_HOUR];
        let nanos: Vec<i64> = stamps.iter().map(|ms| ms * 1_000_000).collect();
        write_parquet(
            &path,
            vec![
                ("s", Arc::new(Int64Array::from(stamps.map(|ms| ms / 1000).to_vec()))),
                ("ns", Arc::new(TimestampNanosecondArray::from(nanos).with_timezone("UTC"))),
                ("kg", Arc::new(Float64Array::from(vec![0.125, 0.25]))),
            ],
            1,
        );
        let mapping = CarbonMapping {
            stamp: Stamp::End,
            intensity: UnitColumn { column: "kg".to_owned(), factor: 1000.0, offset: 0.0 },
            ..CarbonMapping::default()
        };
        for (column, time_format) in [("s", TimeFormat::EpochS), ("ns", TimeFormat::Iso)] {
            let mapping = CarbonMapping { time_column: column.to_owned(), time_format, ..mapping.clone() };
            let small = read_carbon(&path, &mapping).unwrap();
            assert_eq!(small.problems, []);
            assert_eq!(small.rows[0].from, Utc(START - HALF_HOUR));
            assert_eq!(small.rows.iter().map(|r| r.g_per_kwh).collect::<Vec<_>>(), [125.0, 250.0]);
        }
    }
}
