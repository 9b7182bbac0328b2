//! Water properties against IAPWS-IF97 (International Association for the Properties of Water and Steam, R7-97) and, for
//! the expansion coefficient, IAPWS-95 (R6-95).

use drawoff_tank::Water;
use drawoff_tank::expansion::expansion_share;
use drawoff_tank::water::{density_kg_per_l, expansion_per_k, heat_capacity_kj_per_kg_k, heat_wh_per_l_k};
use drawoff_tests::{assert_near, shared_text};

/// Liquid water at 1 bar: degC, kg/m3, kJ/(kg K), kJ/kg, kJ/(l K) by IF97, and 1/K by IAPWS-95.
const AT_1_BAR: [(f64, f64, f64, f64, f64, f64); 19] = [
    (5.0, 999.966, 4.2050, 21.118, 4.2048, 1.604e-5),
    (10.0, 999.701, 4.1955, 42.117, 4.1942, 8.793e-5),
    (15.0, 999.101, 4.1891, 63.078, 4.1853, 1.508e-4),
    (20.0, 998.206, 4.1848, 84.012, 4.1773, 2.068e-4),
    (25.0, 997.047, 4.1819, 104.928, 4.1696, 2.573e-4),
    (30.0, 995.652, 4.1800, 125.833, 4.1618, 3.034e-4),
    (35.0, 994.038, 4.1790, 146.730, 4.1540, 3.459e-4),
    (40.0, 992.224, 4.1786, 167.623, 4.1461, 3.855e-4),
    (45.0, 990.223, 4.1788, 188.516, 4.1379, 4.226e-4),
    (50.0, 988.047, 4.1796, 209.412, 4.1296, 4.578e-4),
    (55.0, 985.706, 4.1809, 230.313, 4.1211, 4.912e-4),
    (60.0, 983.210, 4.1828, 251.222, 4.1125, 5.233e-4),
    (65.0, 980.565, 4.1852, 272.141, 4.1038, 5.541e-4),
    (70.0, 977.779, 4.1881, 293.074, 4.0950, 5.840e-4),
    (75.0, 974.856, 4.1916, 314.023, 4.0862, 6.130e-4),
    (80.0, 971.802, 4.1955, 334.991, 4.0772, 6.414e-4),
    (85.0, 968.622, 4.2000, 355.979, 4.0682, 6.692e-4),
    (90.0, 965.318, 4.2050, 376.992, 4.0592, 6.966e-4),
    (95.0, 961.895, 4.2106, 398.030, 4.0501, 7.237e-4),
];

/// What is allowed: density 0.05 kg/m3, heat capacity 0.002 kJ/(kg K).
const DENSITY_TOLERANCE: f64 = 0.05;
const HEAT_CAPACITY_TOLERANCE: f64 = 0.002;

#[test]
fn properties_at_1_bar() {
    for (degc, kg_per_m3, kj_per_kg_k, _, kj_per_l_k, per_k) in AT_1_BAR {
        assert_near("density", 1000.0 * density_kg_per_l(degc), kg_per_m3, DENSITY_TOLERANCE);
        assert_near("heat capacity", heat_capacity_kj_per_kg_k(degc), kj_per_kg_k, HEAT_CAPACITY_TOLERANCE);
        assert_near("heat of a litre", 3.6 * heat_wh_per_l_k(degc), kj_per_l_k, HEAT_CAPACITY_TOLERANCE);
        assert_near("expansion coefficient", expansion_per_k(degc), per_k, 2e-6);
    }
}

#[test]
fn water_grows_lighter_above_4_degc() {
    // IAPWS-95: greatest density at 3.98 degC
    let densities: Vec<f64> = (8..=198).map(|half| density_kg_per_l(0.5 * f64::from(half))).collect();
    assert!(densities.windows(2).all(|pair| pair[0] > pair[1]));
}

