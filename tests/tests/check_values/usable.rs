//! Usable hot water. Definition of V40: Regulation (EU) No 814/2013, Annex I, point 24.

use drawoff_tank::Profile;
use drawoff_tank::usable::v40_drawn_litres;
use drawoff_tests::assert_near;

/// Ideal tank without mixing, V * (T - Tc) / (40 - Tc): litres, degC, cold degC, V40.
const PLUG: [(f64, f64, f64, f64); 4] = [
    (200.0, 60.0, 10.0, 333.333),
    (150.0, 55.0, 10.0, 225.0),
    (200.0, 60.0, 15.0, 360.0),
    (180.0, 54.0, 15.0, 280.8),
];

#[test]
fn v40_of_a_uniform_tank() {
    let profile = Profile::new(&[0.9, 0.6, 0.3, 0.05]).unwrap();
    for (litres, degc, cold, published) in PLUG {
        assert_near("V40", profile.v40_litres(&[degc; 4], litres, cold), published, 0.001);
    }
}

#[test]
fn v40_of_a_step_sampled_outlet() {
    // hot water until the tank is through, then the cold feed: 10 l/min in steps of 6 s
    for (litres, degc, cold, published) in PLUG {
        let hot = std::iter::repeat_n((degc, 1.0), litres as usize);
        let trace = hot.chain(std::iter::repeat_n((cold, 1.0), 50));
        assert_near("V40", v40_drawn_litres(trace, cold), published, 0.5);
    }
}

#[test]
fn v40_of_a_drawn_thermocline_is_that_of_the_standing_one() {
    // what leaves the top of a tank without mixing is its profile from the top down
    let profile = Profile::new(&[0.95, 0.6, 0.4, 0.05]).unwrap();
    let temps = [62.0, 58.0, 22.0, 12.0];
    let steps = 20_000;
    let trace = (0..steps).map(|i| {
        let height = 1.0 - (f64::from(i) + 0.5) / f64::from(steps);
        (profile.at(&temps, height), 210.0 / f64::from(steps))
    });
    assert_near("V40", v40_drawn_litres(trace, 10.0), profile.v40_litres(&temps, 210.0, 10.0), 0.5);
}
