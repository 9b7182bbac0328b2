//! Measurement and verification: how well a model of use fits, and how sure a saving is that it is held against.
//!
//! ASHRAE Guideline 14-2014 as quoted in public, the CalTRACK methods (4.3), and Y. Sun and J.-C. Baltazar, *ASHRAE
//! Transactions* 119 (2013): the texts of Guideline and paper were not at hand.

/// Sum of squares and sum of residuals over (count less parameters), and the mean measured; `None` when undefined.
fn residuals(measured: &[f64], modelled: &[f64], parameters: usize) -> Option<(f64, f64, f64)> {
    let count = measured.len();
    if count != modelled.len() || count <= parameters {
        return None;
    }
    let free = (count - parameters) as f64;
    let apart = || measured.iter().zip(modelled).map(|(y, m)| y - m);
    let mean = measured.iter().sum::<f64>() / count as f64;
    Some((apart().map(|r| r * r).sum::<f64>() / free, apart().sum::<f64>() / free, mean))
}

/// Coefficient of variation of the root-mean-square error of a model with `parameters` parameters, as a share of the mean.
///
/// NaN when the slices differ in length or hold no more values than parameters, or with a NaN in them; the mean must not be 0.
///
/// ```
/// use drawoff_homes::verification::cv_rmse;
/// // sqrt((1 + 1 + 4) / (4 - 1)) / 10
/// assert!((cv_rmse(&[9.0, 11.0, 12.0, 8.0], &[10.0, 10.0, 10.0, 8.0], 1) - 2.0_f64.sqrt() / 10.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn cv_rmse(measured: &[f64], modelled: &[f64], parameters: usize) -> f64 {
    residuals(measured, modelled, parameters).map_or(f64::NAN, |(square, _, mean)| square.sqrt() / mean)
}

/// Normalised mean bias error: above 0 where the model is too low, as a share of the mean; NaN as for [`cv_rmse`].
///
/// ```
/// use drawoff_homes::verification::nmbe;
/// // (-1 + 1 + 2 + 0) / (4 - 1) / 10
/// assert!((nmbe(&[9.0, 11.0, 12.0, 8.0], &[10.0, 10.0, 10.0, 8.0], 1) - 2.0 / 30.0).abs() < 1e-12);
/// ```
#[must_use]
pub fn nmbe(measured: &[f64], modelled: &[f64], parameters: usize) -> f64 {
    residuals(measured, modelled, parameters).map_or(f64::NAN, |(_, bias, mean)| bias / mean)
}

/// Interval of the data that a model is held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Interval {
    /// Months.
    Monthly,
    /// Hours.
    Hourly,
}

impl Interval {
    /// Most of (bias either way, coefficient of variation) of a calibrated model (Guideline 14-2014).
    #[must_use]
    pub fn limits(self) -> (f64, f64) {
        match self {
            Self::Monthly => (0.05, 0.15),
            Self::Hourly => (0.10, 0.30),
        }
    }

    /// Whether a model counts as calibrated; false for NaN.
    #[must_use]
    pub fn is_calibrated(self, bias: f64, variation: f64) -> bool {
        let (most_bias, most_variation) = self.limits();
        bias.abs() <= most_bias && variation <= most_variation
    }
}

/// Autocorrelation of neighbours; NaN with fewer than two values or where all are the same.
#[must_use]
pub fn lag_1_autocorrelation(residuals: &[f64]) -> f64 {
    let mean = residuals.iter().sum::<f64>() / residuals.len() as f64;
    let together: f64 = residuals.windows(2).map(|pair| (pair[0] - mean) * (pair[1] - mean)).sum();
    together / residuals.iter().map(|r| (r - mean) * (r - mean)).sum::<f64>()
}

/// How many independent values `count` autocorrelated ones are worth.
///
/// ```
/// use drawoff_homes::verification::independent_count;
/// assert!((independent_count(365.0, 0.5) - 121.667).abs() < 0.001); // 365 * 0.5 / 1.5
/// ```
#[must_use]
pub fn independent_count(count: f64, autocorrelation: f64) -> f64 {
    count * (1.0 - autocorrelation) / (1.0 + autocorrelation)
}

