//! Number columns of any type as contract values with masks.

use arrow::array::{Array, ArrayRef, AsArray};
use arrow::datatypes::{DataType, Float64Type};
use arrow::error::ArrowError;
use drawoff_contract::mapping::{ReadingsMapping, Unit};
use drawoff_contract::mapping_unit::{Conversion, possible_range};
use drawoff_contract::{Channel, Mask};

/// Texts that stand for null in text files.
const NULL_TEXTS: &[&str] = &["", "NA", "N/A", "na", "n/a", "null", "NULL", "nan", "NaN", "None", "-"];

/// How the values of one channel become the contract's.
#[derive(Clone, Debug)]
pub(crate) struct Rule {
    conversion: Conversion,
    lowest: f64,
    highest: f64,
    is_switch: bool,
    sentinels: Vec<f64>,
}

impl Rule {
    /// The rule of a channel in a unit.
    pub(crate) fn new(mapping: &ReadingsMapping, channel: Channel, unit: Unit) -> Self {
        let (lowest, highest) = possible_range(channel);
        Self {
            conversion: unit.conversion(channel, mapping.cadence_min.unwrap_or(f64::NAN)),
            lowest,
            highest,
            is_switch: unit == Unit::Bool,
            sentinels: mapping.sentinels.clone(),
        }
    }

    /// The value in the contract's unit and its mask; sentinels and impossible values keep their value.
    pub(crate) fn apply(&self, raw: f64) -> (f64, Mask) {
        if raw.is_nan() {
            return (f64::NAN, Mask::Absent);
        }
        let value = self.conversion.apply(raw);
        // Columns of f32 hold -999.9 only to seven digits.
        if self.sentinels.iter().any(|s| (raw - s).abs() <= 1e-6 * s.abs().max(1.0)) {
            return (value, Mask::Sentinel);
        }
        let possible = value >= self.lowest
            && value <= self.highest
            && !(self.is_switch && value != 0.0 && value != 1.0);
        if possible {
            (value, Mask::Used)
        } else {
            (if value.is_finite() { value } else { f64::NAN }, Mask::OutOfRange)
        }
    }
}

/// A column as numbers: NaN where null, infinite where a text is no number, 0 and 1 for switches.
///
/// # Errors
/// When the column's type is no number, switch or text.
pub(crate) fn numbers(array: &ArrayRef, decimal: char) -> Result<Vec<f64>, ArrowError> {
    match array.data_type() {
        DataType::Utf8 => Ok(array.as_string::<i32>().iter().map(|t| text_number(t, decimal)).collect()),
        DataType::LargeUtf8 | DataType::Utf8View | DataType::Dictionary(..) => {
            if let DataType::Dictionary(_, values) = array.data_type()
                && values.is_numeric()
            {
                return numbers(&arrow::compute::cast(array, &DataType::Float64)?, decimal);
            }
            numbers(&arrow::compute::cast(array, &DataType::Utf8)?, decimal)
        }
        DataType::Boolean => {
            let switches = array.as_boolean();
            Ok(switches.iter().map(|s| s.map_or(f64::NAN, |on| if on { 1.0 } else { 0.0 })).collect())
        }
        DataType::Null => Ok(vec![f64::NAN; array.len()]),
        DataType::Float64 => Ok(floats(array.as_primitive::<Float64Type>())),
        _ => {
            let cast = arrow::compute::cast(array, &DataType::Float64)?;
            Ok(floats(cast.as_primitive::<Float64Type>()))
        }
    }
}

fn floats(array: &arrow::array::Float64Array) -> Vec<f64> {
    if array.null_count() == 0 {
        return array.values().to_vec();
    }
    array.iter().map(|v| v.unwrap_or(f64::NAN)).collect()
}

fn text_number(text: Option<&str>, decimal: char) -> f64 {
    let text = text.unwrap_or("").trim();
    if NULL_TEXTS.contains(&text) {
        return f64::NAN;
    }
    match text {
        "true" | "True" | "TRUE" | "on" | "ON" | "On" => return 1.0,
        "false" | "False" | "FALSE" | "off" | "OFF" | "Off" => return 0.0,
        _ => {}
    }
    let parsed = if decimal == '.' { text.parse() } else { text.replace(decimal, ".").parse() };
    parsed.unwrap_or(f64::INFINITY)
}

/// Whether a column type can hold values.
pub(crate) fn can_hold_values(data_type: &DataType) -> bool {
    match data_type {
        DataType::Boolean | DataType::Null | DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => {
            true
        }
        DataType::Dictionary(_, values) => can_hold_values(values),
        other => other.is_numeric(),
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use arrow::array::{BooleanArray, Float32Array, Int64Array, StringArray};

    use super::*;
    use crate::intake::testing::wide_mapping;

    #[test]
    fn columns_of_any_type_become_numbers() {
        let ints: ArrayRef = Arc::new(Int64Array::from(vec![Some(3), None]));
        assert_eq!(numbers(&ints, '.').unwrap()[0], 3.0);
        assert!(numbers(&ints, '.').unwrap()[1].is_nan());
        let bools: ArrayRef = Arc::new(BooleanArray::from(vec![true, false]));
        assert_eq!(numbers(&bools, '.').unwrap(), vec![1.0, 0.0]);
        let floats: ArrayRef = Arc::new(Float32Array::from(vec![60.5]));
        assert_eq!(numbers(&floats, '.').unwrap(), vec![60.5]);
        let texts: ArrayRef = Arc::new(StringArray::from(vec!["60,5", "NA", "ERR", "on"]));
        let read = numbers(&texts, ',').unwrap();
        assert_eq!((read[0], read[1].is_nan(), read[2], read[3]), (60.5, true, f64::INFINITY, 1.0));
    }

    #[test]
    fn sentinels_and_impossible_values_keep_their_value() {
        let mut mapping = wide_mapping().readings;
        mapping.sentinels = vec![-999.9];
        let rule = Rule::new(&mapping, Channel::Probe(0), Unit::DegC);
        assert_eq!(rule.apply(f64::from(-999.9_f32)).1, Mask::Sentinel);
        assert_eq!(rule.apply(111.0), (111.0, Mask::OutOfRange));
        assert_eq!(rule.apply(61.0), (61.0, Mask::Used));
        assert_eq!(rule.apply(f64::NAN).1, Mask::Absent);
        assert!(rule.apply(f64::INFINITY).0.is_nan());
        let switch = Rule::new(&mapping, Channel::Call(0), Unit::Bool);
        assert_eq!(switch.apply(0.5).1, Mask::OutOfRange);
    }
}
