//! How near stored heat and V40 come to the truth by number of probes, for one instant without history.

use drawoff_tank::front::{Front, Known};
use drawoff_tank::{Profile, Water};

const WATER: Water = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.18 };
const VOLUME_L: f64 = 200.0;
const CASES: u32 = 4000;
const SLICES: u32 = 2000;

/// Shape of the true front: share of the rise at a height over the middle, in thicknesses.
#[derive(Clone, Copy, Debug)]
enum Shape {
    Erf,
    Logistic,
    /// Sharp below and drawn out above, as after a draw-off with a stirring inlet turned over.
    Lopsided,
}

impl Shape {
    fn share(self, x: f64) -> f64 {
        match self {
            Self::Erf => f64::midpoint(1.0, libm::erf(x)),
            Self::Logistic => 1.0 / (1.0 + f64::exp(-2.2 * x)),
            Self::Lopsided => {
                if x < 0.0 {
                    0.4 * f64::exp(2.5 * x)
                } else {
                    1.0 - 0.6 * f64::exp(-1.2 * x)
                }
            }
        }
    }
}

/// Numbers from 0 to 1 that fill the unit square evenly: fractional parts of multiples of irrational numbers.
fn even(case: u32, which: u32) -> f64 {
    let irrational =
        [0.754_877_666_246_693, 0.569_840_290_998_053, 0.414_213_562_373_095, 0.732_050_807_568_877];
    (0.5 + f64::from(case) * irrational[which as usize]).fract()
}

/// Noise of a probe, K: even over +-0.17, so of 0.1 K standard deviation.
fn noise_k(case: u32, probe: usize) -> f64 {
    0.346 * ((f64::from(case) * 0.618_033_988_749_895 + probe as f64 * 0.381_966_3 + 0.1).fract() - 0.5)
}

/// Root mean square errors in per cent of a full tank: heat by lines, by the front, V40 by lines, by the front, and the share
/// of V40 errors within two standard errors.
fn errors(shape: Shape, probes: usize) -> [f64; 5] {
    let profile = even_profile(probes);
    let heights = profile.heights();
    let full_wh = VOLUME_L * 50.0 * 4.18 / 3.6;
    let full_l = VOLUME_L * 50.0 / 30.0;
    let mut squares = [0.0; 4];
    let (mut within, mut fitted) = (0.0, 0.0);
    for case in 0..CASES {
        let (front, width) = (even(case, 0), 0.02 + 0.10 * even(case, 1));
        let (hot, cold) = (55.0 + 10.0 * even(case, 2), 8.0 + 8.0 * even(case, 3));
        let degc_at = |height: f64| cold + (hot - cold) * shape.share((height - front) / width);
        let temps: Vec<f64> =
            heights.iter().enumerate().map(|(i, &h)| degc_at(h) + noise_k(case, i)).collect();
        let (mut true_wh, mut true_l) = (0.0, 0.0);
        for slice in 0..SLICES {
            let degc = degc_at((f64::from(slice) + 0.5) / f64::from(SLICES));
            true_wh += (degc - 10.0) * 4.18 / 3.6 * VOLUME_L / f64::from(SLICES);
            if degc >= 40.0 {
                true_l += (degc - 10.0) / 30.0 * VOLUME_L / f64::from(SLICES);
            }
        }
        let lines =
            (profile.stored_wh(&temps, VOLUME_L, 10.0, WATER), profile.v40_litres(&temps, VOLUME_L, 10.0));
        let known = Known { cold_degc: 12.0, element: f64::NAN };
        let front = Front::fit(&profile, &temps, &known);
        let by_front =
            front.map_or(lines, |f| (f.stored_wh(VOLUME_L, 10.0, WATER), f.v40_litres(VOLUME_L, 10.0)));
        let off = [
            (lines.0 - true_wh) / full_wh,
            (by_front.0 - true_wh) / full_wh,
            (lines.1 - true_l) / full_l,
            (by_front.1 - true_l) / full_l,
        ];
        for (square, off) in squares.iter_mut().zip(off) {
            *square += off * off;
        }
        if let Some(front) = front {
            fitted += 1.0;
            let se = front.v40_se_litres(VOLUME_L, 10.0);
            within += f64::from(u8::from((by_front.1 - true_l).abs() <= 2.0 * se + 0.5));
        }
    }
    let mut out = [100.0 * within / f64::max(fitted, 1.0); 5];
    for (out, square) in out.iter_mut().zip(squares) {
        *out = 100.0 * (square / f64::from(CASES)).sqrt();
    }
    out
}

/// Most that is allowed, per cent of full: probes, heat by the front, V40 by the front.
const BARS: [(usize, f64, f64); 8] = [
    (1, 24.0, 28.0),
    (2, 10.0, 13.5),
    (3, 5.0, 8.0),
    (4, 3.0, 5.0),
    (5, 2.0, 3.0),
    (6, 1.5, 2.2),
    (8, 1.0, 1.5),
    (12, 0.4, 0.8),
];

