//! Expansion water and drips.

use drawoff_tank::Water;
use drawoff_tank::drip::{DROP_ML, DROP_ML_OLDER, heat_kwh_per_day, litres_per_day};
use drawoff_tank::expansion::expansion_litres;
use drawoff_tests::assert_near;

#[test]
fn expansion_of_a_210_l_tank() {
    // IAPWS-IF97 densities
    assert_near("l, 10 to 60 degC", expansion_litres(210.0, 10.0, 60.0), 3.52, 0.02);
    assert_near("l, 10 to 65 degC", expansion_litres(210.0, 10.0, 65.0), 4.10, 0.02);
    // sizing by 4 % (common practice, no source) leaves a margin of 2.4
    assert_near("margin", 0.04 * 210.0 / expansion_litres(210.0, 10.0, 60.0), 2.4, 0.05);
}

#[test]
fn drops_to_litres() {
    // US Geological Survey: 3000 drops a litre now, 4000 in its older edition
    for (drops_per_minute, now, older) in [(60.0, 28.8, 21.6), (10.0, 4.8, 3.6)] {
        assert_near("l a day", litres_per_day(drops_per_minute, DROP_ML), now, 0.1);
        assert_near("l a day", litres_per_day(drops_per_minute, DROP_ML_OLDER), older, 0.1);
    }
    assert_near("l an hour", litres_per_day(60.0, DROP_ML) / 24.0, 1.2, 1e-9);
    assert_near("l an hour", litres_per_day(60.0, DROP_ML_OLDER) / 24.0, 0.9, 1e-9);
    // US Environmental Protection Agency: one drop a second is 3000 US gallons a year, ten a minute 500, both rounded
    let us_gallons_per_year = |drops| litres_per_day(drops, DROP_ML) * 365.25 / 3.785_411_784;
    assert_near("gallons", us_gallons_per_year(60.0), 3000.0, 300.0);
    assert_near("gallons", us_gallons_per_year(10.0), 500.0, 50.0);
}

#[test]
fn heat_of_a_hot_drip() {
    // 50 K at 1.163 Wh/(l K): l a day, kWh a day, kWh a year
    let water = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 1.163 * 3.6 };
    for (litres, per_day, per_year) in [(28.8, 1.675, 611.0), (21.6, 1.256, 458.0)] {
        let kwh = heat_kwh_per_day(litres, 10.0, 60.0, water);
        assert_near("kWh a day", kwh, per_day, 0.0006);
        assert_near("kWh a year", kwh * 365.0, per_year, 0.6);
    }
}
