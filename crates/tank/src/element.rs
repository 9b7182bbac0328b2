//! Electric immersion elements: power at the supply's voltage, what a sound one may draw, heat-up time.
//!
//! An element is a resistance, so its power goes with the square of the voltage. Mains electricity kills: readings judged
//! here are indications; measuring at the terminals is for licensed people under local codes.

use crate::water::Water;

/// Lowest supply voltage, V: 230 V less 6 % (UK Statutory Instrument 1994 No. 3021).
pub const SUPPLY_LOW_V: f64 = 216.2;

/// Highest supply voltage, V: 230 V plus 10 % (UK Statutory Instrument 1994 No. 3021).
pub const SUPPLY_HIGH_V: f64 = 253.0;

/// Least share of its rating that an element may draw at rated voltage (EN 60335-1 clause 10.1, from memory: -10 %).
pub const RATING_LOW: f64 = 0.90;

/// Greatest share of its rating that an element may draw at rated voltage (EN 60335-1 clause 10.1, from memory: +5 %).
pub const RATING_HIGH: f64 = 1.05;

/// Older rated voltage still found on nameplates, V (common practice, no source).
pub const RATED_240_V: f64 = 240.0;

/// Rated voltage of the harmonised supply, V.
pub const RATED_230_V: f64 = 230.0;

/// Resistance of an element, ohm; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::element::resistance_ohm;
/// assert!((resistance_ohm(3000.0, 240.0) - 19.2).abs() < 1e-12); // 240^2 / 3000
/// ```
#[must_use]
pub fn resistance_ohm(rated_w: f64, rated_v: f64) -> f64 {
    rated_v * rated_v / rated_w
}

/// Power of an element at another voltage, W; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::element::power_w;
/// assert!((power_w(3000.0, 240.0, 230.0) - 2755.2).abs() < 0.05); // 230^2 / 19.2
/// ```
#[must_use]
pub fn power_w(rated_w: f64, rated_v: f64, supply_v: f64) -> f64 {
    supply_v * supply_v / resistance_ohm(rated_w, rated_v)
}

/// Powers between which an element is sound, W.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HealthyBand {
    /// Least power of a sound element, W.
    pub low_w: f64,
    /// Greatest power of a sound element, W.
    pub high_w: f64,
}

impl HealthyBand {
    /// Band of an element whose nameplate voltage is known: rating tolerance and supply tolerance both at their worst.
    ///
    /// ```
    /// use drawoff_tank::element::HealthyBand;
    /// let band = HealthyBand::of_rating(3000.0, 240.0);
    /// assert!((band.low_w - 2191.0).abs() < 0.1); // 0.90 * 3000 * (216.2 / 240)^2
    /// assert!((band.high_w - 3500.5).abs() < 0.1); // 1.05 * 3000 * (253 / 240)^2
    /// assert!(!band.contains(1500.0)); // one of two parallel halves open
    /// ```
    #[must_use]
    pub fn of_rating(rated_w: f64, rated_v: f64) -> Self {
        Self {
            low_w: RATING_LOW * power_w(rated_w, rated_v, SUPPLY_LOW_V),
            high_w: RATING_HIGH * power_w(rated_w, rated_v, SUPPLY_HIGH_V),
        }
    }

    /// Band of an element of which only the power is known: the low end of a 240 V rating, the high end of a 230 V one.
    ///
    /// ```
    /// use drawoff_tank::element::HealthyBand;
    /// let band = HealthyBand::of_unknown_voltage(3000.0);
    /// assert!((band.low_w - 2191.0).abs() < 0.1);
    /// assert!((band.high_w - 3811.5).abs() < 0.1); // 1.05 * 3000 * (253 / 230)^2
    /// ```
    #[must_use]
    pub fn of_unknown_voltage(rated_w: f64) -> Self {
        Self {
            low_w: Self::of_rating(rated_w, RATED_240_V).low_w,
            high_w: Self::of_rating(rated_w, RATED_230_V).high_w,
        }
    }

    /// Whether a measured power is within the band, ends included; never for NaN.
    #[must_use]
    pub fn contains(self, power_w: f64) -> bool {
        power_w >= self.low_w && power_w <= self.high_w
    }
}

/// Time to heat `volume_l`, measured at `from_degc`, without loss or draw-off, h; 0 when already warm enough.
///
/// NaN unless the power is above 0.
///
/// ```
/// use drawoff_tank::{Water, element::heat_up_h};
/// assert!((heat_up_h(200.0, 10.0, 60.0, 3000.0, Water::Iapws) - 3.871).abs() < 0.001); // 11.613 kWh / 3 kW
/// ```
#[must_use]
pub fn heat_up_h(volume_l: f64, from_degc: f64, to_degc: f64, power_w: f64, water: Water) -> f64 {
    if power_w.is_nan() || power_w <= 0.0 {
        return f64::NAN;
    }
    if to_degc <= from_degc {
        return 0.0;
    }
    volume_l * water.heat_wh_per_l(from_degc, to_degc) / power_w
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_an_element_is_outside_every_band() {
        for rated_w in [1000.0, 2400.0, 2750.0, 3000.0, 6000.0] {
            let band = HealthyBand::of_unknown_voltage(rated_w);
            for supply_v in [SUPPLY_LOW_V, 230.0, SUPPLY_HIGH_V] {
                assert!(!band.contains(power_w(rated_w / 2.0, RATED_230_V, supply_v)));
                assert!(band.contains(power_w(rated_w, RATED_240_V, supply_v)));
                assert!(band.contains(power_w(rated_w, RATED_230_V, supply_v)));
            }
            assert!(!band.contains(f64::NAN));
        }
    }

    #[test]
    fn heat_up_needs_power() {
        assert!(heat_up_h(200.0, 10.0, 60.0, 0.0, Water::Iapws).is_nan());
        assert_eq!(heat_up_h(200.0, 60.0, 10.0, 3000.0, Water::Iapws), 0.0);
        assert!(heat_up_h(200.0, f64::NAN, 60.0, 3000.0, Water::Iapws).is_nan());
    }
}
