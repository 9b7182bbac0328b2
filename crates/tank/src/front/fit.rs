//! The fit: starts, priors, damped steps.

use super::smooth::{Curve, NUMBERS, step};
use super::{Known, LEAST_ABOVE_COLD_K};
use crate::profile::MOST_PROBES;

/// Spread of readings about the curve, K: noise, and small departures in shape.
const READING_SD_K: f64 = 0.3;

/// Prior of the width: its usual value, and the spread of its logarithm. Fresh fronts are a few per cent of the height, those
/// of the evening before a quarter. Chosen with the other priors on simulated days (`tests/tests/check_values/usable_volume.rs`, seed 7).
const USUAL_WIDTH: f64 = 0.07;
const LOG_WIDTH_SD: f64 = 0.8;

/// Prior of the cold water about the feed of the season, K.
const COLD_SD_K: f64 = 6.0;

/// Below the lowest probe, cold water has often been warmed from above: by this part of the difference, with this spread, K.
const WARMED_PART: f64 = 0.3;
const WARMED_SD_K: f64 = 15.0;

/// Prior of the very top about the highest reading, K; and what is added to its square for each kelvin by which the second
/// probe is colder, as the front may then reach beyond the first.
const TOP_SD_K: f64 = 1.0;
const TOP_SD_OF_DROP: f64 = 0.2;

/// Prior of the slope of the hot water about 0, K over the whole height.
const SLOPE_SD_K: f64 = 4.0;

/// Prior of the step at the element about 0, K: warmed water may have any temperature.
const PLATEAU_SD_K: f64 = 20.0;

/// Standard deviation of a place anywhere between two probes, over their distance.
const UNIFORM_SD: f64 = 0.288_675;

/// A drop at least this large, as a part of the largest, is another start.
const SECOND_DROP: f64 = 0.4;

/// Most damped steps from one start.
const MOST_STEPS: usize = 8;

/// A step that lowers the cost by less ends the search; cost is in squared standard deviations.
const LEAST_GAIN: f64 = 0.2;

/// A start that ends below this cost makes the others needless.
const GOOD_COST: f64 = 1.5;

type Row = [f64; NUMBERS];

/// Readings with what is fixed about them.
struct Task<'a> {
    readings: &'a [(f64, f64)],
    /// Step of the element at each reading.
    element: [f64; MOST_PROBES],
    has_element: bool,
    /// Prior of the cold water: middle and standard deviation.
    cold: (f64, f64),
    /// Prior of the front's height: middle and standard deviation.
    place: (f64, f64),
}

/// Curve of least cost, and the standard error of its height; `readings` are (height, degC), top first, two or more.
pub(super) fn fit(readings: &[(f64, f64)], known: &Known) -> (Curve, f64) {
    let has_element = known.element > 0.0 && known.element < 1.0;
    let element_height = if has_element { known.element } else { 0.0 };
    let cold_degc = known.cold();
    let mut task = Task {
        readings,
        element: [0.0; MOST_PROBES],
        has_element,
        cold: (cold_degc, COLD_SD_K),
        place: (0.0, 1.0),
    };
    let mut blank = Curve {
        cold_degc,
        rise_k: 0.0,
        slope_k: 0.0,
        front: 0.0,
        width: USUAL_WIDTH,
        plateau_k: 0.0,
        element: element_height,
    };
    if has_element {
        for (share, (height, _)) in task.element.iter_mut().zip(readings) {
            *share = step(blank.over_element(*height)).0;
        }
    }
    let mut best: Option<(f64, Curve, f64)> = None;
    let lowest_degc = readings[readings.len() - 1].1;
    for (low, high, below_degc) in brackets(readings, cold_degc).into_iter().flatten() {
        task.cold = if low > 0.0 {
            (cold_degc, COLD_SD_K)
        } else {
            (cold_degc + WARMED_PART * (lowest_degc - cold_degc), WARMED_SD_K)
        };
        task.place = (f64::midpoint(low, high), UNIFORM_SD * (high - low));
        blank.cold_degc = below_degc.min(lowest_degc);
        blank.front = task.place.0;
        blank.rise_k = readings[0].1 - blank.cold_degc;
        let (cost, curve, height_se) = task.search(blank);
        if best.is_none_or(|(least, ..)| cost < least) {
            best = Some((cost, curve, height_se));
        }
        if cost < GOOD_COST {
            break;
        }
    }
    best.map_or((blank, f64::NAN), |(_, curve, height_se)| (curve, height_se))
}

/// Places where the front may be, as (low, high, degC below it): the largest drops, and below the lowest probe.
fn brackets(readings: &[(f64, f64)], cold_degc: f64) -> [Option<(f64, f64, f64)>; 3] {
    let drop = |i: usize| readings[i].1 - readings[i + 1].1;
    let pairs = readings.len() - 1;
    let largest = (1..pairs).fold(0, |most, i| if drop(i) > drop(most) { i } else { most });
    let second = (0..pairs)
        .filter(|&i| i != largest)
        .fold(
            None,
            |most: Option<usize>, i| if most.is_none_or(|m| drop(i) > drop(m)) { Some(i) } else { most },
        )
        .filter(|&i| drop(i) >= SECOND_DROP * drop(largest));
    let between = |i: usize| (readings[i + 1].0, readings[i].0, readings[i + 1].1);
    let (lowest, lowest_degc) = readings[pairs];
    let below = (lowest_degc > cold_degc + LEAST_ABOVE_COLD_K).then_some((0.0, lowest, cold_degc));
    [Some(between(largest)), second.map(between), below]
}

