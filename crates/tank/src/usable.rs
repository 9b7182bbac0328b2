//! Usable hot water as delivered at the outlet, and the size of a draw-off.

use crate::profile::USABLE_DEGC;
use crate::water::Water;

/// V40 of a draw-off down to 40 degC: litres at 40 degC with the heat of what came out, l.
///
/// `steps` are (outlet degC, litres) in the order of time; what comes after the first step below 40 degC counts no more,
/// even if it is warmer. NaN when the cold feed is not below 40 degC or a value before that step is NaN.
/// Sum of litres * (outlet - cold) / (40 - cold), the form of EN 16147 (from memory); definition in Regulation (EU)
/// No 814/2013, Annex I, point 24.
///
/// ```
/// use drawoff_tank::usable::v40_drawn_litres;
/// let outlet = [(60.0, 100.0), (50.0, 30.0), (39.0, 10.0), (45.0, 10.0)];
/// // 100 * 50/30 + 30 * 40/30
/// assert!((v40_drawn_litres(outlet, 10.0) - 206.667).abs() < 0.001);
/// ```
#[must_use]
pub fn v40_drawn_litres(steps: impl IntoIterator<Item = (f64, f64)>, cold_degc: f64) -> f64 {
    if cold_degc.is_nan() || cold_degc >= USABLE_DEGC {
        return f64::NAN;
    }
    let mut sum = 0.0;
    for (outlet_degc, litres) in steps {
        if outlet_degc < USABLE_DEGC {
            break;
        }
        sum += litres * (outlet_degc - cold_degc) / (USABLE_DEGC - cold_degc);
    }
    sum
}

/// Litres, measured at the cold feed, that carry `energy_kwh` at `hot_degc`; NaN unless hot is above cold.
///
/// ```
/// use drawoff_tank::{Water, usable::litres_of_energy};
/// let water = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.18 };
/// assert!((litres_of_energy(1.4, 10.0, 40.0, water) - 40.2).abs() < 0.05); // 5040 kJ / (4.18 * 30)
/// ```
#[must_use]
pub fn litres_of_energy(energy_kwh: f64, cold_degc: f64, hot_degc: f64, water: Water) -> f64 {
    if hot_degc > cold_degc {
        energy_kwh * 1000.0 / water.heat_wh_per_l(cold_degc, hot_degc)
    } else {
        f64::NAN
    }
}
