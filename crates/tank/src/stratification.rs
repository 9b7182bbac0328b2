//! How well a tank keeps hot above cold: MIX number, stratification number, thermocline, Richardson number, exergy.
//!
//! Temperatures are top first; `shares` are the layers' volume shares in the same order, with sum 1, for instance
//! [`crate::Profile::weights`]. Any missing temperature makes an answer NaN. One heat capacity is taken for the whole tank.

use crate::Profile;
use crate::water::expansion_per_k;

/// Standard acceleration of gravity, m/s2.
const GRAVITY_M_PER_S2: f64 = 9.806_65;

/// 0 degC in kelvin.
const ZERO_DEGC_K: f64 = 273.15;

/// MIX number: 0 for hot above cold with a sharp edge, 1 for fully mixed, above 1 for hot below cold.
///
/// J. H. Davidson, D. A. Adams and J. A. Miller, J. Solar Energy Eng. 116 (1994) 94: moment of energy about the base
/// against that of the sharp-edged and the mixed tank of equal energy. `hot_degc` and `cold_degc` are those of charge and
/// feed, not the extremes of the layers (which would hide the mixing). NaN unless the mean lies between them.
///
/// ```
/// use drawoff_tank::stratification::mix_number;
/// assert_eq!(mix_number(&[60.0, 10.0], &[0.5, 0.5], 60.0, 10.0), 0.0);
/// assert_eq!(mix_number(&[35.0, 35.0], &[0.5, 0.5], 60.0, 10.0), 1.0);
/// assert_eq!(mix_number(&[10.0, 60.0], &[0.5, 0.5], 60.0, 10.0), 2.0);
/// ```
#[must_use]
pub fn mix_number(temps: &[f64], shares: &[f64], hot_degc: f64, cold_degc: f64) -> f64 {
    if temps.len() != shares.len() {
        return f64::NAN;
    }
    let (mut top, mut energy, mut moment) = (1.0, 0.0, 0.0);
    for (degc, share) in temps.iter().zip(shares) {
        let heat = share * (degc - cold_degc) / (hot_degc - cold_degc);
        energy += heat;
        moment += heat * (top - share / 2.0);
        top -= share;
    }
    if !(energy > 0.0 && energy < 1.0) {
        return f64::NAN;
    }
    let sharp = energy * (1.0 - energy / 2.0);
    let mixed = energy / 2.0;
    (sharp - moment) / (sharp - mixed)
}

/// Stratification number: mean gradient now against that at the start; only the end probes matter.
///
/// J. Fernandez-Seara, F. J. Uhia and J. Sieres, Appl. Thermal Eng. 27 (2007) 137 (from memory). NaN when a slice is empty
/// or there was no difference at the start.
///
/// ```
/// use drawoff_tank::stratification::stratification_number;
/// let start = [60.0, 60.0, 60.0, 10.0, 10.0, 10.0];
/// let now = [58.0, 55.0, 50.0, 35.0, 25.0, 20.0];
/// assert!((stratification_number(&now, &start) - 0.76).abs() < 1e-12); // 38 / 50
/// ```
#[must_use]
pub fn stratification_number(now: &[f64], start: &[f64]) -> f64 {
    let ratio = end_to_end_k(now) / end_to_end_k(start);
    if ratio.is_finite() { ratio } else { f64::NAN }
}

/// Height between the points where (T - cold) / (hot - cold) falls to 0.9 and to 0.1, as a fraction of the tank.
///
/// Only the part inside the tank counts, so it is 0 for a wholly hot or cold tank. Missing probes are passed over as
/// [`Profile`] does; NaN when all are missing or hot is not above cold. The bounds 0.1 and 0.9 are one custom of several
/// (from memory).
///
/// ```
/// use drawoff_tank::{Profile, stratification::thermocline_thickness};
/// let profile = Profile::new(&[0.9, 0.1]).unwrap();
/// // 60 to 10 degC over 0.8 of the tank: eight tenths of that
/// assert!((thermocline_thickness(&profile, &[60.0, 10.0], 60.0, 10.0) - 0.64).abs() < 1e-12);
/// ```
#[must_use]
pub fn thermocline_thickness(profile: &Profile, temps: &[f64], hot_degc: f64, cold_degc: f64) -> f64 {
    let rise_k = hot_degc - cold_degc;
    if rise_k.is_nan() || rise_k <= 0.0 {
        return f64::NAN;
    }
    let upper = profile.height_of(temps, cold_degc + 0.9 * rise_k);
    let lower = profile.height_of(temps, cold_degc + 0.1 * rise_k);
    upper - lower
}

/// Bulk Richardson number of a tank that is drawn or charged: buoyancy against inertia; NaN in, NaN out.
///
/// `g * beta * height * (top - bottom) / velocity^2` with the expansion coefficient at the mean of top and bottom.
/// Critical values in the literature run from 0.25 to 100 with the chosen length and velocity (J. Rendall et al., Renewable
/// and Sustainable Energy Reviews 150 (2021) 111471).
///
/// ```
/// use drawoff_tank::stratification::{bulk_richardson, plug_velocity_m_per_s};
/// let velocity = plug_velocity_m_per_s(10.0, 0.5);
/// assert!((bulk_richardson(1.2, 60.0, 10.0, velocity) / 2.82e5 - 1.0).abs() < 0.005);
/// ```
#[must_use]
pub fn bulk_richardson(height_m: f64, top_degc: f64, bottom_degc: f64, velocity_m_per_s: f64) -> f64 {
    let beta_per_k = expansion_per_k(f64::midpoint(top_degc, bottom_degc));
    let buoyancy = GRAVITY_M_PER_S2 * beta_per_k * height_m * (top_degc - bottom_degc);
    buoyancy / (velocity_m_per_s * velocity_m_per_s)
}

