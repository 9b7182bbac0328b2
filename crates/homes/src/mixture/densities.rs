//! Densities of a residual under "clean" (normal) and "with an unseen draw-off" (normal plus exponential), with their slopes.
//!
//! Both hold the same exponential of the residual, which is taken out: what is left is the ratio of the normal tail to its density
//! (Mills, Biometrika 18 (1926) 395), a smooth function that a table gives.

use std::f64::consts::FRAC_1_SQRT_2;
use std::sync::LazyLock;

use libm::{erfc, exp};

use super::Fit;

/// One over the root of two pi.
const PHI_0: f64 = 0.398_942_280_401_432_7;

/// Nodes of the table a unit, its end, and terms of the series about each: exact to some 1e-14.
const NODES_A_UNIT: f64 = 8.0;
const END: f64 = 16.0;
const TERMS: usize = 9;

/// Taylor series about each node.
static TABLE: LazyLock<Vec<[f64; TERMS]>> = LazyLock::new(|| {
    (0..=(END * NODES_A_UNIT) as i32)
        .map(|node| {
            let x = f64::from(node) / NODES_A_UNIT;
            let mut slopes = [0.0; TERMS];
            slopes[0] = 0.5 * erfc(x * FRAC_1_SQRT_2) * exp(0.5 * x * x) / PHI_0;
            slopes[1] = x * slopes[0] - 1.0;
            for k in 1..TERMS - 1 {
                slopes[k + 1] = x * slopes[k] + k as f64 * slopes[k - 1];
            }
            let mut factorial = 1.0;
            for (k, slope) in slopes.iter_mut().enumerate().skip(1) {
                factorial *= k as f64;
                *slope /= factorial;
            }
            slopes
        })
        .collect()
});

/// Upper tail of the standard normal over its density, for `x` from 0 on.
fn tail_ratio(table: &[[f64; TERMS]], x: f64) -> f64 {
    if x >= END {
        // Laplace's continued fraction (Abramowitz and Stegun 26.2.14).
        return 1.0 / (x + 1.0 / (x + 2.0 / (x + 3.0 / (x + 4.0 / (x + 5.0 / (x + 6.0 / x))))));
    }
    let node = (x * NODES_A_UNIT + 0.5) as usize;
    let from = x - node as f64 / NODES_A_UNIT;
    table[node].iter().rev().fold(0.0, |sum, term| sum * from + term)
}

/// Both densities of a fit.
pub(super) struct Densities {
    table: &'static [[f64; TERMS]],
    sigma_w: f64,
    drawn_w: f64,
    /// Levels of both: share over scale.
    clean_level: f64,
    drawn_level: f64,
    ratio: f64,
}

/// What a residual is worth: its density is `factor` times the exponential of `exponent`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Density {
    pub(super) exponent: f64,
    pub(super) factor: f64,
    /// Probability that the segment is clean.
    pub(super) clean: f64,
    /// Slopes of the logarithm of the density.
    pub(super) by_residual: f64,
    pub(super) by_sigma: f64,
    pub(super) by_drawn: f64,
}

impl Densities {
    pub(super) fn new(fit: &Fit) -> Self {
        Self {
            table: &TABLE,
            sigma_w: fit.sigma_w,
            drawn_w: fit.drawn_w,
            clean_level: fit.clean * PHI_0 / fit.sigma_w,
            drawn_level: (1.0 - fit.clean) / fit.drawn_w,
            ratio: fit.sigma_w / fit.drawn_w,
        }
    }

