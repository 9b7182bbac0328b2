//! Whole homes with every heat source: their energy closes, and their exports tell what they should.

use arrow::array::{Array, AsArray};
use arrow::datatypes::{Float32Type, Int64Type};
use drawoff_contract::{Fault, HeatSource};

use crate::design::{SAMPLE_KINDS, design};
use crate::fleet::{HomeData, generate_home, run};
use crate::plan::{FaultsLaid, FleetPlan, Pace, Sources};

const ALL: [Sources; 4] = [Sources::TopPump, Sources::Coil, Sources::HeatPump, Sources::Mixed];

fn plan(source: Sources) -> FleetPlan {
    FleetPlan { seed: 5, homes: 40, days: 9, source, ..FleetPlan::default() }
}

fn homes(source: Sources, count: u32) -> Vec<HomeData> {
    let sound = FleetPlan { faults: FaultsLaid::None, ..plan(source) };
    (0..count).map(|i| generate_home(&sound, i).unwrap()).collect()
}

#[test]
fn energy_closes_with_every_source_and_fault() {
    for source in ALL {
        for pace in [Pace::Fine, Pace::Quick] {
            let plan = FleetPlan { days: 8, pace, ..plan(source) };
            for index in 0..20 {
                let run = run(&plan, index, &design(&plan, index));
                for day in &run.days {
                    assert!(day.unexplained_j().abs() < 10.0, "{source:?} {index} {day:?}");
                }
            }
        }
    }
}

#[test]
fn a_quick_pace_makes_the_same_home() {
    for source in [Sources::AsDrawn, Sources::Mixed] {
        for index in 0..12 {
            let made = |pace| {
                let sound = FleetPlan { faults: FaultsLaid::None, pace, ..plan(source) };
                generate_home(&sound, index).unwrap().truth.home
            };
            let (fine, quick) = (made(Pace::Fine), made(Pace::Quick));
            for (a, b, limit) in [
                (fine.ua_effective_w_k, quick.ua_effective_w_k, 0.005),
                (fine.kwh_loss_per_day, quick.kwh_loss_per_day, 0.01),
                (fine.kwh_draw_per_day, quick.kwh_draw_per_day, 0.01),
            ] {
                assert!((a - b).abs() <= limit * a, "{source:?} {index}: {a} {b}");
            }
        }
    }
}

#[test]
fn coils_have_no_meter_and_some_no_call() {
    let homes = homes(Sources::Coil, 16);
    let mut without_call = 0;
    for home in &homes {
        let nulls = |name: &str| home.readings.column_by_name(name).unwrap().null_count();
        let rows = home.readings.num_rows();
        assert_eq!([nulls("power_lower_w"), nulls("power_upper_w"), nulls("register_wh")], [rows; 3]);
        without_call += usize::from(nulls("call_lower") == rows);
        let entry = home.register.source.unwrap();
        assert_eq!((entry.kind, home.register.elements), (HeatSource::Coil, [None, None]));
        assert!(entry.upper > entry.lower && entry.rated_w >= Some(12_000.0));
        assert!(home.truth.sources.iter().all(|s| s.electric_kwh.is_none()));
        let cylinder = home.register.cylinder(chrono_tz::UTC);
        assert_eq!((cylinder.heat_source, cylinder.source_rated_w), (HeatSource::Coil, entry.rated_w));
    }
    assert!((1..10).contains(&without_call), "{without_call}");
}

#[test]
fn heat_pumps_meter_less_than_they_give_and_boost_weekly() {
    for home in homes(Sources::HeatPump, 12) {
        let register = home.readings.column_by_name("register_wh").unwrap().as_primitive::<Int64Type>();
        let metered = (register.value(register.len() - 1) - register.value(0)) as f64 / 1000.0;
        let sources = &home.truth.sources;
        let electric: f64 = sources.iter().filter_map(|s| s.electric_kwh).sum();
        assert!((metered / electric - 1.0).abs() < 0.03, "{metered} {electric}");
        let heat: f64 = sources.iter().map(|s| s.heat_kwh).sum();
        let boost: f64 = sources.iter().map(|s| s.boost_kwh).sum();
        assert!((1.3..4.0).contains(&(heat / (electric - boost))), "{heat} {electric} {boost}");
        // A boost that crosses UTC midnight counts on two days.
        let boosted = sources.iter().filter(|s| s.boost_kwh > 0.0).count();
        assert!((1..=4).contains(&boosted), "{boosted}");
        assert!(home.truth.stored.iter().any(|s| s.mean_degc > home.register.set_point_degc - 8.0));
    }
}

#[test]
fn a_pump_to_the_top_heats_the_top_first() {
    // After a night's cold draws the highest probe is back before the lowest one: here, over all homes and rows, the
    // highest probe is the warmer by far while the source heats.
    for home in homes(Sources::TopPump, 8) {
        let column = |name: &str| home.readings.column_by_name(name).unwrap().as_primitive::<Float32Type>();
        let lowest = home.register.probe_heights.len();
        let (top, base, power) =
            (column("probe_1_degc"), column(&format!("probe_{lowest}_degc")), column("power_lower_w"));
        let heating: Vec<usize> = (0..power.len()).filter(|&i| power.value(i) > 500.0).collect();
        let warmer = heating.iter().filter(|&&i| top.value(i) > base.value(i) + 5.0).count();
        assert!(warmer as f64 > 0.5 * heating.len() as f64, "{warmer} of {}", heating.len());
    }
}

#[test]
fn faults_are_laid_only_where_they_can_be() {
    let kinds = |source| -> Vec<Fault> {
        (0..40).flat_map(|i| design(&plan(source), i).faults).map(|f| f.fault).collect()
    };
    assert!(!kinds(Sources::Coil).contains(&Fault::ElementOpen));
    assert!(!kinds(Sources::HeatPump).contains(&Fault::StuckOn));
    assert!(kinds(Sources::Diverter).iter().all(|f| *f != Fault::ElementHalf));
    assert_eq!(kinds(Sources::Element).len(), SAMPLE_KINDS.len());
}

#[test]
fn what_is_seen_does_not_change_what_happens() {
    let made = |probes| {
        let plan = FleetPlan { probes: Some(probes), ..plan(Sources::AsDrawn) };
        generate_home(&plan, 4).unwrap()
    };
    let (two, twelve) = (made(2), made(12));
    assert_eq!(two.truth, twelve.truth);
    assert_eq!(two.truth.stored.len(), 9 * 48);
    assert_eq!((two.register.probe_heights.len(), twelve.register.probe_heights.len()), (2, 12));
    assert_eq!(twelve.readings.column_by_name("probe_12_degc").unwrap().null_count(), 0);
    assert_eq!(made(1).register.probe_heights.len(), 1);
}
