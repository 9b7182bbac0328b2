//! Ratings by the United States test: 10 CFR 430 Subpart B, Appendix E.
//!
//! Its text was not at hand: numbers are those of public programs that implement it.

/// Conditions of the test: water 125 degF, feed 58 degF, surroundings 67.5 degF.
const WATER_DEGF: f64 = 125.0;
const FEED_DEGF: f64 = 58.0;
const AROUND_DEGF: f64 = 67.5;

/// Conditions of the test before the uniform energy factor: water 135 degF, heat drawn 41,093.7 Btu a day.
const OLD_WATER_DEGF: f64 = 135.0;
const OLD_BTU_PER_DAY: f64 = 41_093.7;

/// Litres in a US gallon, exactly.
pub const LITRES_PER_US_GALLON: f64 = 3.785_411_784;

/// Draw-offs of the test belong to one cluster while they begin no further apart than this, minutes (from memory).
const CLUSTER_GAP_MIN: u32 = 120;

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

    /// Draw-offs of the day in order of time (Tables III.1 to III.4).
    ///
    /// ```
    /// use drawoff_tank::norms::rated::Pattern;
    /// assert_eq!(Pattern::Medium.draws().iter().map(|d| d.us_gallons).sum::<f64>(), 55.0);
    /// ```
    #[must_use]
    pub fn draws(self) -> &'static [RatedDraw] {
        match self {
            Self::VerySmall => &VERY_SMALL,
            Self::Low => &LOW,
            Self::Medium => &MEDIUM,
            Self::High => &HIGH,
        }
    }

    /// How many draw-offs stand at the head of the day before the first pause of over two hours.
    #[must_use]
    pub fn first_cluster(self) -> usize {
        let apart = |pair: &[RatedDraw]| pair[1].minute - pair[0].minute > CLUSTER_GAP_MIN;
        self.draws().windows(2).position(apart).map_or(self.draws().len(), |last| last + 1)
    }

    /// Heat drawn in the test, Btu a day.
    #[must_use]
    pub fn btu_per_day(self) -> f64 {
        self.us_gallons_per_day() * 8.2938 * 1.0007 * (WATER_DEGF - FEED_DEGF)
    }
}

/// One draw-off of a pattern.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RatedDraw {
    /// Begin, minutes after the test begins.
    pub minute: u32,
    /// Water drawn, US gallons.
    pub us_gallons: f64,
    /// Flow, US gallons a minute.
    pub us_gallons_per_min: f64,
}

const fn draw(hour: u32, minute: u32, us_gallons: f64, us_gallons_per_min: f64) -> RatedDraw {
    RatedDraw { minute: 60 * hour + minute, us_gallons, us_gallons_per_min }
}

const VERY_SMALL: [RatedDraw; 9] = [
    draw(0, 0, 2.0, 1.0),
    draw(1, 0, 1.0, 1.0),
    draw(1, 5, 0.5, 1.0),
    draw(1, 10, 0.5, 1.0),
    draw(1, 15, 0.5, 1.0),
    draw(8, 0, 1.0, 1.0),
    draw(8, 15, 2.0, 1.0),
    draw(9, 0, 1.5, 1.0),
    draw(9, 15, 1.0, 1.0),
];
const LOW: [RatedDraw; 11] = [
    draw(0, 0, 15.0, 1.7),
    draw(0, 30, 2.0, 1.0),
    draw(1, 0, 1.0, 1.0),
    draw(10, 30, 6.0, 1.7),
    draw(11, 30, 4.0, 1.7),
    draw(12, 0, 1.0, 1.0),
    draw(12, 45, 1.0, 1.0),
    draw(12, 50, 1.0, 1.0),
    draw(16, 15, 2.0, 1.0),
    draw(16, 45, 2.0, 1.7),
    draw(17, 0, 3.0, 1.7),
];
const MEDIUM: [RatedDraw; 12] = [
    draw(0, 0, 15.0, 1.7),
    draw(0, 30, 2.0, 1.0),
    draw(1, 40, 9.0, 1.7),
    draw(10, 30, 9.0, 1.7),
    draw(11, 30, 5.0, 1.7),
    draw(12, 0, 1.0, 1.0),
    draw(12, 45, 1.0, 1.0),
    draw(12, 50, 1.0, 1.0),
    draw(16, 0, 1.0, 1.0),
    draw(16, 15, 2.0, 1.0),
    draw(16, 45, 2.0, 1.7),
    draw(17, 0, 7.0, 1.7),
];
const HIGH: [RatedDraw; 14] = [
    draw(0, 0, 27.0, 3.0),
    draw(0, 30, 2.0, 1.0),
    draw(0, 40, 1.0, 1.0),
    draw(1, 40, 9.0, 1.7),
    draw(10, 30, 15.0, 3.0),
    draw(11, 30, 5.0, 1.7),
    draw(12, 0, 1.0, 1.0),
    draw(12, 45, 1.0, 1.0),
    draw(12, 50, 1.0, 1.0),
    draw(16, 0, 2.0, 1.0),
    draw(16, 15, 2.0, 1.0),
    draw(16, 30, 2.0, 1.7),
    draw(16, 45, 2.0, 1.7),
    draw(17, 0, 14.0, 3.0),
];

/// Standing loss of an electric storage heater from its energy factor by the test before the uniform one, W/K.
///
/// NaN unless the factor is above 0 and at most 1.
///
/// ```
/// // 41093.7 * (1 / 0.9 - 1) / (24 * 67.5) = 2.8185 Btu/(h degF)
/// assert!((drawoff_tank::norms::rated::electric_w_per_k_of_old_factor(0.9) - 1.4868).abs() < 1e-4);
/// ```
#[must_use]
pub fn electric_w_per_k_of_old_factor(energy_factor: f64) -> f64 {
    if !(energy_factor > 0.0 && energy_factor <= 1.0) {
        return f64::NAN;
    }
    let rise_degf = OLD_WATER_DEGF - AROUND_DEGF;
    OLD_BTU_PER_DAY * (1.0 / energy_factor - 1.0) / (24.0 * rise_degf) * W_PER_K
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
