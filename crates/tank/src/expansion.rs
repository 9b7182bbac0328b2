//! How much water grows when it is heated.
//!
//! A closed (unvented) cylinder must take this up in its vessel or pass it through its relief valve. Pressure and scalding
//! water: work on safety valves and vessels is for licensed people under local codes.

use crate::water::density_kg_per_l;

/// Growth in volume as a share of the volume at `from_degc`; negative for cooling; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::expansion::expansion_share;
/// assert!((expansion_share(10.0, 60.0) - 0.01678).abs() < 1e-5); // IAPWS-IF97: 999.70 / 983.21 - 1
/// ```
#[must_use]
pub fn expansion_share(from_degc: f64, to_degc: f64) -> f64 {
    density_kg_per_l(from_degc) / density_kg_per_l(to_degc) - 1.0
}

/// Water that a full tank of `volume_l`, cold at `from_degc`, pushes out when heated, l; negative for cooling.
///
/// ```
/// use drawoff_tank::expansion::expansion_litres;
/// assert!((expansion_litres(210.0, 10.0, 60.0) - 3.52).abs() < 0.005); // 210 l * 1.678 %
/// ```
#[must_use]
pub fn expansion_litres(volume_l: f64, from_degc: f64, to_degc: f64) -> f64 {
    volume_l * expansion_share(from_degc, to_degc)
}
