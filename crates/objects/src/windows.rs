//! The parts of an object that will be read, fetched when they are first touched, each with one request.

use std::collections::VecDeque;
use std::io::{Read, Seek, SeekFrom};
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use drawoff_contract::ContractError;

use crate::object::{Object, slice};

/// Most bytes of one request: a few hundred requests a gigabyte, and no more in memory than a share of readings has room for.
const BLOCK_BYTES: u64 = 4 << 20;
/// Ranges nearer to each other than this are read as one: the bytes between cost less than another request.
const GAP_BYTES: u64 = 32 << 10;
/// Bytes read at once where nobody said what would be read.
const UNPLANNED_BYTES: u64 = 64 << 10;

/// Parts of one object. Clones share what was fetched.
#[derive(Clone, Debug)]
pub struct Windows {
    object: Object,
    blocks: Arc<Vec<Range<u64>>>,
    fetched: Arc<Mutex<Fetched>>,
}

#[derive(Debug)]
struct Fetched {
    /// Number and bytes of the blocks in memory, the oldest first.
    blocks: VecDeque<(usize, Bytes)>,
    bytes: u64,
    /// Bytes beyond which the oldest are dropped.
    limit: u64,
}

impl Windows {
    /// The parts of an object that will be read, with at most `limit` bytes of them in memory beside the newest.
    #[must_use]
    pub fn of(object: Object, ranges: Vec<Range<u64>>, limit: u64) -> Self {
        let blocks = Arc::new(blocks(ranges, object.size()));
        let fetched = Fetched { blocks: VecDeque::new(), bytes: 0, limit };
        Self { object, blocks, fetched: Arc::new(Mutex::new(fetched)) }
    }

    /// All of an object, for whoever reads it from end to end.
    #[must_use]
    pub fn whole(object: Object) -> Self {
        let all = 0..object.size();
        Self::of(object, vec![all], 2 * BLOCK_BYTES)
    }

    /// The object.
    #[must_use]
    pub fn object(&self) -> &Object {
        &self.object
    }

    /// Some bytes; what lies beyond the end of the object is left out.
    ///
    /// # Errors
    /// As [`Object::range`].
    pub fn get(&self, range: Range<u64>) -> Result<Bytes, ContractError> {
        let end = range.end.min(self.object.size());
        let mut at = range.start.min(end);
        let mut parts: Vec<Bytes> = Vec::new();
        while at < end {
            let part = self.part(at, end)?;
            at += part.len() as u64;
            parts.push(part);
        }
        Ok(match parts.len() {
            1 => parts.remove(0),
            _ => parts.concat().into(),
        })
    }

    /// A reader from a place on.
    #[must_use]
    pub fn read_from(&self, at: u64) -> WindowsReader {
        WindowsReader { windows: self.clone(), at, here: (0, Bytes::new()) }
    }

    /// Bytes from `at` on, at least one, at most up to `end`, all of one block.
    fn part(&self, at: u64, end: u64) -> Result<Bytes, ContractError> {
        let number = self.blocks.partition_point(|block| block.end <= at);
        match self.blocks.get(number) {
            Some(block) if block.start <= at => {
                let bytes = self.block(number, block)?;
                Ok(slice(block.start, &bytes, &(at..end.min(block.end))).unwrap_or_default())
            }
            next => {
                let end = next.map_or(end, |block| end.min(block.start));
                self.object.range(at..end)
            }
        }
    }

    /// Whoever comes for a block that is being fetched waits for it.
    fn block(&self, number: usize, range: &Range<u64>) -> Result<Bytes, ContractError> {
        let mut fetched = self.fetched.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, bytes)) = fetched.blocks.iter().find(|(n, _)| *n == number) {
            return Ok(bytes.clone());
        }
        let bytes = self.object.range(range.clone())?;
        while fetched.bytes > fetched.limit
            && let Some((_, oldest)) = fetched.blocks.pop_front()
        {
            fetched.bytes -= oldest.len() as u64;
        }
        fetched.bytes += bytes.len() as u64;
        fetched.blocks.push_back((number, bytes.clone()));
        Ok(bytes)
    }
}

