//! Files of this machine and objects of a storage, read alike.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::ops::Range;
use std::path::Path;

use bytes::Bytes;
use drawoff_contract::ContractError;
use drawoff_objects::{Address, Object, Storage, Windows, WindowsReader};
use parquet::errors::ParquetError;
use parquet::file::metadata::ParquetMetaData;
use parquet::file::reader::{ChunkReader, Length};

use crate::disk;

/// Bytes of row groups in memory while a whole table is read from a storage, beside those at hand.
const TABLE_BYTES: u64 = 64 << 20;

/// A file or an object, opened.
#[derive(Debug)]
pub(crate) enum Blob {
    File(File),
    Object(Windows),
}

/// A file of this machine, or an object that was found, not opened yet.
#[derive(Clone, Debug)]
pub(crate) enum Origin {
    Path,
    Object(Object),
}

/// The object at an address; `None` for a path of this machine.
///
/// # Errors
/// When there is none, or the storage cannot be reached.
pub(crate) fn object(path: &Path) -> Result<Option<Object>, ContractError> {
    let Some(address) = Address::of(path) else { return Ok(None) };
    let storage = Storage::open(&address)?;
    let found = storage.look(&address.key)?.ok_or_else(|| absent(&address))?;
    Ok(Some(Object::new(storage, found)))
}

/// There is no such object.
pub(crate) fn absent(address: &Address) -> ContractError {
    ContractError::new(address.to_string(), "there is no such object")
}

/// All bytes at an address; `None` for a path of this machine.
///
/// # Errors
/// As [`object`].
pub(crate) fn whole(path: &Path) -> Result<Option<Bytes>, ContractError> {
    let Some(address) = Address::of(path) else { return Ok(None) };
    let read = Storage::open(&address)?.read(&address.key)?;
    read.map(|(bytes, _)| Some(bytes)).ok_or_else(|| absent(&address))
}

impl Blob {
    /// Opens a path or an address.
    ///
    /// # Errors
    /// Names it and the reason.
    pub(crate) fn open(path: &Path) -> Result<Self, ContractError> {
        match object(path)? {
            Some(object) => {
                // The end tells what else will be read.
                object.keep_tail()?;
                Ok(Self::of_object(&object))
            }
            None => disk::open(path).map(Self::File),
        }
    }

    /// Opens what was listed.
    ///
    /// # Errors
    /// As [`Blob::open`].
    pub(crate) fn of(origin: &Origin, path: &Path) -> Result<Self, ContractError> {
        match origin {
            Origin::Path => disk::open(path).map(Self::File),
            Origin::Object(object) => Ok(Self::of_object(object)),
        }
    }

    fn of_object(object: &Object) -> Self {
        Self::Object(Windows::of(object.clone(), Vec::new(), 0))
    }

    /// Opens what was listed, to be read from end to end.
    ///
    /// # Errors
    /// As [`Blob::open`].
    pub(crate) fn stream(origin: &Origin, path: &Path) -> Result<Stream, ContractError> {
        Ok(match origin {
            Origin::Path => Stream::File(disk::open(path)?),
            Origin::Object(object) => {
                Stream::Object(Windows::whole(object.clone()).read_from(0), object.size())
            }
        })
    }

    /// The same file again; of an object the part alone that some row groups of a Parquet file need, for the columns at `roots` (all,
    /// if `None`).
    ///
    /// # Errors
    /// When the system refuses another handle.
    pub(crate) fn for_groups(
        &self,
        metadata: &ParquetMetaData,
        groups: &[usize],
        roots: Option<&[usize]>,
    ) -> std::io::Result<Self> {
        Ok(match self {
            Self::File(file) => Self::File(file.try_clone()?),
            Self::Object(windows) => {
                // What lies in one row group is touched in turn by all of its columns.
                let limit = if groups.len() == 1 { u64::MAX } else { TABLE_BYTES };
                Self::Object(Windows::of(windows.object().clone(), chunks(metadata, groups, roots), limit))
            }
        })
    }

