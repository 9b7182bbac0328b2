//! How what was said becomes what is found: a logistic map for few labels, a monotone step for many.

/// Labels of one kind from which the map is isotonic: below, its steps would follow chance (common practice, no source).
pub const ISOTONIC_FROM: usize = 1000;
/// Standard deviation of the prior of the shift, in log-odds: one visit in vain takes 0.9 to 0.87, a hundred half in vain to 0.5.
const SHIFT_SPREAD: f64 = 0.5;
/// Standard deviation of the prior of the slope about 1: calls are seldom spread enough to teach it.
const SLOPE_SPREAD: f64 = 0.1;
/// No probability is surer than this, said or mended.
const SUREST: f64 = 0.995;
const ROUNDS: usize = 50;

/// A monotone map from said to mended probabilities.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Mend {
    /// As said.
    #[default]
    None,
    /// Log-odds become shift + slope x log-odds.
    Logistic {
        /// Log-odds added.
        shift: f64,
        /// Factor on the log-odds, 0 or more.
        slope: f64,
    },
    /// Straight lines between these points, said and found, both rising.
    Isotonic(Vec<(f64, f64)>),
}

impl Mend {
    /// The map that labels ask for, given as said and whether found: none without labels.
    #[must_use]
    pub fn fit(labels: &[(f64, bool)]) -> Self {
        match labels.len() {
            0 => Self::None,
            n if n < ISOTONIC_FROM => logistic(labels),
            _ => isotonic(labels),
        }
    }

    /// Stable word for tables.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Logistic { .. } => "logistic",
            Self::Isotonic(_) => "isotonic",
        }
    }

    /// The mended probability; NaN stays NaN.
    #[must_use]
    pub fn apply(&self, said: f64) -> f64 {
        match self {
            Self::None => said,
            Self::Logistic { shift, slope } => inverse(shift + slope * log_odds(said)),
            Self::Isotonic(points) => along(points, said),
        }
    }
}

fn log_odds(p: f64) -> f64 {
    let p = p.clamp(1.0 - SUREST, SUREST);
    libm::log(p / (1.0 - p))
}

fn inverse(log_odds: f64) -> f64 {
    1.0 / (1.0 + libm::exp(-log_odds))
}

/// Most probable shift and slope by Newton's method; the posterior is concave.
fn logistic(labels: &[(f64, bool)]) -> Mend {
    let (prior_shift, prior_slope) = (SHIFT_SPREAD.powi(-2), SLOPE_SPREAD.powi(-2));
    let (mut shift, mut slope) = (0.0, 1.0);
    for _ in 0..ROUNDS {
        let mut gradient = (-shift * prior_shift, (1.0 - slope) * prior_slope);
        let mut curvature = (prior_shift, 0.0, prior_slope);
        for (said, found) in labels {
            let x = log_odds(*said);
            let p = inverse(shift + slope * x);
            let off = f64::from(u8::from(*found)) - p;
            let weight = p * (1.0 - p);
            gradient = (gradient.0 + off, gradient.1 + off * x);
            curvature = (curvature.0 + weight, curvature.1 + weight * x, curvature.2 + weight * x * x);
        }
        let determinant = curvature.0 * curvature.2 - curvature.1 * curvature.1;
        let step = (
            (curvature.2 * gradient.0 - curvature.1 * gradient.1) / determinant,
            (curvature.0 * gradient.1 - curvature.1 * gradient.0) / determinant,
        );
        let largest = step.0.abs().max(step.1.abs());
        let scale = if largest > 1.0 { 1.0 / largest } else { 1.0 };
        shift += scale * step.0;
        slope = (slope + scale * step.1).max(0.0);
        if largest < 1e-10 {
            break;
        }
    }
    Mend::Logistic { shift, slope }
}

/// Pooling of adjacent violators: block means of found over said, rising.
fn isotonic(labels: &[(f64, bool)]) -> Mend {
    let mut sorted: Vec<(f64, f64)> =
        labels.iter().map(|(p, found)| (*p, f64::from(u8::from(*found)))).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    // Sum of said, sum of found, number. What was said alike is one block from the start.
    let mut blocks: Vec<(f64, f64, f64)> = Vec::new();
    let mut last = f64::NAN;
    for (said, found) in sorted {
        match blocks.last_mut().filter(|_| said.total_cmp(&last).is_eq()) {
            Some(block) => *block = (block.0 + said, block.1 + found, block.2 + 1.0),
            None => blocks.push((said, found, 1.0)),
        }
        last = said;
    }
    let mut pooled: Vec<(f64, f64, f64)> = Vec::new();
    for block in blocks {
        pooled.push(block);
        while let [.., a, b] = pooled.as_slice() {
            if a.1 / a.2 < b.1 / b.2 {
                break;
            }
            let joined = (a.0 + b.0, a.1 + b.1, a.2 + b.2);
            pooled.truncate(pooled.len() - 2);
            pooled.push(joined);
        }
    }
    let point = |(said, found, n): (f64, f64, f64)| (said / n, (found / n).clamp(1.0 - SUREST, SUREST));
    Mend::Isotonic(pooled.into_iter().map(point).collect())
}

fn along(points: &[(f64, f64)], at: f64) -> f64 {
    if at.is_nan() {
        return at;
    }
    let next = points.partition_point(|(x, _)| *x < at);
    match (next.checked_sub(1).and_then(|i| points.get(i)), points.get(next)) {
        (Some((x0, y0)), Some((x1, y1))) => y0 + (y1 - y0) * (at - x0) / (x1 - x0),
        (Some((_, y)), None) | (None, Some((_, y))) => *y,
        (None, None) => at,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn adjacent_violators_by_hand() {
        // Said 0.2: 1 of 400; 0.5: 300 of 400; 0.7: 200 of 400; 0.9: 380 of 400. The middle two pool to 500 of 800.
        let some = |said: f64, found: usize| (0..400).map(move |i| (said, i < found));
        let labels: Vec<_> =
            some(0.2, 1).chain(some(0.5, 300)).chain(some(0.7, 200)).chain(some(0.9, 380)).collect();
        let Mend::Isotonic(points) = Mend::fit(&labels) else { panic!("not isotonic") };
        let expected = [(0.2, 0.005), (0.6, 0.625), (0.9, 0.95)];
        assert_eq!(points.len(), 3);
        for (point, by_hand) in points.iter().zip(expected) {
            assert!((point.0 - by_hand.0).abs() < 1e-9 && (point.1 - by_hand.1).abs() < 1e-9, "{point:?}");
        }
        let mend = Mend::Isotonic(points);
        assert!((mend.apply(0.75) - 0.7875).abs() < 1e-9 && (mend.apply(0.99) - 0.95).abs() < 1e-9);
    }

    #[test]
    fn a_map_never_falls() {
        let labels: Vec<_> = (0..60).map(|i| (0.5 + f64::from(i) / 150.0, i % 3 == 0)).collect();
        let mend = Mend::fit(&labels);
        assert_eq!(mend.code(), "logistic");
        let mapped: Vec<f64> = (1..100).map(|i| mend.apply(f64::from(i) / 100.0)).collect();
        assert!(mapped.windows(2).all(|w| w[0] <= w[1]));
    }
}
