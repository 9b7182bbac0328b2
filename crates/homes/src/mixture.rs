//! Loss coefficient from idle segments, some of which hold draw-offs too small to see.
//!
//! A segment either loses heat by insulation alone, with normal noise, or by insulation and an unseen draw-off, which
//! only ever adds (normal plus exponential). The atom of clean segments matters: without it the fit over-corrects.

use libm::{erfc, exp, log};

use crate::robust::{median, quantile};

/// One idle segment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// Heat lost by the whole cylinder if all of it cooled like the segment's zone, W.
    pub loss_w: f64,
    /// Water above surroundings, K.
    pub lift_k: f64,
    /// Share of the volume in the hot zone.
    pub share: f64,
    /// Local day, for blocks.
    pub day: i32,
    /// Middle of the segment, UTC ms.
    pub at_ms: i64,
    /// Its length, h.
    pub hours: f64,
    /// How far the zone falls within it for each watt that the whole cylinder loses, K/W.
    pub fall_k_per_w: f64,
}

/// Result of the fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fit {
    /// Loss coefficient, W/K.
    pub w_per_k: f64,
    /// Noise of a segment, W.
    pub sigma_w: f64,
    /// Mean heat of an unseen draw-off, W.
    pub drawn_w: f64,
    /// Share of clean segments.
    pub clean: f64,
}

fn log_phi(x: f64) -> f64 {
    if x > 8.5 {
        // 1 to the last bit
        0.0
    } else if x > -8.0 {
        log(0.5 * erfc(-x / std::f64::consts::SQRT_2))
    } else {
        // Asymptotic tail (Abramowitz and Stegun 26.2.12).
        -0.5 * x * x - log(-x) - 0.918_938_533_204_672_7 + log(1.0 - 1.0 / (x * x) + 3.0 / (x * x * x * x))
    }
}

fn parameters(x: &[f64; 4]) -> Fit {
    let sigma_w = exp(x[1]);
    Fit { w_per_k: x[0], sigma_w, drawn_w: exp(x[2]) + 1.5 * sigma_w, clean: 1.0 / (1.0 + exp(-x[3])) }
}

/// The two densities of a fit, with what is the same for every residual.
struct Densities {
    sigma_w: f64,
    drawn_w: f64,
    ln_sigma: f64,
    ln_clean: f64,
    ln_contaminated: f64,
    /// Of the drawn density: logarithm of its mean, and what convolution with the noise adds.
    drawn_level: f64,
    ratio: f64,
}

impl Densities {
    fn new(fit: &Fit) -> Self {
        let (s, l) = (fit.sigma_w, fit.drawn_w);
        Self {
            sigma_w: s,
            drawn_w: l,
            ln_sigma: log(s),
            ln_clean: log(fit.clean),
            ln_contaminated: log(1.0 - fit.clean),
            drawn_level: -log(l) + s * s / (2.0 * l * l),
            ratio: s / l,
        }
    }

    /// Log densities of a residual under "clean" and under "with an unseen draw-off".
    fn log_of(&self, r: f64) -> (f64, f64) {
        let at = r / self.sigma_w;
        let clean = -0.5 * at * at - self.ln_sigma - 0.918_938_533_204_672_7;
        let drawn = self.drawn_level - r / self.drawn_w + log_phi(at - self.ratio);
        (self.ln_clean + clean, self.ln_contaminated + drawn)
    }
}

/// Logarithm of the sum of two exponentials.
fn log_sum(a: f64, b: f64) -> f64 {
    let (most, least) = if a >= b { (a, b) } else { (b, a) };
    // exp(0) is 1, and what is added to 1 below 2^-54 is lost.
    if least - most < -38.0 { most } else { most + log(1.0 + exp(least - most)) }
}

fn cost(x: &[f64; 4], data: &[Observation], least_sigma_w: f64) -> f64 {
    let fit = parameters(x);
    if !(1e-6..1.0 - 1e-6).contains(&fit.clean) || fit.sigma_w < least_sigma_w.max(1e-3) || fit.drawn_w > 1e6
    {
        return f64::INFINITY;
    }
    // Weak prior that keeps the share of clean segments away from 0 and 1.
    let mut sum = -log(fit.clean * (1.0 - fit.clean));
    let densities = Densities::new(&fit);
    for o in data {
        let (a, b) = densities.log_of(o.loss_w - fit.w_per_k * o.lift_k);
        sum -= log_sum(a, b);
    }
    sum
}

