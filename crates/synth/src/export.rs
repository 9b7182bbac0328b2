//! How rows get lost, doubled, late or mis-stamped on their way into an export, and the export's table.

use std::sync::Arc;

use arrow::array::{
    ArrayRef, BooleanArray, Float32Array, Int64Array, RecordBatch, StringArray, TimestampMillisecondArray,
};
use arrow::datatypes::{DataType, Field, Schema, SchemaRef, TimeUnit};
use drawoff_contract::{ContractError, Fault};
use rand_chacha::ChaCha8Rng;

use crate::dice::{Purpose, below, chance, dice, exponential, uniform};
use crate::fault::Injected;
use crate::measure::Row;
use crate::plan::FleetPlan;

/// Mean length of the outages that every home has now and then, min.
const OUTAGE_MIN: f64 = 60.0;
/// Mean length of the outages of a home with gaps, min.
const LONG_OUTAGE_MIN: f64 = 180.0;

/// Schema of a fleet's readings: one row a home and instant, stamps at the end of the interval.
///
/// Probes 9 to 12, `pump`, `export_w` and the temperatures of a coil's or exchanger's own water are there only where [`FleetPlan::has_further_columns`].
#[must_use]
pub fn readings_schema(plan: &FleetPlan) -> SchemaRef {
    let mut fields = vec![
        Field::new("home", DataType::Utf8, false),
        Field::new("time", DataType::Timestamp(TimeUnit::Millisecond, Some("UTC".into())), false),
    ];
    fields.extend(
        (1..=plan.probe_columns()).map(|i| Field::new(format!("probe_{i}_degc"), DataType::Float32, true)),
    );
    fields.extend(["power_lower_w", "power_upper_w"].map(|name| Field::new(name, DataType::Float32, true)));
    fields.extend(["call_lower", "call_upper"].map(|name| Field::new(name, DataType::Boolean, true)));
    fields.push(Field::new("register_wh", DataType::Int64, true));
    fields.push(Field::new("surroundings_degc", DataType::Float32, true));
    if plan.has_further_columns() {
        fields.push(Field::new("pump", DataType::Boolean, true));
        fields.extend(
            ["export_w", "coil_flow_degc", "coil_return_degc"]
                .map(|name| Field::new(name, DataType::Float32, true)),
        );
    }
    Arc::new(Schema::new(fields))
}

/// Lays ordinary losses and the faults of the data on the rows of one home, in the order in which they arrive.
pub(crate) fn arrive(plan: &FleetPlan, number: u32, faults: &[Injected], mut rows: Vec<Row>) -> Vec<Row> {
    let start_ms = plan.start_ms;
    let mut rng = dice(plan.seed, number, Purpose::Export);
    let drawn = uniform(&mut rng, 0.01, 0.03);
    let lost = plan.lost_share.unwrap_or(drawn);
    let cadence_min = rows.get(1).map_or(5.0, |r| (r.time_ms - rows[0].time_ms) as f64 / 60_000.0);
    let reset_places = uniform(&mut rng, 0.0, 1.0);
    rows = lose(&mut rng, rows, lost, OUTAGE_MIN / cadence_min, i64::MIN);
    for injected in faults {
        let onset_ms = start_ms + injected.onset_s * 1000;
        match injected.fault {
            Fault::DataGaps => {
                rows = lose(&mut rng, rows, injected.severity, LONG_OUTAGE_MIN / cadence_min, onset_ms);
                rows = double_and_delay(&mut rng, rows, onset_ms);
            }
            Fault::ClockShift => {
                for row in rows.iter_mut().filter(|r| r.time_ms > onset_ms) {
                    row.time_ms += (injected.severity * 60_000.0) as i64;
                }
            }
            Fault::MeterReset => reset(&mut rows, onset_ms, injected.severity as usize, reset_places),
            _ => {}
        }
    }
    rows
}

/// Loses a share of the rows after an instant: half of it singly, half in outages of `outage` rows on average.
fn lose(rng: &mut ChaCha8Rng, rows: Vec<Row>, share: f64, outage: f64, after_ms: i64) -> Vec<Row> {
    let single = share / 2.0;
    let mean = outage.max(1.0);
    // Outages come at random among the rows that are left between them.
    let start = share / 2.0 / (mean * (1.0 - share / 2.0));
    let mut down = 0.0;
    rows.into_iter()
        .filter(|row| {
            if row.time_ms <= after_ms {
                return true;
            }
            down -= 1.0;
            if down < 0.0 && chance(rng, start) {
                down = exponential(rng, mean).max(1.0);
            }
            down < 0.0 && !chance(rng, single)
        })
        .collect()
}

/// After an instant, sends 3 % of the rows twice and 5 % up to 36 rows late.
fn double_and_delay(rng: &mut ChaCha8Rng, rows: Vec<Row>, after_ms: i64) -> Vec<Row> {
    let mut placed: Vec<(usize, Row)> = Vec::with_capacity(rows.len() * 21 / 20);
    for (i, row) in rows.into_iter().enumerate() {
        let faulty = row.time_ms > after_ms;
        let delay = if faulty && chance(rng, 0.05) { 2 + below(rng, 35) } else { 0 };
        if faulty && chance(rng, 0.03) {
            placed.push((i + below(rng, 4), row.clone()));
        }
        placed.push((i + delay, row));
    }
    placed.sort_by_key(|p| p.0);
    placed.into_iter().map(|p| p.1).collect()
}

