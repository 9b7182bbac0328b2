//! Dripping taps and valves: drops to litres to heat.

use crate::water::Water;

/// Volume of one drop, ml: 3000 drops a litre (US Geological Survey, drip accumulator).
pub const DROP_ML: f64 = 1.0 / 3.0;

/// Volume of one drop in the Survey's older edition, ml: 4000 drops a litre.
pub const DROP_ML_OLDER: f64 = 0.25;

/// Water lost by dripping, l a day; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::drip::{DROP_ML, litres_per_day};
/// assert!((litres_per_day(60.0, DROP_ML) - 28.8).abs() < 1e-9); // 86 400 drops / 3000
/// ```
#[must_use]
pub fn litres_per_day(drops_per_minute: f64, drop_ml: f64) -> f64 {
    drops_per_minute * 1440.0 * drop_ml / 1000.0
}

/// Heat above the cold feed in water lost hot, kWh a day; litres measured at the cold feed; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::{Water, drip::heat_kwh_per_day};
/// let water = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.1868 };
/// assert!((heat_kwh_per_day(28.8, 10.0, 60.0, water) - 1.675).abs() < 0.0005); // 28.8 l * 50 K * 1.163
/// ```
#[must_use]
pub fn heat_kwh_per_day(litres_per_day: f64, cold_degc: f64, hot_degc: f64, water: Water) -> f64 {
    litres_per_day * water.heat_wh_per_l(cold_degc, hot_degc) / 1000.0
}
