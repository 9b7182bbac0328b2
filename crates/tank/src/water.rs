//! Density and heat capacity of liquid water at 1 bar.
//!
//! The polynomials are least-squares fits, made for this crate, to IAPWS-IF97 region 1 (IAPWS R7-97) at 400 Chebyshev
//! points from 0 to 100 degC. Largest differences from IF97 there: density 0.002 kg/m3, heat capacity 0.00015 kJ/(kg K).
//! At 3 bar density is higher by less than 0.1 kg/m3. Outside 0 to 100 degC both are held at the end values.

/// Density, kg/m3, in powers of degc / 100.
const DENSITY: [f64; 7] = [999.8454, 6.583265, -87.99283, 84.4156, -77.61107, 44.1458, -11.03358];

/// Heat capacity, kJ/(kg K), in powers of degc / 100.
const HEAT_CAPACITY: [f64; 7] = [4.219288, -0.3408626, 1.270679, -2.802132, 3.701539, -2.525201, 0.6934224];

/// Integral of the heat capacity from 0 degC, kJ/kg, in powers of degc / 100; the constant term is 0.
const ENTHALPY: [f64; 7] = [
    100.0 * HEAT_CAPACITY[0],
    100.0 * HEAT_CAPACITY[1] / 2.0,
    100.0 * HEAT_CAPACITY[2] / 3.0,
    100.0 * HEAT_CAPACITY[3] / 4.0,
    100.0 * HEAT_CAPACITY[4] / 5.0,
    100.0 * HEAT_CAPACITY[5] / 6.0,
    100.0 * HEAT_CAPACITY[6] / 7.0,
];

/// kJ in one Wh.
const KJ_PER_WH: f64 = 3.6;

/// Which properties a calculation gives to water.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub enum Water {
    /// Density and heat capacity as functions of temperature.
    #[default]
    Iapws,
    /// One density and one heat capacity at every temperature, as many simulations assume.
    Constant {
        /// Density, kg/l.
        density_kg_per_l: f64,
        /// Heat capacity, kJ/(kg K).
        heat_capacity_kj_per_kg_k: f64,
    },
}

impl Water {
    /// Heat that warms one litre by one kelvin at `degc`, Wh/(l K); NaN in, NaN out unless constant.
    #[must_use]
    #[inline]
    pub fn wh_per_l_k(self, degc: f64) -> f64 {
        match self {
            Self::Iapws => heat_wh_per_l_k(degc),
            Self::Constant { density_kg_per_l, heat_capacity_kj_per_kg_k } => {
                density_kg_per_l * heat_capacity_kj_per_kg_k / KJ_PER_WH
            }
        }
    }

    /// Density at `degc`, kg/l; NaN in, NaN out unless constant.
    #[must_use]
    #[inline]
    pub fn density(self, degc: f64) -> f64 {
        match self {
            Self::Iapws => density_kg_per_l(degc),
            Self::Constant { density_kg_per_l, .. } => density_kg_per_l,
        }
    }

    /// Heat that takes one litre, measured at `from_degc`, to `to_degc`, Wh/l; negative for cooling; NaN in, NaN out.
    ///
    /// Which end the litre is measured at matters: 200 l measured cold at 10 degC need 11.613 kWh to reach 60 degC, 200 l
    /// measured hot at 60 degC hold 11.421 kWh above 10 degC (IAPWS-IF97 enthalpies).
    ///
    /// ```
    /// use drawoff_tank::Water;
    /// assert!((200.0 * Water::Iapws.heat_wh_per_l(10.0, 60.0) - 11_613.0).abs() < 2.0);
    /// assert!((200.0 * Water::Iapws.heat_wh_per_l(60.0, 10.0) + 11_421.0).abs() < 2.0);
    /// let plain = Water::Constant { density_kg_per_l: 1.0, heat_capacity_kj_per_kg_k: 4.18 };
    /// assert!((200.0 * plain.heat_wh_per_l(10.0, 60.0) - 11_611.0).abs() < 0.2);
    /// ```
    #[must_use]
    #[inline]
    pub fn heat_wh_per_l(self, from_degc: f64, to_degc: f64) -> f64 {
        match self {
            Self::Iapws => {
                let kj_per_kg = enthalpy_kj_per_kg(to_degc) - enthalpy_kj_per_kg(from_degc);
                density_kg_per_l(from_degc) * kj_per_kg / KJ_PER_WH
            }
            Self::Constant { .. } => self.wh_per_l_k(from_degc) * (to_degc - from_degc),
        }
    }
}

/// Density of liquid water at 1 bar, kg/l; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::water::density_kg_per_l;
/// assert!((density_kg_per_l(20.0) - 0.998206).abs() < 5e-6); // IAPWS-IF97
/// assert!((density_kg_per_l(60.0) - 0.983210).abs() < 5e-6);
/// ```
#[must_use]
#[inline]
pub fn density_kg_per_l(degc: f64) -> f64 {
    horner(&DENSITY, hundredths(degc)) / 1000.0
}

