//! Ratings by the United States test: 10 CFR 430 Subpart B, Appendix E.
//!
//! Its text was not at hand: numbers are those of public programs that implement it.

/// Conditions of the test: water 125 degF, feed 58 degF, surroundings 67.5 degF.
const WATER_DEGF: f64 = 125.0;
const FEED_DEGF: f64 = 58.0;
const AROUND_DEGF: f64 = 67.5;

/// W/K in one Btu/(h degF).
const W_PER_K: f64 = 0.527_527_9;

/// Pattern of draw-offs by which a heater is rated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pattern {
    /// 10 US gallons a day.
    VerySmall,
    /// 38 US gallons a day.
    Low,
    /// 55 US gallons a day.
    Medium,
    /// 84 US gallons a day.
    High,
}

impl Pattern {
    /// Pattern that belongs to what a heater gives in its first hour, US gallons.
    #[must_use]
    pub fn of_first_hour(us_gallons: f64) -> Self {
        match us_gallons {
            g if g < 18.0 => Self::VerySmall,
            g if g < 51.0 => Self::Low,
            g if g < 75.0 => Self::Medium,
            _ => Self::High,
        }
    }

    /// US gallons a day.
    #[must_use]
    pub fn us_gallons_per_day(self) -> f64 {
        match self {
            Self::VerySmall => 10.0,
            Self::Low => 38.0,
            Self::Medium => 55.0,
            Self::High => 84.0,
        }
    }

    /// Heat drawn in the test, Btu a day.
    #[must_use]
    pub fn btu_per_day(self) -> f64 {
        self.us_gallons_per_day() * 8.2938 * 1.0007 * (WATER_DEGF - FEED_DEGF)
    }
}

/// Standing loss of an electric storage heater from its uniform energy factor, W/K (J. Maguire and D. Roberts, 2020).
///
/// NaN unless the factor is above 0 and at most 1.
///
/// ```
/// use drawoff_tank::norms::rated::{Pattern, electric_w_per_k};
/// assert!((electric_w_per_k(0.93, Pattern::Medium) - 1.1474).abs() < 1e-3);
/// ```
#[must_use]
pub fn electric_w_per_k(uniform_energy_factor: f64, pattern: Pattern) -> f64 {
    if !(uniform_energy_factor > 0.0 && uniform_energy_factor <= 1.0) {
        return f64::NAN;
    }
    let rise_degf = WATER_DEGF - AROUND_DEGF;
    let mean_share = 0.8 + 0.2 * (FEED_DEGF - AROUND_DEGF) / rise_degf;
    let btu_per_h_degf =
        pattern.btu_per_day() * (1.0 / uniform_energy_factor - 1.0) / (24.0 * rise_degf * mean_share);
    btu_per_h_degf * W_PER_K
}
