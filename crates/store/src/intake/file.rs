//! One file from opening to rows by home; whatever is wrong with it costs this file only.

use std::collections::BTreeMap;

use drawoff_contract::mapping::ReadingsMapping;
use drawoff_contract::{ContractError, Cylinder, Shape};

use crate::guard::caught;
use crate::intake::long::LongFile;
use crate::intake::open::{Opened, damaged};
use crate::intake::part::FileRows;
use crate::intake::plan;
use crate::intake::source::Source;
use crate::intake::wide::WideFile;

/// The value columns that a file has, or all that is wrong with its columns.
pub(crate) fn columns(source: &Source, mapping: &ReadingsMapping) -> Result<Vec<bool>, Vec<ContractError>> {
    let opened = guarded(source, || Opened::open(source, mapping.separator)).map_err(|e| vec![e])?;
    let problems = plan::problems(&source.name, &opened, mapping);
    if problems.is_empty() {
        Ok(mapping.wide.iter().map(|w| opened.column_type(&w.column).is_some()).collect())
    } else {
        Err(problems)
    }
}

/// Reads one file whole.
///
/// # Errors
/// Names the file, the place and the reason; nothing of the file is kept then.
pub(crate) fn read(
    source: &Source,
    mapping: &ReadingsMapping,
    register: &BTreeMap<String, Cylinder>,
    values_per_row: u64,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<FileRows, ContractError> {
    guarded(source, || {
        let opened = Opened::open(source, mapping.separator)?;
        let wanted = plan::wanted(mapping);
        let odd = |e| damaged(source, "", &e);
        match mapping.shape {
            Shape::Wide => {
                let mut file = WideFile::new(mapping, register, values_per_row);
                opened.each_batch(&wanted, &mut |batch| {
                    progress(batch.num_rows() as u64);
                    file.batch(batch).map_err(odd)
                })?;
                Ok(file.finish())
            }
            Shape::Long => {
                let mut file = LongFile::new(mapping, register);
                opened.each_batch(&wanted, &mut |batch| {
                    progress(batch.num_rows() as u64);
                    file.batch(batch).map_err(odd)
                })?;
                Ok(file.finish())
            }
        }
    })
}

fn guarded<T>(source: &Source, work: impl FnOnce() -> Result<T, ContractError>) -> Result<T, ContractError> {
    caught(work).unwrap_or_else(|panic| Err(damaged(source, "", &panic)))
}
