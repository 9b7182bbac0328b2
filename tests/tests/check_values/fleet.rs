//! Bands that whole fleets must lie in: a result outside them is a mistake, one inside proves nothing.

use drawoff_synth::{FleetPlan, generate_home};
use drawoff_tank::norms::flexibility::{is_within_seen, kw_per_home};
use drawoff_tests::assert_near;

/// Mean hot water of a household, l a day: 114 to 132 l at four to five people (R. Hendron and J. Burch, 2007), 122 l in 120
/// British homes (Energy Saving Trust, 2008), 2.4 people times 40 to 64 l (IEA Annex 42, SIA 385/2): the band about them.
const MEAN_LITRES: (f64, f64) = (80.0, 170.0);

#[test]
fn invented_fleets_draw_as_much_as_measured_ones() {
    let plan = FleetPlan { seed: 8, days: 7, ..FleetPlan::default() };
    let (mut litres, mut days) = (0.0, 0.0);
    for index in 0..40 {
        for day in generate_home(&plan, index).unwrap().truth.days {
            (litres, days) = (litres + day.litres_draw, days + 1.0);
        }
    }
    let mean = litres / days;
    assert!((MEAN_LITRES.0..=MEAN_LITRES.1).contains(&mean), "mean of 40 homes: {mean:.0} l a day");
}

#[test]
fn power_moved_per_home() {
    // a French distribution operator, winter of 2022, 4.3 million homes: GW at 12:00, 12:30, 13:00 and 13:30
    let moved = [(1.0, 0.233), (2.4, 0.558), (2.0, 0.465), (1.3, 0.302)];
    for (fleet_gw, kw) in moved {
        assert_near("kW a home", kw_per_home(fleet_gw, 4.3e6), kw, 5e-4);
        assert!(is_within_seen(kw));
    }
    let kwh: f64 = moved.iter().map(|m| 0.5 * kw_per_home(m.0, 4.3e6)).sum();
    assert_near("kWh a home", kwh, 0.78, 0.005);
    // resistance and heat pump in a laboratory (Pacific Northwest National Laboratory, 2023); more than any element
    assert!(
        is_within_seen(1.64) && is_within_seen(0.47) && !is_within_seen(3.0) && !is_within_seen(f64::NAN)
    );
    assert!(kw_per_home(1.0, 0.0).is_nan());
}
