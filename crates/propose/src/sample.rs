//! Readings of a few homes as they lie in an export.

/// Readings of one home, sorted by time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Home {
    /// The export's own identifier.
    pub name: String,
    /// Stamps, milliseconds of UTC or of the local clock.
    pub time_ms: Vec<i64>,
    /// By column of the sample, a value a stamp; NaN where absent.
    pub values: Vec<Vec<f64>>,
}

/// Readings of a few homes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sample {
    /// Value columns of a wide export, channel names of a long one.
    pub columns: Vec<String>,
    /// Homes, by name.
    pub homes: Vec<Home>,
}

impl Sample {
    /// All finite values of a column, sorted.
    #[must_use]
    pub fn sorted(&self, column: usize) -> Vec<f64> {
        let mut all: Vec<f64> = self
            .homes
            .iter()
            .flat_map(|h| h.values[column].iter().copied())
            .filter(|v| v.is_finite())
            .collect();
        all.sort_by(f64::total_cmp);
        all
    }

    /// Takes out the values that stand for none.
    pub fn without(&mut self, sentinels: &[f64]) {
        let values = self.homes.iter_mut().flat_map(|h| &mut h.values).flatten();
        values.filter(|v| sentinels.contains(v) || !v.is_finite()).for_each(|v| *v = f64::NAN);
    }
}

/// A quantile of sorted values; NaN without any.
#[must_use]
pub fn quantile(sorted: &[f64], q: f64) -> f64 {
    if sorted.is_empty() {
        return f64::NAN;
    }
    sorted[((sorted.len() - 1) as f64 * q).round() as usize]
}

/// The middle value; NaN without any.
#[must_use]
pub fn median(values: &[f64]) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    quantile(&sorted, 0.5)
}

/// Mean of the finite values; NaN without any.
pub(crate) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.filter(|v| v.is_finite()).fold((0.0, 0.0), |(s, n), v| (s + v, n + 1.0));
    if n > 0.0 { sum / n } else { f64::NAN }
}