/// Sets the register back to zero at the onset, and further times after it.
fn reset(rows: &mut [Row], onset_ms: i64, times: usize, places: f64) {
    let Some(last_ms) = rows.last().map(|r| r.time_ms) else { return };
    for k in 0..times {
        let spread = if k == 0 { 0.0 } else { (k as f64 - 0.4 * places) / times as f64 };
        let at_ms = onset_ms + ((last_ms - onset_ms) as f64 * spread) as i64;
        let Some(first) = rows.iter().position(|r| r.time_ms > at_ms) else { continue };
        let Some(before) = rows[first].register_wh else { continue };
        for register_wh in rows[first..].iter_mut().filter_map(|r| r.register_wh.as_mut()) {
            *register_wh -= before;
        }
    }
}

/// The rows of one home as a table in the layout of [`readings_schema`].
pub(crate) fn to_batch(plan: &FleetPlan, home: &str, rows: &[Row]) -> Result<RecordBatch, ContractError> {
    let floats = |get: &dyn Fn(&Row) -> f32| -> ArrayRef {
        Arc::new(rows.iter().map(|r| Some(get(r)).filter(|v| !v.is_nan())).collect::<Float32Array>())
    };
    let mut columns: Vec<ArrayRef> = vec![
        Arc::new(StringArray::from_iter_values(rows.iter().map(|_| home))),
        Arc::new(
            TimestampMillisecondArray::from_iter_values(rows.iter().map(|r| r.time_ms)).with_timezone("UTC"),
        ),
    ];
    columns.extend((0..plan.probe_columns()).map(|i| floats(&|r: &Row| r.probe_degc[i])));
    columns.extend((0..2).map(|i| floats(&|r: &Row| r.power_w[i])));
    columns.extend(
        (0..2).map(|i| -> ArrayRef { Arc::new(rows.iter().map(|r| r.call[i]).collect::<BooleanArray>()) }),
    );
    columns.push(Arc::new(rows.iter().map(|r| r.register_wh).collect::<Int64Array>()));
    columns.push(floats(&|r: &Row| r.surroundings_degc));
    if plan.has_further_columns() {
        columns.push(Arc::new(rows.iter().map(|r| r.pump).collect::<BooleanArray>()));
        columns.push(floats(&|r: &Row| r.export_w));
        columns.extend((0..2).map(|i| floats(&|r: &Row| r.primary_degc[i])));
    }
    RecordBatch::try_new(readings_schema(plan), columns)
        .map_err(|e| ContractError::table("readings", "", &e.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::How;
    use drawoff_contract::readings::MAX_PROBES;

    const MINUTES_5: i64 = 300_000;

    fn plan(seed: u64) -> FleetPlan {
        FleetPlan { seed, start_ms: 0, ..FleetPlan::default() }
    }

    fn plain(count: i64) -> Vec<Row> {
        (1..=count)
            .map(|i| Row {
                time_ms: i * MINUTES_5,
                probe_degc: [f32::NAN; MAX_PROBES],
                power_w: [f32::NAN; 2],
                call: [None; 2],
                register_wh: Some(1_000_000 + 10 * i),
                pump: None,
                surroundings_degc: f32::NAN,
                export_w: f32::NAN,
                primary_degc: [f32::NAN; 2],
            })
            .collect()
    }

    fn with(fault: Fault, severity: f64) -> Vec<Row> {
        let onset_s = 4000 * MINUTES_5 / 1000;
        let faults =
            [Injected { fault, onset_s, pre_existing: false, severity, how: How::Plain, level: None }];
        arrive(&plan(3), 4, &faults, plain(10_000))
    }

    #[test]
    fn a_sound_export_loses_one_to_three_per_cent() {
        for home in 0..30 {
            let left = arrive(&plan(1), home, &[], plain(10_000)).len();
            assert!((9_600..=9_950).contains(&left), "{left}");
            let gappy = FleetPlan { lost_share: Some(0.2), ..plan(1) };
            let left = arrive(&gappy, home, &[], plain(10_000)).len();
            assert!((7_600..=8_400).contains(&left), "{left}");
        }
    }

    #[test]
    fn data_gaps_lose_double_and_delay() {
        let rows = with(Fault::DataGaps, 0.2);
        let after: Vec<i64> = rows.iter().map(|r| r.time_ms).filter(|&t| t > 4000 * MINUTES_5).collect();
        let mut distinct = after.clone();
        distinct.sort_unstable();
        distinct.dedup();
        assert!((4200..5200).contains(&distinct.len()), "{}", distinct.len());
        assert!(after.len() > distinct.len() + 60);
        assert!(after.windows(2).filter(|w| w[1] < w[0]).count() > 100);
        let longest = distinct.windows(2).map(|w| w[1] - w[0]).max().unwrap();
        assert!(longest > 4 * 3_600_000);
    }

    #[test]
    fn clock_shift_leaves_a_hole_or_an_overlap() {
        let longest = |rows: Vec<Row>| rows.windows(2).map(|w| w[1].time_ms - w[0].time_ms).max().unwrap();
        assert!(longest(with(Fault::ClockShift, 60.0)) >= 13 * MINUTES_5);
        let back = with(Fault::ClockShift, -60.0);
        assert!(back.windows(2).any(|w| w[0].time_ms - w[1].time_ms >= 10 * MINUTES_5));
    }

    #[test]
    fn meter_reset_starts_again_at_zero() {
        let rows = with(Fault::MeterReset, 3.0);
        let falls = rows.windows(2).filter(|w| w[1].register_wh < w[0].register_wh).count();
        assert_eq!(falls, 3);
        assert!(rows.iter().all(|r| r.register_wh >= Some(0)));
    }
}
