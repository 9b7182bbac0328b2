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
use crate::intake::names::{NO_NAME, names};
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
        std::fs::create_dir_all(dir).map_err(|e| failed(dir, "cannot be made", &e))?;
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
        let share_of: Vec<usize> = found.names.iter().map(|name| self.shares.of(name)).collect();
        let share = |code: u32| if code == NO_NAME { 0 } else { share_of[code as usize] };
        let mut rows_of: Vec<Vec<u32>> = vec![Vec::new(); self.shares.len()];
        let wanted: Vec<bool> =
            found.names.iter().map(|name| self.only.is_none_or(|only| only.contains(name))).collect();
        for (row, code) in (0_u32..).zip(&found.codes) {
            let is_wanted = if *code == NO_NAME { self.only.is_none() } else { wanted[*code as usize] };
            if !is_wanted {
                continue;
            }
            rows_of[share(*code)].push(row);
        }
        let order: UInt32Array = rows_of.iter().flatten().copied().collect::<Vec<u32>>().into();
        let mut rest = batch.clone();
        rest.remove_column(at);
        let rest = take_record_batch(&rest, &order).map_err(broken)?;
        self.bytes += rest.get_array_memory_size() + 8 * rest.num_rows();
        let mut start = 0;
        for (waiting, rows) in self.waiting.iter_mut().zip(&rows_of).filter(|(_, rows)| !rows.is_empty()) {
            waiting.batches.push(rest.slice(start, rows.len()));
            start += rows.len();
            waiting.add_homes(rows.iter().map(|&row| found.codes[row as usize]), &found.names);
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

impl Waiting {
    fn add_homes(&mut self, codes: impl Iterator<Item = u32>, names: &[String]) {
        // Few homes of a batch lie in one share, so each is looked up once a batch at most.
        let mut known: BTreeMap<u32, i32> = BTreeMap::new();
        for code in codes {
            if code == NO_NAME {
                self.homes.push(None);
                continue;
            }
            let home = *known.entry(code).or_insert_with(|| {
                let name = &names[code as usize];
                if let Some(&i) = self.index.get(name) {
                    return i;
                }
                let i = i32::try_from(self.names.len()).unwrap_or(i32::MAX);
                self.names.push(name.clone());
                self.index.insert(name.clone(), i);
                i
            });
            self.homes.push(Some(home));
        }
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
