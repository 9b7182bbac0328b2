//! Reading exports that no mapping describes yet: all their columns, as they lie in the files.

use std::path::Path;

use arrow::array::{ArrayRef, RecordBatch};
use arrow::datatypes::DataType;
use drawoff_contract::ContractError;
use drawoff_contract::mapping::TimeFormat;

use crate::intake::file::guarded;
use crate::intake::names::{NO_NAME, names};
use crate::intake::open::{Opened, damaged};
use crate::intake::source::{self, Format, Source};
use crate::intake::survey::with_packed_texts;
use crate::intake::time::{NO_TIME, times};
use crate::intake::values::{can_hold_values, numbers};

/// One file of an unknown export.
#[derive(Clone, Debug)]
pub struct UnmappedFile {
    source: Source,
}

/// All files at `source`, in the order of their paths.
///
/// # Errors
/// When there is no file of readings.
pub fn unmapped(source: &Path) -> Result<Vec<UnmappedFile>, ContractError> {
    Ok(source::list(source)?.into_iter().map(|source| UnmappedFile { source }).collect())
}

impl UnmappedFile {
    /// Path below the source folder, with `/` between parts.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.source.name
    }

    /// Whether it is separated text, which needs a separator and a decimal sign.
    #[must_use]
    pub fn is_text(&self) -> bool {
        matches!(source::format(&self.source), Ok(Format::Text))
    }

    /// Names and types of all columns, those that folder names tell last; `separator` matters for text files only.
    ///
    /// # Errors
    /// Names the file and what is wrong with it, also where the decoder panics.
    pub fn columns(&self, separator: u8) -> Result<Vec<(String, DataType)>, ContractError> {
        guarded(&self.source, || {
            let opened = Opened::open(&self.source, separator)?;
            let names = opened.column_names();
            let of = |name: &&str| Some(((*name).to_owned(), opened.column_type(name)?));
            Ok(names.iter().filter_map(of).collect())
        })
    }

    /// Gives all rows of the `wanted` columns, batch by batch, until `take` says that it has seen enough.
    ///
    /// # Errors
    /// As [`Self::columns`], with the place of the damage.
    pub fn each_batch(
        &self,
        separator: u8,
        wanted: &[&str],
        take: &mut dyn FnMut(&RecordBatch) -> bool,
    ) -> Result<(), ContractError> {
        let mut enough = false;
        let read = guarded(&self.source, || {
            let looked = Opened::open(&self.source, separator)?;
            looked.check_sizes(wanted)?;
            let packed = looked.metadata().map(with_packed_texts);
            let opened = Opened::open_known(&self.source, separator, packed.as_ref())?;
            opened.each_batch(wanted, None, &mut |_, batch| {
                enough = !take(batch);
                if enough { Err(damaged(&self.source, "", &"not read on")) } else { Ok(()) }
            })
        });
        if enough { Ok(()) } else { read }
    }
}

/// A column as numbers: NaN where null, infinite where a text is no number; `None` where the type has no numbers.
#[must_use]
pub fn as_numbers(array: &ArrayRef, decimal: char) -> Option<Vec<f64>> {
    can_hold_values(array.data_type()).then(|| numbers(array, decimal).ok()).flatten()
}

/// A column of texts or whole numbers: its distinct texts, of which one may occur twice, and for each row which of them it is, or `None`.
/// A text that many rows share is there once. `None` where the type has no text.
#[must_use]
pub fn as_names(array: &ArrayRef) -> Option<(Vec<String>, Vec<Option<usize>>)> {
    let kind = array.data_type();
    let suits = kind.is_integer() || matches!(kind, DataType::Dictionary(..)) || is_text(kind);
    let names = names(array).ok().filter(|_| suits)?;
    let codes = names.codes.iter().map(|&code| (code != NO_NAME).then_some(code as usize)).collect();
    Some((names.names, codes))
}

/// A time column, milliseconds since 1970-01-01T00:00 of UTC or of the local clock, and whether each row is on the local clock;
/// `None` where a row has no time. `None` where the type does not suit the format.
#[must_use]
pub fn as_times(array: &ArrayRef, format: TimeFormat) -> Option<Vec<Option<(i64, bool)>>> {
    let times = times(array, format).ok()?;
    let naive = |i: usize| times.naive.as_ref().is_some_and(|n| n[i]);
    Some(times.ms.iter().enumerate().map(|(i, &ms)| (ms != NO_TIME).then(|| (ms, naive(i)))).collect())
}

fn is_text(kind: &DataType) -> bool {
    matches!(kind, DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View)
}
