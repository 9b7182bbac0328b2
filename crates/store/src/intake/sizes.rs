//! What a file asks room for, told before anything is decoded: a few bytes can unpack to more than any memory.

use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};
use std::ops::Range;

use parquet::basic::Type;
use parquet::file::metadata::{ColumnChunkMetaData, ParquetMetaData};

use crate::blob::Blob;

/// Largest page unpacked, bytes. Writers aim at one MiB (common practice, no source); 64 times that is no honest page.
const LARGEST_PAGE: u64 = 64 << 20;
/// Mean length of the texts of a page beyond which they are no names, times or numbers, bytes.
const LONGEST_TEXT: u64 = 4096;
/// Structures of a page header nested deeper than this are refused: the decoder follows no deeper.
const DEEPEST: u32 = 64;
/// Lists in a page header longer than this are refused: the format has none there, and they take time to pass over.
const LONGEST_LIST: u64 = 1 << 16;
/// A page header lies within this many bytes, but for long texts in its statistics.
const HEADER_BYTES: usize = 512;

/// Refuses pages of the columns at `roots`, in some row groups, that unpack to more than any export needs.
///
/// A header that cannot be followed is refused too: the decoder may follow where this reader does not. Beyond the last value of a column
/// nothing need be a header.
///
/// # Errors
/// Names row group and column.
pub(crate) fn check_pages(
    file: &Blob,
    metadata: &ParquetMetaData,
    groups: Range<usize>,
    roots: &[usize],
) -> Result<(), (String, String)> {
    let schema = metadata.file_metadata().schema_descr();
    for (number, group) in metadata.row_groups().iter().enumerate().take(groups.end).skip(groups.start) {
        for (leaf, column) in group.columns().iter().enumerate() {
            if leaf < schema.num_columns()
                && roots.contains(&schema.get_column_root_idx(leaf))
                && let Some(problem) = check_column(file, column)
            {
                return Err((
                    format!("row group {number}, column `{}`", column.column_path().parts().join(".")),
                    problem,
                ));
            }
        }
    }
    Ok(())
}

fn check_column(file: &Blob, column: &ColumnChunkMetaData) -> Option<String> {
    // The decoder begins there too.
    let start = column.dictionary_page_offset().unwrap_or(column.data_page_offset());
    let mut at = u64::try_from(start).ok()?;
    let end = at.checked_add(u64::try_from(column.compressed_size()).ok()?)?;
    let mut reader = BufReader::with_capacity(HEADER_BYTES, file.reader().ok()?);
    let promised = u64::try_from(column.num_values()).ok()?;
    let mut seen = 0_u64;
    while at < end {
        reader.seek(SeekFrom::Start(at)).ok()?;
        let Some(header) = Header::read(&mut reader) else {
            return (seen < promised).then(|| format!("the page header at byte {at} cannot be followed"));
        };
        if header.is_data {
            seen = seen.saturating_add(header.values);
        }
        if header.unpacked > LARGEST_PAGE {
            return Some(format!("a page unpacks to {} MB", header.unpacked >> 20));
        }
        let values = header.values.max(1);
        if column.column_type() == Type::BYTE_ARRAY && header.unpacked / values > LONGEST_TEXT {
            return Some(format!(
                "texts of {} kB each are no names, times or numbers",
                (header.unpacked / values) >> 10
            ));
        }
        at = reader.stream_position().ok()?.checked_add(header.packed)?;
    }
    None
}

/// What a page header says of sizes. Written in the compact protocol of Apache Thrift (its public specification).
#[derive(Debug, Default, PartialEq, Eq)]
struct Header {
    unpacked: u64,
    packed: u64,
    values: u64,
    /// Whether the page holds values of rows, and not a dictionary.
    is_data: bool,
}

impl Header {
    fn read(reader: &mut impl BufRead) -> Option<Self> {
        let mut header = Self::default();
        let mut id = 0;
        while let Some((kind, field)) = next_field(reader, &mut id)? {
            match (field, kind) {
                (2, 4..=6) => header.unpacked = u64::try_from(signed(reader)?).ok()?,
                (3, 4..=6) => header.packed = u64::try_from(signed(reader)?).ok()?,
                // Headers of a data page, a dictionary and a data page of the second kind begin with the number of values.
                (5 | 7 | 8, 12) => {
                    header.values = first_number(reader)?;
                    header.is_data |= field != 7;
                }
                // Of another kind than the format's: who knows what a decoder makes of it.
                (2 | 3 | 5 | 7 | 8, _) => return None,
                _ => skip(reader, kind, 0)?,
            }
        }
        Some(header)
    }
}

/// Kind and number of the next field; the inner `None` ends the structure.
fn next_field(reader: &mut impl BufRead, id: &mut i64) -> Option<Option<(u8, i64)>> {
    let head = byte(reader)?;
    if head == 0 {
        return Some(None);
    }
    let step = i64::from(head >> 4);
    *id = if step == 0 { signed(reader)? } else { id.checked_add(step)? };
    Some(Some((head & 0x0f, *id)))
}

fn first_number(reader: &mut impl BufRead) -> Option<u64> {
    let (mut id, mut first) = (0, 0);
    while let Some((kind, field)) = next_field(reader, &mut id)? {
        match (field, kind) {
            (1, 4..=6) => first = u64::try_from(signed(reader)?).ok()?,
            _ => skip(reader, kind, 1)?,
        }
    }
    Some(first)
}

