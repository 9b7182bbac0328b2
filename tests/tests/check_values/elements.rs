//! Electric elements. Supply 230 V +10 % -6 %: UK Statutory Instrument 1994 No. 3021. Rating tolerance +5 % -10 %: EN 60335-1
//! clause 10.1 (from memory).

use drawoff_tank::Water;
use drawoff_tank::element::{HealthyBand, heat_up_h, power_w, resistance_ohm};
use drawoff_tests::assert_near;

#[test]
fn power_against_voltage() {
    // V * V / R by hand
    assert_near("ohm", resistance_ohm(3000.0, 240.0), 19.20, 0.005);
    for (supply_v, watts) in
        [(207.0, 2231.7), (216.2, 2434.5), (230.0, 2755.2), (240.0, 3000.0), (250.0, 3255.2), (253.0, 3333.8)]
    {
        assert_near("W, 240 V rating", power_w(3000.0, 240.0, supply_v), watts, 0.1);
    }
    assert_near("ohm", resistance_ohm(3000.0, 230.0), 17.633, 0.0005);
    for (supply_v, watts) in [(216.2, 2650.8), (240.0, 3266.5), (253.0, 3630.0)] {
        assert_near("W, 230 V rating", power_w(3000.0, 230.0, supply_v), watts, 0.1);
    }
    for (watts, ohm) in [(3150.0, 18.286), (2700.0, 21.333)] {
        assert_near("ohm at the rating tolerance", resistance_ohm(watts, 240.0), ohm, 0.0005);
    }
}

#[test]
fn healthy_band_of_a_3_kw_element() {
    // 0.90 * 2434.5 to 1.05 * 3333.8
    let band = HealthyBand::of_rating(3000.0, 240.0);
    assert_near("low W", band.low_w, 2191.0, 0.1);
    assert_near("high W", band.high_w, 3500.5, 0.1);
    // two equal elements side by side, one open, at the highest supply
    assert!(!band.contains(power_w(1500.0, 240.0, 253.0)));
    assert!(!HealthyBand::of_unknown_voltage(3000.0).contains(power_w(1500.0, 230.0, 253.0)));
}

#[test]
fn heat_up_time_without_loss() {
    // IAPWS-IF97 enthalpies over the power: litres, to degC, W, h
    for (litres, to, watts, hours) in [
        (200.0, 60.0, 3000.0, 3.871),
        (200.0, 60.0, 2755.2, 4.215),
        (210.0, 65.0, 3000.0, 4.471),
        (210.0, 65.0, 2755.2, 4.869),
    ] {
        assert_near("h", heat_up_h(litres, 10.0, to, watts, Water::Iapws), hours, 0.005 * hours);
    }
}