#[test]
#[expect(clippy::print_stdout, reason = "the table is what the test is read for")]
fn errors_by_number_of_probes() {
    for shape in [Shape::Erf, Shape::Logistic, Shape::Lopsided] {
        println!(
            "{shape:?}: probes, heat by lines, by front; V40 by lines, by front; within two standard errors"
        );
        for (probes, heat_bar, v40_bar) in BARS {
            let [heat_lines, heat_front, v40_lines, v40_front, within] = errors(shape, probes);
            println!(
                "{probes:>2}: {heat_lines:5.2} {heat_front:5.2}; {v40_lines:5.2} {v40_front:5.2}; {within:5.1} %"
            );
            assert!(heat_front <= heat_bar && v40_front <= v40_bar, "{shape:?}, {probes} probes");
            // below three probes there is no front, and the lines are what is left
            assert!(if probes < 3 { v40_front == v40_lines } else { v40_front < 0.85 * v40_lines });
            assert!(probes < 3 || within > 70.0, "{shape:?}, {probes} probes: {within} %");
        }
    }
}

/// Probes in the middle of equal parts.
#[expect(clippy::unwrap_used, reason = "evenly spaced heights always make a profile")]
fn even_profile(probes: usize) -> Profile {
    let heights: Vec<f64> = (0..probes).rev().map(|i| (i as f64 + 0.5) / probes as f64).collect();
    Profile::new(&heights).unwrap()
}

#[test]
fn a_missing_probe_is_one_that_is_not_there() {
    let known = Known { cold_degc: 10.0, element: 0.1 };
    let (six, temps) = (even_profile(6), [61.0, 60.5, f64::NAN, 41.0, 14.0, 12.0]);
    let heights: Vec<f64> =
        six.heights().iter().copied().enumerate().filter(|(i, _)| *i != 2).map(|(_, h)| h).collect();
    let five = Profile::new(&heights).unwrap();
    let (with, without) =
        (Front::fit(&six, &temps, &known), Front::fit(&five, &[61.0, 60.5, 41.0, 14.0, 12.0], &known));
    assert_eq!(with, without);
    assert!(with.is_some());
    assert!(Front::fit(&six, &[61.0, f64::NAN, f64::NAN, f64::NAN, f64::NAN, 12.0], &known).is_none());
    assert!(Front::fit(&six, &[f64::NAN; 6], &known).is_none());
}

#[test]
fn front_and_thickness_of_a_known_profile() {
    let profile = even_profile(12);
    let temps: Vec<f64> =
        profile.heights().iter().map(|h| 10.0 + 50.0 * Shape::Erf.share((h - 0.47) / 0.08)).collect();
    let front = Front::fit(&profile, &temps, &Known { cold_degc: 10.0, element: f64::NAN }).unwrap();
    assert!((front.height() - 0.47).abs() < 0.002 && front.height_se() < 0.01, "{front:?}");
    // between the tenth and nine tenths of an error function: 2 x 0.9062 x 0.08
    assert!((front.thickness() - 0.145).abs() < 0.003, "{}", front.thickness());
    let (below_degc, above_degc) = front.sides_degc();
    assert!((below_degc - 10.0).abs() < 0.3 && (above_degc - 60.0).abs() < 0.5);
    assert!(
        front.misfit_k() < 0.1 && front.v40_litres(200.0, 40.0).is_nan() && front.degc_at(f64::NAN).is_nan()
    );
}

#[test]
fn what_no_probe_sees_below_an_element_is_thought_cold() {
    let profile = Profile::new(&[0.9, 0.65, 0.4, 0.2]).unwrap();
    let temps = [60.0; 4];
    let lines_l = profile.v40_litres(&temps, 200.0, 10.0);
    let front = Front::fit(&profile, &temps, &Known { cold_degc: 10.0, element: 0.12 }).unwrap();
    let front_l = front.v40_litres(200.0, 10.0);
    // all of it would be 333 l; a tenth of the volume below the element is not to be counted on
    assert!(front_l < lines_l - 10.0 && front_l > lines_l - 50.0, "{front_l} of {lines_l} l");
    assert!(Front::fit(&profile, &temps, &Known { cold_degc: 10.0, element: f64::NAN }).is_none());
}

#[test]
fn readings_of_no_front_at_all_stay_finite() {
    let profile = even_profile(5);
    for temps in
        [[10.0, 60.0, 10.0, 60.0, 10.0], [10.0, 20.0, 30.0, 40.0, 50.0], [90.0, 0.0, 90.0, 90.0, 0.0]]
    {
        let front = Front::fit(&profile, &temps, &Known { cold_degc: 10.0, element: 0.1 }).unwrap();
        let v40_l = front.v40_litres(200.0, 10.0);
        assert!((0.0..600.0).contains(&v40_l) && front.v40_se_litres(200.0, 10.0).is_finite(), "{v40_l}");
        // what the curve leaves is added back, so it passes through the readings
        for (height, degc) in profile.heights().iter().zip(temps) {
            assert!((front.degc_at(*height) - degc).abs() < 1e-9);
        }
    }
}