#[test]
fn enthalpy_differences_at_1_bar() {
    let (from, _, _, enthalpy_from, ..) = AT_1_BAR[1];
    for (to, _, _, enthalpy_to, ..) in AT_1_BAR {
        let kj_per_kg = 3.6 * Water::Iapws.heat_wh_per_l(from, to) / density_kg_per_l(from);
        assert_near("enthalpy", kj_per_kg, enthalpy_to - enthalpy_from, 0.01);
    }
}

#[test]
fn properties_in_the_whole_reference_table() {
    let Some(text) = shared_text("reference/water_table.csv") else { return };
    let mut rows = 0;
    for line in text.lines().filter(|line| line.starts_with("1,")) {
        let row: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
        assert_near("density, kg/m3", 1000.0 * density_kg_per_l(row[1]), row[2], DENSITY_TOLERANCE);
        assert_near("heat capacity", heat_capacity_kj_per_kg_k(row[1]), row[3], HEAT_CAPACITY_TOLERANCE);
        rows += 1;
    }
    assert_eq!(rows, 91, "rows at 1 bar from 5 to 95 degC");
    // the polynomials are for 1 bar; at 3 bar water is denser by less than 0.1 kg/m3
    for line in text.lines().filter(|line| line.starts_with("3,")) {
        let row: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
        assert_near("density at 3 bar", 1000.0 * density_kg_per_l(row[1]) + 0.05, row[2], 0.05);
        assert_near(
            "heat capacity at 3 bar",
            heat_capacity_kj_per_kg_k(row[1]),
            row[3],
            HEAT_CAPACITY_TOLERANCE,
        );
    }
}

#[test]
fn volume_expansion() {
    // IAPWS-IF97 at 3 bar; 1 bar is within 1e-5
    let published = [
        (10.0, 60.0, 1.678),
        (4.0, 60.0, 1.706),
        (15.0, 60.0, 1.617),
        (10.0, 65.0, 1.952),
        (10.0, 70.0, 2.243),
        (10.0, 80.0, 2.871),
        (10.0, 90.0, 3.562),
        (4.0, 99.5, 4.304),
    ];
    for (from, to, per_cent) in published {
        assert_near("expansion, %", 100.0 * expansion_share(from, to), per_cent, 0.0016);
    }
}

#[test]
fn heat_of_a_tank_measured_cold_and_hot() {
    // IAPWS-IF97 at 3 bar, enthalpy difference times mass: litres, from, to, kWh measured cold, kWh measured hot
    let published = [
        (200.0, 10.0, 60.0, 11.613, 11.421),
        (150.0, 15.0, 55.0, 6.962, 6.868),
        (210.0, 10.0, 65.0, 13.414, 13.157),
    ];
    for (litres, cold, hot, kwh_cold, kwh_hot) in published {
        let measured_cold = litres * Water::Iapws.heat_wh_per_l(cold, hot) / 1000.0;
        let measured_hot = -litres * Water::Iapws.heat_wh_per_l(hot, cold) / 1000.0;
        assert_near("kWh of litres measured cold", measured_cold, kwh_cold, 0.002);
        assert_near("kWh of litres measured hot", measured_hot, kwh_hot, 0.002);
    }
}

#[test]
fn constants_of_published_methods_stay_close() {
    // kJ/(l K) of SAP 2012 (4.190), the UK Home Energy Model (4.184) and the trade's 1.163 Wh/(l K): 200 l by 50 K
    for (kj_per_l_k, kwh) in [(4.190, 11.639), (4.184, 11.622), (4.18, 11.611), (1.163 * 3.6, 11.630)] {
        let water = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: kj_per_l_k };
        let got = 200.0 * water.heat_wh_per_l(10.0, 60.0) / 1000.0;
        assert_near("kWh", got, kwh, 0.0005);
        assert_near("kWh by IF97", 0.2 * Water::Iapws.heat_wh_per_l(10.0, 60.0), got, 0.0023 * got);
    }
}