fn skip(reader: &mut impl BufRead, kind: u8, depth: u32) -> Option<()> {
    if depth > DEEPEST {
        return None;
    }
    match kind {
        1 | 2 => {}
        3 => drop(byte(reader)?),
        4..=6 => drop(unsigned(reader)?),
        7 => pass(reader, 8)?,
        8 => {
            let length = unsigned(reader)?;
            pass(reader, length)?;
        }
        12 => {
            let mut id = 0;
            while let Some((kind, _)) = next_field(reader, &mut id)? {
                skip(reader, kind, depth + 1)?;
            }
        }
        9 | 10 => {
            let head = byte(reader)?;
            let long = head >> 4 == 15;
            let length = if long { unsigned(reader)? } else { u64::from(head >> 4) };
            skip_each(reader, &[head & 0x0f], length, depth)?;
        }
        11 => {
            let length = unsigned(reader)?;
            if length > 0 {
                let kinds = byte(reader)?;
                skip_each(reader, &[kinds >> 4, kinds & 0x0f], length, depth)?;
            }
        }
        13 => pass(reader, 16)?,
        _ => return None,
    }
    Some(())
}

/// Passes over the members of a list, set or map. Switches among them take no byte, as the decoder has it.
fn skip_each(reader: &mut impl BufRead, kinds: &[u8], length: u64, depth: u32) -> Option<()> {
    if length > LONGEST_LIST {
        return None;
    }
    if kinds.iter().all(|kind| matches!(kind, 1 | 2)) {
        return Some(());
    }
    for _ in 0..length {
        kinds.iter().try_for_each(|kind| skip(reader, *kind, depth + 1))?;
    }
    Some(())
}

fn pass(reader: &mut impl BufRead, bytes: u64) -> Option<()> {
    (std::io::copy(&mut reader.take(bytes), &mut std::io::sink()).ok()? == bytes).then_some(())
}

fn byte(reader: &mut impl BufRead) -> Option<u8> {
    let mut one = [0];
    reader.read_exact(&mut one).ok()?;
    Some(one[0])
}

/// A number of seven bits a byte, the lowest first.
fn unsigned(reader: &mut impl BufRead) -> Option<u64> {
    let mut value = 0_u64;
    for shift in (0..64).step_by(7) {
        let next = byte(reader)?;
        value |= u64::from(next & 0x7f) << shift;
        if next & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

/// Signed numbers lie zigzag: 0, -1, 1, -2, ...
fn signed(reader: &mut impl BufRead) -> Option<i64> {
    let zigzag = unsigned(reader)?;
    Some((zigzag >> 1).cast_signed() ^ -(zigzag & 1).cast_signed())
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "a test spoils a file, which the store would not")]
mod tests {
    use std::sync::Arc;

    use arrow::array::{ArrayRef, Float64Array};
    use parquet::arrow::arrow_reader::{ArrowReaderMetadata, ArrowReaderOptions};

    use super::*;
    use crate::intake::testing::write_parquet;

    #[test]
    fn a_page_header_by_hand() {
        // 1: i32 0 (data page), 2: i32 300, 3: i32 40, 5: struct { 1: i32 7, 2: i32 0 }
        let bytes = [0x15, 0x00, 0x15, 0xd8, 0x04, 0x15, 0x50, 0x2c, 0x15, 0x0e, 0x15, 0x00, 0x00, 0x00];
        let header = Header::read(&mut &bytes[..]).unwrap();
        assert_eq!(header, Header { unpacked: 300, packed: 40, values: 7, is_data: true });
        assert_eq!(Header::read(&mut &bytes[..7]), None);
        assert_eq!(Header::read(&mut &[0x19, 0x00][..]), None);
        // Sizes behind 9: a list of two i32, a map of i32 to i32, a set of a structure: passed over, as the decoder does.
        let head = [0x99, 0x25, 0x02, 0x04, 0x1b, 0x01, 0x55, 0x02, 0x04, 0x1a, 0x1c, 0x15, 0x02, 0x00];
        let strange = [&head[..], &[0x05, 0x04, 0xd8, 0x04, 0x15, 0x50, 0x00]].concat();
        let header = Header::read(&mut &strange[..]).unwrap();
        assert_eq!(header, Header { unpacked: 300, packed: 40, values: 0, is_data: false });
        // A size of another kind, and a list that is longer than a header.
        assert_eq!(Header::read(&mut &[0x23, 0x04, 0x15, 0x50, 0x00][..]), None);
        assert_eq!(Header::read(&mut &[0x99, 0xf5, 0xff, 0xff, 0xff, 0x0f][..]), None);
    }

    #[test]
    fn a_header_that_cannot_be_followed_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.parquet");
        let values: ArrayRef = Arc::new(Float64Array::from_iter_values((0..50).map(f64::from)));
        write_parquet(&path, vec![("t1", values)], 50);
        let file = Blob::open(&path).unwrap();
        let known = ArrowReaderMetadata::load(&file, ArrowReaderOptions::default()).unwrap();
        assert_eq!(check_pages(&file, known.metadata(), 0..1, &[0]), Ok(()));
        let column = known.metadata().row_group(0).column(0);
        let start = column.dictionary_page_offset().unwrap_or(column.data_page_offset());
        let mut bytes = std::fs::read(&path).unwrap();
        // Field 1 of a kind that the format does not know.
        bytes[usize::try_from(start).unwrap()] = 0x1f;
        std::fs::write(&path, bytes).unwrap();
        let refused = check_pages(&Blob::open(&path).unwrap(), known.metadata(), 0..1, &[0]).unwrap_err();
        assert_eq!(refused.0, "row group 0, column `t1`");
        assert!(refused.1.contains("cannot be followed"), "{}", refused.1);
    }
}
