//! Arrow IPC files, checked before they are decoded.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use arrow::ipc::reader::FileReader;
use arrow::ipc::root_as_footer;

use crate::disk;

/// Length of the footer, then the six bytes of the format's name.
const TAIL_BYTES: u64 = 10;

/// Opens an IPC file, with only the columns at `positions` if given.
///
/// # Errors
/// The reason in words. The decoder makes room for a batch as large as the footer says, so a damaged footer of a
/// small file could ask for all memory: a batch that does not lie within the file is refused before.
pub(crate) fn open_file(
    path: &Path,
    positions: Option<Vec<usize>>,
) -> Result<FileReader<BufReader<File>>, String> {
    let mut file = disk::open(path).map_err(|e| e.message)?;
    check_blocks(&mut file)?;
    FileReader::try_new(BufReader::new(file), positions).map_err(|e| e.to_string())
}

fn check_blocks(file: &mut File) -> Result<(), String> {
    let footer = footer(file).map_err(|e| e.to_string())?;
    let Some((footer, file_bytes)) = footer else {
        return Err("the footer does not lie within the file".to_owned());
    };
    let footer = root_as_footer(&footer).map_err(|e| format!("the footer is damaged: {e}"))?;
    let blocks = footer.dictionaries().into_iter().chain(footer.recordBatches()).flatten();
    for block in blocks {
        let parts = [block.offset(), i64::from(block.metaDataLength()), block.bodyLength()];
        let end = parts.into_iter().try_fold(0_u64, |sum, part| sum.checked_add(u64::try_from(part).ok()?));
        if end.is_none_or(|end| end > file_bytes) {
            return Err("a batch does not lie within the file".to_owned());
        }
    }
    Ok(())
}

/// The footer's bytes and the length of the file; nothing when the footer's length is absurd.
fn footer(file: &mut File) -> std::io::Result<Option<(Vec<u8>, u64)>> {
    let file_bytes = file.seek(SeekFrom::End(0))?;
    let Some(tail_at) = file_bytes.checked_sub(TAIL_BYTES) else { return Ok(None) };
    file.seek(SeekFrom::Start(tail_at))?;
    let mut length = [0; 4];
    file.read_exact(&mut length)?;
    let length = u64::try_from(i32::from_le_bytes(length)).ok();
    let Some((length, start)) = length.and_then(|l| Some((l, tail_at.checked_sub(l)?))) else {
        return Ok(None);
    };
    file.seek(SeekFrom::Start(start))?;
    let mut bytes = vec![0; usize::try_from(length).unwrap_or(0)];
    file.read_exact(&mut bytes)?;
    file.seek(SeekFrom::Start(0))?;
    Ok(Some((bytes, file_bytes)))
}
