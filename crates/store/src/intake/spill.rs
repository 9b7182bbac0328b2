//! Rows written aside by share of the fleet, for exports whose files hold rows of most homes each.
//!
//! Each share has one file of segments; a segment is an Arrow IPC stream of rows of one input file, in that file's order.
//! Several input files are written at the same time, each by one thread, so segments of different files mix but those of one
//! file stay in order. The rows keep the types and bytes that they came with: they are read later as they would have been.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use arrow::array::{ArrayRef, DictionaryArray, Int32Array, RecordBatch, StringArray, UInt32Array};
use arrow::compute::{concat_batches, take_record_batch};
use arrow::datatypes::{DataType, Field, Int32Type, Schema};
use arrow::error::ArrowError;
use arrow::ipc::reader::StreamReader;
use arrow::ipc::writer::StreamWriter;
use drawoff_contract::ContractError;

use crate::disk::{self, failed};
use crate::failing;
use crate::intake::names::{NO_NAME, Names, names};
use crate::intake::shares::Shares;

/// Rows that wait in memory for their segment, of one input file: enough for segments that are read at full speed.
const WAITING_BYTES: usize = 48 << 20;

/// Rows written aside; the folder is removed with it.
#[derive(Debug)]
pub(crate) struct Spill {
    dir: PathBuf,
    shares: Vec<Mutex<ShareFile>>,
}

#[derive(Debug)]
struct ShareFile {
    path: PathBuf,
    /// Open from the first segment on.
    file: Option<File>,
    end: u64,
    segments: Vec<Segment>,
}

#[derive(Clone, Debug)]
struct Segment {
    source: u16,
    bytes: Range<u64>,
}

impl Spill {
    /// Makes an empty folder for the shares of a fleet.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn begin(dir: &Path, shares: usize) -> Result<Self, ContractError> {
        if dir.exists() {
            std::fs::remove_dir_all(dir).map_err(|e| failed(dir, "cannot be removed", &e))?;
        }
        disk::make_folder(dir).map_err(|e| failed(dir, "cannot be made", &e))?;
        let shares = (0..shares)
            .map(|i| {
                let path = dir.join(format!("{i}"));
                Mutex::new(ShareFile { path, file: None, end: 0, segments: Vec::new() })
            })
            .collect();
        Ok(Self { dir: dir.to_owned(), shares })
    }

    /// Writes one segment of a share.
    fn append(&self, share: usize, source: u16, batch: &RecordBatch) -> Result<(), ContractError> {
        let mut file = self.shares[share].lock().unwrap_or_else(PoisonError::into_inner);
        let mut bytes = Vec::with_capacity(batch.get_array_memory_size());
        let encoded = StreamWriter::try_new(&mut bytes, &batch.schema()).and_then(|mut writer| {
            writer.write(batch)?;
            writer.finish()
        });
        encoded.map_err(|e| ContractError::new(file.path.display().to_string(), e.to_string()))?;
        if file.file.is_none() {
            file.file = Some(disk::create(&file.path)?);
        }
        let (path, start) = (file.path.clone(), file.end);
        if let Some(open) = &mut file.file {
            failing::step().and_then(|()| open.write_all(&bytes)).map_err(|e| {
                failed(&path, "cannot be written", &e)
                    .with_hint("rows are written aside beside the outputs: is the disk full?")
            })?;
        }
        file.end = start + bytes.len() as u64;
        let bytes = start..file.end;
        file.segments.push(Segment { source, bytes });
        Ok(())
    }

    /// Gives the rows of one input file in a share, in the file's order.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn each_batch(
        &self,
        share: usize,
        source: u16,
        take: &mut dyn FnMut(&RecordBatch) -> Result<(), ContractError>,
    ) -> Result<(), ContractError> {
        let (path, segments) = {
            let file = self.shares[share].lock().unwrap_or_else(PoisonError::into_inner);
            let own = file.segments.iter().filter(|s| s.source == source);
            (file.path.clone(), own.map(|s| s.bytes.clone()).collect::<Vec<_>>())
        };
        if segments.is_empty() {
            return Ok(());
        }
        let broken = |e: ArrowError| {
            ContractError::new(
                path.display().to_string(),
                format!("rows written aside cannot be read back: {e}"),
            )
        };
        let mut file = disk::open(&path)?;
        for bytes in segments {
            file.seek(SeekFrom::Start(bytes.start)).map_err(|e| failed(&path, "cannot be read", &e))?;
            let part = BufReader::with_capacity(1 << 18, (&mut file).take(bytes.end - bytes.start));
            for batch in StreamReader::try_new(part, None).map_err(broken)? {
                take(&batch.map_err(broken)?)?;
            }
        }
        Ok(())
    }
}

