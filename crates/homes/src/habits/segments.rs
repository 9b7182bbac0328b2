//! Exact search for the days on which a series changes its level, of series of one or more figures a day.
//!
//! Figures are first turned into normal scores: the normal quantiles of their ranks among days of the same kind. Guests for a day,
//! the spread of busy homes and a weekend unlike the week then count no more than any other day, and how often chance alone
//! looks like a change is the same for every home, whatever its days look like. (Normal scores: B. L. van der Waerden,
//! Indagationes Mathematicae 14 (1952) 453-458; the search is exact with pruning: R. Killick, P. Fearnhead and
//! I. A. Eckley, J. Am. Stat. Assoc. 107 (2012) 1590-1598; both from memory.)

/// A level lasts at least so many days that count.
pub(crate) const LEAST_DAYS: usize = 14;
/// A date is of use when it is this near, d: what was done at a home on a day is remembered as that week.
const NEAR_DAYS: usize = 3;
/// The scatter within levels is never taken as less than this, in normal scores: ties leave no scatter at all.
const LEAST_SCATTER: f64 = 0.2;

/// Where a series changes, and by how much more than it had to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Cut {
    /// First day of the new level.
    pub(crate) at: usize,
    /// Fall of the cost that the change brings, over the penalty.
    pub(crate) score: f64,
}

/// Normal scores of the values of one figure by day, ranked within each kind of day; ties share their mean rank.
pub(crate) fn normal_scores(values: &[f64], kinds: &[usize]) -> Vec<f64> {
    let mut out = vec![0.0; values.len()];
    let mut sorted: Vec<usize> = (0..values.len()).collect();
    sorted.sort_by(|&a, &b| kinds[a].cmp(&kinds[b]).then(values[a].total_cmp(&values[b])));
    for of_kind in sorted.chunk_by(|&a, &b| kinds[a] == kinds[b]) {
        let n = of_kind.len() as f64;
        let mut below = 0;
        for same in of_kind.chunk_by(|&a, &b| values[a] == values[b]) {
            let middle = below as f64 + 0.5 * same.len() as f64;
            same.iter().for_each(|&i| out[i] = normal_quantile(middle / n));
            below += same.len();
        }
    }
    out
}

/// Quantile of the standard normal distribution by halving and then Newton's steps; `share` strictly between 0 and 1.
fn normal_quantile(share: f64) -> f64 {
    let below = |x: f64| 0.5 * libm::erfc(-x / std::f64::consts::SQRT_2);
    let (mut low, mut high) = (-9.0, 9.0);
    for _ in 0..8 {
        let middle = 0.5 * (low + high);
        if below(middle) < share {
            low = middle;
        } else {
            high = middle;
        }
    }
    let mut x: f64 = 0.5 * (low + high);
    for _ in 0..4 {
        let density = libm::exp(-0.5 * x * x) / (2.0 * std::f64::consts::PI).sqrt();
        let off = (below(x) - share) / density;
        // With the bend of the distribution (Halley's step): its slope alone overshoots in the tails.
        x -= off / (1.0 + 0.5 * x * off);
    }
    x
}

/// Changes of series of normal scores, one series a figure, all of one length: exact minimum of the cost (squared distances to
/// each stretch's mean, over the variance within levels) plus `penalty` a change.
pub(crate) fn cuts(series: &[Vec<f64>], penalty: f64) -> Vec<Cut> {
    let n = series.first().map_or(0, Vec::len);
    if n < 2 * LEAST_DAYS {
        return Vec::new();
    }
    // Variance about the best single change, so that a change does not hide itself in the scatter; of several, once more.
    let (single, _) = best_single(series);
    let costs = Costs::new(series, &[single]);
    let found = search(&costs, n, penalty);
    if found.is_empty() {
        return Vec::new();
    }
    let costs = Costs::new(series, &found);
    let found = search(&costs, n, penalty);
    let mut edges: Vec<usize> = [0].iter().chain(&found).chain(&[n]).copied().collect();
    (1..=found.len())
        .map(|i| {
            let (from, to) = (edges[i - 1], edges[i + 1]);
            let fall = costs.of(from, to) - costs.of(from, edges[i]) - costs.of(edges[i], to);
            // The next change is dated from here on, so that the two cannot cross.
            edges[i] = most_near(&costs, from, to);
            Cut { at: edges[i], score: fall / penalty }
        })
        .collect()
}

