//! A result table as CSV that a spreadsheet opens without running anything in it.

use arrow::array::RecordBatch;
use drawoff_contract::Table;

use crate::values::{self, Column, Value};
use crate::{text, words};

/// The table as CSV (RFC 4180: commas, CRLF, quotes doubled), header first, UTF-8.
///
/// Null, NaN and infinity are empty; lists are joined by `|`; instants are ISO 8601 UTC with Z; money is in main
/// units. Text that could be read as a formula gets an apostrophe before it, and hidden characters become visible
/// (after the advice on CSV injection of the OWASP foundation, from memory).
#[must_use]
pub fn csv<T: Table>(rows: Vec<T>) -> String {
    head::<T>() + &lines(rows)
}

/// The first line of the table as CSV.
#[must_use]
pub fn head<T: Table>() -> String {
    T::columns().iter().map(|c| c.name).collect::<Vec<_>>().join(",") + "\r\n"
}

/// The lines of some rows as CSV, without the first.
#[must_use]
pub fn lines<T: Table>(rows: Vec<T>) -> String {
    let (columns, row_count) = values::columns(rows);
    laid_out(&columns, row_count)
}

/// A batch that a table was written as, or some of its columns, as CSV, header first.
#[must_use]
pub fn of_batch(batch: &RecordBatch) -> String {
    let schema = batch.schema();
    let head: Vec<&str> = schema.fields().iter().map(|f| f.name().as_str()).collect();
    head.join(",") + "\r\n" + &laid_out(&values::batch_columns(batch), batch.num_rows())
}

fn laid_out(columns: &[Column], row_count: usize) -> String {
    let mut out = String::new();
    for i in 0..row_count {
        for (n, column) in columns.iter().enumerate() {
            if n > 0 {
                out.push(',');
            }
            out.push_str(&field(&column.value(i)));
        }
        out.push_str("\r\n");
    }
    out
}

fn field(value: &Value<'_>) -> String {
    match value {
        Value::Null => String::new(),
        Value::Text(text) => quoted(&harmless(text)),
        Value::Flag(flag) => flag.to_string(),
        Value::Number(number) => values::number(*number),
        Value::Whole(whole) => whole.to_string(),
        Value::Money(money) => words::money_decimal(*money),
        Value::Day(day) => words::iso_day(*day),
        Value::Instant(instant) => words::iso_instant(*instant),
        Value::List(list) => list.iter().map(|&v| values::short_number(v)).collect::<Vec<_>>().join("|"),
    }
}

fn harmless(data: &str) -> String {
    // Spreadsheets skip leading blanks of any kind, and some take the full-width forms of the signs.
    let first = data.trim_start_matches(' ').chars().next();
    let after_blanks = data.trim_start().chars().next();
    let starts_formula = matches!(first, Some('\t' | '\r' | '\n'))
        || matches!(
            after_blanks,
            Some('=' | '+' | '-' | '@' | '\u{ff1d}' | '\u{ff0b}' | '\u{ff0d}' | '\u{ff20}')
        );
    let shown = text::visible(data);
    if starts_formula { format!("'{shown}") } else { shown }
}

fn quoted(field: &str) -> String {
    // A semicolon parts fields for readers in some countries; quoting keeps it inside.
    let needs_quotes =
        field.contains([',', '"', ';', '|']) || field.starts_with([' ', '\'']) || field.ends_with(' ');
    if needs_quotes { format!("\"{}\"", field.replace('"', "\"\"")) } else { field.to_owned() }
}

#[cfg(test)]
mod tests {
    use drawoff_contract::results::{DrawOffRow, EvidenceRow, VisitRow};
    use drawoff_contract::{Money, Utc};

    use super::*;

    fn draw(home: &str) -> DrawOffRow {
        DrawOffRow {
            home: home.to_owned(),
            start: Utc(0),
            end: Utc(300_000),
            litres: 12.5,
            energy_kwh: f64::NAN,
            class_small: None,
            class_shower: None,
            class_bath: None,
        }
    }

    #[test]
    fn a_plain_row_is_plain() {
        assert_eq!(
            csv(vec![draw("H 1")]),
            "home,start,end,litres,energy_kwh,class_small,class_shower,class_bath\r\n\
             H 1,1970-01-01T00:00:00Z,1970-01-01T00:05:00Z,12.5,,,,\r\n"
        );
    }

    #[test]
    fn a_batch_is_written_as_its_rows_are() {
        let rows = vec![draw("=1"), draw("H 2")];
        assert_eq!(of_batch(&DrawOffRow::to_batch(rows.clone()).unwrap()), csv(rows));
    }

    #[test]
    fn text_never_becomes_a_formula_or_a_control_code() {
        for hostile in [
            "=1+1",
            "+1",
            "-1",
            "@sum",
            "\t=1",
            "\r=1",
            "\n=1",
            "  =1",
            "a;=1+1",
            "\u{2000}-1",
            "a\",\"=1",
            "\u{ff1d}1",
            "x\u{1b}[2J",
            "a\u{202e}b",
            "a\r\n=1,b",
        ] {
            let out = csv(vec![draw(hostile)]);
            assert_eq!(out.matches('\n').count(), 2, "{hostile:?}");
            assert!(!out.replace("\r\n", "").chars().any(text::is_hidden), "{hostile:?}");
            let first = out
                .split("\r\n")
                .nth(1)
                .unwrap()
                .trim_start_matches('"')
                .trim_start()
                .chars()
                .next()
                .unwrap();
            assert!(!"=+-@\u{ff1d} ".contains(first), "{hostile:?}: {out}");
        }
        assert!(csv(vec![draw("a\",\"=1")]).contains("\"a\"\",\"\"=1\""));
    }

    #[test]
    fn lists_money_and_flags() {
        let row = EvidenceRow {
            home: "h".to_owned(),
            time: Utc(1),
            probes_degc: vec![60.1, f32::NAN, 12.0],
            power_w: None,
            call: Some(1.0),
            surroundings_degc: Some(f64::INFINITY),
        };
        assert!(csv(vec![row]).ends_with("h,1970-01-01T00:00:00.001Z,60.1||12,,1,\r\n"));
        let head = csv(Vec::<VisitRow>::new());
        assert!(
            head.starts_with(
                "rank,home,area,fault,problem,safety,worth,worth_p05,worth_p95,probability,since,"
            )
        );
        assert_eq!(field(&Value::Money(Money(-5_250_000))), "-5.25");
    }
}
