//! Thermal disinfection of stored water, as a risk flag.
//!
//! Dose in decades: how many times the number of free Legionella falls to a tenth. Source of the times: World Health
//! Organization, "Legionella and the prevention of legionellosis" (2007): 2 min at 60 degC, 80 to 124 min at 50 degC.
//! Biofilm shelters bacteria, so a high dose is no proof of safety; a low one is a reason to look. Local codes rule.

/// Lowest store temperature in UK guidance, degC (HSE HSG274 part 2).
pub const STORE_DEGC: f64 = 60.0;

/// Temperatures between which Legionella grows, degC (World Health Organization, 2007).
pub const GROWTH_DEGC: std::ops::RangeInclusive<f64> = 25.0..=45.0;

/// Below this no kill is credited, degC: the lowest temperature with a published time.
pub const NO_CREDIT_BELOW_DEGC: f64 = 50.0;

/// How fast bacteria die at a temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThermalDeath {
    /// Time for one decade at 60 degC, min.
    pub d60_min: f64,
    /// Temperature rise that shortens the time tenfold, K.
    pub z_k: f64,
}

impl Default for ThermalDeath {
    /// 2 min at 60 degC; z from the longer published time at 50 degC: 10 K / log10(124 / 2) = 5.58 K.
    fn default() -> Self {
        Self { d60_min: 2.0, z_k: 5.58 }
    }
}

impl ThermalDeath {
    /// Time for one decade, min; infinite below 50 degC; NaN in, NaN out.
    ///
    /// ```
    /// use drawoff_tank::hygiene::ThermalDeath;
    /// let death = ThermalDeath::default();
    /// assert!((death.decade_min(60.0) - 2.0).abs() < 1e-12);
    /// assert!((death.decade_min(50.0) - 124.0).abs() < 0.5);
    /// ```
    #[must_use]
    pub fn decade_min(self, degc: f64) -> f64 {
        if degc < NO_CREDIT_BELOW_DEGC {
            return f64::INFINITY;
        }
        self.d60_min * libm::exp10((60.0 - degc) / self.z_k)
    }

    /// Dose of (degC, minutes) steps, decades; a step of unknown temperature is credited with nothing.
    ///
    /// Give it the coldest probe: what counts is the part that dies last.
    ///
    /// ```
    /// use drawoff_tank::hygiene::ThermalDeath;
    /// let dose = ThermalDeath::default().decades([(60.0, 60.0), (45.0, 60.0), (f64::NAN, 60.0)]);
    /// assert!((dose - 30.0).abs() < 1e-9); // 60 min / 2 min
    /// ```
    #[must_use]
    pub fn decades(self, steps: impl IntoIterator<Item = (f64, f64)>) -> f64 {
        let known = steps.into_iter().filter(|(degc, _)| !degc.is_nan());
        known.map(|(degc, minutes)| minutes / self.decade_min(degc)).sum()
    }
}

/// Longest unbroken time at `at_least_degc` or more between equally spaced samples, min; a missing sample breaks it.
///
/// Samples hold at their stamp, so `n` in a row span `n - 1` steps.
///
/// ```
/// use drawoff_tank::hygiene::longest_hold_min;
/// let coldest = [58.0, 60.0, 61.0, 60.5, 59.0, 60.0, 60.0];
/// assert_eq!(longest_hold_min(&coldest, 5.0, 60.0), 10.0);
/// ```
#[must_use]
pub fn longest_hold_min(degc: &[f64], step_min: f64, at_least_degc: f64) -> f64 {
    let runs = degc.split(|&sample| sample.is_nan() || sample < at_least_degc);
    let longest = runs.map(<[f64]>::len).max().unwrap_or(0);
    // Sample counts are far below the 2^53 that f64 holds exactly.
    longest.saturating_sub(1) as f64 * step_min
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_hour_at_60_degc_is_an_hour_exactly() {
        let hour = [60.0; 13];
        assert_eq!(longest_hold_min(&hour, 5.0, STORE_DEGC), 60.0);
        assert_eq!(longest_hold_min(&hour[1..], 5.0, STORE_DEGC), 55.0);
        let mut broken = hour;
        broken[6] = f64::NAN;
        assert_eq!(longest_hold_min(&broken, 5.0, STORE_DEGC), 25.0);
        assert_eq!(longest_hold_min(&[], 5.0, STORE_DEGC), 0.0);
    }

    #[test]
    fn no_credit_in_the_growth_range() {
        let death = ThermalDeath::default();
        assert_eq!(death.decades([(*GROWTH_DEGC.end(), 1e6)]), 0.0);
        assert!(death.decade_min(f64::NAN).is_nan());
        for degree in 50..90 {
            assert!(death.decade_min(f64::from(degree + 1)) < death.decade_min(f64::from(degree)));
        }
    }
}
