//! The curve that is fitted, and its derivatives.

/// Half-width of the step at an element, volume fraction: it stirs a little below itself (common practice, no source).
pub(super) const ELEMENT_WIDTH: f64 = 0.03;

/// Numbers that are fitted.
pub(super) const NUMBERS: usize = 6;

/// Cold, a step at the element, a front, and a slope in the hot water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Curve {
    /// Below all, degC.
    pub(super) cold_degc: f64,
    /// Rise across the front at the very top, K.
    pub(super) rise_k: f64,
    /// Rise of the hot water over the whole height, K.
    pub(super) slope_k: f64,
    /// Height of the front.
    pub(super) front: f64,
    /// Half-width of the front: the argument of the error function is (height - front) / width.
    pub(super) width: f64,
    /// Rise at the element, K; exactly 0 without one.
    pub(super) plateau_k: f64,
    /// Height of the element.
    pub(super) element: f64,
}

impl Curve {
    /// Height over the element in widths of its step.
    pub(super) fn over_element(&self, height: f64) -> f64 {
        (height - self.element) / ELEMENT_WIDTH
    }

    pub(super) fn degc_at(&self, height: f64) -> f64 {
        let (share, _) = step((height - self.front) / self.width);
        let plateau =
            if self.plateau_k == 0.0 { 0.0 } else { self.plateau_k * step(self.over_element(height)).0 };
        self.cold_degc + plateau + share * (self.rise_k + self.slope_k * (height - 1.0))
    }

    /// Temperature at a height and its derivatives by cold, rise, slope, front, ln width, plateau; `element_share` is the
    /// step of the element there.
    pub(super) fn with_slopes(&self, height: f64, element_share: f64) -> (f64, [f64; NUMBERS]) {
        let across = (height - self.front) / self.width;
        let (share, density) = step(across);
        let hot_k = self.rise_k + self.slope_k * (height - 1.0);
        let degc = self.cold_degc + self.plateau_k * element_share + share * hot_k;
        let by_front = -density * hot_k / self.width;
        let by_log_width = -density * hot_k * across;
        (degc, [1.0, share, share * (height - 1.0), by_front, by_log_width, element_share])
    }
}

/// (1 + erf(x)) / 2 and its derivative.
///
/// Handbook of Mathematical Functions (M. Abramowitz and I. A. Stegun, 1964), 7.1.26: error of erf below 1.5e-7.
pub(super) fn step(x: f64) -> (f64, f64) {
    let away = x.abs();
    if away > 4.0 {
        return (if x > 0.0 { 1.0 } else { 0.0 }, 0.0);
    }
    let bell = libm::exp(-away * away);
    let t = 1.0 / (1.0 + 0.327_591_1 * away);
    let series = t
        * (0.254_829_592
            + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let tail = 0.5 * series * bell;
    let share = if x > 0.0 { 1.0 - tail } else { tail };
    (share, bell * 0.564_189_583_547_756_3)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_step_is_that_of_the_error_function() {
        for i in -500..=500 {
            let x = f64::from(i) / 100.0;
            let (share, density) = step(x);
            assert!((share - f64::midpoint(1.0, libm::erf(x))).abs() < 1e-7, "at {x}");
            let exact = libm::exp(-x * x) / std::f64::consts::PI.sqrt();
            assert!((density - exact).abs() < 1e-7, "at {x}");
        }
    }

    #[test]
    fn slopes_are_those_of_small_differences() {
        let curve = Curve {
            cold_degc: 12.0,
            rise_k: 40.0,
            slope_k: 3.0,
            front: 0.45,
            width: 0.07,
            plateau_k: 8.0,
            element: 0.1,
        };
        let moved = |number: usize, by: f64| {
            let mut curve = curve;
            match number {
                0 => curve.cold_degc += by,
                1 => curve.rise_k += by,
                2 => curve.slope_k += by,
                3 => curve.front += by,
                4 => curve.width *= f64::exp(by),
                _ => curve.plateau_k += by,
            }
            curve
        };
        for height in [0.05, 0.12, 0.4, 0.47, 0.6, 0.95] {
            let (degc, slopes) = curve.with_slopes(height, step(curve.over_element(height)).0);
            assert!((degc - curve.degc_at(height)).abs() < 1e-12);
            for (number, slope) in slopes.into_iter().enumerate() {
                let by = 1e-4;
                let difference =
                    (moved(number, by).degc_at(height) - moved(number, -by).degc_at(height)) / (2.0 * by);
                assert!(
                    (slope - difference).abs() < 1e-2,
                    "number {number} at {height}: {slope} {difference}"
                );
            }
        }
    }
}
