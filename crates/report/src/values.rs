//! Any result table, cell by cell, for the text formats.

use arrow::array::{
    Array, ArrayRef, AsArray, BooleanArray, Date32Array, Float32Array, Float64Array, Int64Array, ListArray,
    RecordBatch, StringArray, TimestampMillisecondArray,
};
use arrow::datatypes::{
    DataType, Date32Type, Field, Float32Type, Float64Type, Int64Type, TimeUnit, TimestampMillisecondType,
};
use drawoff_contract::{Day, Money, Table, Utc};

/// One cell. Numbers that are not finite are null.
#[derive(Clone, Debug, PartialEq)]
pub enum Value<'a> {
    /// No value.
    Null,
    /// Text from data: hostile until shown through [`crate::text`].
    Text(&'a str),
    /// Yes or no.
    Flag(bool),
    /// A finite number.
    Number(f64),
    /// A whole number.
    Whole(i64),
    /// Money, in millionths of the main unit.
    Money(Money),
    /// A calendar day.
    Day(Day),
    /// An instant.
    Instant(Utc),
    /// Numbers by probe or hour; NaN where there is none.
    List(Vec<f32>),
}

/// One column of a table, ready to be read by row.
pub struct Column {
    /// Column name.
    pub name: &'static str,
    kind: Kind,
}

enum Kind {
    Text(StringArray),
    Flag(BooleanArray),
    Number(Float64Array),
    Whole(Int64Array),
    Money(Int64Array),
    Day(Date32Array),
    Instant(TimestampMillisecondArray),
    List(ListArray),
    Unknown,
}

/// All columns of the rows, in file order, and the number of rows.
#[must_use]
pub fn columns<T: Table>(rows: Vec<T>) -> (Vec<Column>, usize) {
    let row_count = rows.len();
    let columns = T::columns()
        .into_iter()
        .zip(T::arrays(rows))
        .map(|(doc, array)| Column { name: doc.name, kind: kind(&array, is_money(doc.unit)) })
        .collect();
    (columns, row_count)
}

/// All columns of a batch that a table was written as, in its order, without their names.
#[must_use]
pub fn batch_columns(batch: &RecordBatch) -> Vec<Column> {
    let unit = |f: &Field| f.metadata().get("unit").is_some_and(|unit| is_money(unit));
    let schema = batch.schema();
    let fields = schema.fields().iter().zip(batch.columns());
    fields.map(|(field, array)| Column { name: "", kind: kind(array, unit(field)) }).collect()
}

/// Whether a column's unit says that it holds money in millionths.
#[must_use]
pub fn is_money(unit: &str) -> bool {
    unit.starts_with("millionths of")
}

fn kind(array: &ArrayRef, money: bool) -> Kind {
    match array.data_type() {
        DataType::Utf8 => Kind::Text(array.as_string::<i32>().clone()),
        DataType::Boolean => Kind::Flag(array.as_boolean().clone()),
        DataType::Float64 => Kind::Number(array.as_primitive::<Float64Type>().clone()),
        DataType::Int64 if money => Kind::Money(array.as_primitive::<Int64Type>().clone()),
        DataType::Int64 => Kind::Whole(array.as_primitive::<Int64Type>().clone()),
        DataType::Date32 => Kind::Day(array.as_primitive::<Date32Type>().clone()),
        DataType::Timestamp(TimeUnit::Millisecond, _) => {
            Kind::Instant(array.as_primitive::<TimestampMillisecondType>().clone())
        }
        DataType::List(_) => Kind::List(array.as_list::<i32>().clone()),
        _ => Kind::Unknown,
    }
}

impl Column {
    /// The cell at row `i`.
    #[must_use]
    pub fn value(&self, i: usize) -> Value<'_> {
        match &self.kind {
            Kind::Text(a) if a.is_valid(i) => Value::Text(a.value(i)),
            Kind::Flag(a) if a.is_valid(i) => Value::Flag(a.value(i)),
            Kind::Number(a) if a.is_valid(i) && a.value(i).is_finite() => Value::Number(a.value(i)),
            Kind::Whole(a) if a.is_valid(i) => Value::Whole(a.value(i)),
            Kind::Money(a) if a.is_valid(i) => Value::Money(Money(a.value(i))),
            Kind::Day(a) if a.is_valid(i) => Value::Day(Day(a.value(i))),
            Kind::Instant(a) if a.is_valid(i) => Value::Instant(Utc(a.value(i))),
            Kind::List(a) if a.is_valid(i) => Value::List(numbers(&a.value(i))),
            _ => Value::Null,
        }
    }
}

fn numbers(items: &ArrayRef) -> Vec<f32> {
    let Some(items) = items.as_primitive_opt::<Float32Type>() else { return Vec::new() };
    let items: &Float32Array = items;
    items.iter().map(|v| v.unwrap_or(f32::NAN)).collect()
}

/// The shortest digits that read back as the same number; plain decimals unless very large or small.
#[must_use]
pub fn number(value: f64) -> String {
    let size = value.abs();
    if size == 0.0 {
        "0".to_owned()
    } else if (1e-6..1e16).contains(&size) {
        format!("{value}")
    } else {
        format!("{value:e}")
    }
}

/// Like [`number`], for the shorter numbers of lists; empty when not finite.
#[must_use]
pub fn short_number(value: f32) -> String {
    let size = value.abs();
    if !value.is_finite() {
        String::new()
    } else if size == 0.0 {
        "0".to_owned()
    } else if (1e-6..1e16).contains(&size) {
        format!("{value}")
    } else {
        format!("{value:e}")
    }
}

#[cfg(test)]
mod tests {
    use drawoff_contract::results::{
        DayRow, DrawOffRow, EvidenceRow, FileRow, FindingRow, HomeRow, QualityRow, VisitRow,
    };

    use super::*;

    fn all_known<T: Table>() {
        for column in columns::<T>(Vec::new()).0 {
            assert!(!matches!(column.kind, Kind::Unknown), "{}.{}", T::NAME, column.name);
        }
    }

    #[test]
    fn every_column_of_every_table_has_a_text_form() {
        all_known::<HomeRow>();
        all_known::<DayRow>();
        all_known::<DrawOffRow>();
        all_known::<FindingRow>();
        all_known::<VisitRow>();
        all_known::<QualityRow>();
        all_known::<FileRow>();
        all_known::<EvidenceRow>();
    }

    #[test]
    fn digits_read_back() {
        for value in [0.1, -2.5, 1.0 / 3.0, 1e-9, 6.02e23, 4183.0] {
            assert_eq!(number(value).parse(), Ok(value));
        }
        assert_eq!(number(-0.0), "0");
        assert_eq!(short_number(0.1), "0.1");
        assert_eq!(short_number(f32::NAN), "");
    }
}