/// Heat capacity of liquid water at 1 bar, kJ/(kg K); NaN in, NaN out.
///
/// ```
/// use drawoff_tank::water::heat_capacity_kj_per_kg_k;
/// assert!((heat_capacity_kj_per_kg_k(60.0) - 4.1828).abs() < 3e-4); // IAPWS-IF97
/// ```
#[must_use]
#[inline]
pub fn heat_capacity_kj_per_kg_k(degc: f64) -> f64 {
    horner(&HEAT_CAPACITY, hundredths(degc))
}

/// Heat that warms one litre by one kelvin, Wh/(l K): density times heat capacity; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::water::heat_wh_per_l_k;
/// assert!((heat_wh_per_l_k(40.0) - 4.1461 / 3.6).abs() < 1e-4); // IAPWS-IF97
/// ```
#[must_use]
#[inline]
pub fn heat_wh_per_l_k(degc: f64) -> f64 {
    density_kg_per_l(degc) * heat_capacity_kj_per_kg_k(degc) / KJ_PER_WH
}

/// Volume expansion coefficient at 1 bar, 1/K: the fall of density with temperature over density; 0 outside 0 to 100 degC.
///
/// ```
/// use drawoff_tank::water::expansion_per_k;
/// assert!((expansion_per_k(60.0) - 5.233e-4).abs() < 1e-6); // IAPWS-95
/// ```
#[must_use]
pub fn expansion_per_k(degc: f64) -> f64 {
    if degc.is_nan() {
        return f64::NAN;
    }
    if !(0.0..=100.0).contains(&degc) {
        return 0.0;
    }
    let u = hundredths(degc);
    let mut slope = 0.0;
    for (power, coefficient) in (1u8..=6).zip(&DENSITY[1..]).rev() {
        slope = slope * u + f64::from(power) * coefficient;
    }
    -slope / 100.0 / horner(&DENSITY, u)
}

/// Heat in one litre at `degc` above an enthalpy in kJ/kg, Wh/l.
#[inline]
pub(crate) fn heat_above_wh_per_l(degc: f64, reference_kj_per_kg: f64) -> f64 {
    density_kg_per_l(degc) * (enthalpy_kj_per_kg(degc) - reference_kj_per_kg) / KJ_PER_WH
}

/// Enthalpy above that of water at 0 degC, kJ/kg: the integral of the heat capacity, also beyond 0 and 100 degC.
#[inline]
pub(crate) fn enthalpy_kj_per_kg(degc: f64) -> f64 {
    let held = degc.clamp(0.0, 100.0);
    let u = held / 100.0;
    let within = horner(&ENTHALPY, u) * u;
    // equal almost always; a NaN goes the other way and comes out as NaN
    if held == degc { within } else { within + heat_capacity_kj_per_kg_k(held) * (degc - held) }
}

/// Argument of the polynomials, held to the range of the fit.
#[inline]
fn hundredths(degc: f64) -> f64 {
    degc.clamp(0.0, 100.0) / 100.0
}

#[inline]
fn horner(coefficients: &[f64; 7], u: f64) -> f64 {
    let mut sum = coefficients[6];
    for c in coefficients[..6].iter().rev() {
        sum = sum * u + c;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn density_falls_with_temperature_above_4_degc() {
        let mut above = density_kg_per_l(4.1);
        for tenth in 42..=1000 {
            let here = density_kg_per_l(f64::from(tenth) / 10.0);
            assert!(here < above, "at {tenth} tenths of a degree");
            above = here;
        }
    }

    #[test]
    fn heat_is_the_integral_of_heat_capacity() {
        for from in [-5.0, 4.0, 37.0, 99.0] {
            let to = from + 1e-3;
            let per_kelvin = Water::Iapws.heat_wh_per_l(from, to) / 1e-3;
            assert!((per_kelvin - heat_wh_per_l_k(from)).abs() < 1e-6, "at {from} degC");
        }
    }

    #[test]
    fn missing_temperature_stays_missing() {
        assert!(density_kg_per_l(f64::NAN).is_nan());
        assert!(heat_wh_per_l_k(f64::NAN).is_nan());
        assert!(Water::Iapws.heat_wh_per_l(10.0, f64::NAN).is_nan());
        assert!(Water::Iapws.heat_wh_per_l(f64::NAN, 10.0).is_nan());
    }

    #[test]
    fn beyond_the_fit_the_end_values_hold() {
        assert_eq!(density_kg_per_l(120.0).to_bits(), density_kg_per_l(100.0).to_bits());
        assert_eq!(heat_capacity_kj_per_kg_k(-10.0).to_bits(), heat_capacity_kj_per_kg_k(0.0).to_bits());
    }
}
