//! Loads that a store can follow, and how far they reach in a direction.

/// Half-hours that a signal lasts: 2 h.
pub const HORIZON: usize = 4;
/// Hours in a step.
pub(super) const STEP_H: f64 = 0.5;

/// Bounds of a home's store over the horizon, kW and kWh of electricity beside the baseline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Envelope {
    /// Least load in each half-hour: all of the baseline held off; not above 0.
    pub least_kw: [f64; HORIZON],
    /// Most load in each half-hour; not below 0.
    pub most_kw: [f64; HORIZON],
    /// Lowest state at the end of each half-hour; not above 0.
    pub low_kwh: [f64; HORIZON],
    /// Highest state at the end of each half-hour; not below 0.
    pub high_kwh: [f64; HORIZON],
    /// Share of the state that is left after an hour.
    pub kept_per_h: f64,
}

/// The same for any store, home or group.
pub type Store = Envelope;

impl Envelope {
    /// Share of the state that is left after one step.
    #[must_use]
    pub fn kept(&self) -> f64 {
        self.kept_per_h.clamp(1e-6, 1.0).sqrt()
    }

    /// Loads that a store in state `x` can take in step `t`, kW: (least, most); least above most where it cannot stay within its bounds.
    #[must_use]
    pub fn range(&self, t: usize, x: f64) -> (f64, f64) {
        let carried = self.kept() * x;
        (
            self.least_kw[t].max((self.low_kwh[t] - carried) / STEP_H),
            self.most_kw[t].min((self.high_kwh[t] - carried) / STEP_H),
        )
    }

    /// State after a step at a load.
    #[must_use]
    pub fn after(&self, x: f64, kw: f64) -> f64 {
        self.kept() * x + kw * STEP_H
    }
}

/// How far the loads that a store can follow, from state 0 on, reach in a direction: the largest sum of `direction[t] u(t)`, kW. Exact, by
/// dynamic programming over concave functions of the state in straight pieces. NaN where no load keeps the store within its bounds.
///
/// ```
/// use drawoff_flexibility::battery::{Envelope, support};
/// let store = Envelope {
///     least_kw: [-1.0; 4], most_kw: [2.0; 4], low_kwh: [-1.0; 4], high_kwh: [1.5; 4], kept_per_h: 1.0,
/// };
/// let mut direction = [0.0; 4];
/// direction[3] = 1.0;
/// assert!((support(&store, &direction) - 2.0).abs() < 1e-12); // as much as it takes in one half-hour
/// // all the time: 1.5 kWh is 3 kW half-hours
/// assert!((support(&store, &[1.0; 4]) - 3.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn support(store: &Store, direction: &[f64; HORIZON]) -> f64 {
    let kept = store.kept();
    let last = HORIZON - 1;
    // (state, best of the steps to come), ascending and concave
    let mut best: Vec<(f64, f64)> = vec![(store.low_kwh[last], 0.0), (store.high_kwh[last], 0.0)];
    let mut next: Vec<(f64, f64)> = Vec::with_capacity(2 * HORIZON + 2);
    for t in (0..HORIZON).rev() {
        let per_kwh = direction[t] / STEP_H;
        best.iter_mut().for_each(|(x, v)| *v += per_kwh * *x);
        let peak = best.iter().enumerate().fold(0, |p, (i, (_, v))| if *v > best[p].1 { i } else { p });
        next.clear();
        // before the peak as much load as there may be, after it as little
        next.extend(best[..=peak].iter().map(|(x, v)| (x - store.most_kw[t] * STEP_H, *v)));
        next.extend(best[peak..].iter().map(|(x, v)| (x - store.least_kw[t] * STEP_H, *v)));
        next.iter_mut().for_each(|(carried, v)| {
            *v -= per_kwh * *carried;
            *carried /= kept;
        });
        let (low, high) = if t == 0 { (0.0, 0.0) } else { (store.low_kwh[t - 1], store.high_kwh[t - 1]) };
        best.clear();
        if !clip(&next, low, high, &mut best) {
            return f64::NAN;
        }
    }
    best[0].1
}

/// The part of a function in straight pieces between two abscissae; `false` when there is none.
fn clip(points: &[(f64, f64)], low: f64, high: f64, into: &mut Vec<(f64, f64)>) -> bool {
    let (first, last) = (points[0], points[points.len() - 1]);
    let (low, high) = (low.max(first.0), high.min(last.0));
    if low > high + 1e-9 {
        return false;
    }
    let at = |x: f64| {
        let above = points.partition_point(|p| p.0 < x).clamp(1, points.len() - 1);
        let (a, b) = (points[above - 1], points[above]);
        if b.0 > a.0 { a.1 + (b.1 - a.1) * ((x - a.0) / (b.0 - a.0)).clamp(0.0, 1.0) } else { a.1.max(b.1) }
    };
    into.push((low, at(low)));
    into.extend(points.iter().filter(|p| p.0 > low && p.0 < high));
    into.push((high, at(high)));
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The support by dynamic programming against a search over all loads on a grid, for the first three half-hours.
        #[test]
        fn support_is_what_exhaustive_search_finds(
            least in prop::array::uniform3(0_i32..3), most in prop::array::uniform3(0_i32..4),
            low in prop::array::uniform3(0_i32..3), high in prop::array::uniform3(0_i32..3), direction in prop::array::uniform3(-3_i32..4),
        ) {
            // states on a grid of half a kWh and no leakage: the best lies on the grid
            let mut store = Envelope {
                least_kw: [0.0; HORIZON],
                most_kw: [0.0; HORIZON],
                low_kwh: [-9.0; HORIZON],
                high_kwh: [9.0; HORIZON],
                kept_per_h: 1.0,
            };
            let mut towards = [0.0; HORIZON];
            for t in 0..3 {
                store.least_kw[t] = -f64::from(least[t]);
                store.most_kw[t] = f64::from(most[t]);
                store.low_kwh[t] = -f64::from(low[t]) / 2.0;
                store.high_kwh[t] = f64::from(high[t]) / 2.0;
                towards[t] = f64::from(direction[t]);
            }
            let mut best = f64::NEG_INFINITY;
            for a in -least[0]..=most[0] {
                for b in -least[1]..=most[1] {
                    for c in -least[2]..=most[2] {
                        let states = [a, a + b, a + b + c];
                        if (0..3).all(|t| states[t] >= -low[t] && states[t] <= high[t]) {
                            best = best.max(f64::from(direction[0] * a + direction[1] * b + direction[2] * c));
                        }
                    }
                }
            }
            let found = support(&store, &towards);
            prop_assert!((found - best).abs() < 1e-9, "{found} {best}");
        }
    }
}
