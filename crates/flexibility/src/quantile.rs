//! Quantiles and scores of forecasts.

/// Median; the mean of the middle two for an even number. NaN of nothing.
#[must_use]
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    if n == 0 {
        return f64::NAN;
    }
    (values[(n - 1) / 2] + values[n / 2]) / 2.0
}

/// The value below which the next one falls with probability `p`, from `n` exchangeable ones in ascending order: rank `p (n + 1)`,
/// straight lines between ranks, held to the lowest and the highest (W. Weibull's plotting position; R. J. Hyndman and Y. Fan,
/// The American Statistician 50 (1996) 361, definition 6). NaN of nothing.
///
/// ```
/// use drawoff_flexibility::quantile::of_next;
/// let sorted: Vec<f64> = (1..=19).map(f64::from).collect();
/// assert!((of_next(&sorted, 0.10) - 2.0).abs() < 1e-12); // rank 0.1 x 20
/// assert!((of_next(&sorted, 0.50) - 10.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn of_next(sorted: &[f64], p: f64) -> f64 {
    let n = sorted.len();
    if n == 0 {
        return f64::NAN;
    }
    let rank = (p * (n as f64 + 1.0) - 1.0).clamp(0.0, n as f64 - 1.0);
    let below = rank.floor() as usize;
    let above = (below + 1).min(n - 1);
    sorted[below] + (sorted[above] - sorted[below]) * (rank - below as f64)
}

/// Continuous ranked probability score of an ensemble against what came: mean distance to it less half the mean distance within the
/// ensemble (T. Gneiting and A. E. Raftery, Journal of the American Statistical Association 102 (2007) 359, equation 21). Unit of the
/// values; smaller is better; NaN of nothing.
///
/// ```
/// use drawoff_flexibility::quantile::crps;
/// assert!((crps(&[2.0], 5.0) - 3.0).abs() < 1e-12); // of one value: the distance
/// assert!((crps(&[4.0, 6.0], 5.0) - 0.5).abs() < 1e-12); // 1 - 0.5 x (2 x 2 / 4)
/// ```
#[must_use]
pub fn crps(ensemble: &[f64], came: f64) -> f64 {
    let n = ensemble.len() as f64;
    let apart: f64 = ensemble.iter().map(|v| (v - came).abs()).sum();
    let within: f64 = ensemble.iter().flat_map(|a| ensemble.iter().map(move |b| (a - b).abs())).sum();
    apart / n - within / (2.0 * n * n)
}
