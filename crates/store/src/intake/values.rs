//! Number columns of any type as contract values with masks.

use arrow::array::{Array, ArrayRef, AsArray};
use arrow::datatypes::{ArrowPrimitiveType, DataType, Float32Type, Float64Type, Int32Type, Int64Type};
use arrow::error::ArrowError;
use drawoff_contract::mapping::{ReadingsMapping, Unit};
use drawoff_contract::mapping_unit::{Conversion, possible_range};
use drawoff_contract::{Channel, Mask};

use crate::intake::names::by_text;

/// Texts that stand for null in text files.
const NULL_TEXTS: &[&str] = &["", "NA", "N/A", "na", "n/a", "null", "NULL", "nan", "NaN", "None", "-"];

/// Values that are looked at side by side: few enough that one odd one costs little.
const PIECE: usize = 64;

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

    /// A whole column: values in the contract's unit, and their masks, as [`Rule::apply`] gives them one by one.
    pub(crate) fn apply_all(&self, values: &mut [f64], masks: &mut Vec<Mask>) {
        masks.clear();
        for piece in values.chunks_mut(PIECE) {
            // The usual piece holds nothing to be masked, which is told without a branch for each value.
            let odd = piece.iter().fold(false, |odd, &raw| odd | self.is_odd(raw));
            if odd {
                for value in piece {
                    let (converted, mask) = self.apply(*value);
                    *value = converted;
                    masks.push(mask);
                }
            } else {
                masks.extend(piece.iter().map(|v| if v.is_nan() { Mask::Absent } else { Mask::Used }));
                let Conversion { add, multiply, divide } = self.conversion;
                if multiply == 1.0 && divide == 1.0 {
                    piece.iter_mut().for_each(|v| *v += add);
                } else {
                    piece.iter_mut().for_each(|v| *v = (*v + add) * multiply / divide);
                }
            }
        }
    }

    /// Whether a value is there and not to be used.
    fn is_odd(&self, raw: f64) -> bool {
        let value = self.conversion.apply(raw);
        let no_switch = self.is_switch & (value != 0.0) & (value != 1.0);
        let is_sentinel = self.sentinels.iter().fold(false, |any, s| any | is_near(raw, *s));
        !raw.is_nan() & (no_switch | is_sentinel | !((value >= self.lowest) & (value <= self.highest)))
    }

    /// The value in the contract's unit and its mask; sentinels and impossible values keep their value.
    pub(crate) fn apply(&self, raw: f64) -> (f64, Mask) {
        if raw.is_nan() {
            return (f64::NAN, Mask::Absent);
        }
        let value = self.conversion.apply(raw);
        if self.sentinels.iter().any(|s| is_near(raw, *s)) {
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

/// Whether a value is a sentinel; columns of f32 hold -999.9 only to seven digits.
fn is_near(raw: f64, sentinel: f64) -> bool {
    (raw - sentinel).abs() <= 1e-6 * sentinel.abs().max(1.0)
}

/// A column as numbers: NaN where null, infinite where a text is no number, 0 and 1 for switches.
///
/// # Errors
/// When the column's type is no number, switch or text.
pub(crate) fn numbers(array: &ArrayRef, decimal: char) -> Result<Vec<f64>, ArrowError> {
    let mut found = Vec::new();
    numbers_into(array, decimal, &mut found)?;
    Ok(found)
}

/// As [`numbers`], into a vector whose room is used again.
///
/// # Errors
/// As [`numbers`].
pub(crate) fn numbers_into(array: &ArrayRef, decimal: char, found: &mut Vec<f64>) -> Result<(), ArrowError> {
    found.clear();
    match array.data_type() {
        DataType::Utf8 => found.extend(array.as_string::<i32>().iter().map(|t| text_number(t, decimal))),
        DataType::Dictionary(_, values) if values.is_numeric() => {
            return numbers_into(&arrow::compute::cast(array, &DataType::Float64)?, decimal, found);
        }
        DataType::Dictionary(..) => {
            found.extend(by_text(array, f64::NAN, |texts| numbers(texts, decimal))?);
        }
        DataType::LargeUtf8 | DataType::Utf8View => {
            return numbers_into(&arrow::compute::cast(array, &DataType::Utf8)?, decimal, found);
        }
        _ if array.null_count() == array.len() => found.resize(array.len(), f64::NAN),
        DataType::Boolean => {
            let number = |on: Option<bool>| on.map_or(f64::NAN, |on| if on { 1.0 } else { 0.0 });
            found.extend(array.as_boolean().iter().map(number));
        }
        DataType::Null => found.resize(array.len(), f64::NAN),
        DataType::Float64 => floats::<Float64Type>(array, found, |v| v),
        DataType::Float32 => floats::<Float32Type>(array, found, f64::from),
        DataType::Int64 => floats::<Int64Type>(array, found, |v| v as f64),
        DataType::Int32 => floats::<Int32Type>(array, found, f64::from),
        _ => {
            let cast = arrow::compute::cast(array, &DataType::Float64)?;
            floats::<Float64Type>(&cast, found, |v| v);
        }
    }
    Ok(())
}

fn floats<T: ArrowPrimitiveType>(array: &ArrayRef, found: &mut Vec<f64>, number: impl Fn(T::Native) -> f64) {
    let array = array.as_primitive::<T>();
    found.extend(array.values().iter().map(|v| number(*v)));
    if let Some(nulls) = array.nulls() {
        (!nulls.inner()).set_indices().for_each(|i| found[i] = f64::NAN);
    }
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
    fn a_column_is_read_as_its_values_are() {
        let mut mapping = wide_mapping().readings;
        mapping.sentinels = vec![-999.0, 85.0];
        let odd = [f64::NAN, 85.0, -999.0, 300.0, f64::INFINITY, -0.0, 1.0, 0.5];
        for (channel, unit) in [
            (Channel::Probe(0), Unit::DegC),
            (Channel::Probe(0), Unit::TenthsDegC),
            (Channel::Call(0), Unit::Bool),
            (Channel::Register, Unit::KWh),
        ] {
            let rule = Rule::new(&mapping, channel, unit);
            // Pieces without anything odd, with one odd value each, and a short one.
            let mut raw: Vec<f64> = (0..64 * 10 + 7).map(|i| f64::from(i % 2)).collect();
            odd.iter().enumerate().for_each(|(i, v)| raw[64 * (i + 1) + i] = *v);
            let one_by_one: Vec<(f64, Mask)> = raw.iter().map(|&v| rule.apply(v)).collect();
            let mut masks = vec![Mask::Late];
            rule.apply_all(&mut raw, &mut masks);
            assert_eq!(masks, one_by_one.iter().map(|(_, mask)| *mask).collect::<Vec<_>>());
            let bits = |v: f64| if v.is_nan() { 0 } else { v.to_bits() };
            assert!(raw.iter().zip(&one_by_one).all(|(a, (b, _))| bits(*a) == bits(*b)), "{channel:?}");
        }
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
