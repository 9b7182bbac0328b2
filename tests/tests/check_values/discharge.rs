//! Safety devices of unvented cylinders and their discharge pipe: Approved Document G (England and Wales), Table 3.1 and its
//! worked example, as quoted in public.

use drawoff_tank::norms::discharge::{
    BOILING_DEGC, CUT_OUT_MOST_DEGC, Outlet, RELIEF_DEGC, THERMOSTAT_MOST_DEGC,
};
use drawoff_tests::assert_near;

#[test]
fn devices_act_one_after_another() {
    let order = [THERMOSTAT_MOST_DEGC, CUT_OUT_MOST_DEGC, RELIEF_DEGC, BOILING_DEGC];
    assert!(order.windows(2).all(|pair| pair[0] < pair[1]));
}

#[test]
fn worked_example_of_the_guidance() {
    // G1/2, 7 m, four elbows: 22 mm allows 9 - 4 x 0.8 = 5.8 m, 28 mm allows 18 - 4 x 1.0 = 14 m
    assert_near("22 mm", Outlet::G1_2.longest_m(22, 4).unwrap(), 5.8, 1e-6);
    assert_near("28 mm", Outlet::G1_2.longest_m(28, 4).unwrap(), 14.0, 1e-6);
    assert_eq!(Outlet::G1_2.beyond_tundish_mm(7.0, 4), Some(28));
    assert_eq!(Outlet::G1_2.before_tundish_mm(), 15);
}

#[test]
fn table_of_diameters() {
    // one size above the outlet up to 9 m, two up to 18 m, three up to 27 m
    for (outlet, before, sizes) in
        [(Outlet::G1_2, 15, [22, 28, 35]), (Outlet::G3_4, 22, [28, 35, 42]), (Outlet::G1, 28, [35, 42, 54])]
    {
        assert_eq!(outlet.before_tundish_mm(), before);
        for (size, length_m) in sizes.into_iter().zip([9.0, 18.0, 27.0]) {
            assert_eq!(outlet.beyond_tundish_mm(length_m, 0), Some(size));
            assert_near("m", outlet.longest_m(size, 0).unwrap(), length_m, 1e-9);
        }
        assert_eq!(outlet.beyond_tundish_mm(27.1, 0), None);
        assert_eq!(outlet.longest_m(15, 0), None);
    }
    // G1: a bend of 54 mm counts 2.3 m
    assert_near("m", Outlet::G1.longest_m(54, 2).unwrap(), 22.4, 1e-9);
}
