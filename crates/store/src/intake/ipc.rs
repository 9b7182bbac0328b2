//! Arrow IPC files and streams, checked before they are decoded.

use std::io::{BufReader, Read, Seek, SeekFrom};

use arrow::ipc::reader::{FileReader, StreamReader};
use arrow::ipc::{Message, RecordBatch, root_as_footer, root_as_message};

use crate::blob::Stream;
use crate::intake::source::Source;

/// Length of the footer, then the six bytes of the format's name.
const TAIL_BYTES: u64 = 10;
/// Largest batch unpacked, bytes. A batch is in memory as a whole, so it has to fit beside all else.
const LARGEST_BATCH: u64 = 512 << 20;
/// Stands before the length of a message since format version 0.15.
const CONTINUATION: [u8; 4] = [0xff; 4];

/// Opens an IPC file, with only the columns at `positions` if given.
///
/// # Errors
/// The reason in words. The decoder makes room for a batch as large as the file says, so a damaged or malicious small file could ask
/// for all memory: a batch that does not lie within the file, or unpacks to too much, is refused before.
pub(crate) fn open_file(
    source: &Source,
    positions: Option<Vec<usize>>,
) -> Result<FileReader<BufReader<Stream>>, String> {
    let mut file = source.stream().map_err(|e| e.message)?;
    check_blocks(&mut file)?;
    FileReader::try_new(BufReader::new(file), positions).map_err(|e| e.to_string())
}

/// Opens an IPC stream, with only the columns at `positions` if given.
///
/// # Errors
/// As [`open_file`].
pub(crate) fn open_stream(
    source: &Source,
    positions: Option<Vec<usize>>,
) -> Result<StreamReader<BufReader<Stream>>, String> {
    let mut file = source.stream().map_err(|e| e.message)?;
    check_messages(&mut file)?;
    file.seek(SeekFrom::Start(0)).map_err(|e| e.to_string())?;
    StreamReader::try_new(BufReader::new(file), positions).map_err(|e| e.to_string())
}

fn check_blocks(file: &mut Stream) -> Result<(), String> {
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
        let (offset, head) =
            (block.offset().unsigned_abs(), u64::from(block.metaDataLength().unsigned_abs()));
        // The decoder reads the message from the whole block, so that a head that says to be too short hides nothing from it.
        let whole = head + block.bodyLength().unsigned_abs();
        for length in [head, whole] {
            if check_block(file, offset, head, length)? {
                break;
            }
        }
    }
    file.seek(SeekFrom::Start(0)).map_err(|e| e.to_string())?;
    Ok(())
}

/// Checks the batch of a block whose message lies in the first `length` bytes; whether there is one. What cannot be read in the whole block
/// stops the decoder as well, which says why.
fn check_block(file: &mut Stream, offset: u64, head: u64, length: u64) -> Result<bool, String> {
    let Some(metadata) = bytes_at(file, offset, length) else { return Ok(false) };
    let past_length = if metadata.starts_with(&CONTINUATION) { 8 } else { 4 };
    let Ok(message) = root_as_message(metadata.get(past_length..).unwrap_or(&[])) else { return Ok(false) };
    check_batch(file, &message, offset + head)?;
    Ok(true)
}

/// Looks at every message up to the first that cannot be read: the decoder stops there as well, and says why.
fn check_messages(file: &mut Stream) -> Result<(), String> {
    let mut at = 0_u64;
    let mut length = [0; 4];
    loop {
        if file.seek(SeekFrom::Start(at)).is_err() || file.read_exact(&mut length).is_err() {
            return Ok(());
        }
        at += 4;
        if length == CONTINUATION {
            if file.read_exact(&mut length).is_err() {
                return Ok(());
            }
            at += 4;
        }
        let Some(head) = u64::try_from(i32::from_le_bytes(length)).ok().filter(|&l| l > 0) else {
            return Ok(());
        };
        let Some(metadata) = bytes_at(file, at, head) else { return Ok(()) };
        let Ok(message) = root_as_message(&metadata) else { return Ok(()) };
        at += head;
        check_batch(file, &message, at)?;
        let Some(next) = u64::try_from(message.bodyLength()).ok().and_then(|l| at.checked_add(l)) else {
            return Ok(());
        };
        at = next;
    }
}

/// Refuses a packed batch whose buffers, at `body` in the file, say that they unpack to too much.
fn check_batch(file: &mut Stream, message: &Message<'_>, body: u64) -> Result<(), String> {
    let of_dictionary = || message.header_as_dictionary_batch().and_then(|d| d.data());
    let Some(batch): Option<RecordBatch<'_>> = message.header_as_record_batch().or_else(of_dictionary) else {
        return Ok(());
    };
    if batch.compression().is_none() {
        return Ok(());
    }
    let mut unpacked = 0_u64;
    for buffer in batch.buffers().into_iter().flatten().filter(|b| b.length() >= 8) {
        let at = u64::try_from(buffer.offset()).ok().and_then(|offset| body.checked_add(offset));
        let Some(size) = at.and_then(|at| bytes_at(file, at, 8)) else { continue };
        // -1 says that a buffer is not packed; other numbers below zero are the decoder's to refuse.
        let size = i64::from_le_bytes(size.try_into().unwrap_or_default());
        unpacked = unpacked.saturating_add(u64::try_from(size).unwrap_or(0));
    }
    if unpacked > LARGEST_BATCH {
        return Err(format!(
            "a batch unpacks to {} MB, at most {} can be read: export smaller batches",
            unpacked >> 20,
            LARGEST_BATCH >> 20
        ));
    }
    Ok(())
}

/// So many bytes of a file, if they lie within it.
fn bytes_at(file: &mut Stream, at: u64, length: u64) -> Option<Vec<u8>> {
    let file_bytes = file.size().ok()?;
    if at.checked_add(length)? > file_bytes {
        return None;
    }
    file.seek(SeekFrom::Start(at)).ok()?;
    let mut bytes = vec![0; usize::try_from(length).ok()?];
    file.read_exact(&mut bytes).ok()?;
    Some(bytes)
}

/// The footer's bytes and the length of the file; nothing when the footer's length is absurd.
fn footer(file: &mut Stream) -> std::io::Result<Option<(Vec<u8>, u64)>> {
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