/// Factor of the uncertainty of a saving for hours (Guideline 14).
pub const HOURLY_FACTOR: f64 = 1.26;

/// The same for days after a reporting period of so many months (Sun and Baltazar, in CalTRACK 4.3.2.4.6).
///
/// ```
/// assert!((drawoff_homes::verification::daily_factor(12.0) - 1.3925).abs() < 5e-5);
/// ```
#[must_use]
pub fn daily_factor(months: f64) -> f64 {
    -0.000_24 * months * months + 0.035_35 * months + 1.002_86
}

/// The same for months.
#[must_use]
pub fn monthly_factor(months: f64) -> f64 {
    -0.000_22 * months * months + 0.033_06 * months + 0.940_54
}

/// What the uncertainty of a saving hangs on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Saving {
    /// Saving over the baseline's use, above 0.
    pub share: f64,
    /// Coefficient of variation of the baseline model.
    pub variation: f64,
    /// Values in the baseline.
    pub baseline: f64,
    /// Values in the reporting period.
    pub reporting: f64,
    /// Autocorrelation of neighbours of the baseline's residuals; 0 where it is not to count.
    pub autocorrelation: f64,
    /// Student's t of the confidence wanted, two-sided.
    pub t: f64,
    /// [`HOURLY_FACTOR`], [`daily_factor`] or [`monthly_factor`].
    pub factor: f64,
}

/// Half-width of the interval of a saving over the saving (modified equation B-28): 0.5 is plus or minus half of it.
///
/// ```
/// use drawoff_homes::verification::{HOURLY_FACTOR, Saving, savings_uncertainty};
/// let saving = Saving {
///     share: 0.1, variation: 0.2, baseline: 12.0, reporting: 12.0, autocorrelation: 0.0, t: 1.812, factor: HOURLY_FACTOR,
/// };
/// assert!((savings_uncertainty(&saving) - 1.42378).abs() < 1e-5); // 1.26 * 1.812 * 0.2 * sqrt(14/12 / 12) / 0.1
/// ```
#[must_use]
pub fn savings_uncertainty(saving: &Saving) -> f64 {
    let independent = independent_count(saving.baseline, saving.autocorrelation);
    let spread = (saving.baseline / independent) * (1.0 + 2.0 / independent) / saving.reporting;
    saving.factor * saving.t * saving.variation * spread.sqrt() / saving.share
}

/// Most that a saving's uncertainty at 68 % confidence may be (Guideline 14).
pub const MOST_UNCERTAINTY: f64 = 0.5;

/// Uncertainty of the sum of many homes' savings, as a share: root of the sum of squared half-widths over the sum of savings.
///
/// `savings` are (saving, half-width) in one unit; homes are taken as independent. NaN without a saving.
///
/// ```
/// // sqrt(9 + 16) / 20
/// assert!((drawoff_homes::verification::portfolio_uncertainty(&[(10.0, 3.0), (10.0, 4.0)]) - 0.25).abs() < 1e-12);
/// ```
#[must_use]
pub fn portfolio_uncertainty(savings: &[(f64, f64)]) -> f64 {
    let sum: f64 = savings.iter().map(|s| s.0).sum();
    savings.iter().map(|s| s.1 * s.1).sum::<f64>().sqrt() / sum
}

/// Homes whose baseline model varies by more than this are left out of a portfolio (CalTRACK).
pub const MOST_SITE_VARIATION: f64 = 1.0;
/// Most days that may lack in a baseline of 365 (CalTRACK).
pub const MOST_DAYS_MISSING: u32 = 37;

/// Whether a home's baseline year may enter a portfolio; false for NaN.
#[must_use]
pub fn is_fit_for_portfolio(variation: f64, days_missing: u32) -> bool {
    variation <= MOST_SITE_VARIATION && days_missing <= MOST_DAYS_MISSING
}
