//! Rows of a small table as texts by column, whatever the file's format.

use std::path::Path;

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch};
use arrow::datatypes::DataType;
use chrono::{DateTime, Datelike, NaiveDate};
use drawoff_contract::mapping::TimeFormat;
use drawoff_contract::mapping_row::parse_number;
use drawoff_contract::{ContractError, Day};

use crate::intake::time::{NO_TIME, times};
use crate::output::read_batches;
use crate::register::{check_columns, line_of};

/// What a mapping says of a small table as a whole.
pub(super) struct Layout<'m> {
    /// Name of the mapping's section.
    pub(super) section: &'static str,
    /// Key of the pipeline that names the file.
    pub(super) key: &'static str,
    pub(super) separator: u8,
    pub(super) decimal: char,
    /// Columns that must be there.
    pub(super) columns: Vec<&'m str>,
}

/// The rows of one file that are not empty.
pub(super) struct Lines<'m> {
    pub(super) subject: String,
    layout: Layout<'m>,
    /// Where each row stands, and its cells in the order of the layout's columns.
    rows: Vec<(String, Vec<Option<String>>)>,
    /// Rows that are no text, and so left out.
    pub(super) broken: Vec<ContractError>,
}

/// Reads all rows; Parquet by the ending of the file's name, else separated text.
///
/// # Errors
/// When the file cannot be read, or lacks columns: all of them in one message.
pub(super) fn lines<'m>(path: &Path, layout: Layout<'m>) -> Result<Lines<'m>, ContractError> {
    let hint = format!("check `{}`", layout.key);
    let mut lines =
        Lines { subject: path.display().to_string(), layout, rows: Vec::new(), broken: Vec::new() };
    if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("parquet")) {
        for batch in read_batches(path).map_err(|e| if e.hint.is_none() { e.with_hint(&hint) } else { e })? {
            lines.batch(&batch)?;
        }
    } else {
        lines.text(&crate::disk::text(path).map_err(|e| e.with_hint(&hint))?)?;
    }
    Ok(lines)
}

impl<'m> Lines<'m> {
    fn text(&mut self, text: &str) -> Result<(), ContractError> {
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(self.layout.separator)
            .flexible(true)
            .from_reader(text.as_bytes());
        let header = reader.headers().map_err(|e| ContractError::new(&self.subject, e.to_string()))?.clone();
        let names: Vec<&str> = header.iter().map(str::trim).collect();
        check_columns(&self.subject, &names, &self.layout.columns, self.layout.section)?;
        let positions: Vec<usize> =
            self.layout.columns.iter().filter_map(|c| names.iter().position(|n| n == c)).collect();
        for record in reader.records() {
            let record = match record {
                Ok(record) => record,
                Err(e) => {
                    let hint = "the rows from here on are left out";
                    self.broken.push(ContractError::new(&self.subject, e.to_string()).with_hint(hint));
                    break;
                }
            };
            if record.iter().all(|field| field.trim().is_empty()) {
                continue;
            }
            let number = record.position().map_or(0, |at| line_of(text, at));
            let cells = positions.iter().map(|&p| record.get(p).and_then(filled)).collect();
            self.rows.push((format!("line {number}"), cells));
        }
        Ok(())
    }

    fn batch(&mut self, batch: &RecordBatch) -> Result<(), ContractError> {
        let schema = batch.schema();
        let names: Vec<&str> = schema.fields().iter().map(|f| f.name().as_str()).collect();
        check_columns(&self.subject, &names, &self.layout.columns, self.layout.section)?;
        let mut columns: Vec<Vec<Option<String>>> = Vec::new();
        for name in &self.layout.columns {
            let Some(column) = batch.column_by_name(name) else { continue };
            columns.push(self.texts(name, column)?);
        }
        let before = self.rows.len();
        for i in 0..batch.num_rows() {
            let cells = columns.iter_mut().map(|c| c[i].take()).collect();
            self.rows.push((format!("row {}", before + i + 1), cells));
        }
        Ok(())
    }

