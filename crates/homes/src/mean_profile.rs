//! Time-mean temperature over height from a few probes: what the skin feels, and the volume mean.
//!
//! The mean over a day is smooth and convex: hot down to where draw-offs reach, then falling ever faster to the base, which
//! is at the cold feed below the lowest element after the first draw-off. A straight line between two or three probes,
//! held below the lowest one, puts the skin 14 to 17 % of its lift too warm (even half of the reference homes cut to 3 and 2
//! probes); this curve 2 to 4 %.

use drawoff_tank::shape::Shape;

/// Steps of the integration over height.
const STEPS: usize = 100;
/// Slope at the lowest probe over that of the chord above it: the curve grows steeper towards the base.
const STEEPENING: f64 = 2.0;
/// Least and greatest rate at which the excess over the feed dies away below the lowest probe, per whole height.
const DECAY: (f64, f64) = (0.5, 8.0);
/// The same below the lowest element, where nothing heats. Rates and steepening were chosen on the even half of the reference homes.
const DECAY_UNHEATED: f64 = 8.0;

/// Volume mean and skin mean of a day's mean temperatures, degC.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Means {
    /// Over the volume.
    pub volume_degc: f64,
    /// Over the outer skin, both ends counted.
    pub skin_degc: f64,
}

/// Means of the probes `(height, degC)`, top first; `None` of no probe. `lowest_element` is a volume fraction, 0 for none.
///
/// `drawn` says whether the day saw a draw-off: without one no feed comes in, and the lowest reading is held to the base.
pub(crate) fn means(
    probes: &[(f64, f64)],
    cold_degc: f64,
    lowest_element: f64,
    drawn: bool,
    shape: Shape,
) -> Option<Means> {
    let (&(base_height, base_degc), &(top_height, top_degc)) = (probes.last()?, probes.first()?);
    let slopes = slopes(probes);
    let slope_at_base = slopes.last().copied().unwrap_or(0.0);
    let below = |height: f64| {
        let excess = base_degc - cold_degc;
        if excess <= 0.0 || !drawn {
            return base_degc;
        }
        let decay = (slope_at_base / excess).clamp(DECAY.0, DECAY.1);
        let heated = (base_height - height.max(lowest_element)).max(0.0);
        let unheated = (lowest_element.min(base_height) - height).max(0.0);
        cold_degc + excess * libm::exp(-decay * heated - decay.max(DECAY_UNHEATED) * unheated)
    };
    let at = |height: f64| {
        if height >= top_height {
            return top_degc;
        }
        if height < base_height {
            return below(height);
        }
        let i = probes.windows(2).position(|p| height >= p[1].0).unwrap_or(0);
        cubic(probes[i + 1], slopes[i + 1], probes[i], slopes[i], height)
    };
    let volume_degc = (0..STEPS).map(|i| at((i as f64 + 0.5) / STEPS as f64)).sum::<f64>() / STEPS as f64;
    let ends = shape.end_share();
    Some(Means { volume_degc, skin_degc: (1.0 - 2.0 * ends) * volume_degc + ends * (top_degc + at(0.0)) })
}

/// Slopes over height at the probes by the monotone rule of Fritsch and Butland (SIAM J. Sci. Stat. Comput. 5, 1984); level at the top.
fn slopes(probes: &[(f64, f64)]) -> Vec<f64> {
    let chord = |i: usize| (probes[i].1 - probes[i + 1].1) / (probes[i].0 - probes[i + 1].0);
    let n = probes.len();
    (0..n)
        .map(|i| {
            if i == 0 {
                return 0.0;
            }
            let above = chord(i - 1);
            if i + 1 == n {
                return (STEEPENING * above).max(0.0);
            }
            let below = chord(i);
            if above * below <= 0.0 {
                return 0.0;
            }
            let (up, down) = (probes[i - 1].0 - probes[i].0, probes[i].0 - probes[i + 1].0);
            let (a, b) = (2.0 * up + down, up + 2.0 * down);
            (a + b) / (a / below + b / above)
        })
        .collect()
}

/// Cubic between two points with their slopes (Hermite).
fn cubic(low: (f64, f64), slope_low: f64, high: (f64, f64), slope_high: f64, height: f64) -> f64 {
    let span = high.0 - low.0;
    let t = (height - low.0) / span;
    let rest = 1.0 - t;
    low.1 * (1.0 + 2.0 * t) * rest * rest
        + high.1 * (3.0 - 2.0 * t) * t * t
        + span * (slope_low * t * rest * rest - slope_high * t * t * rest)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHAPE: Shape = Shape { diameter_m: 0.45, height_m: 1.2, ends: drawoff_tank::shape::Ends::Flat };

    #[test]
    fn one_temperature_everywhere_is_both_means() {
        let still = means(&[(0.9, 20.0), (0.5, 20.0), (0.1, 20.0)], 20.0, 0.1, true, SHAPE).unwrap();
        assert!((still.volume_degc - 20.0).abs() < 1e-9 && (still.skin_degc - 20.0).abs() < 1e-9);
    }

    #[test]
    fn the_curve_passes_the_probes_and_stays_between_feed_and_top() {
        // T - 10 = 50 (1 - exp(-8 z)): hot above, steep at the base; its mean over z is 10 + 50 (1 - (1 - exp(-8)) / 8).
        let truth = |z: f64| 10.0 + 50.0 * (1.0 - libm::exp(-8.0 * z));
        let exact = 10.0 + 50.0 * (1.0 - (1.0 - libm::exp(-8.0)) / 8.0);
        let of = |heights: &[f64]| {
            let probes: Vec<(f64, f64)> = heights.iter().map(|&z| (z, truth(z))).collect();
            means(&probes, 10.0, 0.1, true, SHAPE).unwrap()
        };
        for heights in [&[0.95, 0.3][..], &[0.95, 0.5, 0.2], &[0.9, 0.7, 0.5, 0.3, 0.1]] {
            let found = of(heights);
            assert!((found.volume_degc - exact).abs() < 2.0, "{heights:?} {found:?} {exact}");
            // The base end is cold, the top end hot: more skin at the ends than volume.
            assert!(found.skin_degc < found.volume_degc && found.skin_degc > 10.0);
        }
    }

    #[test]
    fn without_draw_offs_the_base_is_as_warm_as_the_lowest_probe() {
        let probes = [(0.9, 60.0), (0.5, 60.0), (0.2, 60.0)];
        let held = means(&probes, 10.0, 0.1, false, SHAPE).unwrap();
        assert!((held.volume_degc - 60.0).abs() < 1e-9 && (held.skin_degc - 60.0).abs() < 1e-9);
        assert!(means(&probes, 10.0, 0.1, true, SHAPE).unwrap().skin_degc < 58.0);
    }

    #[test]
    fn a_base_colder_than_the_feed_is_held() {
        let odd = means(&[(0.9, 18.0), (0.3, 9.0)], 12.0, 0.1, true, SHAPE).unwrap();
        assert!(odd.volume_degc > 9.0 && odd.volume_degc < 18.0);
        assert!(means(&[], 12.0, 0.1, true, SHAPE).is_none());
    }
}
