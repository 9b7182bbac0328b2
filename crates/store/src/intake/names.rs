//! Text columns with few distinct values: each distinct text is looked at once a batch.

use arrow::array::{Array, ArrayRef, AsArray};
use arrow::datatypes::{DataType, Int32Type};
use arrow::error::ArrowError;

/// No text in this row.
pub(crate) const NO_NAME: u32 = u32::MAX;

/// A text column as numbers into a list of texts.
pub(crate) struct Names {
    /// For each row an index into `names`, or [`NO_NAME`] for null and empty texts.
    pub(crate) codes: Vec<u32>,
    /// Texts; one may occur twice.
    pub(crate) names: Vec<String>,
}

/// How names are held.
pub(crate) fn packed_names() -> DataType {
    DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8))
}

/// Reads a column of texts or whole numbers.
///
/// # Errors
/// When the column's type has no text.
pub(crate) fn names(array: &ArrayRef) -> Result<Names, ArrowError> {
    let is_text = matches!(
        array.data_type(),
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View | DataType::Dictionary(..)
    );
    let texts = if is_text { array.clone() } else { arrow::compute::cast(array, &DataType::Utf8)? };
    let dictionary = arrow::compute::cast(&texts, &packed_names())?;
    let dictionary = dictionary.as_dictionary::<Int32Type>();
    let values = dictionary.values().as_string::<i32>();
    let names: Vec<String> = values.iter().map(|value| value.unwrap_or_default().to_owned()).collect();
    let keys = dictionary.keys();
    let code = |key: i32| match usize::try_from(key) {
        Ok(i) if names.get(i).is_some_and(|n| !n.is_empty()) => key.unsigned_abs(),
        _ => NO_NAME,
    };
    let codes = if keys.null_count() == 0 {
        keys.values().iter().map(|&k| code(k)).collect()
    } else {
        keys.iter().map(|k| k.map_or(NO_NAME, code)).collect()
    };
    Ok(Names { codes, names })
}

/// What each row of a column of packed texts is, each distinct text being looked at once; `none` for null.
///
/// # Errors
/// As `of_texts`, which is given the distinct texts.
pub(crate) fn by_text<T: Copy>(
    array: &ArrayRef,
    none: T,
    of_texts: impl FnOnce(&ArrayRef) -> Result<Vec<T>, ArrowError>,
) -> Result<Vec<T>, ArrowError> {
    let packed = arrow::compute::cast(array, &packed_names())?;
    let packed = packed.as_dictionary::<Int32Type>();
    let meanings = of_texts(packed.values())?;
    let of = |key: Option<i32>| key.and_then(|k| meanings.get(usize::try_from(k).ok()?).copied());
    Ok(packed.keys().iter().map(|key| of(key).unwrap_or(none)).collect())
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use arrow::array::{Int64Array, StringArray, StringViewArray};

    use super::*;

    fn read(array: ArrayRef) -> Vec<Option<String>> {
        let names = names(&array).unwrap();
        names.codes.iter().map(|&c| (c != NO_NAME).then(|| names.names[c as usize].clone())).collect()
    }

    #[test]
    fn texts_views_and_whole_numbers() {
        let expected = vec![Some("7".to_owned()), None, Some("8".to_owned())];
        assert_eq!(read(Arc::new(StringArray::from(vec![Some("7"), None, Some("8")]))), expected);
        assert_eq!(read(Arc::new(StringViewArray::from(vec![Some("7"), Some(""), Some("8")]))), expected);
        assert_eq!(read(Arc::new(Int64Array::from(vec![Some(7), None, Some(8)]))), expected);
    }
}
