//! Assumed losses of a cylinder and its primary pipes: UK Standard Assessment Procedure 2012, Tables 2, 2a, 2b, 3 and 13.

/// What insulates a cylinder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Insulation {
    /// Foam from the factory.
    Foam,
    /// A loose jacket.
    Jacket,
}

/// Temperature factor of a cylinder with a thermostat (Table 2b).
pub const TEMPERATURE_FACTOR: f64 = 0.60;
/// What it is multiplied by without a thermostat.
pub const NO_THERMOSTAT: f64 = 1.3;
/// What it is multiplied by where hot water has its own times.
pub const OWN_TIMES: f64 = 0.9;

/// Temperature factor of the store in a combination boiler (Table 2b): on the primary side, or on the side of the taps.
///
/// A store below 115 l is warmer the smaller it is.
///
/// ```
/// // 0.82 + 0.0022 * 15; 0.60 + 0.0016 * 15
/// assert!((drawoff_tank::norms::storage::combination_factor(100.0, true) - 0.853).abs() < 1e-9);
/// assert!((drawoff_tank::norms::storage::combination_factor(100.0, false) - 0.624).abs() < 1e-9);
/// ```
#[must_use]
pub fn combination_factor(volume_l: f64, primary: bool) -> f64 {
    let below_l = (115.0 - volume_l).max(0.0);
    if primary { 0.82 + 0.0022 * below_l } else { 0.60 + 0.0016 * below_l }
}

/// Storage loss factor at a thickness in mm, kWh/(l day) (Table 2, note 1).
///
/// ```
/// use drawoff_tank::norms::storage::{Insulation, loss_factor};
/// assert!((loss_factor(Insulation::Foam, 50.0) - 0.0152).abs() < 5e-5); // 0.005 + 0.55 / 54
/// ```
#[must_use]
pub fn loss_factor(insulation: Insulation, thickness_mm: f64) -> f64 {
    match insulation {
        Insulation::Foam => 0.005 + 0.55 / (thickness_mm + 4.0),
        Insulation::Jacket => 0.005 + 1.76 / (thickness_mm + 12.8),
    }
}

/// Volume factor (Table 2a, note 2): smaller cylinders lose more a litre.
#[must_use]
pub fn volume_factor(volume_l: f64) -> f64 {
    libm::cbrt(120.0 / volume_l)
}

/// Storage loss in use, kWh a day (line 54).
#[must_use]
pub fn loss_kwh_per_day(
    volume_l: f64,
    insulation: Insulation,
    thickness_mm: f64,
    temperature_factor: f64,
) -> f64 {
    volume_l * loss_factor(insulation, thickness_mm) * volume_factor(volume_l) * temperature_factor
}

/// Loss of the primary pipes between boiler and cylinder, kWh a day (Table 3): insulated share of the pipes, hours a day hot.
///
/// ```
/// use drawoff_tank::norms::storage::primary_kwh_per_day;
/// assert!((primary_kwh_per_day(0.0, 3.0) - 1.3972).abs() < 1e-4); // 14 * (0.0245 * 3 + 0.0263)
/// ```
#[must_use]
pub fn primary_kwh_per_day(insulated_share: f64, hours: f64) -> f64 {
    14.0 * ((0.0091 * insulated_share + 0.0245 * (1.0 - insulated_share)) * hours + 0.0263)
}

/// Share of electric water heating outside the cheap hours of a two-rate tariff (Table 13), not below 0.
///
/// `cheap_hours` of 10 or more take the formula for ten hours, fewer that for seven.
///
/// ```
/// use drawoff_tank::norms::storage::dear_share;
/// assert!((dear_share(2.0, 110.0, false, 7.0) - 0.5824).abs() < 1e-4);
/// ```
#[must_use]
pub fn dear_share(occupants: f64, volume_l: f64, two_elements: bool, cheap_hours: f64) -> f64 {
    let (n, v) = (occupants, volume_l);
    let long = cheap_hours >= 10.0;
    let per_cent = match (two_elements, long) {
        (false, false) => (14_530.0 - 762.0 * n) / v - 80.0 + 10.0 * n,
        (false, true) => (14_530.0 - 762.0 * n) / (1.5 * v) - 80.0 + 10.0 * n,
        (true, false) => (6.8 - 0.024 * v) * n + 14.0 - 0.07 * v,
        (true, true) => (6.8 - 0.036 * v) * n + 14.0 - 0.105 * v,
    };
    per_cent.max(0.0) / 100.0
}
