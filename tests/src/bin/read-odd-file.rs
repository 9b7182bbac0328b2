//! Reads one odd file as an export, with every column, and then through a mapping made of its own columns.
//!
//! Prints `read N rows; as readings: ...`, or `refused: WHY`. A program of its own, so that a test can bound its memory and time, and
//! see an abort.

use std::collections::BTreeMap;
use std::path::Path;

use arrow::datatypes::DataType;
use drawoff_contract::mapping::{
    ProbeOrder, ReadingsMapping, Stamp, TimeFormat, Unit, ValueKind, WideColumn,
};
use drawoff_contract::{Channel, Mapping, Shape};
use drawoff_store::intake::unmapped::{as_names, as_numbers, as_times, unmapped};

#[expect(clippy::print_stdout, reason = "a program that tells a test what it found")]
fn main() {
    drawoff_store::quiet_decoders();
    let path = std::env::args_os().nth(1).unwrap_or_default();
    let path = Path::new(&path);
    match read(path) {
        Ok((rows, columns)) => {
            println!("read {rows} rows; as readings: {}", as_readings(path, rows, &columns))
        }
        Err(why) => println!("refused: {}", why.replace('\n', " ")),
    }
}

type Columns = Vec<(String, DataType)>;

/// Rows of all columns, each looked at in every way that a mapping could ask for.
fn read(path: &Path) -> Result<(usize, Columns), String> {
    let files = unmapped(path).map_err(|e| e.message)?;
    let file = files.first().ok_or("nothing there")?;
    let columns = file.columns(b',').map_err(|e| e.message)?;
    let names: Vec<&str> = columns.iter().map(|(name, _)| name.as_str()).collect();
    let mut rows = 0;
    let done = file.each_batch(b',', &names, &mut |batch| {
        rows += batch.num_rows();
        for column in batch.columns() {
            let (numbers, names) = (as_numbers(column, ','), as_names(column));
            let lengths = [numbers.map(|n| n.len()), names.map(|n| n.1.len())];
            assert!(lengths.into_iter().flatten().all(|length| length == batch.num_rows()));
            for format in [TimeFormat::Timestamp, TimeFormat::Iso, TimeFormat::EpochS, TimeFormat::EpochUs] {
                assert!(as_times(column, format).is_none_or(|t| t.len() == batch.num_rows()));
            }
        }
        true
    });
    done.map(|()| (rows, columns)).map_err(|e| format!("{} ({})", e.message, e.subject))
}

/// What the intake makes of the first columns that could be home, time and probe.
fn as_readings(path: &Path, rows: usize, columns: &Columns) -> String {
    let once = |name: &str| columns.iter().filter(|(n, _)| n == name).count() == 1;
    let first = |suits: &dyn Fn(&DataType) -> bool| {
        columns.iter().find(|(name, kind)| once(name) && suits(kind)).map(|(name, _)| name.clone())
    };
    let is_text = |kind: &DataType| matches!(kind, DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View);
    let is_time = |kind: &DataType| matches!(kind, DataType::Timestamp(..));
    let home = first(&is_text).or_else(|| first(&DataType::is_integer));
    let time = first(&is_time).map(|name| (name, TimeFormat::Timestamp));
    let time = time.or_else(|| {
        first(&|k| k.is_numeric() && !matches!(k, DataType::Decimal128(..))).map(|n| (n, TimeFormat::EpochS))
    });
    let value = first(&DataType::is_floating).or_else(|| first(&DataType::is_numeric));
    let (Some(home), Some((time_column, time_format)), Some(value)) = (home, time, value) else {
        return "no such columns".to_owned();
    };
    let readings = ReadingsMapping {
        shape: Shape::Wide,
        home,
        time_column,
        time_format,
        zone: Some(chrono_tz::Europe::Dublin),
        stamp: Stamp::End,
        value: ValueKind::Mean,
        cadence_min: Some(5.0),
        sentinels: vec![-999.0],
        probe_order: ProbeOrder::TopFirst,
        wide: vec![WideColumn {
            column: value,
            channel: Channel::Probe(0),
            unit: Unit::DegC,
            optional: false,
        }],
        channel_column: String::new(),
        value_column: String::new(),
        long: Vec::new(),
        separator: b',',
        decimal: '.',
    };
    let register = "[readings]\nshape = \"wide\"\nhome = \"h\"\ntime = { column = \"t\", format = \"iso\" }\nstamp = \"end\"\nvalue = \"mean\"\n\
         channels = [{ column = \"v\", channel = \"probe_1\", unit = \"degC\" }]\n[register]\nhome = \"h\"\ndefault_zone = \"UTC\"\n";
    let Ok(any) = Mapping::parse("any", register) else { return "no mapping".to_owned() };
    let mapping = Mapping { readings, ..any };
    let gathered = drawoff_store::gather(path, &mapping, &BTreeMap::new(), &|_| {});
    match gathered.files.first() {
        Some(file) => match &file.status {
            Ok(()) => {
                let kept: usize = gathered.homes.values().map(|h| h.time_ms.len()).sum();
                let counted = file.account.rows_in + kept as u64;
                if counted == rows as u64 {
                    "all rows counted".to_owned()
                } else {
                    format!("{counted} ROWS COUNTED")
                }
            }
            Err(e) => format!("refused: {}", e.message.replace('\n', " ")),
        },
        None => "NO FILE".to_owned(),
    }
}
