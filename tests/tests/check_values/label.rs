//! Label classes of storage tanks, Regulation (EU) No 812/2013, Annex II, Table 2, and the market limit of Regulation (EU)
//! No 814/2013, Annex II 2.1.

use drawoff_tank::label::LabelClass;
use drawoff_tank::loss::declared_from_label_w;
use drawoff_tank::norms::verification::Declared;
use drawoff_tests::assert_near;

/// Upper limits computed from the Table's formulae: litres, then W of A+, A, B, C, D, E, F.
const LIMITS: [(f64, [f64; 7]); 6] = [
    (120.0, [26.95, 37.34, 52.25, 73.20, 91.11, 118.71, 144.07]),
    (150.0, [28.95, 40.04, 56.00, 78.47, 97.65, 127.36, 154.63]),
    (200.0, [31.81, 43.88, 61.37, 86.01, 107.00, 139.73, 169.70]),
    (210.0, [32.33, 44.58, 62.34, 87.38, 108.70, 141.97, 172.44]),
    (300.0, [36.44, 50.11, 70.06, 98.22, 122.15, 159.75, 194.13]),
    (500.0, [43.46, 59.55, 83.23, 116.71, 145.08, 190.07, 231.11]),
];

#[test]
fn limits_in_watts() {
    for (volume_l, limits) in LIMITS {
        for (class, published) in LabelClass::ALL.into_iter().zip(limits) {
            assert_near(class.as_str(), class.limit_w(volume_l).unwrap(), published, 0.0051);
        }
        assert_eq!(LabelClass::G.limit_w(volume_l), None);
    }
}

#[test]
fn class_changes_exactly_at_each_limit() {
    for (volume_l, _) in LIMITS {
        for pair in LabelClass::ALL.windows(2) {
            let limit = pair[0].limit_w(volume_l).unwrap();
            assert_eq!(LabelClass::of(volume_l, limit.next_down()), Some(pair[0]));
            assert_eq!(LabelClass::of(volume_l, limit), Some(pair[1]));
        }
    }
}

#[test]
fn market_limit_since_2017_is_the_limit_of_class_c() {
    for (volume_l, watts, kwh_per_24h) in [(200.0, 86.01, 2.064), (300.0, 98.22, 2.357)] {
        let limit = LabelClass::C.limit_w(volume_l).unwrap();
        assert_near("W", limit, watts, 0.0051);
        assert_near("kWh/24 h", declared_from_label_w(limit), kwh_per_24h, 0.0006);
    }
}

#[test]
fn tolerances_of_verification() {
    // Regulation (EU) No 814/2013, Annex V, Table 7: used and lost at most 5 % above, volume at most 2 % and V40 3 % below
    for (quantity, worst) in [
        (Declared::DailyElectricity, 105.0),
        (Declared::WeeklyElectricity, 105.0),
        (Declared::StandingLoss, 105.0),
        (Declared::Volume, 98.0),
        (Declared::V40, 97.0),
    ] {
        let (within, beyond) =
            if worst > 100.0 { (worst - 1e-9, worst + 1e-9) } else { (worst + 1e-9, worst - 1e-9) };
        assert!(quantity.is_upheld(100.0, within) && !quantity.is_upheld(100.0, beyond), "{quantity:?}");
        // better than declared is always right
        assert!(quantity.is_upheld(100.0, if worst > 100.0 { 1.0 } else { 1000.0 }));
        assert!(!quantity.is_upheld(100.0, f64::NAN));
    }
}
