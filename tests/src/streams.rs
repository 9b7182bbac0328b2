//! Readings of a fleet as an Arrow IPC stream, and what a worker makes of it.
#![expect(clippy::disallowed_methods, reason = "tests write what an engine would write")]
#![expect(clippy::expect_used, reason = "a test cannot go on without the files")]

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use arrow::array::RecordBatch;
use arrow::compute::{SortColumn, concat_batches, lexsort_to_indices, take_record_batch};
use arrow::ipc::reader::StreamReader;
use arrow::ipc::writer::StreamWriter;
use drawoff_store::output::read_batches;

use crate::program::{Ended, repository};

/// All rows of some Parquet files, by home and time.
///
/// # Panics
/// When they cannot be read.
#[must_use]
pub fn sorted(folder: &Path, files: &[&str]) -> RecordBatch {
    let mut batches = Vec::new();
    for file in files {
        batches.extend(read_batches(&folder.join(file)).expect("readings"));
    }
    let whole = concat_batches(&batches[0].schema(), &batches).expect("files of one schema");
    let by = |name: &str| SortColumn {
        values: whole.column_by_name(name).expect("a column").clone(),
        options: None,
    };
    let order = lexsort_to_indices(&[by("home"), by("time")], None).expect("an order");
    take_record_batch(&whole, &order).expect("rows")
}

/// A stream in batches of so many rows, and where each of its messages ends.
///
/// # Panics
/// Never: it is written to memory.
#[must_use]
pub fn stream(rows: &RecordBatch, batch_rows: usize) -> (Vec<u8>, Vec<usize>) {
    let mut writer = StreamWriter::try_new(Vec::new(), &rows.schema()).expect("a stream");
    let mut ends = vec![writer.get_ref().len()];
    for at in (0..rows.num_rows()).step_by(batch_rows) {
        writer.write(&rows.slice(at, batch_rows.min(rows.num_rows() - at))).expect("a batch");
        ends.push(writer.get_ref().len());
    }
    (writer.into_inner().expect("an end mark"), ends)
}

/// Runs the program with `input` on its standard input; its standard output is not text.
///
/// # Panics
/// When it cannot be started.
#[must_use]
pub fn fed(program: &str, arguments: &[&str], input: &[u8]) -> (Ended, Vec<u8>) {
    let mut child = Command::new(program)
        .args(arguments)
        .current_dir(repository())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut stdin = child.stdin.take().expect("a pipe");
    let input = input.to_vec();
    // A worker that has seen enough closes its input.
    let feeder = std::thread::spawn(move || stdin.write_all(&input));
    let output = child.wait_with_output().expect("the program ends");
    let _ = feeder.join();
    let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
    (Ended { code: output.status.code().unwrap_or(-1), stdout: String::new(), stderr }, output.stdout)
}

/// All batches of a worker's output.
///
/// # Panics
/// When it is no stream.
#[must_use]
pub fn batches(output: &[u8]) -> Vec<RecordBatch> {
    let reader = StreamReader::try_new(output, None).expect("a stream");
    reader.collect::<Result<_, _>>().expect("batches")
}

/// Writes batches as an engine does: a Parquet file, and a mark that all is done.
///
/// # Panics
/// When the disk refuses.
pub fn as_engine(folder: &Path, name: &str, batches: &[RecordBatch]) {
    std::fs::create_dir_all(folder).expect("a folder");
    let file = std::fs::File::create(folder.join(name)).expect("a file");
    let mut writer = parquet::arrow::ArrowWriter::try_new(file, batches[0].schema(), None).expect("a writer");
    batches.iter().for_each(|b| writer.write(b).expect("rows"));
    writer.close().expect("an end");
    std::fs::write(folder.join("_SUCCESS"), "").expect("a mark");
}
