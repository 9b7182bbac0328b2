use std::sync::Arc;

use arrow::array::{Int64Array, RecordBatch};
use arrow::datatypes::{DataType, Field, Schema};
use drawoff_contract::part_tables::{ReducedHome, ReducedLoss};

use super::*;

/// A stream of batches of four numbers, and where each of its messages ends.
fn stream(batches: i64, compression: Option<CompressionType>) -> (Vec<u8>, Vec<usize>) {
    let schema = Arc::new(Schema::new(vec![Field::new("n", DataType::Int64, false)]));
    let options = IpcWriteOptions::default().try_with_compression(compression).unwrap();
    let mut writer = StreamWriter::try_new_with_options(Vec::new(), &schema, options).unwrap();
    let mut ends = vec![writer.get_ref().len()];
    for i in 0..batches {
        let numbers = Arc::new(Int64Array::from(vec![4 * i, 4 * i + 1, 4 * i + 2, 4 * i + 3]));
        writer.write(&RecordBatch::try_new(schema.clone(), vec![numbers]).unwrap()).unwrap();
        ends.push(writer.get_ref().len());
    }
    writer.finish().unwrap();
    (writer.into_inner().unwrap(), ends)
}

fn rows(bytes: &[u8]) -> Result<usize, ContractError> {
    let mut stream = StreamIn::open(bytes)?;
    let mut rows = 0;
    while let Some(batch) = stream.take()? {
        rows += batch.num_rows();
    }
    Ok(rows)
}

#[test]
fn a_whole_stream_is_read_packed_or_not() {
    for compression in [None, Some(CompressionType::ZSTD), Some(CompressionType::LZ4_FRAME)] {
        assert_eq!(rows(&stream(5, compression).0).unwrap(), 20, "{compression:?}");
    }
    assert_eq!(rows(&stream(0, None).0).unwrap(), 0);
}

#[test]
fn a_stream_cut_anywhere_is_refused() {
    let (whole, ends) = stream(4, None);
    for cut in 0..whole.len() {
        let error = rows(&whole[..cut]).expect_err(&format!("cut after {cut} of {} bytes", whole.len()));
        if ends.contains(&cut) {
            // What the decoder alone takes for a complete stream.
            assert!(error.message.contains("without its end mark"), "{cut}: {error}");
        }
    }
    let mut more = whole;
    more.push(0);
    assert!(rows(&more).unwrap_err().message.contains("after its end mark"));
}

#[test]
fn packed_rows_come_back_and_a_cut_is_seen() {
    let row = |i: i64| ReducedLoss {
        home: format!("h{i}"),
        is_listed: i % 2 == 0,
        rows: i,
        rejected: vec![i, 2 * i],
    };
    let bytes = packed((0..100).map(row).collect()).unwrap();
    assert_eq!(unpacked::<ReducedLoss>(&bytes).unwrap(), (0..100).map(row).collect::<Vec<_>>());
    assert_eq!(bytes, packed((0..100).map(row).collect()).unwrap());
    assert!(unpacked::<ReducedLoss>(&bytes[..bytes.len() - 8]).is_err());
    assert!(unpacked::<ReducedHome>(&bytes).is_err());
    assert_eq!(packed::<ReducedLoss>(Vec::new()).unwrap(), Vec::<u8>::new());
    assert_eq!(unpacked::<ReducedLoss>(&[]).unwrap(), Vec::new());
}

/// Homes whose results are far larger than a pipe holds.
#[test]
fn ten_megabytes_a_home_go_through_a_pipe() {
    const HOMES: i64 = 6;
    let payload =
        |i: i64| -> Vec<u8> { (0..10_000_000_u32).map(|b| (b ^ (b >> 7)) as u8 ^ i as u8).collect() };
    let (reader, writer) = std::io::pipe().unwrap();
    let feeder = std::thread::spawn(move || {
        let mut out = StreamOut::<_, ReducedHome>::begin(writer).unwrap();
        for i in 0..HOMES {
            out.push(home(i, payload(i)), 10_000_000).unwrap();
        }
        out.end().unwrap();
    });
    let mut stream = StreamIn::open(reader).unwrap();
    let mut seen = 0;
    while let Some(batch) = stream.take().unwrap() {
        // Homes of this size go out one by one.
        assert_eq!(batch.num_rows(), 1);
        assert!(ReducedHome::from_batch(&batch).unwrap()[0] == home(seen, payload(seen)));
        seen += 1;
    }
    feeder.join().unwrap();
    assert_eq!(seen, HOMES);
}

#[test]
fn a_reader_that_leaves_is_an_error_of_writing() {
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    let begun = StreamOut::<_, ReducedHome>::begin(writer);
    let ended = begun.and_then(|mut out| {
        out.push(home(1, vec![0; 5_000_000]), 5_000_000)?;
        out.end()
    });
    assert!(ended.unwrap_err().message.contains("cannot be written"));
}

fn home(i: i64, days: Vec<u8>) -> ReducedHome {
    ReducedHome {
        home: format!("h{i}"),
        status: "ok".to_owned(),
        detail: String::new(),
        print: String::new(),
        rows_in: i,
        first_ms: None,
        last_ms: Some(i),
        out_of_order: 0,
        files: vec![0],
        counts: vec![1, 2],
        rejected: Vec::new(),
        days,
        spells: Vec::new(),
        draws: Vec::new(),
    }
}