impl Task<'_> {
    /// Cost, curve and standard error of the height, from one start.
    fn search(&self, start: Curve) -> (f64, Curve, f64) {
        let mut curve = start;
        let (mut cost, mut normal, mut right) = self.normal_equations(&curve);
        let mut damping = 1e-3;
        for _ in 0..MOST_STEPS {
            let Some((change, _)) = solve(&normal, &right, damping) else { break };
            let next = moved(&curve, &change, self.place.1);
            let (next_cost, next_normal, next_right) = self.normal_equations(&next);
            if next_cost < cost {
                let gain = cost - next_cost;
                (curve, cost, normal, right) = (next, next_cost, next_normal, next_right);
                damping = (damping * 0.2).max(1e-6);
                if gain < LEAST_GAIN {
                    break;
                }
            } else {
                damping *= 20.0;
                if damping > 1e3 {
                    break;
                }
            }
        }
        let height_se = solve(&normal, &right, 0.0).map_or(f64::NAN, |(_, variance)| variance.sqrt());
        (cost, curve, height_se)
    }

    /// Cost at a curve, with the normal equations of the step that lowers it.
    fn normal_equations(&self, curve: &Curve) -> (f64, [Row; NUMBERS], Row) {
        let mut normal = [[0.0; NUMBERS]; NUMBERS];
        let mut right = [0.0; NUMBERS];
        let mut cost = 0.0;
        let weight = 1.0 / (READING_SD_K * READING_SD_K);
        for (&(height, degc), &element_share) in self.readings.iter().zip(&self.element) {
            let (at, slopes) = curve.with_slopes(height, element_share);
            let left = degc - at;
            cost += weight * left * left;
            for i in 0..NUMBERS {
                let weighted = weight * slopes[i];
                right[i] += weighted * left;
                for j in 0..=i {
                    normal[i][j] += weighted * slopes[j];
                }
            }
        }
        let mut prior = |number: usize, left: f64, sd: f64| {
            let weight = 1.0 / (sd * sd);
            cost += weight * left * left;
            right[number] += weight * left;
            normal[number][number] += weight;
        };
        prior(0, self.cold.0 - curve.cold_degc, self.cold.1);
        prior(2, -curve.slope_k, SLOPE_SD_K);
        prior(3, self.place.0 - curve.front, self.place.1);
        prior(4, libm::log(USUAL_WIDTH / curve.width), LOG_WIDTH_SD);
        // a spread of nothing holds the step of an element that is not there at 0
        prior(5, -curve.plateau_k, if self.has_element { PLATEAU_SD_K } else { 1e-6 });
        // the very top: cold + plateau + rise near the highest reading
        let left = self.readings[0].1 - (curve.cold_degc + curve.plateau_k + curve.rise_k);
        let reach_k = TOP_SD_OF_DROP * (self.readings[0].1 - self.readings[1].1);
        let weight = 1.0 / (TOP_SD_K * TOP_SD_K + reach_k * reach_k);
        cost += weight * left * left;
        for (i, j) in [(0, 0), (1, 0), (1, 1), (5, 0), (5, 1), (5, 5)] {
            normal[i][j] += weight;
        }
        for i in [0, 1, 5] {
            right[i] += weight * left;
        }
        (cost, normal, right)
    }
}

/// The curve after a step, which moves the front by no more than its prior's spread and the width by no more than half.
fn moved(curve: &Curve, change: &Row, place_sd: f64) -> Curve {
    Curve {
        cold_degc: curve.cold_degc + change[0],
        rise_k: curve.rise_k + change[1],
        slope_k: curve.slope_k + change[2],
        front: curve.front + change[3].clamp(-place_sd, place_sd),
        width: (curve.width * libm::exp(change[4].clamp(-0.7, 0.7))).clamp(0.003, 0.6),
        plateau_k: if curve.element > 0.0 { curve.plateau_k + change[5] } else { 0.0 },
        element: curve.element,
    }
}

/// Solves the damped normal equations by Cholesky; also the variance of the front's height. `None` when not positive.
fn solve(normal: &[Row; NUMBERS], right: &Row, damping: f64) -> Option<(Row, f64)> {
    let mut lower = [[0.0; NUMBERS]; NUMBERS];
    for i in 0..NUMBERS {
        for j in 0..=i {
            let mut sum = normal[i][j];
            if i == j {
                sum += damping * normal[i][i];
            }
            for (a, b) in lower[i][..j].iter().zip(&lower[j][..j]) {
                sum -= a * b;
            }
            if i == j {
                if sum <= 0.0 || sum.is_nan() {
                    return None;
                }
                lower[i][i] = 1.0 / sum.sqrt();
            } else {
                lower[i][j] = sum * lower[j][j];
            }
        }
    }
    let substitute = |right: &Row| {
        let mut x = *right;
        for i in 0..NUMBERS {
            for k in 0..i {
                x[i] -= lower[i][k] * x[k];
            }
            x[i] *= lower[i][i];
        }
        for i in (0..NUMBERS).rev() {
            for k in i + 1..NUMBERS {
                x[i] -= lower[k][i] * x[k];
            }
            x[i] *= lower[i][i];
        }
        x
    };
    let change = substitute(right);
    let variance = if damping == 0.0 {
        let mut unit = [0.0; NUMBERS];
        unit[3] = 1.0;
        substitute(&unit)[3]
    } else {
        f64::NAN
    };
    Some((change, variance))
}