    /// Of a residual, W.
    pub(super) fn at(&self, residual_w: f64) -> Density {
        let (s, l, k) = (self.sigma_w, self.drawn_w, self.ratio);
        let at = residual_w / s;
        let z = at - k;
        // `hazard` is the density of the standard normal at z over what lies below z.
        let (exponent, clean, drawn, hazard) = if z <= 0.0 {
            let tail = tail_ratio(self.table, -z);
            (-0.5 * at * at, self.clean_level, self.drawn_level * PHI_0 * tail, 1.0 / tail)
        } else {
            let density = exp(-0.5 * z * z);
            let below = 1.0 - PHI_0 * density * tail_ratio(self.table, z);
            let drawn = self.drawn_level * below;
            (k * (0.5 * k - at), self.clean_level * density, drawn, PHI_0 * density / below)
        };
        let factor = clean + drawn;
        let clean = clean / factor;
        let drawn = 1.0 - clean;
        Density {
            exponent,
            factor,
            clean,
            by_residual: -clean * at / s + drawn * (hazard / s - 1.0 / l),
            by_sigma: clean * (at * at - 1.0) / s + drawn * (k / l - hazard * (at + k) / s),
            by_drawn: drawn * (k * (at + hazard - k) - 1.0) / l,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tail_ratio_is_that_of_the_tables() {
        // Abramowitz and Stegun table 26.1: Q(1) = 0.158655253931457, Z(1) = 0.241970724519143.
        assert!((tail_ratio(&TABLE, 1.0) - 0.158_655_253_931_457 / 0.241_970_724_519_143).abs() < 1e-13);
        assert!((tail_ratio(&TABLE, 0.0) - (std::f64::consts::PI / 2.0).sqrt()).abs() < 1e-14);
        for i in 0..1599 {
            let x = f64::from(i) * 0.01 + 0.003;
            let wanted = 0.5 * erfc(x * FRAC_1_SQRT_2) * exp(0.5 * x * x) / PHI_0;
            assert!((tail_ratio(&TABLE, x) / wanted - 1.0).abs() < 1e-12, "{x}");
        }
        // Both ways meet.
        let (before, after) = (tail_ratio(&TABLE, END - 1e-9), tail_ratio(&TABLE, END));
        assert!((before / after - 1.0).abs() < 1e-9);
    }

    fn log_density(fit: &Fit, r: f64) -> f64 {
        let d = Densities::new(fit).at(r);
        d.exponent + d.factor.ln()
    }

    #[test]
    fn densities_are_those_of_the_laws_and_sum_to_one() {
        let fit = Fit { w_per_k: 1.6, sigma_w: 7.0, drawn_w: 30.0, clean: 0.6 };
        for r in [-60.0, -20.0, 0.0, 1.0, 3.0, 40.0, 300.0] {
            let normal = PHI_0 / 7.0 * f64::exp(-0.5 * (r / 7.0) * (r / 7.0));
            let below = 0.5 * erfc(-(r / 7.0 - 7.0 / 30.0) * FRAC_1_SQRT_2);
            let drawn = f64::exp(49.0 / 1800.0 - r / 30.0) / 30.0 * below;
            let wanted = (0.6 * normal + 0.4 * drawn).ln();
            assert!((log_density(&fit, r) - wanted).abs() < 1e-9, "{r}");
        }
        let sum: f64 = (-1000..10_000).map(|i| log_density(&fit, f64::from(i) * 0.1).exp() * 0.1).sum();
        assert!((sum - 1.0).abs() < 1e-6, "{sum}");
    }

    #[test]
    fn slopes_are_those_of_differences() {
        let fit = Fit { w_per_k: 1.6, sigma_w: 7.0, drawn_w: 30.0, clean: 0.6 };
        for r in [-80.0, -9.0, 0.0, 2.0, 25.0, 200.0] {
            let d = Densities::new(&fit).at(r);
            let h = 1e-5;
            let by = |of: &dyn Fn(f64) -> f64| (of(h) - of(-h)) / (2.0 * h);
            let by_residual = by(&|h| log_density(&fit, r + h));
            let by_sigma = by(&|h| log_density(&Fit { sigma_w: 7.0 + h, ..fit }, r));
            let by_drawn = by(&|h| log_density(&Fit { drawn_w: 30.0 + h, ..fit }, r));
            for (found, wanted) in
                [(d.by_residual, by_residual), (d.by_sigma, by_sigma), (d.by_drawn, by_drawn)]
            {
                assert!((found - wanted).abs() < 1e-6 * (1.0 + wanted.abs()), "{r}: {found} {wanted}");
            }
        }
    }
}
