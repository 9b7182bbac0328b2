//! Row accounting is exact for any rows: in = used + masked + rejected, values in = used + masked + absent.

use drawoff_contract::{Channel, Cylinder, HomeRows, Mask, Series, Shape};
use drawoff_daybook::{Machine, Settings, Setup};
use drawoff_synth::FleetPlan;
use proptest::prelude::*;

use crate::made::made;

fn cylinder() -> Cylinder {
    let mut cylinder = made(&FleetPlan { days: 1, ..FleetPlan::default() }, 0).cylinder;
    cylinder.probe_heights = vec![0.9, 0.5, 0.1];
    cylinder
}

const CHANNELS: [Channel; 6] = [
    Channel::Probe(0),
    Channel::Probe(1),
    Channel::Probe(2),
    Channel::Power(0),
    Channel::Register,
    Channel::Surroundings,
];
const MASKS: [Mask; 6] = [Mask::Used, Mask::Used, Mask::Used, Mask::Absent, Mask::OutOfRange, Mask::Sentinel];

/// Steps of 0 (a copy) to about two days, values from still to wild, masks at random.
fn any_rows() -> impl Strategy<Value = HomeRows> {
    let step = prop_oneof![6 => Just(300_000_i64), 1 => Just(0_i64), 1 => 1_000_i64..200_000_000];
    let row = (step, 0_u16..3, prop::collection::vec((0_usize..6, -20.0_f64..110.0), 6));
    (prop::collection::vec(row, 0..400), any::<bool>(), 0_u32..3).prop_map(|(list, long, null_columns)| {
        let mut rows = HomeRows::new(if long { Shape::Long } else { Shape::Wide });
        rows.null_columns = if long { 0 } else { null_columns };
        let mut time_ms = 1_774_500_000_000;
        let mut columns = vec![Series::default(); CHANNELS.len()];
        for (step, file, values) in list {
            time_ms += step;
            rows.time_ms.push(time_ms);
            rows.file.push(file);
            for (column, (mask, value)) in columns.iter_mut().zip(values) {
                let mask = MASKS[mask];
                column.value.push(if mask == Mask::Absent { f64::NAN } else { value });
                column.mask.push(mask);
            }
        }
        for (channel, column) in CHANNELS.into_iter().zip(columns) {
            rows.series[channel.slot()] = Some(column);
        }
        rows
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_row_and_value_is_accounted_for(rows in any_rows()) {
        let cylinder = cylinder_once();
        let mut machine = Machine::new(Setup::new(cylinder, Settings::default()).unwrap(), 3);
        machine.push(&rows);
        let notes = machine.finish();
        let absent = |s: &Series| s.mask.iter().filter(|m| **m == Mask::Absent).count() as u64;
        let stored: u64 = rows.series.iter().flatten().map(|s| s.mask.len() as u64 - absent(s)).sum();
        let empty = rows.series.iter().flatten().map(absent).sum::<u64>();
        let mut all = notes.accounts[0].clone();
        prop_assert!(notes.accounts.iter().all(drawoff_contract::Account::is_balanced));
        for (file, account) in notes.accounts.iter().enumerate() {
            if rows.shape == Shape::Wide {
                prop_assert_eq!(account.rows_in, rows.file.iter().filter(|f| usize::from(**f) == file).count() as u64);
            }
            if file > 0 {
                all.add(account);
            }
        }
        if rows.shape == Shape::Wide {
            prop_assert_eq!(all.rows_in, rows.len() as u64);
            prop_assert_eq!(all.values_in, stored + empty + rows.len() as u64 * u64::from(rows.null_columns));
        } else {
            prop_assert_eq!((all.rows_in, all.values_in, all.values_absent), (stored, stored, 0));
        }
        // Days come once each and in order; half-hours are as many as the day has.
        prop_assert!(notes.days.windows(2).all(|w| w[0].day < w[1].day));
        for day in &notes.days {
            prop_assert_eq!(day.net_out_kwh_by_half_hour.len() as f64, day.hours * 2.0);
            prop_assert!(day.heater_kwh.is_none_or(f64::is_finite));
            prop_assert!(day.longest_gap_min >= 0.0);
        }
        prop_assert!(notes.spells.iter().all(|s| s.end.0 > s.start.0));
        prop_assert!(notes.draws.iter().all(|d| d.end.0 > d.start.0 && d.energy_kwh >= 0.0));
    }
}

fn cylinder_once() -> &'static Cylinder {
    static CYLINDER: std::sync::OnceLock<Cylinder> = std::sync::OnceLock::new();
    CYLINDER.get_or_init(cylinder)
}

#[test]
fn masked_values_keep_their_value_and_do_not_reach_the_notes() {
    let plan = FleetPlan { seed: 5, days: 3, zone: chrono_tz::UTC, ..FleetPlan::default() };
    let home = made(&plan, 2);
    let mut wild = home.rows.clone();
    let top = wild.series[Channel::Probe(0).slot()].as_mut().unwrap();
    for i in (0..top.value.len()).step_by(7) {
        (top.value[i], top.mask[i]) = (500.0, Mask::OutOfRange);
    }
    let notes = crate::made::notes(&home.cylinder, &wild);
    assert!(notes.days.iter().all(|d| d.probe_max_degc[0] < 100.0));
    let masked = notes.accounts[0].all_values_masked();
    assert!(masked >= (wild.len() / 7) as u64, "{masked}");
}