impl Drop for Spill {
    fn drop(&mut self) {
        // The next run removes what is left.
        let _ = std::fs::remove_dir_all(&self.dir);
    }
}

/// One input file on its way into the shares.
pub(crate) struct Router<'a> {
    spill: &'a Spill,
    shares: &'a Shares,
    source: u16,
    home: &'a str,
    only: Option<&'a BTreeSet<String>>,
    waiting: Vec<Waiting>,
    bytes: usize,
}

/// Rows of one share that wait for their segment.
#[derive(Default)]
struct Waiting {
    batches: Vec<RecordBatch>,
    /// Home of each row: an index into `names`, or `None`.
    homes: Vec<Option<i32>>,
    names: Vec<String>,
    index: BTreeMap<String, i32>,
}

impl<'a> Router<'a> {
    /// For the input file with this number, whose homes stand in column `home`; with `only`, the rows of other homes are passed over.
    pub(crate) fn new(
        spill: &'a Spill,
        shares: &'a Shares,
        source: u16,
        home: &'a str,
        only: Option<&'a BTreeSet<String>>,
    ) -> Self {
        let waiting = (0..shares.len()).map(|_| Waiting::default()).collect();
        Self { spill, shares, source, home, only, waiting, bytes: 0 }
    }

    /// Adds the rows of a batch; rows that name no home go with the first share.
    ///
    /// # Errors
    /// When the batch is damaged, or the disk refuses.
    pub(crate) fn batch(&mut self, batch: &RecordBatch) -> Result<(), ContractError> {
        let broken = |e: ArrowError| ContractError::new(self.home.to_owned(), e.to_string());
        let at = batch.schema().index_of(self.home).map_err(broken)?;
        let found = names(batch.column(at)).map_err(broken)?;
        let Grouped { rows, runs } = grouped(&found, self.shares).only(&found, self.only);
        let mut rest = batch.clone();
        rest.remove_column(at);
        let rest = take_record_batch(&rest, &UInt32Array::from(rows)).map_err(broken)?;
        self.bytes += rest.get_array_memory_size() + 8 * rest.num_rows();
        let mut start = 0;
        for of_share in runs.chunk_by(|a, b| a.share == b.share) {
            let waiting = &mut self.waiting[of_share[0].share];
            let rows = of_share.iter().map(|run| run.rows).sum();
            waiting.batches.push(rest.slice(start, rows));
            start += rows;
            for run in of_share {
                waiting.add_home(found.names.get(run.code as usize), run.rows);
            }
        }
        if self.bytes > WAITING_BYTES { self.flush() } else { Ok(()) }
    }

    /// Writes what waits.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn flush(&mut self) -> Result<(), ContractError> {
        self.bytes = 0;
        for (share, waiting) in self.waiting.iter_mut().enumerate() {
            let waiting = std::mem::take(waiting);
            if waiting.batches.is_empty() {
                continue;
            }
            let batch = waiting
                .together(self.home)
                .map_err(|e| ContractError::new(self.home.to_owned(), e.to_string()))?;
            self.spill.append(share, self.source, &batch)?;
        }
        Ok(())
    }
}

/// Rows of a batch in the order of shares and, within one, home after home: whoever reads them back copies runs, not single rows.
struct Grouped {
    rows: Vec<u32>,
    runs: Vec<Run>,
}

