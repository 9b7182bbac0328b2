//! Exports rewritten by home, so that a part of the fleet can be read without decoding the rest.
//!
//! Each input file becomes one file a bucket, with its rows in their order; which bucket a home belongs to is told by a hash of its
//! name. Only the columns that the mapping needs are kept, with the types of the input file, so that whatever reads the export reads
//! its buckets alike.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{RecordBatch, UInt32Array};
use arrow::compute::{cast, take_record_batch};
use arrow::datatypes::{DataType, Field, Schema};
use arrow::error::ArrowError;
use drawoff_contract::{ContractError, Mapping};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::disk;
use crate::intake::{file, joined, names, plan, source, survey};
use crate::output::{BatchStream, MANIFEST, RunFolder};

/// Folders of buckets begin with this.
const FOLDER: &str = "bucket=";
/// Rows in the row groups of all buckets together: some hundred megabytes while they are being written.
const ROWS_IN_MEMORY: usize = 4 << 20;
/// Smaller row groups cost more to read than they spare.
const LEAST_GROUP_ROWS: usize = 8_192;
/// More buckets would be open files beyond what systems allow a process.
pub const MOST_BUCKETS: usize = 512;
/// Files of one run, whose rows carry the number of theirs in two bytes.
const MOST_FILES: usize = 1 << 16;
/// Name of the layout in the manifest.
const LAYOUT: &str = "buckets";

/// An input file that could not be read, and so is in no bucket.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeftOut {
    /// Its name, as in [`Layout::sources`].
    pub file: String,
    /// Where in it.
    pub subject: String,
    /// Why.
    pub message: String,
    /// What to do.
    pub hint: Option<String>,
}

impl LeftOut {
    pub(crate) fn of(file: &str, problem: ContractError) -> Self {
        let ContractError { subject, message, hint } = problem;
        Self { file: file.to_owned(), subject, message, hint }
    }

    /// The problem again.
    #[must_use]
    pub fn problem(&self) -> ContractError {
        ContractError {
            subject: self.subject.clone(),
            message: self.message.clone(),
            hint: self.hint.clone(),
        }
    }
}

/// How an export was rewritten.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Layout {
    /// Always `buckets`.
    pub layout: String,
    /// Number of buckets.
    pub buckets: usize,
    /// Mapped value columns that at least one input file had.
    pub columns: Vec<String>,
    /// Input files in the order of their paths; a file of a bucket is named by its place here.
    pub sources: Vec<String>,
    /// Those of them whose rows are in no bucket: whoever reads the buckets has to say so.
    pub left_out: Vec<LeftOut>,
    /// Rows written.
    pub rows: u64,
}

/// The bucket of a home; rows that name none lie in the first.
#[must_use]
pub fn bucket_of(home: &str, buckets: usize) -> usize {
    if home.is_empty() || buckets < 2 {
        return 0;
    }
    let digest = Sha256::digest(home.as_bytes());
    let number = digest.iter().take(8).fold(0_u64, |n, b| (n << 8) | u64::from(*b));
    usize::try_from(number % buckets as u64).unwrap_or(0)
}

/// The bucket that a file of a rewritten export belongs to.
pub(crate) fn number(name: &str) -> Option<usize> {
    name.strip_prefix(FOLDER)?.split_once('/')?.0.parse().ok()
}

/// The layout of a folder of readings; `None` where it is no rewritten export.
///
/// # Errors
/// When it says that it is one, and cannot be read.
pub fn layout(readings: &Path) -> Result<Option<Layout>, ContractError> {
    let path = readings.join(MANIFEST);
    let Some(text) = disk::text_if_any(&path)? else { return Ok(None) };
    let broken = |e: serde_json::Error| ContractError::new(path.display().to_string(), e.to_string());
    let value: serde_json::Value = serde_json::from_str(&text).map_err(broken)?;
    if value.get("layout").and_then(serde_json::Value::as_str) != Some(LAYOUT) {
        return Ok(None);
    }
    serde_json::from_value(value)
        .map(Some)
        .map_err(|e| broken(e).with_hint("rewrite the export again with `drawoff bucket` of this version"))
}

/// Refuses more buckets than can be read again: a run reads so many files at most.
///
/// # Errors
/// Names the numbers; none where the export cannot be listed, which [`rewrite`] tells.
pub fn check_number(source: &Path, buckets: usize) -> Result<(), ContractError> {
    let files = source::list(source).map_or(0, |sources| sources.len());
    if files.saturating_mul(buckets) <= MOST_FILES {
        return Ok(());
    }
    let message =
        format!("{buckets} buckets of {files} files are more files than a run reads ({MOST_FILES})");
    Err(ContractError::new("--buckets", message).with_hint("use fewer buckets, or join files of the export"))
}

