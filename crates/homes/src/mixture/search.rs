//! The least of a smooth function of four numbers, by its slopes.

use super::Place;

/// A function at a place.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Cost {
    pub(super) value: f64,
    pub(super) slope: Place,
    /// Sum over the observations of the products of their slopes: near the least of a log-likelihood its curvature (R. A. Fisher's
    /// information; E. Berndt, B. Hall, R. Hall and J. Hausman, Annals of Economic and Social Measurement 3 (1974) 653-665, from memory).
    pub(super) products: [Place; 4],
}

impl Cost {
    /// The same with one number held where it is.
    pub(super) fn with_held(mut self, number: usize) -> Self {
        self.slope[number] = 0.0;
        for i in 0..4 {
            (self.products[number][i], self.products[i][number]) = (0.0, 0.0);
        }
        self
    }
}

/// Most steps; a fit settles in some 15.
const MOST_STEPS: usize = 80;
/// A step that promises less than this of a log-likelihood ends the search: 5e-7 is a thousandth of a standard error.
const LEAST_GAIN: f64 = 1e-7;
/// Part of the promised gain that a step has to bring, and how often it is halved in search of it.
const PART_OF_GAIN: f64 = 1e-4;
const MOST_HALVINGS: usize = 40;

/// Quasi-Newton search with the update of Broyden, Fletcher, Goldfarb and Shanno (J. Nocedal and S. Wright, Numerical Optimization,
/// 2nd ed. 2006, algorithm 6.1), begun with the information at the start. No number moves by more than `longest` in a step.
pub(super) fn minimise(start: Place, longest: Place, cost: &dyn Fn(&Place) -> Cost) -> (Place, f64) {
    let mut x = start;
    let mut now = cost(&x);
    let mut inverse = inverse_of(&now.products);
    for _ in 0..MOST_STEPS {
        let mut step = times(&inverse, &now.slope).map(|v| -v);
        if dot(&step, &now.slope) >= 0.0 {
            // Rounding has spoilt the curvature.
            inverse = inverse_of(&now.products);
            step = times(&inverse, &now.slope).map(|v| -v);
        }
        let promised = -dot(&step, &now.slope);
        if promised.is_nan() || promised <= 2.0 * LEAST_GAIN {
            break;
        }
        let too_long = (0..4).map(|i| step[i].abs() / longest[i]).fold(1.0, f64::max);
        let mut part = 1.0 / too_long;
        let tried = (0..MOST_HALVINGS).find_map(|_| {
            let there: Place = std::array::from_fn(|i| x[i] + part * step[i]);
            let at = cost(&there);
            if at.value <= now.value - PART_OF_GAIN * part * promised {
                return Some((there, at));
            }
            part *= 0.5;
            None
        });
        let Some((there, at)) = tried else { break };
        let moved: Place = std::array::from_fn(|i| there[i] - x[i]);
        let turned: Place = std::array::from_fn(|i| at.slope[i] - now.slope[i]);
        let along = dot(&moved, &turned);
        if along > 1e-12 * norm(&moved) * norm(&turned) {
            update(&mut inverse, &moved, &turned, along);
        } else {
            inverse = inverse_of(&at.products);
        }
        (x, now) = (there, at);
    }
    (x, now.value)
}

fn dot(a: &Place, b: &Place) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn norm(a: &Place) -> f64 {
    libm::sqrt(dot(a, a))
}

fn times(m: &[Place; 4], v: &Place) -> Place {
    std::array::from_fn(|i| dot(&m[i], v))
}

/// The inverse curvature after a step.
fn update(inverse: &mut [Place; 4], moved: &Place, turned: &Place, along: f64) {
    let by = times(inverse, turned);
    let scale = (1.0 + dot(turned, &by) / along) / along;
    for i in 0..4 {
        for j in 0..4 {
            inverse[i][j] += scale * moved[i] * moved[j] - (by[i] * moved[j] + moved[i] * by[j]) / along;
        }
    }
}

/// Inverse of a sum of products, by elimination; a little is added where the observations say nothing.
fn inverse_of(products: &[Place; 4]) -> [Place; 4] {
    let mut m = *products;
    for (i, row) in m.iter_mut().enumerate() {
        row[i] = row[i] * (1.0 + 1e-6) + 1e-3;
    }
    let mut out: [Place; 4] = std::array::from_fn(|i| std::array::from_fn(|j| f64::from(u8::from(i == j))));
    for p in 0..4 {
        // Sums of products need no exchange of rows.
        let pivot = m[p][p];
        for j in 0..4 {
            m[p][j] /= pivot;
            out[p][j] /= pivot;
        }
        for i in (0..4).filter(|i| *i != p) {
            let factor = m[i][p];
            for j in 0..4 {
                m[i][j] -= factor * m[p][j];
                out[i][j] -= factor * out[p][j];
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_inverse_is_one() {
        let v: [Place; 6] = [
            [1.0, 2.0, 0.0, 1.0],
            [0.0, 1.0, 3.0, 1.0],
            [2.0, 0.0, 1.0, 1.0],
            [1.0, 1.0, 1.0, 5.0],
            [0.5, 4.0, 1.0, 0.0],
            [3.0, 1.0, 0.0, 2.0],
        ];
        let products: [Place; 4] =
            std::array::from_fn(|i| std::array::from_fn(|j| v.iter().map(|v| v[i] * v[j]).sum()));
        let inverse = inverse_of(&products);
        for (i, row) in products.iter().enumerate() {
            for j in 0..4 {
                let sum: f64 = row.iter().zip(&inverse).map(|(product, inverse)| product * inverse[j]).sum();
                assert!((sum - f64::from(u8::from(i == j))).abs() < 1e-2, "{i} {j} {sum}");
            }
        }
    }

    #[test]
    fn a_curved_valley_is_followed_to_its_end() {
        // Rosenbrock's valley in two pairs; its least is 0 at ones.
        let cost = |x: &Place| {
            let mut out = Cost::default();
            for p in [0, 2] {
                let (a, b) = (1.0 - x[p], x[p + 1] - x[p] * x[p]);
                out.value += a * a + 100.0 * b * b;
                out.slope[p] = -2.0 * a - 400.0 * b * x[p];
                out.slope[p + 1] = 200.0 * b;
            }
            for i in 0..4 {
                out.products[i][i] = 200.0;
            }
            out
        };
        let (x, value) = minimise([-1.2, 1.0, 0.5, -0.3], [1.0; 4], &cost);
        assert!(value < 1e-7 && x.iter().all(|v| (v - 1.0).abs() < 1e-2), "{x:?} {value}");
    }
}