/// Speed at which water rises through a tank of this inside diameter, m/s; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::stratification::plug_velocity_m_per_s;
/// assert!((plug_velocity_m_per_s(10.0, 0.5) - 8.488e-4).abs() < 1e-7); // 1.667e-4 m3/s / 0.19635 m2
/// ```
#[must_use]
pub fn plug_velocity_m_per_s(flow_l_per_min: f64, diameter_m: f64) -> f64 {
    let area_m2 = std::f64::consts::PI * diameter_m * diameter_m / 4.0;
    flow_l_per_min / 60_000.0 / area_m2
}

/// Exergy above surroundings of `reference_degc`, Wh: what mixing destroys while energy stays.
///
/// Sum over layers of capacity * ((T - T0) - T0 ln(T / T0)) in kelvin, with the tank's whole heat capacity in Wh/K.
/// NaN when the slices differ in length.
///
/// ```
/// use drawoff_tank::stratification::exergy_wh;
/// let heat_wh_per_k = 200.0 * 4.18 / 3.6;
/// assert!((exergy_wh(&[60.0], &[1.0], heat_wh_per_k, 10.0) - 918.5).abs() < 0.05);
/// ```
#[must_use]
pub fn exergy_wh(temps: &[f64], shares: &[f64], heat_wh_per_k: f64, reference_degc: f64) -> f64 {
    if temps.len() != shares.len() {
        return f64::NAN;
    }
    let reference_k = reference_degc + ZERO_DEGC_K;
    let layer = |degc: f64| {
        let rise_k = degc - reference_degc;
        rise_k - reference_k * libm::log1p(rise_k / reference_k)
    };
    let per_capacity: f64 = temps.iter().zip(shares).map(|(&degc, share)| share * layer(degc)).sum();
    heat_wh_per_k * per_capacity
}

/// Top less bottom, K; NaN when empty.
fn end_to_end_k(temps: &[f64]) -> f64 {
    match (temps.first(), temps.last()) {
        (Some(top), Some(bottom)) => top - bottom,
        _ => f64::NAN,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn missing_or_unmatched_layers_give_no_number() {
        assert!(mix_number(&[60.0, f64::NAN], &[0.5, 0.5], 60.0, 10.0).is_nan());
        assert!(mix_number(&[60.0], &[0.5, 0.5], 60.0, 10.0).is_nan());
        assert!(mix_number(&[60.0, 60.0], &[0.5, 0.5], 60.0, 10.0).is_nan());
        assert!(stratification_number(&[60.0, 10.0], &[40.0, 40.0]).is_nan());
        assert!(stratification_number(&[], &[]).is_nan());
        assert!(exergy_wh(&[60.0], &[], 200.0, 10.0).is_nan());
    }

    #[test]
    fn a_tank_wholly_hot_or_cold_has_no_thermocline() {
        let profile = Profile::new(&[0.9, 0.5, 0.1]).unwrap();
        assert_eq!(thermocline_thickness(&profile, &[60.0; 3], 60.0, 10.0), 0.0);
        assert_eq!(thermocline_thickness(&profile, &[10.0; 3], 60.0, 10.0), 0.0);
        assert!(thermocline_thickness(&profile, &[60.0; 3], 10.0, 10.0).is_nan());
        assert!(thermocline_thickness(&profile, &[f64::NAN; 3], 60.0, 10.0).is_nan());
    }

    proptest! {
        #[test]
        fn mix_number_knows_no_zero_of_temperature(
            temps in proptest::collection::vec(11.0..59.0f64, 2..12), shift in -9.0..30.0f64,
        ) {
            let shares = vec![1.0 / temps.len() as f64; temps.len()];
            let shifted: Vec<f64> = temps.iter().map(|t| t + shift).collect();
            let plain = mix_number(&temps, &shares, 60.0, 10.0);
            let moved = mix_number(&shifted, &shares, 60.0 + shift, 10.0 + shift);
            prop_assert!((plain - moved).abs() < 1e-9);
        }

        #[test]
        fn hot_above_cold_lies_between_sharp_and_mixed(
            mut temps in proptest::collection::vec(11.0..59.0f64, 2..12),
        ) {
            temps.sort_by(|a, b| b.total_cmp(a));
            let shares = vec![1.0 / temps.len() as f64; temps.len()];
            let mix = mix_number(&temps, &shares, 60.0, 10.0);
            prop_assert!((-1e-9..=1.0 + 1e-9).contains(&mix));
        }

        #[test]
        fn mixing_destroys_exergy(temps in proptest::collection::vec(11.0..90.0f64, 2..12)) {
            let share = 1.0 / temps.len() as f64;
            let mean = temps.iter().sum::<f64>() * share;
            let layered = exergy_wh(&temps, &vec![share; temps.len()], 230.0, 10.0);
            prop_assert!(exergy_wh(&[mean], &[1.0], 230.0, 10.0) <= layered + 1e-9);
        }
    }
}
