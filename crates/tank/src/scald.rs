//! How long water of a temperature takes to burn adult skin.
//!
//! Full-thickness burns of adult skin, A. R. Moritz and F. C. Henriques, "Studies of thermal injury II", Am. J. Pathol. 23
//! (1947), as widely tabulated. Children and old people are burnt sooner, and published tables differ by a factor of two:
//! use it to rank risks, never to call an outlet safe. Outlet limits are those of the local code.

/// Temperature below which the table knows no burn, degC.
pub const NO_BURN_BELOW_DEGC: f64 = 44.0;

/// (degC, seconds) to a full-thickness burn.
const BURN: [(f64, f64); 9] = [
    (44.0, 21_600.0),
    (48.9, 300.0),
    (51.7, 120.0),
    (54.4, 30.0),
    (57.2, 10.0),
    (60.0, 5.0),
    (62.8, 3.0),
    (65.6, 2.0),
    (68.3, 1.0),
];

/// Time to a full-thickness burn, s: straight lines in the logarithm of time between the published points.
///
/// Infinite below 44 degC; above 68.3 degC the last line runs on; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::scald::burn_time_s;
/// assert!((burn_time_s(60.0) - 5.0).abs() < 1e-9);
/// assert!(burn_time_s(43.9).is_infinite());
/// ```
#[must_use]
pub fn burn_time_s(degc: f64) -> f64 {
    if degc.is_nan() {
        return f64::NAN;
    }
    if degc < NO_BURN_BELOW_DEGC {
        return f64::INFINITY;
    }
    let upper = BURN.iter().position(|&(at, _)| degc < at).unwrap_or(BURN.len() - 1).max(1);
    let ((degc_0, s_0), (degc_1, s_1)) = (BURN[upper - 1], BURN[upper]);
    let along = (degc - degc_0) / (degc_1 - degc_0);
    s_0 * libm::exp(along * libm::log(s_1 / s_0))
}

/// Burn dose of (degC, seconds) steps: 1 or more is a full-thickness burn; a NaN temperature makes it NaN.
///
/// ```
/// use drawoff_tank::scald::burn_dose;
/// assert!((burn_dose([(60.0, 5.0)]) - 1.0).abs() < 1e-9);
/// assert_eq!(burn_dose([(41.0, 600.0)]), 0.0);
/// ```
#[must_use]
pub fn burn_dose(steps: impl IntoIterator<Item = (f64, f64)>) -> f64 {
    steps.into_iter().map(|(degc, seconds)| seconds / burn_time_s(degc)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hotter_water_burns_sooner() {
        let mut cooler = f64::INFINITY;
        for tenth in 440..900 {
            let here = burn_time_s(f64::from(tenth) / 10.0);
            assert!(here < cooler, "at {tenth} tenths of a degree");
            cooler = here;
        }
        assert!(burn_time_s(f64::NAN).is_nan());
        assert!(burn_dose([(60.0, 1.0), (f64::NAN, 1.0)]).is_nan());
    }
}