/// Blocks of which each is one request: near ranges joined, long ones cut.
fn blocks(mut ranges: Vec<Range<u64>>, size: u64) -> Vec<Range<u64>> {
    ranges.iter_mut().for_each(|r| *r = r.start.min(size)..r.end.min(size));
    ranges.retain(|r| !r.is_empty());
    ranges.sort_by_key(|r| r.start);
    let mut joined: Vec<Range<u64>> = Vec::new();
    for range in ranges {
        match joined.last_mut() {
            Some(last) if range.start <= last.end.saturating_add(GAP_BYTES) => {
                last.end = last.end.max(range.end)
            }
            _ => joined.push(range),
        }
    }
    let cut = |r: Range<u64>| {
        let starts = (r.start..r.end).step_by(usize::try_from(BLOCK_BYTES).unwrap_or(usize::MAX));
        starts.map(move |start| start..r.end.min(start + BLOCK_BYTES))
    };
    joined.into_iter().flat_map(cut).collect()
}

/// Reads an object from a place on.
#[derive(Debug)]
pub struct WindowsReader {
    windows: Windows,
    at: u64,
    /// Start and bytes of what is at hand.
    here: (u64, Bytes),
}

impl Read for WindowsReader {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let size = self.windows.object.size();
        if buffer.is_empty() || self.at >= size {
            return Ok(0);
        }
        let at_hand =
            |here: &(u64, Bytes), at: u64| slice(here.0, &here.1, &(at..here.0 + here.1.len() as u64));
        let mut bytes = at_hand(&self.here, self.at).unwrap_or_default();
        if bytes.is_empty() {
            let end = size.min(self.at.saturating_add(UNPLANNED_BYTES.max(buffer.len() as u64)));
            bytes = self.windows.part(self.at, end).map_err(std::io::Error::other)?;
            self.here = (self.at, bytes.clone());
        }
        let length = buffer.len().min(bytes.len());
        buffer[..length].copy_from_slice(&bytes[..length]);
        self.at += length as u64;
        Ok(length)
    }
}

impl Seek for WindowsReader {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        let place = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.windows.object.size().checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = place.ok_or_else(|| std::io::Error::other("a place before the start"))?;
        Ok(self.at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::storage::Storage;

    #[test]
    fn near_ranges_are_one_request_and_long_ones_several() {
        let near = blocks(
            vec![900..1_000, 0..100, 100 + GAP_BYTES..GAP_BYTES + 200, 90_000_000..90_000_010],
            80_000_000,
        );
        assert_eq!((near.len(), near[0].start, near[0].end), (1, 0, GAP_BYTES + 200));
        let (start, end) = (5, 5 + 2 * BLOCK_BYTES + 1);
        let long = blocks(std::iter::once(start..end).collect(), u64::MAX);
        assert_eq!(long.len(), 3);
        assert_eq!((long[0].start, long[1].start, long[2].end), (5, 5 + BLOCK_BYTES, 6 + 2 * BLOCK_BYTES));
    }

    #[test]
    fn whatever_the_windows_the_bytes_are_those_of_the_object() {
        let storage = Storage::in_memory("windows");
        let all: Vec<u8> = (0..300_000_u32).map(|i| (i % 251) as u8).collect();
        storage.write("x", all.clone()).unwrap();
        let object = || Object::new(storage.clone(), storage.look("x").unwrap().unwrap());
        let many = Windows::of(object(), vec![10..20, 100_000..200_000], 0);
        for windows in [Windows::whole(object()), many, Windows::of(object(), Vec::new(), 0)] {
            for range in [0..5, 8..25, 99_990..200_010, 0..300_000, 299_999..400_000, 7..7] {
                let expected = &all[range.start.min(300_000)..range.end.min(300_000)];
                assert_eq!(windows.get(range.start as u64..range.end as u64).unwrap(), expected, "{range:?}");
            }
            let mut rest = Vec::new();
            let mut reader = windows.read_from(100);
            reader.seek(SeekFrom::Current(99_000)).unwrap();
            reader.read_to_end(&mut rest).unwrap();
            assert_eq!(rest, all[99_100..]);
        }
    }

    #[test]
    fn an_object_that_changes_is_not_read_on() {
        let storage = Storage::in_memory("changes");
        storage.write("x", vec![1; 100]).unwrap();
        let object = Object::new(storage.clone(), storage.look("x").unwrap().unwrap());
        assert_eq!(object.range(90..200).unwrap().len(), 10);
        storage.write("x", vec![2; 100]).unwrap();
        let error = object.range(0..10).unwrap_err();
        assert!(error.to_string().starts_with("s3://changes/x: was changed or removed"), "{error}");
        assert_eq!(object.failure(), Some(error));
    }
}
