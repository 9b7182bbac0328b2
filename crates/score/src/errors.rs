//! Single errors of many homes, and the few figures that sum them up.

/// Middle of the values; the mean of the two middle ones of an even count; `None` of none. NaN sorts last.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Quantile by linear interpolation between order statistics (`rank = p (n - 1)`); `None` of no values.
#[must_use]
pub fn quantile(values: &[f64], p: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let rank = p.clamp(0.0, 1.0) * (sorted.len().checked_sub(1)? as f64);
    let below = sorted[rank.floor() as usize];
    let above = sorted[rank.ceil() as usize];
    Some(below + (above - below) * rank.fract())
}

/// Signed relative errors, estimate / truth - 1, one a home.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RelativeErrors {
    /// The errors, in the order of the homes.
    pub values: Vec<f64>,
    /// Homes that belong here but have no estimate.
    pub not_assessed: usize,
}

impl RelativeErrors {
    /// Takes one home in; a missing or NaN estimate counts as not assessed.
    pub fn push(&mut self, estimate: Option<f64>, truth: f64) {
        match estimate.filter(|e| e.is_finite()) {
            Some(e) => self.values.push(e / truth - 1.0),
            None => self.not_assessed += 1,
        }
    }

    /// Adds the homes of another fleet.
    pub fn add(&mut self, other: &Self) {
        self.values.extend_from_slice(&other.values);
        self.not_assessed += other.not_assessed;
    }

    /// Median of the absolute errors.
    #[must_use]
    pub fn median_abs(&self) -> Option<f64> {
        median(&self.absolute())
    }

    /// 90 % quantile of the absolute errors.
    #[must_use]
    pub fn p90_abs(&self) -> Option<f64> {
        quantile(&self.absolute(), 0.9)
    }

    /// Bias: mean of the signed errors.
    #[must_use]
    pub fn bias(&self) -> Option<f64> {
        (!self.values.is_empty()).then(|| self.values.iter().sum::<f64>() / self.values.len() as f64)
    }

    fn absolute(&self) -> Vec<f64> {
        self.values.iter().map(|v| v.abs()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_interpolate() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(quantile(&[0.0, 10.0], 0.9), Some(9.0));
    }

    #[test]
    fn homes_without_an_estimate_are_counted_not_dropped() {
        let mut errors = RelativeErrors::default();
        errors.push(Some(110.0), 100.0);
        errors.push(Some(80.0), 100.0);
        errors.push(None, 100.0);
        errors.push(Some(f64::NAN), 100.0);
        assert_eq!((errors.values.len(), errors.not_assessed), (2, 2));
        assert!((errors.median_abs().unwrap() - 0.15).abs() < 1e-12);
        assert!((errors.bias().unwrap() + 0.05).abs() < 1e-12);
    }
}
