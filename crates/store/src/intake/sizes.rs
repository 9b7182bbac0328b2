//! What a file asks room for, told before anything is decoded: a few bytes can unpack to more than any memory.

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};

use parquet::basic::Type;
use parquet::file::metadata::{ColumnChunkMetaData, ParquetMetaData};

/// Largest page unpacked, bytes. Writers aim at one MiB (common practice, no source); 64 times that is no honest page.
const LARGEST_PAGE: u64 = 64 << 20;
/// Mean length of the texts of a page beyond which they are no names, times or numbers, bytes.
const LONGEST_TEXT: u64 = 4096;
/// Structures of a page header nested deeper than this are refused: the format has three levels.
const DEEPEST: u32 = 8;
/// A page header lies within this many bytes, but for long texts in its statistics.
const HEADER_BYTES: usize = 512;

/// Refuses pages of the columns at `roots` that unpack to more than any export needs.
///
/// A header that cannot be read ends the look at its column: the decoder stumbles over it too, and says how.
///
/// # Errors
/// Names row group and column.
pub(crate) fn check_pages(
    file: &File,
    metadata: &ParquetMetaData,
    roots: &[usize],
) -> Result<(), (String, String)> {
    let schema = metadata.file_metadata().schema_descr();
    for (number, group) in metadata.row_groups().iter().enumerate() {
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

fn check_column(file: &File, column: &ColumnChunkMetaData) -> Option<String> {
    let start =
        column.dictionary_page_offset().unwrap_or(column.data_page_offset()).min(column.data_page_offset());
    let mut at = u64::try_from(start).ok()?;
    let end = at.checked_add(u64::try_from(column.compressed_size()).ok()?)?;
    let mut reader = BufReader::with_capacity(HEADER_BYTES, file.try_clone().ok()?);
    while at < end {
        reader.seek(SeekFrom::Start(at)).ok()?;
        let header = Header::read(&mut reader)?;
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
                (5 | 7 | 8, 12) => header.values = first_number(reader)?,
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
        // No page header has lists, sets or maps.
        _ => return None,
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
mod tests {
    use super::*;

    #[test]
    fn a_page_header_by_hand() {
        // 1: i32 0 (data page), 2: i32 300, 3: i32 40, 5: struct { 1: i32 7, 2: i32 0 }
        let bytes = [0x15, 0x00, 0x15, 0xd8, 0x04, 0x15, 0x50, 0x2c, 0x15, 0x0e, 0x15, 0x00, 0x00, 0x00];
        let header = Header::read(&mut &bytes[..]).unwrap();
        assert_eq!(header, Header { unpacked: 300, packed: 40, values: 7 });
        assert_eq!(Header::read(&mut &bytes[..7]), None);
        assert_eq!(Header::read(&mut &[0x19, 0x00][..]), None);
    }
}
