//! Odd rows and odd cylinders: nothing panics, and what is not known is not invented.

use drawoff_contract::{Channel, Cylinder, HomeRows, Mask, Series, Shape};
use drawoff_daybook::{Notes, Settings, Setup};
use drawoff_synth::FleetPlan;

use crate::made::{Made, made, notes, picked};

fn home() -> Made {
    made(&FleetPlan { seed: 8, days: 4, zone: chrono_tz::UTC, ..FleetPlan::default() }, 1)
}

fn with_heights(cylinder: &Cylinder, heights: &[f64]) -> Cylinder {
    Cylinder { probe_heights: heights.to_vec(), ..cylinder.clone() }
}

#[test]
fn no_rows_make_no_notes() {
    let home = home();
    for rows in [HomeRows::default(), HomeRows::new(Shape::Wide), picked(&home.rows, &[])] {
        let notes = notes(&home.cylinder, &rows);
        assert!(notes.days.is_empty() && notes.spells.is_empty() && notes.draws.is_empty());
        assert!(notes.accounts[0].is_balanced() && notes.accounts[0].rows_in == 0);
    }
}

#[test]
fn a_single_row_makes_a_day_that_knows_little() {
    let home = home();
    let notes = notes(&home.cylinder, &picked(&home.rows, &[100]));
    let [day] = notes.days.as_slice() else { panic!("{} days", notes.days.len()) };
    assert_eq!((day.instants, day.longest_gap_end), (1, None));
    assert_eq!((day.heater_kwh, day.quiet_w), (None, None));
    assert!(day.mean_degc.is_some());
    assert!(day.net_out_kwh_by_half_hour.iter().all(|v| v.is_nan()));
    assert!(notes.spells.is_empty() && notes.draws.is_empty());
}

#[test]
fn probes_without_any_value_leave_the_meters() {
    let home = home();
    let mut rows = home.rows.clone();
    for p in 0..8 {
        if let Some(series) = rows.series[Channel::Probe(p).slot()].as_mut() {
            series.value.fill(f64::NAN);
            series.mask.fill(Mask::Absent);
        }
    }
    let notes = notes(&home.cylinder, &rows);
    assert_eq!(notes.days.len(), 4);
    for day in &notes.days {
        assert_eq!((day.instants, day.mean_degc, day.skin_degc, day.spread_k), (0, None, None, None));
        assert!(day.heater_kwh.is_some());
        assert!(day.stored_kwh_by_half_hour.iter().chain(&day.net_out_kwh_by_half_hour).all(|v| v.is_nan()));
        assert!(day.probe_mean_degc.iter().all(|v| v.is_nan()));
    }
    assert!(notes.draws.is_empty() && notes.spells.iter().all(|s| s.kind == "heat" && s.rise_k.is_none()));
}

#[test]
fn one_probe_and_twelve_probes_are_taken() {
    let home = home();
    let one = notes(&with_heights(&home.cylinder, &[0.6]), &home.rows);
    assert!(one.days.iter().all(|d| d.probe_mean_degc.len() == 1 && d.mean_degc.is_some()));
    let mut rows = home.rows.clone();
    let (top, low) = (home.rows.get(Channel::Probe(0)).unwrap(), home.rows.get(Channel::Probe(2)).unwrap());
    let heights: Vec<f64> = (0..12).map(|p| 0.96 - 0.08 * f64::from(p)).collect();
    for p in 0..12_u8 {
        let share = f64::from(p) / 11.0;
        let value = top.value.iter().zip(&low.value).map(|(a, b)| a + (b - a) * share).collect();
        rows.series[Channel::Probe(p).slot()] = Some(Series { value, mask: top.mask.clone() });
    }
    let twelve = notes(&with_heights(&home.cylinder, &heights), &rows);
    for day in &twelve.days {
        assert_eq!((day.probe_mean_degc.len(), day.probe_inversion_k.len()), (12, 144));
        assert!(day.probe_mean_degc.windows(2).all(|w| w[0] >= w[1] - 0.01));
    }
}

#[test]
fn more_probe_columns_than_heights_and_fewer_are_taken() {
    let home = home();
    let few = notes(&with_heights(&home.cylinder, &home.cylinder.probe_heights[..2]), &home.rows);
    assert!(few.days.iter().all(|d| d.probe_mean_degc.len() == 2));
    let mut heights = home.cylinder.probe_heights.clone();
    heights.push(0.01);
    let many = notes(&with_heights(&home.cylinder, &heights), &home.rows);
    assert!(many.days.iter().all(|d| d.probe_mean_degc.last().unwrap().is_nan() && d.mean_degc.is_some()));
}

#[test]
fn heights_that_make_no_profile_and_no_volume_are_refused() {
    let home = home();
    for heights in [&[][..], &[0.1, 0.9], &[0.5, 0.5], &[0.9, 0.0], &[1.2, 0.3], &[f64::NAN, 0.3], &[0.9; 13]]
    {
        let setup = Setup::new(&with_heights(&home.cylinder, heights), Settings::default());
        assert_eq!(setup.err(), Some("probe_heights"), "{heights:?}");
    }
    for volume_l in [None, Some(0.0), Some(-5.0), Some(f64::NAN)] {
        let cylinder = Cylinder { volume_l, ..home.cylinder.clone() };
        assert_eq!(Setup::new(&cylinder, Settings::default()).err(), Some("volume_l"), "{volume_l:?}");
    }
}

