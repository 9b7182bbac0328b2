//! Homes of the generator as the daybook takes them: rows with masks, a cylinder, and the truth beside.

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::datatypes::{Float32Type, Int64Type, TimestampMillisecondType};
use drawoff_contract::{Channel, Cylinder, HomeRows, Mask, Series, Shape};
use drawoff_daybook::{Machine, Notes, Settings, Setup};
use drawoff_synth::{FleetPlan, HomeTruth, generate_home};

/// Longest list of probes in the generator's export.
const PROBES: u8 = 8;

/// One home: what intake would hand on, and what really happened.
#[derive(Clone, Debug)]
pub(crate) struct Made {
    pub(crate) cylinder: Cylinder,
    pub(crate) rows: HomeRows,
    pub(crate) truth: HomeTruth,
}

/// Home `index` of a plan, read as intake reads it.
pub(crate) fn made(plan: &FleetPlan, index: u32) -> Made {
    let home = generate_home(plan, index).unwrap();
    Made { cylinder: home.register.cylinder(plan.zone), rows: rows(&home.readings), truth: home.truth }
}

/// The daybook of rows pushed all at once.
pub(crate) fn notes(cylinder: &Cylinder, rows: &HomeRows) -> Notes {
    let mut machine = Machine::new(Setup::new(cylinder, Settings::default()).unwrap(), 1);
    machine.push(rows);
    machine.finish()
}

/// The rows at `pick`, in that order.
pub(crate) fn picked(rows: &HomeRows, pick: &[usize]) -> HomeRows {
    HomeRows {
        time_ms: pick.iter().map(|&i| rows.time_ms[i]).collect(),
        file: pick.iter().map(|&i| rows.file[i]).collect(),
        series: rows.series.iter().map(|s| s.as_ref().map(|s| picked_series(s, pick))).collect(),
        out_of_order: 0,
        out_of_order_by_file: Vec::new(),
        ..*rows
    }
}

fn picked_series(series: &Series, pick: &[usize]) -> Series {
    Series {
        value: pick.iter().map(|&i| series.value[i]).collect(),
        mask: pick.iter().map(|&i| series.mask[i]).collect(),
    }
}

fn rows(batch: &RecordBatch) -> HomeRows {
    let times = batch.column_by_name("time").unwrap().as_primitive::<TimestampMillisecondType>();
    let mut out = HomeRows::new(Shape::Wide);
    out.time_ms = times.values().to_vec();
    out.file = vec![0; out.time_ms.len()];
    let elements = [(0, "lower"), (1, "upper")];
    for probe in 0..PROBES {
        put(&mut out, Channel::Probe(probe), batch, &format!("probe_{}_degc", probe + 1));
    }
    for (element, name) in elements {
        put(&mut out, Channel::Power(element), batch, &format!("power_{name}_w"));
        put(&mut out, Channel::Call(element), batch, &format!("call_{name}"));
    }
    put(&mut out, Channel::Register, batch, "register_wh");
    put(&mut out, Channel::Surroundings, batch, "surroundings_degc");
    let mut order: Vec<usize> = (0..out.len()).collect();
    order.sort_by_key(|&i| out.time_ms[i]);
    let mut out = picked(&out, &order);
    mask_copies(&mut out);
    out
}

/// A column without any value is counted and not kept, as intake does.
fn put(rows: &mut HomeRows, channel: Channel, batch: &RecordBatch, name: &str) {
    let column = batch.column_by_name(name).unwrap();
    if column.null_count() == column.len() {
        rows.null_columns += 1;
        return;
    }
    let value_at = |i: usize| -> f64 {
        if column.is_null(i) {
            f64::NAN
        } else if let Some(floats) = column.as_primitive_opt::<Float32Type>() {
            f64::from(floats.value(i))
        } else if let Some(whole) = column.as_primitive_opt::<Int64Type>() {
            whole.value(i) as f64
        } else {
            f64::from(u8::from(column.as_boolean().value(i)))
        }
    };
    let value: Vec<f64> = (0..column.len()).map(value_at).collect();
    let mask = value.iter().map(|v| if v.is_nan() { Mask::Absent } else { Mask::Used }).collect();
    rows.series[channel.slot()] = Some(Series { value, mask });
}

/// Of equal times the last row counts.
fn mask_copies(rows: &mut HomeRows) {
    let HomeRows { time_ms, series, .. } = rows;
    for i in 1..time_ms.len() {
        if time_ms[i] == time_ms[i - 1] {
            for series in series.iter_mut().flatten().filter(|s| s.mask[i - 1] != Mask::Absent) {
                series.mask[i - 1] = Mask::Duplicate;
            }
        }
    }
}
