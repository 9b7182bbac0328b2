//! What moving the heating of many cylinders has been seen to move at once: a band to hold results against.
//!
//! Lower end: a French distribution operator moved the midday heating of 4.3 million homes, 1.0 to 2.4 GW (press release of
//! 16 November 2022). Upper end: shed of resistance heaters in a laboratory, 1.64 kW (Pacific Northwest National Laboratory,
//! 2023).

/// Power moved at the peak per home, least and most, kW.
pub const MOVED_KW_PER_HOME: (f64, f64) = (0.2, 1.7);

/// Power per home of a fleet's power, kW; NaN without a home.
///
/// ```
/// assert!((drawoff_tank::norms::flexibility::kw_per_home(2.4, 4.3e6) - 0.558).abs() < 5e-4);
/// ```
#[must_use]
pub fn kw_per_home(fleet_gw: f64, homes: f64) -> f64 {
    if homes > 0.0 { fleet_gw * 1e6 / homes } else { f64::NAN }
}

/// Whether a power moved per home lies within what has been seen; false for NaN.
#[must_use]
pub fn is_within_seen(kw_per_home: f64) -> bool {
    (MOVED_KW_PER_HOME.0..=MOVED_KW_PER_HOME.1).contains(&kw_per_home)
}