/// The place of a change between two edges with the most likelihood within [`NEAR_DAYS`] of it; of equal ones the first.
///
/// The most likely single day is often a lone odd day some way off; all places around the true one share the likelihood.
/// Any place is taken as likely beforehand. Whoever knew each home's law of days would date 68 % of changes by 1.3 within 3 d (true
/// days of the reference fleets drawn anew, changed in the middle of 60): more is not in the days.
fn most_near(costs: &Costs, from: usize, to: usize) -> usize {
    let places = from + LEAST_DAYS..=to - LEAST_DAYS;
    let cost = |at: usize| costs.of(from, at) + costs.of(at, to);
    let least = places.clone().map(cost).fold(f64::INFINITY, f64::min);
    // Twice a log-likelihood but for a constant, as the scatter is 1.
    let likely: Vec<f64> = places.map(|at| libm::exp((least - cost(at)) / 2.0)).collect();
    let near = |i: usize| -> f64 {
        likely[i.saturating_sub(NEAR_DAYS)..(i + NEAR_DAYS + 1).min(likely.len())].iter().sum()
    };
    let mut best = (0, 0.0);
    for i in 0..likely.len() {
        let sum = near(i);
        if sum > best.1 * (1.0 + 1e-12) {
            best = (i, sum);
        }
    }
    from + LEAST_DAYS + best.0
}

/// The single change that brings most, in units of the scatter about it, and how much it brings: the cost's fall.
pub(crate) fn best_single(series: &[Vec<f64>]) -> (usize, f64) {
    let n = series.first().map_or(0, Vec::len);
    let mut best = (LEAST_DAYS, f64::NEG_INFINITY);
    for at in LEAST_DAYS..=n.saturating_sub(LEAST_DAYS) {
        let costs = Costs::new(series, &[at]);
        let fall = costs.of(0, n) - costs.of(0, at) - costs.of(at, n);
        if fall > best.1 {
            best = (at, fall);
        }
    }
    best
}

/// Running sums of series scaled to unit variance within levels, for the cost of any stretch.
struct Costs(Vec<Sums>);

struct Sums {
    sum: Vec<f64>,
    squares: Vec<f64>,
    variance: f64,
}

impl Sums {
    fn of(&self, from: usize, to: usize) -> f64 {
        let sum = self.sum[to] - self.sum[from];
        self.squares[to] - self.squares[from] - sum * sum / (to - from) as f64
    }
}

impl Costs {
    /// Scaled by the variance about the levels between `cuts`.
    fn new(series: &[Vec<f64>], cuts: &[usize]) -> Self {
        let of = |values: &Vec<f64>| {
            let (mut sum, mut squares) = (vec![0.0], vec![0.0]);
            let (mut s, mut q) = (0.0, 0.0);
            for v in values {
                s += v;
                q += v * v;
                sum.push(s);
                squares.push(q);
            }
            let mut sums = Sums { sum, squares, variance: 1.0 };
            let edges: Vec<usize> = [0].iter().chain(cuts).chain(&[values.len()]).copied().collect();
            let within: f64 = edges.windows(2).map(|e| sums.of(e[0], e[1])).sum();
            let free = values.len().saturating_sub(edges.len() - 1).max(1);
            sums.variance = (within / free as f64).max(LEAST_SCATTER * LEAST_SCATTER);
            sums
        };
        Self(series.iter().map(of).collect())
    }

    fn of(&self, from: usize, to: usize) -> f64 {
        self.0.iter().map(|s| s.of(from, to) / s.variance).sum()
    }
}

