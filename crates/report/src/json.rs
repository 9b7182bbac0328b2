//! A result table as JSON: an array of objects, one row a line.

use drawoff_contract::Table;

use crate::values::{self, Value};
use crate::{text, words};

/// The table as JSON (RFC 8259), keys in file order.
///
/// Null, NaN and infinity are `null`; instants are ISO 8601 UTC with Z; money is a decimal number of main units.
/// Text is kept exactly: hidden characters are written as escapes.
#[must_use]
pub fn json<T: Table>(rows: Vec<T>) -> String {
    let (columns, row_count) = values::columns(rows);
    let mut out = String::from("[");
    for i in 0..row_count {
        out.push_str(if i == 0 { "\n{" } else { ",\n{" });
        for (n, column) in columns.iter().enumerate() {
            if n > 0 {
                out.push(',');
            }
            out.push_str(&format!("{}:{}", string(column.name), item(&column.value(i))));
        }
        out.push('}');
    }
    out.push_str("\n]\n");
    out
}

fn item(value: &Value<'_>) -> String {
    match value {
        Value::Null => "null".to_owned(),
        Value::Text(text) => string(text),
        Value::Flag(flag) => flag.to_string(),
        Value::Number(number) => values::number(*number),
        Value::Whole(whole) => whole.to_string(),
        Value::Money(money) => words::money_decimal(*money),
        Value::Day(day) => string(&words::iso_day(*day)),
        Value::Instant(instant) => string(&words::iso_instant(*instant)),
        Value::List(list) => {
            let items: Vec<String> = list
                .iter()
                .map(|&v| if v.is_finite() { values::short_number(v) } else { "null".to_owned() })
                .collect();
            format!("[{}]", items.join(","))
        }
    }
}

fn string(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            // Escaped so that the file can be pasted into a page without ending its script or comment.
            '<' | '>' | '&' => escape(c, &mut out),
            c if text::is_hidden(c) => escape(c, &mut out),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

fn escape(c: char, out: &mut String) {
    for unit in c.encode_utf16(&mut [0; 2]) {
        out.push_str(&format!("\\u{unit:04x}"));
    }
}

#[cfg(test)]
mod tests {
    use drawoff_contract::results::{EvidenceRow, FindingRow};
    use drawoff_contract::{Money, Utc};

    use super::*;

    #[test]
    fn hostile_text_reads_back_exactly() {
        let home = "\"\\\u{0}\u{1b}\u{202e}\u{2028}\u{e0041}</script>東京\r\n";
        let row = EvidenceRow {
            home: home.to_owned(),
            time: Utc(0),
            probes_degc: vec![1.5, f32::NAN],
            power_w: Some(f64::NAN),
            call: None,
            surroundings_degc: Some(1e300),
        };
        let out = json(vec![row.clone(), row]);
        assert_eq!(out.lines().count(), 4);
        assert!(!out.contains("</script>") && !out.contains('\u{202e}'));
        let read: serde_json::Value = serde_json::from_str(&out).unwrap();
        assert_eq!(read[0]["home"], home);
        assert_eq!(read[1]["probes_degc"], serde_json::json!([1.5, null]));
        assert_eq!(read[0]["power_w"], serde_json::Value::Null);
        assert_eq!(read[0]["surroundings_degc"], 1e300);
        assert_eq!(read[0]["time"], "1970-01-01T00:00:00Z");
    }

    #[test]
    fn an_empty_table_is_an_empty_array() {
        assert_eq!(json(Vec::<FindingRow>::new()), "[\n]\n");
        assert_eq!(item(&Value::Money(Money(1_250_000))), "1.25");
    }
}
