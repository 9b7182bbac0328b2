//! Small made-up files for the tests of this crate.

use std::path::Path;
use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch};
use drawoff_contract::Mapping;

pub(crate) const REGISTER: &str = "
[register]
home = \"home\"
default_zone = \"UTC\"
probe_heights = { column = \"heights\", unit = \"fraction\", list_separator = \"|\", order = \"top_first\" }
";

pub(crate) fn wide_mapping() -> Mapping {
    mapping(
        "
[readings]
shape = \"wide\"
home = \"home\"
time = { column = \"time\", format = \"epoch_s\" }
stamp = \"end\"
value = \"mean\"
sentinels = [-999]
channels = [
  { column = \"t1\", channel = \"probe_1\", unit = \"degC\" },
  { column = \"t2\", channel = \"probe_2\", unit = \"degC\" },
  { column = \"p\", channel = \"power_lower\", unit = \"W\" },
]
",
    )
}

pub(crate) fn long_mapping() -> Mapping {
    mapping(
        "
[readings]
shape = \"long\"
home = \"home\"
time = { column = \"time\", format = \"epoch_s\" }
stamp = \"end\"
value = \"mean\"
channel_column = \"channel\"
value_column = \"value\"
probe_order = \"base_first\"
channels = [
  { name = \"T{n}\", channel = \"probe\", unit = \"tenths_degC\" },
  { name = \"P\", channel = \"power_lower\", unit = \"kW\" },
]
",
    )
}

pub(crate) fn mapping(readings: &str) -> Mapping {
    Mapping::parse("mapping", &format!("{readings}{REGISTER}")).unwrap()
}

#[expect(clippy::disallowed_methods, reason = "tests make their own inputs")]
pub(crate) fn write_text(path: &Path, text: &str) {
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, text).unwrap();
}

#[expect(clippy::disallowed_methods, reason = "tests make their own inputs")]
pub(crate) fn write_parquet(path: &Path, columns: Vec<(&str, ArrayRef)>, group_rows: usize) {
    let batch = RecordBatch::try_from_iter(columns).unwrap();
    let properties = parquet::file::properties::WriterProperties::builder()
        .set_max_row_group_row_count(Some(group_rows))
        .build();
    let file = std::fs::File::create(path).unwrap();
    let mut writer = parquet::arrow::ArrowWriter::try_new(file, batch.schema(), Some(properties)).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
}

pub(crate) fn strings(values: &[&str]) -> ArrayRef {
    Arc::new(arrow::array::StringArray::from(values.to_vec()))
}

pub(crate) fn register(
    homes: &[(&str, &str)],
) -> std::collections::BTreeMap<String, drawoff_contract::Cylinder> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("register.csv");
    let rows: String = homes.iter().map(|(home, heights)| format!("{home},{heights}\n")).collect();
    write_text(&path, &format!("home,heights\n{rows}"));
    let (cylinders, problems) = crate::register::read(&path, &wide_mapping()).unwrap();
    assert_eq!(problems, Vec::new());
    cylinders
}
