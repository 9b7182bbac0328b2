//! Homes made in memory as the intake would have read them from files.

use arrow::array::{Array, ArrayRef, AsArray, RecordBatch};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Float64Type, TimestampMillisecondType};
use drawoff_contract::mapping_row::read_row;
use drawoff_contract::mapping_unit::possible_range;
use drawoff_contract::readings::MAX_PROBES;
use drawoff_contract::{Channel, ContractError, Cylinder, HomeRows, Mapping, Mask, Series, Shape};
use drawoff_synth::{RegisterRow, register_csv};

const MAPPING: &str = include_str!("../../../../pipelines/mappings/drawoff-sources.toml");

/// The mapping of our own layout with all its columns.
pub(crate) fn own_mapping() -> Result<Mapping, Vec<ContractError>> {
    Mapping::parse("pipelines/mappings/drawoff-sources.toml", MAPPING)
}

/// The cylinder that the register's line stands for.
pub(crate) fn cylinder(register: &RegisterRow, mapping: &Mapping) -> Result<Cylinder, ContractError> {
    let text = register_csv(std::slice::from_ref(register));
    let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<&str>>());
    let (names, cells) = (lines.next().unwrap_or_default(), lines.next().unwrap_or_default());
    let cell = |column: &str| {
        let at = names.iter().position(|name| *name == column)?;
        cells.get(at).copied().filter(|text| !text.is_empty())
    };
    let row = read_row(&mapping.register, &cell);
    let problem = |message: String| ContractError::new(format!("home {}", register.home), message);
    if let Some(first) = row.problems.into_iter().next() {
        return Err(problem(first));
    }
    row.cylinder.ok_or_else(|| problem("its register line makes no cylinder".to_owned()))
}

/// The readings of one home, sorted by time; of doubled stamps the last to arrive counts.
pub(crate) fn home_rows(batch: &RecordBatch) -> Result<HomeRows, ContractError> {
    let problem = |message: String| ContractError::new("readings", message);
    let times = batch.column_by_name("time").ok_or_else(|| problem("column `time` is missing".to_owned()))?;
    let times = times
        .as_primitive_opt::<TimestampMillisecondType>()
        .ok_or_else(|| problem("column `time` holds no milliseconds".to_owned()))?;
    let mut order: Vec<usize> = (0..batch.num_rows()).collect();
    order.sort_by_key(|&i| times.value(i));
    let mut rows = HomeRows::new(Shape::Wide);
    rows.time_ms = order.iter().map(|&i| times.value(i)).collect();
    rows.file = vec![0; order.len()];
    for (name, channel) in channels() {
        let Some(column) = batch.column_by_name(&name).filter(|c| c.null_count() < c.len()) else { continue };
        let values = numbers(column).map_err(|e| problem(format!("column `{name}`: {e}")))?;
        let (lowest, highest) = possible_range(channel);
        let value: Vec<f64> = order.iter().map(|&i| values[i]).collect();
        let mask = value
            .iter()
            .enumerate()
            .map(|(i, v)| {
                let copied_later = rows.time_ms.get(i + 1) == Some(&rows.time_ms[i]);
                match v {
                    v if v.is_nan() => Mask::Absent,
                    _ if copied_later => Mask::Duplicate,
                    v if (lowest..=highest).contains(v) => Mask::Used,
                    _ => Mask::OutOfRange,
                }
            })
            .collect();
        rows.series[channel.slot()] = Some(Series { value, mask });
    }
    Ok(rows)
}

fn channels() -> impl Iterator<Item = (String, Channel)> {
    let probes = (0..MAX_PROBES)
        .map(|i| (format!("probe_{}_degc", i + 1), Channel::Probe(u8::try_from(i).unwrap_or(u8::MAX))));
    let others = [
        ("power_lower_w", Channel::Power(0)),
        ("power_upper_w", Channel::Power(1)),
        ("call_lower", Channel::Call(0)),
        ("call_upper", Channel::Call(1)),
        ("register_wh", Channel::Register),
        ("surroundings_degc", Channel::Surroundings),
        ("pump", Channel::Pump),
        ("export_w", Channel::Export),
        ("coil_flow_degc", Channel::CoilFlow),
        ("coil_return_degc", Channel::CoilReturn),
    ];
    probes.chain(others.map(|(name, channel)| (name.to_owned(), channel)))
}

fn numbers(column: &ArrayRef) -> Result<Vec<f64>, arrow::error::ArrowError> {
    let column = cast(column, &DataType::Float64)?;
    Ok(column.as_primitive::<Float64Type>().iter().map(|v| v.unwrap_or(f64::NAN)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::args::{Args, Command};
    use clap::Parser;
    use drawoff_synth::{FleetPlan, generate_home};

    #[test]
    fn every_column_of_the_layout_is_taken() {
        let columns: Vec<&str> = MAPPING
            .lines()
            .filter_map(|line| line.trim().strip_prefix("{ column = \"")?.split_once("\", channel = "))
            .map(|(column, _)| column)
            .collect();
        assert!(columns.len() > 15, "{columns:?}");
        for column in columns {
            assert!(channels().any(|(name, _)| name == column), "{column}");
        }
    }

    #[test]
    fn a_home_in_memory_is_the_home_that_is_read_from_files() {
        let folder = tempfile::tempdir().unwrap();
        let fleet = folder.path().join("fleet");
        let line =
            ["drawoff", "synth", fleet.to_str().unwrap(), "--homes", "40", "--days", "6", "--seed", "5"];
        let Command::Synth(made) = Args::parse_from(line).command else { panic!("not synth") };
        crate::synth::synth(&made).unwrap();
        let mapping = own_mapping().unwrap();
        let of_files =
            Mapping::parse("drawoff.toml", include_str!("../../../../pipelines/mappings/drawoff.toml"))
                .unwrap();
        let (cylinders, problems) =
            drawoff_store::register::read(&made.folder.join("register.csv"), &of_files).unwrap();
        assert!(problems.is_empty(), "{problems:?}");
        let gathered = drawoff_store::gather(&made.folder.join("readings"), &of_files, &cylinders, &|_| {});
        let plan = FleetPlan { homes: 40, days: 6, seed: 5, ..FleetPlan::default() };
        for index in 0..40 {
            let home = generate_home(&plan, index).unwrap();
            let own = cylinder(&home.register, &mapping).unwrap();
            assert_eq!(own, cylinders[&own.home]);
            let (rows, read) = (home_rows(&home.readings).unwrap(), &gathered.homes[&own.home]);
            assert_eq!(rows.time_ms, read.time_ms);
            for (slot, (made, read)) in rows.series.iter().zip(&read.series).enumerate() {
                assert_eq!(made.is_some(), read.is_some(), "slot {slot} of home {index}");
                let (Some(made), Some(read)) = (made, read) else { continue };
                assert_eq!(made.mask, read.mask, "slot {slot} of home {index}");
                let same = |(a, b): (&f64, &f64)| a == b || a.is_nan() && b.is_nan();
                assert!(made.value.iter().zip(&read.value).all(same), "slot {slot} of home {index}");
            }
        }
    }
}
