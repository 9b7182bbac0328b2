//! Thermal disinfection and scalds.

use drawoff_tank::hygiene::{STORE_DEGC, ThermalDeath, longest_hold_min};
use drawoff_tank::scald::{burn_dose, burn_time_s};
use drawoff_tests::assert_near;

#[test]
fn decade_times_of_legionella() {
    // World Health Organization (2007): 2 min at 60 degC, 80 to 124 min at 50 degC, near-instant above 70 degC
    let death = ThermalDeath::default();
    assert_near("D at 60 degC, min", death.decade_min(60.0), 2.0, 1e-12);
    assert!((80.0..=124.5).contains(&death.decade_min(50.0)));
    assert!(death.decade_min(70.0) * 60.0 < 5.0);
    assert_near("decades of an hour at 60 degC", death.decades([(60.0, 60.0)]), 30.0, 1e-9);
}

#[test]
fn an_hour_at_60_degc_in_the_coldest_part() {
    // HSE L8 technical guidance: the whole contents at 60 degC for 1 h; touching 60 degC is not enough
    let mut coldest = [55.0; 24];
    coldest[4] = 60.2;
    assert_eq!(longest_hold_min(&coldest, 5.0, STORE_DEGC), 0.0);
    coldest[8..21].fill(60.0);
    assert_eq!(longest_hold_min(&coldest, 5.0, STORE_DEGC), 60.0);
}

/// Moritz and Henriques (1947), adult skin, full thickness: degC, s.
const BURN: [(f64, f64); 9] = [
    (44.0, 6.0 * 3600.0),
    (48.9, 5.0 * 60.0),
    (51.7, 2.0 * 60.0),
    (54.4, 30.0),
    (57.2, 10.0),
    (60.0, 5.0),
    (62.8, 3.0),
    (65.6, 2.0),
    (68.3, 1.0),
];

#[test]
fn burn_times() {
    for (degc, seconds) in BURN {
        assert_near("s", burn_time_s(degc), seconds, 1e-6);
        assert_near("dose", burn_dose([(degc, seconds / 2.0), (degc, seconds / 2.0)]), 1.0, 1e-6);
    }
    for pair in BURN.windows(2) {
        let between = burn_time_s(f64::midpoint(pair[0].0, pair[1].0));
        assert_near("ln of time is a straight line", between, (pair[0].1 * pair[1].1).sqrt(), 1e-6 * between);
    }
    assert!(burn_time_s(43.99).is_infinite());
    let tenths = |from: u32| (from..=700).map(|tenth| f64::from(tenth) / 10.0).collect::<Vec<f64>>();
    assert!(
        tenths(440).windows(2).all(|pair| burn_time_s(pair[0]) > burn_time_s(pair[1])),
        "hotter burns sooner"
    );
    let death = ThermalDeath::default();
    assert!(tenths(500).windows(2).all(|pair| death.decade_min(pair[0]) > death.decade_min(pair[1])));
}
