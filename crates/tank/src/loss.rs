//! Standing loss: declared figures, loss at other temperatures, cooling of an idle tank.
//!
//! A declared standing loss is the heat lost in 24 h by water held 45 K above its surroundings (65 degC in 20 degC:
//! BS EN 12897 appendix B, EN 15332). Loss is taken as proportional to the difference from the surroundings.

/// Temperature difference of the declared standing loss, K (BS EN 12897: 65 degC stored, 20 degC around).
pub const DECLARED_RISE_K: f64 = 45.0;

const HOURS_PER_DAY: f64 = 24.0;

/// Loss coefficient of a declared standing loss in kWh/24 h at 45 K, W/K; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::loss::w_per_k_from_declared;
/// // unit test of the UK Home Energy Model (storage_tank.rs), which names BS EN 12897:2016 B.2.2
/// assert!((w_per_k_from_declared(1.68) - 1.5555555555555556).abs() < 1e-12);
/// ```
#[must_use]
pub fn w_per_k_from_declared(kwh_per_24h: f64) -> f64 {
    kwh_per_24h * 1000.0 / (HOURS_PER_DAY * DECLARED_RISE_K)
}

/// Declared standing loss that a loss coefficient amounts to, kWh/24 h at 45 K; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::loss::declared_from_w_per_k;
/// assert!((declared_from_w_per_k(2.0) - 2.16).abs() < 1e-12); // 2 W/K * 45 K * 24 h
/// ```
#[must_use]
pub fn declared_from_w_per_k(w_per_k: f64) -> f64 {
    w_per_k * DECLARED_RISE_K * HOURS_PER_DAY / 1000.0
}

/// Standing loss in W, as an energy label states it, of a declared loss in kWh/24 h; NaN in, NaN out.
#[must_use]
pub fn label_w_from_declared(kwh_per_24h: f64) -> f64 {
    kwh_per_24h * 1000.0 / HOURS_PER_DAY
}

/// Declared loss in kWh/24 h of the standing loss in W that an energy label states; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::loss::declared_from_label_w;
/// assert!((declared_from_label_w(50.0) - 1.2).abs() < 1e-12);
/// ```
#[must_use]
pub fn declared_from_label_w(label_w: f64) -> f64 {
    label_w * HOURS_PER_DAY / 1000.0
}

/// Loss coefficient of the standing loss in W that an energy label states (also at 45 K), W/K; NaN in, NaN out.
///
/// ```
/// use drawoff_tank::loss::w_per_k_from_label;
/// assert!((w_per_k_from_label(90.0) - 2.0).abs() < 1e-12); // 90 W / 45 K
/// ```
#[must_use]
pub fn w_per_k_from_label(label_w: f64) -> f64 {
    label_w / DECLARED_RISE_K
}

/// Standing loss in W, as an energy label states it, of a loss coefficient; NaN in, NaN out.
#[must_use]
pub fn label_w_from_w_per_k(w_per_k: f64) -> f64 {
    w_per_k * DECLARED_RISE_K
}

/// A loss measured over 24 h at another mean difference, brought to 45 K, kWh/24 h; NaN unless the difference is above 0.
///
/// ```
/// use drawoff_tank::loss::declared_from_measured;
/// assert!((declared_from_measured(1.2, 30.0) - 1.8).abs() < 1e-12); // 1.2 * 45 / 30
/// ```
#[must_use]
pub fn declared_from_measured(kwh_per_24h: f64, mean_rise_k: f64) -> f64 {
    if mean_rise_k > 0.0 { kwh_per_24h * DECLARED_RISE_K / mean_rise_k } else { f64::NAN }
}

/// Heat lost by a tank held at `mean_degc` in surroundings of `surroundings_degc`, kWh over `hours`; negative when the
/// tank is the colder; NaN in, NaN out (EN 15316-5, storage losses).
///
/// ```
/// use drawoff_tank::loss::loss_kwh;
/// assert!((loss_kwh(2.0, 55.0, 15.0, 24.0) - 1.92).abs() < 1e-12); // 2 W/K * 40 K * 24 h
/// ```
#[must_use]
pub fn loss_kwh(w_per_k: f64, mean_degc: f64, surroundings_degc: f64, hours: f64) -> f64 {
    w_per_k * (mean_degc - surroundings_degc) * hours / 1000.0
}

/// Cooling of a mixed tank without heating or draw-off: a falling exponential towards the surroundings.
///
/// `heat_wh_per_k` is the heat capacity of the whole tank, so its volume times [`crate::Water::wh_per_l_k`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cooling {
    /// Mean temperature at the start, degC.
    pub start_degc: f64,
    /// Temperature around the tank, degC.
    pub surroundings_degc: f64,
    /// Loss coefficient, W/K.
    pub w_per_k: f64,
    /// Heat capacity of the whole tank, Wh/K.
    pub heat_wh_per_k: f64,
}

