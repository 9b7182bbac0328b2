//! Shares of small counts, with their interval.

use std::ops::RangeInclusive;

/// Two-sided 95 % quantile of the standard normal distribution.
const Z_95: f64 = 1.959_963_984_540_054;

/// So many of so many.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Share {
    /// Cases that count.
    pub hits: u64,
    /// All cases.
    pub of: u64,
}

impl Share {
    /// `hits` of `of`.
    #[must_use]
    pub fn new(hits: usize, of: usize) -> Self {
        Self { hits: hits as u64, of: of as u64 }
    }

    /// Counts one case.
    pub fn count(&mut self, hit: bool) {
        self.of += 1;
        self.hits += u64::from(hit);
    }

    /// Adds the cases of another share.
    pub fn add(&mut self, other: Self) {
        self.hits += other.hits;
        self.of += other.of;
    }

    /// The share, 0 to 1; `None` of no cases.
    #[must_use]
    pub fn value(self) -> Option<f64> {
        (self.of > 0).then(|| self.hits as f64 / self.of as f64)
    }

    /// 95 % score interval of Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212, from memory; `None` of no cases.
    ///
    /// ```
    /// let (low, high) = drawoff_score::Share::new(8, 10).interval().unwrap();
    /// assert!((low - 0.4902).abs() < 1e-4 && (high - 0.9433).abs() < 1e-4);
    /// ```
    #[must_use]
    pub fn interval(self) -> Option<(f64, f64)> {
        let share = self.value()?;
        let n = self.of as f64;
        let z2 = Z_95 * Z_95;
        let middle = (share + z2 / (2.0 * n)) / (1.0 + z2 / n);
        let half = Z_95 / (1.0 + z2 / n) * (share * (1.0 - share) / n + z2 / (4.0 * n * n)).sqrt();
        Some(((middle - half).max(0.0), (middle + half).min(1.0)))
    }

    /// Whether the interval overlaps a band of shares; `None` of no cases.
    #[must_use]
    pub fn overlaps(self, band: RangeInclusive<f64>) -> Option<bool> {
        let (low, high) = self.interval()?;
        Some(low <= *band.end() && high >= *band.start())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_held_against_a_band() {
        // 100 of 100: the low end is 0.963, by hand 100 / (100 + 3.8415).
        assert_eq!(Share::new(100, 100).overlaps(0.85..=0.95), Some(false));
        assert_eq!(Share::new(20, 20).overlaps(0.85..=0.95), Some(true));
        assert_eq!(Share::new(0, 0).overlaps(0.85..=0.95), None);
    }

    #[test]
    fn nothing_of_nothing_has_no_interval() {
        assert_eq!(Share::default().interval(), None);
    }

    #[test]
    fn all_or_none_stay_inside_zero_and_one() {
        // With no hit the upper end is z2 / (n + z2), by hand 3.8415 / 13.8415 for 0 of 10.
        let (low, high) = Share::new(0, 10).interval().unwrap();
        assert!(low.abs() < 1e-12 && (high - 0.277_53).abs() < 1e-4, "{low} {high}");
        let (low, high) = Share::new(10, 10).interval().unwrap();
        assert!((low - 0.722_47).abs() < 1e-4 && high <= 1.0, "{low} {high}");
    }
}
