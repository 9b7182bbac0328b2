use arrow::array::{
    ArrayRef, Float64Array, Int64Array, StringArray, TimestampMicrosecondArray, TimestampMillisecondArray,
    TimestampNanosecondArray, TimestampSecondArray,
};

use super::*;
use crate::intake::gather;
use crate::intake::testing::{long_mapping, mapping, register, strings, wide_mapping, write_parquet};

const START_S: i64 = 1_760_000_000;

fn stamped_mapping() -> Mapping {
    mapping(
        "
[readings]
shape = \"wide\"
home = \"home\"
time = { column = \"time\", format = \"timestamp\", zone = \"UTC\" }
stamp = \"end\"
value = \"mean\"
sentinels = [-999]
channels = [
  { column = \"t1\", channel = \"probe_1\", unit = \"degC\" },
  { column = \"t2\", channel = \"probe_2\", unit = \"degC\", optional = true },
]
",
    )
}

/// Three homes (one not in the register), rows of no home, copies, a sentinel and a row without any value.
fn rows() -> (Vec<Option<&'static str>>, Vec<i64>, Vec<Option<f64>>) {
    let mut homes = vec![None; 2];
    let mut times = vec![START_S, START_S - 60];
    let mut values = vec![Some(50.0), Some(51.0)];
    for (home, rows) in [("a", 40), ("b", 25), ("stranger", 7)] {
        for i in 0..rows {
            homes.push(Some(home));
            // Every seventh stamp comes twice.
            times.push(START_S + 300 * (i - i64::from(i % 7 == 3)));
            values.push(match i {
                5 => None,
                6 => Some(-999.0),
                _ => Some(50.0 + i as f64),
            });
        }
    }
    (homes, times, values)
}

fn batch(home: ArrayRef, time: ArrayRef) -> RecordBatch {
    let (_, _, values) = rows();
    RecordBatch::try_from_iter_with_nullable(vec![
        ("home", home, true),
        ("time", time, true),
        ("t1", Arc::new(Float64Array::from(values)) as ArrayRef, true),
    ])
    .unwrap()
}

fn plain() -> RecordBatch {
    let (homes, times, _) = rows();
    let ms: Vec<i64> = times.iter().map(|s| s * 1000).collect();
    batch(
        Arc::new(StringArray::from(homes)),
        Arc::new(TimestampMillisecondArray::from(ms).with_timezone("UTC")),
    )
}

fn cut(batches: &[RecordBatch], mapping: &Mapping) -> Result<Vec<GroupedHome>, ContractError> {
    let cylinders = register(&[("a", "0.8|0.2"), ("b", "0.8|0.2"), ("never", "0.5")]);
    let mut grouped = Grouped::begin(&batches[0].schema(), mapping, &cylinders).map_err(|e| e[0].clone())?;
    let mut homes = Vec::new();
    let mut take = |home: GroupedHome| {
        homes.push(home);
        Ok(())
    };
    for batch in batches {
        grouped.push(batch, &mut take)?;
    }
    grouped.end(&mut take)?;
    Ok(homes)
}

fn in_batches(batch: &RecordBatch, rows: usize) -> Vec<RecordBatch> {
    (0..batch.num_rows()).step_by(rows).map(|at| batch.slice(at, rows.min(batch.num_rows() - at))).collect()
}

#[test]
fn homes_are_as_the_intake_of_files_gives_them() {
    let mapping = stamped_mapping();
    let dir = tempfile::tempdir().unwrap();
    let whole = plain();
    let columns =
        whole.schema().fields().iter().map(|f| whole.column_by_name(f.name()).unwrap().clone()).collect();
    let names = ["home", "time", "t1"];
    let columns: Vec<ArrayRef> = columns;
    write_parquet(&dir.path().join("x.parquet"), names.into_iter().zip(columns).collect(), 1000);
    let cylinders = register(&[("a", "0.8|0.2"), ("b", "0.8|0.2"), ("never", "0.5")]);
    let direct = gather(dir.path(), &mapping, &cylinders, &|_| {});
    for batch_rows in [1, 64, 10_000] {
        let homes = cut(&in_batches(&whole, batch_rows), &mapping).unwrap();
        let names: Vec<&str> = homes.iter().map(|h| h.home.as_str()).collect();
        assert_eq!(names, ["", "a", "b", "stranger"]);
        for home in &homes[1..3] {
            assert_eq!(home.rows, direct.homes[&home.home], "{} in batches of {batch_rows}", home.home);
            assert_eq!(Some(&home.rejected), direct.rejected_by_home.get(&home.home));
        }
        let mut rejected = Account::default();
        homes.iter().for_each(|h| rejected.add(&h.rejected));
        assert_eq!(rejected, direct.files[0].account);
        assert_eq!(homes.iter().map(|h| h.rows_in).sum::<u64>(), whole.num_rows() as u64);
        assert!(homes[3].rows.is_empty() && homes[3].rejected.rows_in == 7);
    }
}

#[test]
fn names_and_stamps_of_any_kind_are_the_same() {
    let mapping = stamped_mapping();
    let expected = cut(&[plain()], &mapping).unwrap();
    let (homes, seconds, _) = rows();
    let text: ArrayRef = Arc::new(StringArray::from(homes));
    let instants: ArrayRef = Arc::new(TimestampSecondArray::from(seconds.clone()).with_timezone("+00:00"));
    let dictionary = |keys| DataType::Dictionary(Box::new(keys), Box::new(DataType::Utf8));
    for kind in
        [DataType::LargeUtf8, DataType::Utf8View, dictionary(DataType::Int32), dictionary(DataType::Int8)]
    {
        let found = cut(&[batch(cast(&text, &kind).unwrap(), instants.clone())], &mapping).unwrap();
        assert!(found.iter().zip(&expected).all(|(a, b)| a.rows == b.rows && a.home == b.home), "{kind}");
    }
    let times: [ArrayRef; 2] = [
        Arc::new(
            TimestampMicrosecondArray::from(seconds.iter().map(|s| s * 1_000_000).collect::<Vec<_>>())
                .with_timezone("Europe/Dublin"),
        ),
        Arc::new(
            TimestampNanosecondArray::from(seconds.iter().map(|s| s * 1_000_000_000).collect::<Vec<_>>())
                .with_timezone("UTC"),
        ),
    ];
    for time in times {
        let found = cut(&[batch(text.clone(), time)], &mapping).unwrap();
        assert!(found.iter().zip(&expected).all(|(a, b)| a.rows == b.rows));
    }
}

#[test]
fn stamps_without_a_zone_are_refused_whatever_the_mapping_says() {
    let (homes, seconds, _) = rows();
    let homes: ArrayRef = Arc::new(StringArray::from(homes));
    let naive: ArrayRef = Arc::new(TimestampSecondArray::from(seconds));
    let error = cut(&[batch(homes.clone(), naive)], &stamped_mapping()).unwrap_err();
    assert!(error.message.contains("no zone"), "{error}");
    let local: ArrayRef = strings(&vec!["2026-03-29 12:00"; homes.len()]);
    let error = cut(&[batch(homes, local)], &stamped_mapping()).unwrap_err();
    assert!(error.message.contains("no zone"), "{error}");
}

#[test]
fn rows_that_are_not_sorted_are_refused() {
    let whole = plain();
    // Home a again after b, in another batch and in the same one.
    for batches in [
        vec![whole.clone(), whole.slice(2, 5)],
        vec![arrow::compute::concat_batches(&whole.schema(), [&whole, &whole.slice(2, 5)]).unwrap()],
    ] {
        let error = cut(&batches, &stamped_mapping()).unwrap_err();
        assert!(error.message.contains("not grouped by home"), "{error}");
        assert_eq!(error.subject, "home a");
    }
    // The second half of a home before its first, cut between batches.
    let error = cut(&[whole.slice(20, 20), whole.slice(2, 18)], &stamped_mapping()).unwrap_err();
    assert!(error.message.contains("not in time order"), "{error}");
}

#[test]
fn a_stream_with_wrong_columns_names_them_all() {
    let batch = RecordBatch::try_from_iter(vec![("home", strings(&["a"])), ("t1", strings(&["x"]))]).unwrap();
    let cylinders = register(&[("a", "0.8|0.2")]);
    let problems = Grouped::begin(&batch.schema(), &wide_mapping(), &cylinders).unwrap_err();
    let text: Vec<String> = problems.iter().map(ToString::to_string).collect();
    assert!(text.iter().any(|t| t.contains("column `time`")), "{text:?}");
    assert!(text.iter().any(|t| t.contains("column `t2`")), "{text:?}");
}

#[test]
fn long_rows_are_grouped_too() {
    let mapping = long_mapping();
    let dir = tempfile::tempdir().unwrap();
    let columns: Vec<(&str, ArrayRef)> = vec![
        ("home", strings(&["a", "a", "a", "a", "b"])),
        ("time", Arc::new(Int64Array::from(vec![START_S, START_S, START_S + 300, START_S + 300, START_S]))),
        ("channel", strings(&["T1", "T2", "T1", "??", "T1"])),
        ("value", Arc::new(Float64Array::from(vec![300.0, 400.0, 310.0, 1.0, 500.0]))),
    ];
    write_parquet(&dir.path().join("x.parquet"), columns.clone(), 1000);
    let cylinders = register(&[("a", "0.8|0.2"), ("b", "0.8|0.2"), ("never", "0.5")]);
    let direct = gather(dir.path(), &mapping, &cylinders, &|_| {});
    let whole = RecordBatch::try_from_iter(columns).unwrap();
    for batch_rows in [1, 3, 100] {
        let homes = cut(&in_batches(&whole, batch_rows), &mapping).unwrap();
        assert_eq!(homes.len(), 2);
        // As text, since absent values are NaN.
        let text = |rows: &HomeRows| format!("{rows:?}");
        assert!(homes.iter().all(|h| text(&h.rows) == text(&direct.homes[&h.home])), "{batch_rows}");
        assert_eq!(homes[0].rejected, direct.files[0].account);
    }
}