impl Cooling {
    /// Time in which the difference from the surroundings falls to 1/e, h; infinite without loss.
    #[must_use]
    pub fn time_constant_h(self) -> f64 {
        self.heat_wh_per_k / self.w_per_k
    }

    /// Mean temperature after `hours`, degC; NaN in, NaN out.
    ///
    /// ```
    /// use drawoff_tank::loss::{Cooling, w_per_k_from_declared};
    /// let idle = Cooling {
    ///     start_degc: 65.0,
    ///     surroundings_degc: 20.0,
    ///     w_per_k: w_per_k_from_declared(1.68),
    ///     heat_wh_per_k: 210.0 * 4.18 / 3.6,
    /// };
    /// assert!((idle.time_constant_h() - 156.75).abs() < 0.005); // 243.83 Wh/K / 1.5556 W/K
    /// assert!((idle.degc_after(24.0) - 58.612).abs() < 0.0005); // 20 + 45 * exp(-24 / 156.75)
    /// assert!((idle.lost_kwh(24.0) - 1.5577).abs() < 0.00005); // 243.83 Wh/K * 6.388 K
    /// ```
    #[must_use]
    pub fn degc_after(self, hours: f64) -> f64 {
        let rise_k = self.start_degc - self.surroundings_degc;
        self.surroundings_degc + rise_k * libm::exp(-hours / self.time_constant_h())
    }

    /// Heat lost within `hours`, kWh; NaN in, NaN out.
    #[must_use]
    pub fn lost_kwh(self, hours: f64) -> f64 {
        let rise_k = self.start_degc - self.surroundings_degc;
        -self.heat_wh_per_k * rise_k * libm::expm1(-hours / self.time_constant_h()) / 1000.0
    }

    /// Loss coefficient that explains a fall of the mean to `end_degc` within `hours`, W/K.
    ///
    /// NaN unless start and end lie on the same side of the surroundings, the end nearer or equal, and `hours` is above 0.
    ///
    /// ```
    /// use drawoff_tank::loss::Cooling;
    /// let idle = Cooling { start_degc: 60.0, surroundings_degc: 20.0, w_per_k: 1.8, heat_wh_per_k: 240.0 };
    /// assert!((idle.w_per_k_from_fall(idle.degc_after(10.0), 10.0) - 1.8).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn w_per_k_from_fall(self, end_degc: f64, hours: f64) -> f64 {
        let left = (end_degc - self.surroundings_degc) / (self.start_degc - self.surroundings_degc);
        if left > 0.0 && left <= 1.0 && hours > 0.0 {
            -self.heat_wh_per_k * libm::log(left) / hours
        } else {
            f64::NAN
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_coefficient_is_not_found_where_the_tank_warmed() {
        let idle = Cooling { start_degc: 50.0, surroundings_degc: 20.0, w_per_k: 1.0, heat_wh_per_k: 200.0 };
        assert!(idle.w_per_k_from_fall(51.0, 5.0).is_nan());
        assert!(idle.w_per_k_from_fall(19.0, 5.0).is_nan());
        assert!(idle.w_per_k_from_fall(49.0, 0.0).is_nan());
        assert!(declared_from_measured(1.0, 0.0).is_nan());
    }

    proptest! {
        #[test]
        fn figures_convert_there_and_back(kwh in 0.1..10.0f64) {
            prop_assert!((declared_from_w_per_k(w_per_k_from_declared(kwh)) - kwh).abs() < 1e-12);
            prop_assert!((declared_from_label_w(label_w_from_declared(kwh)) - kwh).abs() < 1e-12);
            let w = label_w_from_declared(kwh);
            prop_assert!((label_w_from_w_per_k(w_per_k_from_label(w)) - w).abs() < 1e-9);
            prop_assert!((w_per_k_from_label(w) - w_per_k_from_declared(kwh)).abs() < 1e-12);
        }

        #[test]
        fn heat_lost_is_the_fall_of_the_mean(
            start in 30.0..90.0f64, around in 0.0..28.0f64, w_per_k in 0.3..6.0f64, hours in 0.0..100.0f64,
        ) {
            let idle = Cooling { start_degc: start, surroundings_degc: around, w_per_k, heat_wh_per_k: 230.0 };
            let fall_k = start - idle.degc_after(hours);
            prop_assert!((idle.lost_kwh(hours) - 0.230 * fall_k).abs() < 1e-9);
            // cooling can never lose more than holding the start temperature would
            prop_assert!(idle.lost_kwh(hours) <= loss_kwh(w_per_k, start, around, hours) + 1e-12);
        }
    }
}
