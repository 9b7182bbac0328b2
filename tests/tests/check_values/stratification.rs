//! Measures of stratification, against values worked by hand from the published definitions.

use drawoff_tank::Profile;
use drawoff_tank::stratification::{
    bulk_richardson, exergy_wh, mix_number, plug_velocity_m_per_s, stratification_number,
    thermocline_thickness,
};
use drawoff_tests::assert_near;

fn equal_shares(count: usize) -> Vec<f64> {
    vec![1.0 / count as f64; count]
}

/// `count` layers, each at the mean of a straight line from 60 degC at the top to 10 degC at the base.
fn linear_layers(count: usize) -> Vec<f64> {
    (0..count).map(|i| 60.0 - 50.0 * (i as f64 + 0.5) / count as f64).collect()
}

#[test]
fn mix_number_of_simple_tanks() {
    // Davidson, Adams and Miller, J. Solar Energy Eng. 116 (1994) 94: 0 perfectly stratified, 1 fully mixed
    let mix = |temps: &[f64]| mix_number(temps, &equal_shares(temps.len()), 60.0, 10.0);
    assert_near("sharp edge", mix(&[60.0, 10.0]), 0.0, 1e-9);
    assert_near("mixed", mix(&[35.0; 4]), 1.0, 1e-9);
    assert_near("upside down", mix(&[10.0, 60.0]), 2.0, 1e-9);
    assert_near("six layers", mix(&[60.0, 60.0, 58.0, 45.0, 20.0, 15.0]), 0.1137, 0.00006);
    // the same layers against their own extremes hide part of the mixing
    let own = mix_number(&[60.0, 60.0, 58.0, 45.0, 20.0, 15.0], &equal_shares(6), 60.0, 15.0);
    assert_near("six layers, own extremes", own, 0.0599, 0.00006);
}

#[test]
fn mix_number_of_a_linear_tank() {
    // 1/3 + 2/(3 N^2) for N equal layers between known hot and cold
    for count in [5, 10, 20, 100, 1000] {
        let by_hand = 1.0 / 3.0 + 2.0 / (3.0 * (count * count) as f64);
        let got = mix_number(&linear_layers(count), &equal_shares(count), 60.0, 10.0);
        assert_near("layers in a line", got, by_hand, 1e-9);
    }
    let ten = linear_layers(10);
    assert_near("own extremes", mix_number(&ten, &equal_shares(10), ten[0], ten[9]), 0.2667, 0.00006);
}

#[test]
fn stratification_number_by_hand() {
    // Fernandez-Seara, Uhia and Sieres (2007): 38 K against 50 K
    let now = [58.0, 55.0, 50.0, 35.0, 25.0, 20.0];
    let start = [60.0, 60.0, 60.0, 10.0, 10.0, 10.0];
    assert_near("38 / 50", stratification_number(&now, &start), 0.76, 1e-9);
}

#[test]
fn thermocline_of_a_line_over_the_whole_height() {
    let profile = Profile::new(&[1.0 - 1e-12, 1e-12]).unwrap();
    assert_near("share of height", thermocline_thickness(&profile, &[60.0, 10.0], 60.0, 10.0), 0.8, 1e-9);
}

#[test]
fn richardson_number_by_hand() {
    // 9.81 * 3.457e-4 * 1.2 * 50 / (8.488e-4)^2, expansion coefficient by IAPWS-95 at 35 degC
    let velocity = plug_velocity_m_per_s(10.0, 0.5);
    assert_near("m/s", velocity, 8.488e-4, 1e-7);
    assert_near("Ri", bulk_richardson(1.2, 60.0, 10.0, velocity), 2.82e5, 0.005 * 2.82e5);
}

#[test]
fn exergy_by_hand() {
    // 200 kg, 4.18 kJ/(kg K), surroundings 10 degC
    let heat_wh_per_k = 200.0 * 4.18 / 3.6;
    let hot = exergy_wh(&[60.0, 60.0], &[0.5, 0.5], heat_wh_per_k, 10.0);
    let half = exergy_wh(&[60.0, 10.0], &[0.5, 0.5], heat_wh_per_k, 10.0);
    let mixed = exergy_wh(&[35.0, 35.0], &[0.5, 0.5], heat_wh_per_k, 10.0);
    assert_near("all 60 degC, Wh", hot, 918.5, 0.05);
    assert_near("half 60 degC, Wh", half, 459.3, 0.05);
    assert_near("mixed, Wh", mixed, 242.1, 0.05);
    assert_near("share destroyed by mixing", 1.0 - mixed / half, 0.473, 0.0005);
}

#[test]
fn measures_do_not_hang_on_the_scale() {
    // a shift of all temperatures leaves the number as it is where heat is counted from the cold water, and halving every
    // layer in height as well
    let (degc, shares) = ([60.0, 57.0, 30.0, 12.0], equal_shares(4));
    let mix = mix_number(&degc, &shares, 60.0, 10.0);
    let shifted = mix_number(&degc.map(|t| t + 273.15), &shares, 333.15, 283.15);
    assert_near("shifted", shifted, mix, 1e-9);
    let halved: Vec<f64> = degc.iter().flat_map(|t| [*t, *t]).collect();
    assert_near("finer layers", mix_number(&halved, &equal_shares(8), 60.0, 10.0), mix, 1e-9);
    assert_near(
        "shifted",
        stratification_number(&degc.map(|t| t + 20.0), &[80.0, 30.0, 30.0, 30.0]),
        stratification_number(&degc, &[60.0, 10.0, 10.0, 10.0]),
        1e-9,
    );
}