fn kwh(notes: &Notes) -> (f64, f64) {
    let heater: f64 = notes.days.iter().map(|d| d.heater_kwh.unwrap()).sum();
    (heater, notes.draws.iter().map(|d| d.energy_kwh).sum())
}

#[test]
fn cadences_of_1_to_30_minutes_agree() {
    let plan = |cadence_min| FleetPlan {
        seed: 8,
        days: 4,
        zone: chrono_tz::UTC,
        cadence_min,
        ..FleetPlan::default()
    };
    for index in [1, 3] {
        let five = made(&plan(5), index);
        let (heater_5, drawn_5) = kwh(&notes(&five.cylinder, &five.rows));
        for cadence_min in [1, 15, 30] {
            let home = made(&plan(cadence_min), index);
            let notes = notes(&home.cylinder, &home.rows);
            assert!(notes.days.iter().all(|d| (d.cadence_min - f64::from(cadence_min)).abs() < 1e-9));
            assert!(notes.days.iter().all(|d| d.instants_expected == 1440 / i64::from(cadence_min)));
            assert!(notes.days.iter().all(|d| d.instants as f64 > 0.8 * d.instants_expected as f64));
            let (heater, drawn) = kwh(&notes);
            assert!((heater / heater_5 - 1.0).abs() < 0.05, "{index} {cadence_min}: {heater} {heater_5}");
            println_once(index, cadence_min, drawn, drawn_5);
            assert!((drawn / drawn_5 - 1.0).abs() < 0.35, "{index} {cadence_min}: {drawn} {drawn_5}");
            assert!(notes.spells.iter().any(|s| s.kind == "idle"));
        }
    }
}

#[expect(clippy::print_stderr, reason = "a figure for whoever runs the test by hand")]
fn println_once(index: u32, cadence_min: u32, drawn: f64, drawn_5: f64) {
    eprintln!("home {index}: {cadence_min} min draw-offs {drawn:.1} kWh, 5 min {drawn_5:.1} kWh");
}

#[test]
fn an_outlet_without_a_top_probe_is_unknown_or_read_lower_down() {
    let home = home();
    let mut rows = home.rows.clone();
    rows.series[Channel::Probe(0).slot()] = None;
    let notes = notes(&home.cylinder, &rows);
    assert!(!notes.draws.is_empty());
    assert!(
        notes.draws.iter().all(|d| d.outlet_degc.is_nan() || d.outlet_degc > 15.0),
        "{:?}",
        notes.draws[0]
    );
}

#[test]
fn a_coarse_register_makes_no_draw_offs() {
    // A home that draws nothing: found by its truth.
    let plan = FleetPlan { seed: 8, days: 4, zone: chrono_tz::UTC, ..FleetPlan::default() };
    let vacant = (0..40).map(|i| made(&plan, i)).find(|h| h.truth.home.trait_ == "vacant").unwrap();
    let mut rows = vacant.rows.clone();
    rows.series[Channel::Power(0).slot()] = None;
    rows.series[Channel::Power(1).slot()] = None;
    for value in &mut rows.series[Channel::Register.slot()].as_mut().unwrap().value {
        *value = (*value / 100.0).floor() * 100.0;
    }
    let notes = notes(&vacant.cylinder, &rows);
    let drawn: f64 = notes.draws.iter().map(|d| d.energy_kwh).sum();
    assert!(drawn < 0.5, "{} draw-offs, {drawn} kWh", notes.draws.len());
}

#[test]
fn a_day_that_loses_most_of_its_rows_still_expects_all_of_them() {
    let home = home();
    let keep: Vec<usize> = (0..home.rows.len()).filter(|i| i * 7919 % 100 < 38 || *i < 288).collect();
    let notes = notes(&home.cylinder, &picked(&home.rows, &keep));
    assert!(notes.days.iter().all(|d| d.instants_expected == 288), "{}", notes.days[2].instants_expected);
}

#[test]
fn a_row_sent_twice_unchanged_is_not_doubled() {
    let home = home();
    let mut twice: Vec<usize> = (0..home.rows.len()).collect();
    twice.insert(100, 100);
    let mut rows = picked(&home.rows, &twice);
    for series in rows.series.iter_mut().flatten().filter(|s| s.mask[100] != Mask::Absent) {
        series.mask[100] = Mask::Duplicate;
    }
    assert!(notes(&home.cylinder, &rows).days.iter().all(|d| d.doubled == 0));
}

#[test]
fn days_without_rows_are_noted() {
    let home = home();
    let first = home.rows.time_ms[0] - home.rows.time_ms[0].rem_euclid(86_400_000);
    let keep: Vec<usize> = (0..home.rows.len())
        .filter(|&i| !(first + 86_400_000..=first + 3 * 86_400_000).contains(&home.rows.time_ms[i]))
        .collect();
    assert_eq!(notes(&home.cylinder, &picked(&home.rows, &keep)).days.len(), 4);
}