    /// The same again; what was fetched of an object is shared.
    ///
    /// # Errors
    /// When the system refuses another handle.
    pub(crate) fn again(&self) -> std::io::Result<Self> {
        Ok(match self {
            Self::File(file) => Self::File(file.try_clone()?),
            Self::Object(windows) => Self::Object(windows.clone()),
        })
    }

    /// A reader from the start.
    ///
    /// # Errors
    /// When the system refuses another handle.
    pub(crate) fn reader(&self) -> std::io::Result<Stream> {
        Ok(match self {
            Self::File(file) => Stream::File(file.try_clone()?),
            Self::Object(windows) => Stream::Object(windows.read_from(0), windows.object().size()),
        })
    }
}

/// Where columns of some row groups lie.
fn chunks(metadata: &ParquetMetaData, groups: &[usize], roots: Option<&[usize]>) -> Vec<Range<u64>> {
    let schema = metadata.file_metadata().schema_descr();
    let is_wanted = |leaf: usize| {
        roots.is_none_or(|roots| {
            leaf < schema.num_columns() && roots.contains(&schema.get_column_root_idx(leaf))
        })
    };
    let mut ranges = Vec::new();
    for group in groups.iter().filter_map(|&g| metadata.row_groups().get(g)) {
        for (_, column) in group.columns().iter().enumerate().filter(|(leaf, _)| is_wanted(*leaf)) {
            let start = column.dictionary_page_offset().unwrap_or(column.data_page_offset());
            let start = u64::try_from(start.min(column.data_page_offset())).unwrap_or(0);
            let length = u64::try_from(column.compressed_size()).unwrap_or(0);
            ranges.push(start..start.saturating_add(length));
        }
    }
    ranges
}

impl Length for Blob {
    fn len(&self) -> u64 {
        match self {
            Self::File(file) => file.len(),
            Self::Object(windows) => windows.object().size(),
        }
    }
}

impl ChunkReader for Blob {
    type T = ChunkBytes;

    fn get_read(&self, start: u64) -> parquet::errors::Result<ChunkBytes> {
        Ok(match self {
            Self::File(file) => ChunkBytes::File(file.get_read(start)?),
            Self::Object(windows) => ChunkBytes::Object(windows.read_from(start)),
        })
    }

    fn get_bytes(&self, start: u64, length: usize) -> parquet::errors::Result<Bytes> {
        match self {
            Self::File(file) => file.get_bytes(start, length),
            Self::Object(windows) => {
                let got = windows.get(start..start.saturating_add(length as u64));
                let bytes = got.map_err(|e| ParquetError::External(e.into()))?;
                if bytes.len() == length {
                    return Ok(bytes);
                }
                Err(ParquetError::EOF(format!(
                    "expected {length} bytes at {start}, {} are there",
                    bytes.len()
                )))
            }
        }
    }
}

/// Bytes of a Parquet file from a place on.
pub(crate) enum ChunkBytes {
    File(BufReader<File>),
    Object(WindowsReader),
}

impl Read for ChunkBytes {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        match self {
            Self::File(file) => file.read(buffer),
            Self::Object(object) => object.read(buffer),
        }
    }
}

/// A file or an object that is read from a place on.
#[derive(Debug)]
pub(crate) enum Stream {
    File(File),
    /// With its length.
    Object(WindowsReader, u64),
}

impl Stream {
    /// Its length, bytes.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn size(&self) -> std::io::Result<u64> {
        match self {
            Self::File(file) => Ok(file.metadata()?.len()),
            Self::Object(_, size) => Ok(*size),
        }
    }
}

impl Read for Stream {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        match self {
            Self::File(file) => file.read(buffer),
            Self::Object(object, _) => object.read(buffer),
        }
    }
}

impl Seek for Stream {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        match self {
            Self::File(file) => file.seek(to),
            Self::Object(object, _) => object.seek(to),
        }
    }
}