/// First days of new levels.
fn search(costs: &Costs, n: usize, penalty: f64) -> Vec<usize> {
    let mut best = vec![f64::INFINITY; n + 1];
    best[0] = -penalty;
    let mut before = vec![0; n + 1];
    let mut candidates = vec![0];
    for to in LEAST_DAYS..=n {
        for &from in &candidates {
            if to - from >= LEAST_DAYS {
                let total = best[from] + costs.of(from, to) + penalty;
                if total < best[to] {
                    (best[to], before[to]) = (total, from);
                }
            }
        }
        // A place that is worse already, by more than a change could win back, never becomes the best.
        let limit = best[to];
        candidates
            .retain(|&from| to - from < 2 * LEAST_DAYS || best[from] + costs.of(from, to) <= limit + penalty);
        if to + LEAST_DAYS <= n {
            candidates.push(to);
        }
    }
    let mut cuts = Vec::new();
    let mut at = n;
    while at > 0 {
        at = before[at];
        if at > 0 {
            cuts.push(at);
        }
    }
    cuts.reverse();
    cuts
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    fn noise(days: usize, seed: u64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..days).map(|_| normal_quantile(rng.random::<f64>().clamp(1e-9, 1.0 - 1e-9))).collect()
    }

    fn scored(values: &[f64]) -> Vec<Vec<f64>> {
        vec![normal_scores(values, &vec![0; values.len()])]
    }

    #[test]
    fn quantiles_are_found_in_the_tails_too() {
        for i in 1..400 {
            for share in [f64::from(i) / 400.0, 0.25_f64.powi(i / 20 + 1)] {
                let back = 0.5 * libm::erfc(-normal_quantile(share) / std::f64::consts::SQRT_2);
                assert!((back / share - 1.0).abs() < 1e-12, "{share} {back}");
            }
        }
    }

    #[test]
    fn scores_are_normal_quantiles_of_ranks_within_a_kind() {
        let scores = normal_scores(&[3.0, 10.0, 1.0, 30.0, 2.0, 20.0], &[0, 1, 0, 1, 0, 1]);
        // Three of a kind: quantiles of 1/6, 1/2, 5/6; the 5/6 quantile is 0.9674 in tables of the normal distribution.
        for (found, wanted) in scores.iter().zip([0.9674, -0.9674, -0.9674, 0.9674, 0.0, 0.0]) {
            assert!((found - wanted).abs() < 1e-4, "{scores:?}");
        }
        assert_eq!(
            normal_scores(&[0.0, 0.0, 0.0, 5.0], &[0; 4])[0],
            normal_scores(&[0.0, 0.0, 0.0, 5.0], &[0; 4])[2]
        );
    }

    #[test]
    fn pruning_loses_nothing() {
        let mut values = noise(100, 5);
        for v in &mut values[37..80] {
            *v += 1.3;
        }
        let series = scored(&values);
        let costs = Costs::new(&series, &[37, 80]);
        let penalty = 2.0;
        let total = |cuts: &[usize]| {
            let edges: Vec<usize> = [0].iter().chain(cuts).chain(&[100]).copied().collect();
            edges.windows(2).map(|e| costs.of(e[0], e[1]) + penalty).sum::<f64>()
        };
        // All ways to set up to two changes.
        let mut least = total(&[]);
        for a in LEAST_DAYS..=100 - LEAST_DAYS {
            least = least.min(total(&[a]));
            for b in a + LEAST_DAYS..=100 - LEAST_DAYS {
                least = least.min(total(&[a, b]));
            }
        }
        assert!(total(&search(&costs, 100, penalty)) <= least + 1e-9);
    }

    #[test]
    fn one_wild_day_moves_nothing() {
        let mut values = noise(60, 8);
        let before = best_single(&scored(&values)).1;
        values[30] = 1e6;
        assert!((best_single(&scored(&values)).1 - before).abs() < 3.0);
    }

    #[test]
    fn series_without_scatter_and_short_ones_have_no_change() {
        assert!(cuts(&scored(&[1.0; 60]), 8.0).is_empty());
        assert!(cuts(&scored(&noise(27, 1)), 0.1).is_empty());
        assert!(cuts(&[], 8.0).is_empty());
    }
}