/// Fits the mixture with a noise of at least `least_sigma_w`; `None` with fewer than 12 segments.
pub(crate) fn fit(data: &[Observation], least_sigma_w: f64) -> Option<Fit> {
    if data.len() < 12 {
        return None;
    }
    let ratios: Vec<f64> = data.iter().map(|o| o.loss_w / o.lift_k).collect();
    let mut best: Option<([f64; 4], f64)> = None;
    for q in [0.2, 0.45] {
        let start = quantile(&ratios, q);
        let spread = median(&data.iter().map(|o| (o.loss_w - start * o.lift_k).abs()).collect::<Vec<_>>());
        let x = minimise(
            [start, log((spread / 0.67 + 0.5).max(1.1 * least_sigma_w)), log(40.0), 1.0],
            data,
            least_sigma_w,
        );
        if best.is_none_or(|(_, c)| x.1 < c) {
            best = Some(x);
        }
    }
    best.map(|(x, _)| parameters(&x))
}

/// Probability that each segment is clean, under the fit.
pub(crate) fn clean_probabilities(fit: &Fit, data: &[Observation]) -> Vec<f64> {
    let densities = Densities::new(fit);
    data.iter()
        .map(|o| {
            let (a, b) = densities.log_of(o.loss_w - fit.w_per_k * o.lift_k);
            1.0 / (1.0 + exp(b - a))
        })
        .collect()
}

/// Nelder and Mead's simplex (The Computer Journal 7, 1965), four parameters, fixed coefficients.
fn minimise(start: [f64; 4], data: &[Observation], least_sigma_w: f64) -> ([f64; 4], f64) {
    let scale = [0.15 * start[0].abs().max(0.3), 0.4, 0.6, 0.8];
    let mut simplex: Vec<([f64; 4], f64)> = (0..5)
        .map(|i| {
            let mut x = start;
            if i > 0 {
                x[i - 1] += scale[i - 1];
            }
            (x, cost(&x, data, least_sigma_w))
        })
        .collect();
    let mix = |a: &[f64; 4], b: &[f64; 4], t: f64| std::array::from_fn(|i| a[i] + t * (b[i] - a[i]));
    for _ in 0..400 {
        simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (low, high) = (simplex[0].1, simplex[4].1);
        if (high - low).abs() < 1e-6 * (1.0 + low.abs()) && (simplex[4].0[0] - simplex[0].0[0]).abs() < 1e-4 {
            break;
        }
        let centre: [f64; 4] =
            std::array::from_fn(|i| simplex[..4].iter().map(|s| s.0[i]).sum::<f64>() / 4.0);
        let worst = simplex[4];
        let reflected = mix(&centre, &worst.0, -1.0);
        let at = cost(&reflected, data, least_sigma_w);
        if at < simplex[0].1 {
            let further = mix(&centre, &worst.0, -2.0);
            let there = cost(&further, data, least_sigma_w);
            simplex[4] = if there < at { (further, there) } else { (reflected, at) };
        } else if at < simplex[3].1 {
            simplex[4] = (reflected, at);
        } else {
            let towards =
                if at < worst.1 { mix(&centre, &reflected, 0.5) } else { mix(&centre, &worst.0, 0.5) };
            let there = cost(&towards, data, least_sigma_w);
            if there < at.min(worst.1) {
                simplex[4] = (towards, there);
            } else {
                let best = simplex[0].0;
                for vertex in &mut simplex[1..] {
                    vertex.0 = mix(&best, &vertex.0, 0.5);
                    vertex.1 = cost(&vertex.0, data, least_sigma_w);
                }
            }
        }
    }
    simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
    simplex[0]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fixed low-discrepancy sequence stands for randomness, so that the test cannot fail by chance.
    fn data(contaminated: f64) -> Vec<Observation> {
        (0..400)
            .map(|i| {
                let u = (f64::from(i) * 0.618_033_988_75).fract();
                let v = (f64::from(i) * 0.754_877_666_25).fract();
                let w = (f64::from(i) * 0.569_840_290_99).fract();
                let noise = 8.0 * (u + v + (f64::from(i) * 0.438_579_021).fract() - 1.5) * 2.0;
                let drawn = if w < contaminated { -40.0 * log(1.0 - w / contaminated * 0.999) } else { 0.0 };
                let lift_k = 25.0 + 15.0 * v;
                Observation {
                    loss_w: 1.6 * lift_k + noise + drawn,
                    lift_k,
                    share: 1.0,
                    day: i / 12,
                    at_ms: 0,
                    hours: 1.5,
                    fall_k_per_w: 0.006,
                }
            })
            .collect()
    }

    #[test]
    fn clean_segments_give_the_coefficient() {
        assert!((fit(&data(0.0), 0.0).unwrap().w_per_k / 1.6 - 1.0).abs() < 0.02);
    }

    #[test]
    fn unseen_draws_do_not_raise_it() {
        let raised: Vec<f64> = data(0.4).iter().map(|o| o.loss_w / o.lift_k).collect();
        assert!(raised.iter().sum::<f64>() / 400.0 > 1.6 * 1.1);
        assert!((fit(&data(0.4), 0.0).unwrap().w_per_k / 1.6 - 1.0).abs() < 0.05);
    }
}
