//! Standing loss: BS EN 12897 (65 degC in 20 degC, 45 K), EN 15332 (the same difference), EN 15316-5 (linear in the
//! difference).

use drawoff_tank::loss::{
    Cooling, declared_from_label_w, label_w_from_declared, loss_kwh, w_per_k_from_declared,
    w_per_k_from_label,
};
use drawoff_tests::assert_near;

#[test]
fn declared_loss_to_coefficient() {
    // asserted by the UK Home Energy Model's own unit test, which names BS EN 12897:2016 appendix B.2.2
    assert_near("W/K", w_per_k_from_declared(1.68), 1.5555555555555556, 1e-12);
    // computed from 1000 * Q / 24 and 1000 * Q / (24 * 45): kWh/24 h, W, W/K
    for (kwh, watts, w_per_k) in [
        (1.0, 41.67, 0.92593),
        (1.2, 50.00, 1.11111),
        (1.5, 62.50, 1.38889),
        (2.0, 83.33, 1.85185),
        (2.5, 104.17, 2.31481),
    ] {
        assert_near("W", label_w_from_declared(kwh), watts, 0.005);
        assert_near("W/K", w_per_k_from_declared(kwh), w_per_k, 5e-6);
        assert_near("label W is at 45 K too", w_per_k_from_label(watts), w_per_k, 2e-4);
        assert_near("kWh/24 h", declared_from_label_w(watts), kwh, 2e-4);
    }
}

/// Mixed tank, 65 degC in 20 degC, 4.18 kJ/(l K): litres, W/K, time constant h, degC and kWh after 24 h.
fn cooling_tanks() -> [(f64, f64, f64, f64, f64); 3] {
    [
        (210.0, w_per_k_from_declared(1.68), 156.75, 58.612, 1.5577),
        (150.0, w_per_k_from_declared(1.5), 125.40, 57.162, 1.3652),
        (300.0, 2.0, 174.17, 59.207, 2.0178),
    ]
}

fn idle_tank(litres: f64, w_per_k: f64) -> Cooling {
    Cooling { start_degc: 65.0, surroundings_degc: 20.0, w_per_k, heat_wh_per_k: litres * 4.18 / 3.6 }
}

#[test]
fn cooling_of_an_idle_tank() {
    for (litres, w_per_k, time_constant_h, degc, kwh) in cooling_tanks() {
        let idle = idle_tank(litres, w_per_k);
        assert_near("time constant, h", idle.time_constant_h(), time_constant_h, 0.006);
        assert_near("degC after 24 h", idle.degc_after(24.0), degc, 0.0006);
        assert_near("kWh in 24 h", idle.lost_kwh(24.0), kwh, 0.00006);
    }
}

#[test]
fn coefficient_found_again_from_a_night_in_tenths_of_a_degree() {
    for (litres, w_per_k, ..) in cooling_tanks() {
        let idle = idle_tank(litres, w_per_k);
        let read = (idle.degc_after(8.0) * 10.0).round() / 10.0;
        assert_near("W/K", idle.w_per_k_from_fall(read, 8.0), w_per_k, 0.03 * w_per_k);
    }
}

#[test]
fn loss_is_linear_in_the_difference() {
    let w_per_k = w_per_k_from_declared(1.68);
    assert_near("at 45 K", loss_kwh(w_per_k, 65.0, 20.0, 24.0), 1.68, 1e-12);
    assert_near("at 30 K", loss_kwh(w_per_k, 50.0, 20.0, 24.0), 1.68 * 30.0 / 45.0, 1e-12);
}
