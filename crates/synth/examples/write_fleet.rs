//! Writes a fleet with its truth into a folder: `write_fleet SEED HOMES DAYS OUT`.
#![expect(clippy::disallowed_methods, reason = "a stand-alone tool: it runs without the store")]
#![expect(clippy::print_stdout, reason = "a stand-alone tool: it says what it wrote")]

use std::error::Error;
use std::fs::{File, create_dir_all};
use std::path::Path;
use std::sync::Arc;

use arrow::array::{AsArray, BooleanArray, RecordBatch};
use arrow::compute::{concat_batches, filter_record_batch};
use arrow::datatypes::TimestampMillisecondType;
use drawoff_synth::{FleetPlan, generate_home, readings_schema, register_csv, truth_batches};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::properties::WriterProperties;

const WEEK_MS: i64 = 7 * 86_400_000;

fn main() -> Result<(), Box<dyn Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [seed, homes, days, out] = args.as_slice() else {
        return Err("usage: write_fleet SEED HOMES DAYS OUT".into());
    };
    let plan =
        FleetPlan { seed: seed.parse()?, homes: homes.parse()?, days: days.parse()?, ..FleetPlan::default() };
    let out = Path::new(out);
    create_dir_all(out.join("readings"))?;
    create_dir_all(out.join("truth"))?;
    let fleet = (0..plan.homes).map(|i| generate_home(&plan, i)).collect::<Result<Vec<_>, _>>()?;

    let readings = concat_batches(&readings_schema(), fleet.iter().map(|h| &h.readings))?;
    let weeks = plan.days.div_ceil(7);
    for week in 0..weeks {
        let from_ms = plan.start_ms + i64::from(week) * WEEK_MS;
        // A wrong clock may stamp rows outside the period: they go into the first and the last file.
        let after_ms = if week == 0 { i64::MIN } else { from_ms };
        let to_ms = if week + 1 == weeks { i64::MAX } else { from_ms + WEEK_MS };
        let rows = stamped(&readings, after_ms, to_ms)?;
        let rows_in_file = rows.num_rows();
        let bytes = write(&out.join(format!("readings/week-{}.parquet", week + 1)), &rows)?;
        println!("week {}: {rows_in_file} rows, {bytes} bytes", week + 1);
    }
    let register: Vec<_> = fleet.iter().map(|h| h.register.clone()).collect();
    std::fs::write(out.join("register.csv"), register_csv(&register))?;
    for (name, batch) in truth_batches(fleet.into_iter().map(|home| home.truth).collect())? {
        let bytes = write(&out.join(format!("truth/{name}.parquet")), &batch)?;
        println!("{name}: {} rows, {bytes} bytes", batch.num_rows());
    }
    Ok(())
}

/// The rows stamped after one instant and up to another, in the order in which they arrived.
fn stamped(readings: &RecordBatch, after_ms: i64, to_ms: i64) -> Result<RecordBatch, Box<dyn Error>> {
    let times = readings.column_by_name("time").ok_or("no time")?;
    let times = times.as_primitive_opt::<TimestampMillisecondType>().ok_or("time is no instant")?;
    let inside: BooleanArray = times.iter().map(|t| t.map(|t| after_ms < t && t <= to_ms)).collect();
    Ok(filter_record_batch(readings, &inside)?)
}

/// Writes one table. Of the encodings measured on a week of the sample fleet (90,000 rows at zstd 19) these are the
/// smallest: temperatures plain 352 kB, byte streams split 398 kB, as a dictionary 403 kB; all as a dictionary 523 kB.
fn write(path: &Path, batch: &RecordBatch) -> Result<u64, Box<dyn Error>> {
    let mut properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(19)?))
        .set_created_by("drawoff".to_owned());
    for field in batch.schema().fields() {
        let name = field.name().as_str();
        if ["time", "register_wh"].contains(&name) {
            properties = properties
                .set_column_dictionary_enabled(name.into(), false)
                .set_column_encoding(name.into(), Encoding::DELTA_BINARY_PACKED);
        } else if field.data_type().is_floating() && !name.starts_with("power") {
            properties = properties.set_column_dictionary_enabled(name.into(), false);
        }
    }
    let file = File::create(path)?;
    let mut writer = ArrowWriter::try_new(file, Arc::clone(&batch.schema()), Some(properties.build()))?;
    writer.write(batch)?;
    writer.close()?;
    Ok(path.metadata()?.len())
}
