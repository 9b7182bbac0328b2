//! One file from opening to rows by home; whatever is wrong with it costs this file only.

use std::collections::BTreeMap;

use arrow::array::{ArrayRef, RecordBatch};
use arrow::error::ArrowError;
use drawoff_contract::mapping::ReadingsMapping;
use drawoff_contract::{ContractError, Cylinder, Shape};

use crate::guard::caught;
use crate::intake::long::LongFile;
use crate::intake::open::{Opened, damaged};
use crate::intake::part::{FileRows, Filter};
use crate::intake::plan;
use crate::intake::source::Source;
use crate::intake::survey::Survey;
use crate::intake::wide::WideFile;

/// Opens a file and tells which value columns it has, or all that is wrong with its columns.
pub(crate) fn look<'s>(
    source: &'s Source,
    mapping: &ReadingsMapping,
) -> Result<(Vec<bool>, Opened<'s>), Vec<ContractError>> {
    let opened = guarded(source, || Opened::open(source, mapping.separator)).map_err(|e| vec![e])?;
    let problems = plan::problems(&source.name, &opened, mapping);
    if problems.is_empty() {
        guarded(source, || opened.check_sizes(&plan::wanted(mapping))).map_err(|e| vec![e])?;
        let has = mapping.wide.iter().map(|w| opened.column_type(&w.column).is_some()).collect();
        Ok((has, opened))
    } else {
        Err(problems)
    }
}

/// Rows of one file of either shape, batch by batch.
pub(crate) enum Collector<'a> {
    Wide(WideFile<'a>),
    Long(LongFile<'a>),
}

impl<'a> Collector<'a> {
    /// Of a file without rows yet; `values_per_row` counts the values of rejected rows of the wide shape.
    pub(crate) fn new(
        mapping: &'a ReadingsMapping,
        register: &'a BTreeMap<String, Cylinder>,
        values_per_row: u64,
    ) -> Self {
        match mapping.shape {
            Shape::Wide => Self::Wide(WideFile::new(mapping, register, values_per_row)),
            Shape::Long => Self::Long(LongFile::new(mapping, register)),
        }
    }

    /// Adds the rows of a batch that the filter takes.
    ///
    /// # Errors
    /// When a column's type turns out not to fit, or a home is where the file promises none.
    pub(crate) fn batch(&mut self, batch: &RecordBatch, filter: Filter<'_>) -> Result<(), ArrowError> {
        match self {
            Self::Wide(file) => file.batch(batch, filter),
            Self::Long(file) => file.batch(batch, filter),
        }
    }

    /// All rows by home.
    pub(crate) fn finish(self) -> FileRows {
        match self {
            Self::Wide(file) => file.finish(),
            Self::Long(file) => file.finish(),
        }
    }
}

/// Gives the batches of the `pieces` of a file (all, if `None`) with the columns that the mapping needs, each with the number of its piece.
///
/// # Errors
/// Names the file, the place and the reason, also where the decoder panics.
pub(crate) fn each_batch(
    source: &Source,
    survey: Option<&Survey>,
    mapping: &ReadingsMapping,
    pieces: Option<&[usize]>,
    take: &mut dyn FnMut(usize, &RecordBatch) -> Result<(), ContractError>,
) -> Result<(), ContractError> {
    guarded(source, || {
        let known = survey.and_then(|s| s.metadata.as_ref());
        let opened = Opened::open_known(source, mapping.separator, known)?;
        let pieces = pieces.zip(survey).map(|(wanted, survey)| (survey.pieces.as_slice(), wanted));
        opened.each_batch(&plan::wanted(mapping), pieces, take)
    })
}

/// Gives the homes of the rows of one piece, batch by batch, as long as `take` goes on, and tells whether it went on to the end.
pub(crate) fn each_home(
    source: &Source,
    survey: &Survey,
    piece: usize,
    mapping: &ReadingsMapping,
    take: &mut dyn FnMut(&ArrayRef) -> bool,
) -> bool {
    let stop = || damaged(source, "", &"not read on");
    let read = guarded(source, || {
        let opened = Opened::open_known(source, mapping.separator, survey.metadata.as_ref())?;
        opened.each_batch(&[&mapping.home], Some((&survey.pieces, &[piece])), &mut |_, batch| {
            let column = batch.column_by_name(&mapping.home).ok_or_else(stop)?;
            if take(column) { Ok(()) } else { Err(stop()) }
        })
    });
    read.is_ok()
}

pub(crate) fn guarded<T>(
    source: &Source,
    work: impl FnOnce() -> Result<T, ContractError>,
) -> Result<T, ContractError> {
    caught(work).unwrap_or_else(|panic| Err(damaged(source, "", &panic)))
}
