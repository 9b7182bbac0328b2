//! Small files that unpack to more than the memory, and sources that are no files: each is refused within 2 GiB and 10 s.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::disallowed_methods, reason = "tests make files that the store would not write")]

use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use arrow::array::{
    ArrayRef, DictionaryArray, Float64Array, Int32Array, Int64Array, RecordBatch, StringArray,
};
use arrow::datatypes::Int32Type;
use arrow::ipc::CompressionType;
use arrow::ipc::writer::{FileWriter, IpcWriteOptions, StreamWriter};
use drawoff_tests::confined::confined;
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::properties::WriterProperties;

const READ_ODD_FILE: &str = env!("CARGO_BIN_EXE_read-odd-file");

fn parquet(path: &Path, column: ArrayRef, dictionary: bool) {
    let batch = RecordBatch::try_from_iter([("home", column)]).unwrap();
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(1).unwrap()))
        .set_dictionary_enabled(dictionary)
        .set_data_page_size_limit(1 << 30)
        .set_data_page_row_count_limit(usize::MAX)
        .set_max_row_group_row_count(None)
        .set_write_batch_size(1 << 30)
        .set_dictionary_page_size_limit(1 << 30)
        .set_statistics_enabled(parquet::file::properties::EnabledStatistics::None)
        .build();
    let mut writer =
        ArrowWriter::try_new(File::create(path).unwrap(), batch.schema(), Some(properties)).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
}

fn refused(path: &Path) -> String {
    let said = confined(READ_ODD_FILE, path).unwrap();
    assert!(said.starts_with("refused: "), "{said}");
    said
}

#[test]
fn a_page_that_unpacks_to_too_much() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.parquet");
    parquet(&path, Arc::new(Float64Array::from(vec![0.0; 12 << 20])), false);
    assert!(std::fs::metadata(&path).unwrap().len() < 1 << 20);
    assert!(refused(&path).contains("a page unpacks to 96 MB (a.parquet, row group 0, column `home`)"));
}

#[test]
fn one_long_text_that_many_rows_share() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("a.parquet");
    // As many short texts as make the mean of the dictionary look honest.
    let mut texts: Vec<String> = (0..20_000).map(|i| i.to_string()).collect();
    texts.push("x".repeat(60 << 20));
    let last = i32::try_from(texts.len() - 1).unwrap();
    let keys: Vec<i32> = (0..last).chain(std::iter::repeat_n(last, 40)).collect();
    let rows = keys.len();
    let packed =
        DictionaryArray::<Int32Type>::new(Int32Array::from(keys), Arc::new(StringArray::from(texts)));
    parquet(&path, Arc::new(packed), true);
    assert!(std::fs::metadata(&path).unwrap().len() < 1 << 20);
    // Written out for every row these would be 2.4 GB.
    let said = confined(READ_ODD_FILE, &path).unwrap();
    assert!(said.starts_with(&format!("read {rows} rows")), "{said}");
}

#[test]
fn a_batch_that_says_that_it_unpacks_to_too_much() {
    let dir = tempfile::tempdir().unwrap();
    let batch =
        RecordBatch::try_from_iter([("v", Arc::new(Int64Array::from(vec![7; 1000])) as ArrayRef)]).unwrap();
    for packed in [CompressionType::LZ4_FRAME, CompressionType::ZSTD] {
        let options = IpcWriteOptions::default().try_with_compression(Some(packed)).unwrap();
        for name in ["a.arrow", "a.arrows"] {
            let path = dir.path().join(name);
            let file = File::create(&path).unwrap();
            if name == "a.arrow" {
                let mut writer =
                    FileWriter::try_new_with_options(file, &batch.schema(), options.clone()).unwrap();
                writer.write(&batch).unwrap();
                writer.finish().unwrap();
            } else {
                let mut writer =
                    StreamWriter::try_new_with_options(file, &batch.schema(), options.clone()).unwrap();
                writer.write(&batch).unwrap();
                writer.finish().unwrap();
            }
            assert!(confined(READ_ODD_FILE, &path).unwrap().starts_with("read 1000 rows"));
            // The length before a packed buffer: 8,000 bytes become 8 TB.
            let mut bytes = std::fs::read(&path).unwrap();
            let at = bytes.windows(8).position(|w| w == 8000_i64.to_le_bytes()).unwrap();
            let at = bytes.windows(8).rposition(|w| w == 8000_i64.to_le_bytes()).unwrap_or(at);
            bytes[at..at + 8].copy_from_slice(&(8_i64 << 40).to_le_bytes());
            std::fs::write(&path, bytes).unwrap();
            assert!(
                refused(&path).contains("a batch unpacks to 8388608 MB, at most 512 can be read"),
                "{name}"
            );
        }
    }
}

#[cfg(unix)]
#[test]
fn pipes_devices_and_links_in_circles() {
    let dir = tempfile::tempdir().unwrap();
    let pipe = dir.path().join("pipe.csv");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    assert!(refused(&pipe).contains("is no plain file"));
    let device = dir.path().join("zero.parquet");
    std::os::unix::fs::symlink("/dev/zero", &device).unwrap();
    assert!(refused(&device).contains("is no plain file"));
    let nowhere = dir.path().join("gone.csv");
    std::os::unix::fs::symlink("nowhere", &nowhere).unwrap();
    assert!(refused(&nowhere).contains("there is no such file or folder"));
    let folder = dir.path().join("folder");
    std::fs::create_dir(&folder).unwrap();
    std::os::unix::fs::symlink(".", folder.join("again")).unwrap();
    assert!(refused(&folder).contains("folders lie deeper than 12 in each other"));
}
