//! Medians, quantiles and a single change point: the small tools of the trade with noisy days.

/// Quantile `q` of the values that are not NaN, by linear interpolation; NaN of none.
///
/// ```
/// use drawoff_homes::robust::quantile;
/// assert_eq!(quantile(&[3.0, 1.0, f64::NAN, 2.0], 0.5), 2.0);
/// ```
#[must_use]
pub fn quantile(values: &[f64], q: f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
    sorted.sort_by(f64::total_cmp);
    sorted_quantile(&sorted, q)
}

/// The same of values in order of size without NaN.
fn sorted_quantile(sorted: &[f64], q: f64) -> f64 {
    if sorted.is_empty() {
        return f64::NAN;
    }
    let at = q * (sorted.len() - 1) as f64;
    let (low, high) = (at.floor() as usize, at.ceil() as usize);
    sorted[low] + (sorted[high] - sorted[low]) * (at - at.floor())
}

/// Median of the values that are not NaN; NaN of none.
#[must_use]
pub fn median(values: &[f64]) -> f64 {
    quantile(values, 0.5)
}

/// Scatter: median absolute deviation scaled to a standard deviation under normality; NaN of none.
#[must_use]
pub fn scatter(values: &[f64]) -> f64 {
    let centre = median(values);
    1.4826 * median(&values.iter().map(|v| (v - centre).abs()).collect::<Vec<_>>())
}

/// A step in a series: where it is, and the medians either side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Index of the first value after the step.
    pub at: usize,
    /// Median before.
    pub before: f64,
    /// Median after.
    pub after: f64,
    /// Difference in standard errors.
    pub z: f64,
}

/// The most likely single step of a series with NaN gaps, with at least `least` values either side.
///
/// Exact search over all places; the criterion is the fall of the sum of absolute deviations, so that odd days count
/// little. `floor` bounds the scatter from below, in the values' unit, so that a still series does not make a small step
/// certain. `None` when there are too few values.
#[must_use]
pub fn step(values: &[f64], least: usize, floor: f64) -> Option<Step> {
    let known: Vec<usize> = (0..values.len()).filter(|&i| !values[i].is_nan()).collect();
    if known.len() < 2 * least {
        return None;
    }
    let series: Vec<f64> = known.iter().map(|&i| values[i]).collect();
    // What lies before a cut and after it, in order of size: each cut moves one value from one to the other.
    let (mut below, mut above) = (series[..least].to_vec(), series[least..].to_vec());
    below.sort_by(f64::total_cmp);
    above.sort_by(f64::total_cmp);
    let place = |sorted: &[f64], value: f64| sorted.partition_point(|v| v.total_cmp(&value).is_lt());
    let deviation = |part: &[f64], sorted: &[f64]| {
        let centre = sorted_quantile(sorted, 0.5);
        part.iter().map(|v| (v - centre).abs()).sum::<f64>()
    };
    let (mut best, mut at) = (f64::INFINITY, least);
    for cut in least..=series.len() - least {
        if cut > least {
            let value = series[cut - 1];
            above.remove(place(&above, value));
            below.insert(place(&below, value), value);
        }
        let cost = deviation(&series[..cut], &below) + deviation(&series[cut..], &above);
        if cost < best {
            (best, at) = (cost, cut);
        }
    }
    let (before, after) = (median(&series[..at]), median(&series[at..]));
    let residuals: Vec<f64> =
        series.iter().enumerate().map(|(i, v)| v - if i < at { before } else { after }).collect();
    let spread = scatter(&residuals).max(floor);
    let (n, m) = (at as f64, (series.len() - at) as f64);
    // 1.2533: the standard error of a median over that of a mean, under normality.
    let z = (after - before) / (1.2533 * spread * (1.0 / n + 1.0 / m).sqrt());
    Some(Step { at: known[at], before, after, z })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_found_at_its_place() {
        let mut values: Vec<f64> = (0..30).map(|i| f64::from(i % 3) * 0.1).collect();
        for v in &mut values[18..] {
            *v += 2.0;
        }
        values[5] = 9.0;
        values[7] = f64::NAN;
        let found = step(&values, 4, 0.05).unwrap();
        assert_eq!(found.at, 18);
        assert!(found.z > 10.0 && (found.after - found.before - 2.0).abs() < 0.15);
    }

    #[test]
    fn no_step_in_noise() {
        let values: Vec<f64> = (0..40).map(|i| f64::from((i * 7919) % 13)).collect();
        assert!(step(&values, 5, 0.1).unwrap().z.abs() < 4.0);
    }
}