/// Rewrites the export at `source` into the folder of a run, in one pass, and gives its layout, which names the files that were left out.
///
/// `progress` is told the rows of each batch.
///
/// # Errors
/// When there is no file of readings, or the disk refuses.
pub fn rewrite(
    source: &Path,
    mapping: &Mapping,
    buckets: usize,
    folder: &mut RunFolder,
    progress: &dyn Fn(u64),
) -> Result<Layout, ContractError> {
    let sources = source::list(source)?;
    let readings = &mapping.readings;
    let mut left_out = Vec::new();
    let mut had = vec![false; readings.wide.len()];
    let mut rows = 0;
    for (place, source) in sources.iter().enumerate() {
        let survey = survey::Survey::of(source, readings);
        source.is_sound()?;
        match &survey.columns {
            Ok(has) => had.iter_mut().zip(has).for_each(|(all, one)| *all |= one),
            Err(wrong) => {
                left_out.push(LeftOut::of(&source.name, joined(source, wrong.clone())));
                continue;
            }
        }
        let mut writers = Writers {
            folder: &*folder,
            place,
            buckets,
            open: BTreeMap::new(),
            known: BTreeMap::new(),
            rows: 0,
        };
        let mut refused = None;
        let read = file::each_batch(source, Some(&survey), readings, None, &mut |_, batch| {
            progress(batch.num_rows() as u64);
            writers.push(batch, &plan::wanted(readings), &readings.home).map_err(|e| match e {
                Odd::Rows(e) => ContractError::new(source.name.clone(), e.to_string()),
                Odd::Disk(e) => {
                    refused = Some(e.clone());
                    e
                }
            })
        });
        if let Some(e) = refused {
            return Err(e);
        }
        source.is_sound()?;
        let (open, written) = (writers.open, writers.rows);
        match read {
            Ok(()) => {
                rows += written;
                open.into_values().try_for_each(|stream| folder.end_batches(stream))?;
            }
            Err(e) => {
                left_out.push(LeftOut::of(&source.name, e));
                open.into_values().try_for_each(BatchStream::abandon)?;
            }
        }
    }
    let columns = readings.wide.iter().zip(&had).filter(|(_, had)| **had).map(|(w, _)| w.column.clone());
    let layout = Layout {
        layout: LAYOUT.to_owned(),
        buckets,
        columns: columns.collect(),
        sources: sources.into_iter().map(|s| s.name).collect(),
        left_out,
        rows,
    };
    Ok(layout)
}

/// The files that one input file becomes.
struct Writers<'f> {
    folder: &'f RunFolder,
    place: usize,
    buckets: usize,
    open: BTreeMap<usize, BatchStream>,
    /// Buckets of homes met so far.
    known: BTreeMap<String, usize>,
    rows: u64,
}

enum Odd {
    Rows(ArrowError),
    Disk(ContractError),
}

impl From<ArrowError> for Odd {
    fn from(e: ArrowError) -> Self {
        Self::Rows(e)
    }
}

impl Writers<'_> {
    fn push(&mut self, batch: &RecordBatch, wanted: &[&str], home: &str) -> Result<(), Odd> {
        let batch = kept(batch, wanted, home)?;
        let missing = || ArrowError::SchemaError(format!("column `{home}` is missing"));
        let homes = names::names(batch.column_by_name(home).ok_or_else(missing)?)?;
        let of_name: Vec<usize> = homes.names.iter().map(|name| self.bucket(name)).collect();
        let mut rows: BTreeMap<usize, Vec<u32>> = BTreeMap::new();
        for (row, &code) in (0_u32..).zip(&homes.codes) {
            let bucket = if code == names::NO_NAME { 0 } else { of_name[code as usize] };
            rows.entry(bucket).or_default().push(row);
        }
        let group_rows = (ROWS_IN_MEMORY / self.buckets.max(1)).max(LEAST_GROUP_ROWS);
        for (bucket, rows) in rows {
            let part = take_record_batch(&batch, &UInt32Array::from(rows))?;
            self.rows += part.num_rows() as u64;
            let stream = match self.open.entry(bucket) {
                std::collections::btree_map::Entry::Occupied(open) => open.into_mut(),
                std::collections::btree_map::Entry::Vacant(free) => {
                    let name = format!("{FOLDER}{bucket:04}/{:05}.parquet", self.place);
                    free.insert(self.folder.begin_batches(&name, &part.schema()).map_err(Odd::Disk)?)
                }
            };
            stream.push(&part, group_rows).map_err(Odd::Disk)?;
        }
        Ok(())
    }

    fn bucket(&mut self, home: &str) -> usize {
        if let Some(known) = self.known.get(home) {
            return *known;
        }
        let bucket = bucket_of(home, self.buckets);
        self.known.insert(home.to_owned(), bucket);
        bucket
    }
}

/// The wanted columns of a batch, homes as plain texts: a dictionary of all homes would be written into every bucket.
fn kept(batch: &RecordBatch, wanted: &[&str], home: &str) -> Result<RecordBatch, ArrowError> {
    let schema = batch.schema();
    let (mut fields, mut columns) = (Vec::new(), Vec::new());
    for (field, column) in schema.fields().iter().zip(batch.columns()) {
        if !wanted.contains(&field.name().as_str()) {
            continue;
        }
        if field.name() == home {
            fields.push(Arc::new(Field::new(home, DataType::Utf8, true)));
            columns.push(cast(column, &DataType::Utf8)?);
        } else {
            fields.push(field.clone());
            columns.push(column.clone());
        }
    }
    RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)
}

#[cfg(test)]
mod tests;