    /// A column as the texts that a CSV of the same layout would hold.
    fn texts(&self, name: &str, column: &ArrayRef) -> Result<Vec<Option<String>>, ContractError> {
        if let DataType::Timestamp(..) = column.data_type() {
            let times = times(column, TimeFormat::Timestamp)
                .map_err(|e| ContractError::new(&self.subject, format!("column `{name}`: {e}")))?;
            let end = if times.naive.is_some() { "" } else { "Z" };
            return Ok(times.ms.into_iter().map(|ms| iso_time(ms, end)).collect());
        }
        let is_number = column.data_type().is_numeric();
        let texts = arrow::compute::cast(column, &DataType::Utf8).map_err(|_| {
            let message =
                format!("column `{name}` holds {}, which is no text, number or time", column.data_type());
            ContractError::new(&self.subject, message)
        })?;
        let texts = texts.as_string::<i32>();
        let cell = |i| {
            let cell = filled((!texts.is_null(i)).then(|| texts.value(i))?)?;
            Some(if is_number { cell.replace('.', &self.layout.decimal.to_string()) } else { cell })
        };
        Ok((0..texts.len()).map(cell).collect())
    }

    pub(super) fn rows(&self) -> impl Iterator<Item = Line<'_>> {
        self.rows.iter().map(|(place, cells)| Line { lines: self, place, cells })
    }

    /// A problem of the table as a whole.
    pub(super) fn whole(&self, message: &str, hint: &str) -> ContractError {
        ContractError::new(&self.subject, message).with_hint(hint)
    }
}

/// An instant as ISO text; `None` where there is none.
fn iso_time(ms: i64, end: &str) -> Option<String> {
    let at = DateTime::from_timestamp_millis(ms).filter(|_| ms != NO_TIME)?;
    Some(format!("{:?}{end}", at.naive_utc()))
}

fn filled(cell: &str) -> Option<String> {
    let cell = cell.trim();
    (!cell.is_empty()).then(|| cell.to_owned())
}

/// One row. What is wrong with it is said with its column.
pub(super) struct Line<'a> {
    lines: &'a Lines<'a>,
    place: &'a str,
    cells: &'a [Option<String>],
}

impl<'a> Line<'a> {
    /// A problem that costs this row.
    pub(super) fn problem(&self, message: &str) -> ContractError {
        let subject = format!("{} {}", self.lines.subject, self.place);
        ContractError::new(subject, message).with_hint("mend the line; it is left out")
    }

    /// The cell of a column; `None` when it is empty.
    pub(super) fn text(&self, column: &str) -> Option<&'a str> {
        let position = self.lines.layout.columns.iter().position(|c| *c == column)?;
        self.cells.get(position)?.as_deref()
    }

    /// The cell of a column that must be filled.
    pub(super) fn need(&self, column: &str) -> Result<&'a str, String> {
        self.text(column).ok_or_else(|| format!("column `{column}`: the cell is empty"))
    }

    /// A finite number; `None` when the cell is empty.
    pub(super) fn number(&self, column: &str) -> Result<Option<f64>, String> {
        let Some(text) = self.text(column) else { return Ok(None) };
        let number = parse_number(text, self.lines.layout.decimal);
        number.map(Some).ok_or_else(|| format!("column `{column}`: `{text}` is no number"))
    }

    /// A calendar day, ISO; `None` when the cell is empty.
    pub(super) fn day(&self, column: &str) -> Result<Option<Day>, String> {
        let Some(text) = self.text(column) else { return Ok(None) };
        let day = iso_day(text);
        day.map(Some).ok_or_else(|| format!("column `{column}`: `{text}` is no day like 2026-03-29"))
    }
}

/// "2026-03-29", also with a midnight behind it, as files of timestamps have days.
fn iso_day(text: &str) -> Option<Day> {
    let (date, time) = text.split_at_checked(10)?;
    let is_midnight = time.is_empty()
        || (time.starts_with(['T', ' '])
            && time[1..].bytes().all(|b| matches!(b, b'0' | b':' | b'.' | b'Z')));
    let number = |from: usize, to: usize| -> Option<u32> {
        let digits = date.get(from..to).filter(|d| d.bytes().all(|b| b.is_ascii_digit()))?;
        digits.parse().ok()
    };
    if !is_midnight || date.get(4..5) != Some("-") || date.get(7..8) != Some("-") {
        return None;
    }
    let year = i32::try_from(number(0, 4)?).ok().filter(|y| (1900..=2200).contains(y))?;
    let date = NaiveDate::from_ymd_opt(year, number(5, 7)?, number(8, 10)?)?;
    Some(Day(date.num_days_from_ce() - 719_163))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days() {
        assert_eq!(iso_day("1970-01-02"), Some(Day(1)));
        assert_eq!(iso_day("2026-03-29T00:00:00"), Some(Day(20_541)));
        for bad in
            ["", "29.03.2026", "2026-02-30", "2026-03-29T01:00", "2026-3-29", "+026-03-29", "2026-03-2é"]
        {
            assert_eq!(iso_day(bad), None, "{bad}");
        }
    }
}