impl Grouped {
    /// Leaves the rows of some homes; all, without them.
    fn only(self, found: &Names, only: Option<&BTreeSet<String>>) -> Self {
        let Some(only) = only else { return self };
        let Self { rows: all, mut runs } = self;
        let (mut rows, mut start) = (Vec::new(), 0);
        runs.retain(|run| {
            let own = start..start + run.rows;
            start = own.end;
            let is_wanted = found.names.get(run.code as usize).is_some_and(|name| only.contains(name));
            if is_wanted {
                rows.extend_from_slice(&all[own]);
            }
            is_wanted
        });
        Self { rows, runs }
    }
}

/// Rows of one home.
struct Run {
    share: usize,
    code: u32,
    rows: usize,
}

/// Groups rows by share and home; those of one home keep their order, and those that name none come first.
fn grouped(found: &Names, shares: &Shares) -> Grouped {
    // In the order of names, in which shares lie too; the first group is nobody's. Equal texts are one group.
    let mut codes: Vec<u32> = (0..found.names.len() as u32).collect();
    let name = |code: u32| &found.names[code as usize];
    codes.sort_by(|&a, &b| name(a).cmp(name(b)));
    let mut runs = vec![Run { share: 0, code: NO_NAME, rows: 0 }];
    let mut group_of = vec![0; found.names.len()];
    for (i, &code) in codes.iter().enumerate() {
        if i == 0 || name(codes[i - 1]) != name(code) {
            runs.push(Run { share: shares.of(name(code)), code, rows: 0 });
        }
        group_of[code as usize] = runs.len() - 1;
    }
    let group = |code: u32| group_of.get(code as usize).copied().unwrap_or(0);
    found.codes.iter().for_each(|&code| runs[group(code)].rows += 1);
    let mut next = 0;
    let mut places: Vec<usize> = runs
        .iter()
        .map(|run| {
            next += run.rows;
            next - run.rows
        })
        .collect();
    let mut rows = vec![0; found.codes.len()];
    for (row, &code) in (0_u32..).zip(&found.codes) {
        let place = &mut places[group(code)];
        rows[*place] = row;
        *place += 1;
    }
    runs.retain(|run| run.rows > 0);
    Grouped { rows, runs }
}

impl Waiting {
    /// Adds rows of one home, or of nobody.
    fn add_home(&mut self, name: Option<&String>, rows: usize) {
        let number = name.map(|name| {
            if let Some(&i) = self.index.get(name) {
                return i;
            }
            let i = i32::try_from(self.names.len()).unwrap_or(i32::MAX);
            self.names.push(name.clone());
            self.index.insert(name.clone(), i);
            i
        });
        self.homes.resize(self.homes.len() + rows, number);
    }

    /// All rows as one batch with their homes.
    fn together(self, home: &str) -> Result<RecordBatch, ArrowError> {
        let schema = self.batches[0].schema();
        let rest = concat_batches(&schema, &self.batches)?;
        let packed = DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8));
        let homes = DictionaryArray::<Int32Type>::try_new(
            Int32Array::from(self.homes),
            Arc::new(StringArray::from(self.names)),
        )?;
        let mut fields: Vec<Arc<Field>> = vec![Arc::new(Field::new(home, packed, true))];
        fields.extend(rest.schema().fields().iter().cloned());
        let mut columns: Vec<ArrayRef> = vec![Arc::new(homes)];
        columns.extend(rest.columns().iter().cloned());
        RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_grouped_by_home_and_keep_their_order_within() {
        let names = ["b", "a", "b"].map(str::to_owned).to_vec();
        let found = Names { codes: vec![0, 1, NO_NAME, 2, 1, 0], names };
        let Grouped { rows, runs } = grouped(&found, &Shares::default());
        assert_eq!(rows, [2, 1, 4, 0, 3, 5]);
        assert_eq!(runs.iter().map(|r| (r.code, r.rows)).collect::<Vec<_>>(), [(NO_NAME, 1), (1, 2), (0, 3)]);
    }
}
