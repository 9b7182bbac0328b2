//! Loss coefficient from idle segments, some of which hold draw-offs too small to see.
//!
//! A segment either loses heat by insulation alone, with normal noise, or by insulation and an unseen draw-off, which
//! only ever adds (normal plus exponential). The atom of clean segments matters: without it the fit over-corrects.

mod densities;
mod search;

use libm::{exp, log};

use self::densities::Densities;
use self::search::{Cost, minimise};
use crate::robust::{median, quantile};

/// Noise of a segment is never taken as less, W.
const LEAST_SIGMA_W: f64 = 1e-3;

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

/// Parameters of the search: coefficient, logarithm of the noise beyond its floor, logarithm of the mean drawn beyond 1.5 times the
/// noise, log-odds of a clean segment.
pub(crate) type Place = [f64; 4];
/// Index of the mean drawn.
const DRAWN: usize = 2;

fn parameters(x: &Place, floor_w: f64) -> Fit {
    let sigma_w = floor_w + exp(x[1]);
    Fit { w_per_k: x[0], sigma_w, drawn_w: exp(x[2]) + 1.5 * sigma_w, clean: 1.0 / (1.0 + exp(-x[3])) }
}

/// Logarithms are taken of products of so many densities: none of them is below 1e-38, so that no product is lost.
const FACTORS: usize = 8;

/// Cost of a place with its slopes, and what a first look says of its curvature.
fn cost(x: &Place, data: &[Observation], floor_w: f64) -> Cost {
    let fit = parameters(x, floor_w);
    if !(1e-6..1.0 - 1e-6).contains(&fit.clean) || fit.drawn_w > 1e6 || !fit.w_per_k.is_finite() {
        return Cost { value: f64::INFINITY, ..Cost::default() };
    }
    let densities = Densities::new(&fit);
    let (sigma_by_x, drawn_by_x) = (fit.sigma_w - floor_w, fit.drawn_w - 1.5 * fit.sigma_w);
    // Weak prior that keeps the share of clean segments away from 0 and 1.
    let mut out = Cost { value: -log(fit.clean * (1.0 - fit.clean)), ..Cost::default() };
    out.slope[3] = 2.0 * fit.clean - 1.0;
    for some in data.chunks(FACTORS) {
        let mut product = 1.0;
        for o in some {
            let d = densities.at(o.loss_w - fit.w_per_k * o.lift_k);
            out.value -= d.exponent;
            product *= d.factor;
            let slope = [
                -o.lift_k * d.by_residual,
                sigma_by_x * (d.by_sigma + 1.5 * d.by_drawn),
                drawn_by_x * d.by_drawn,
                d.clean - fit.clean,
            ];
            for (i, a) in slope.iter().enumerate() {
                out.slope[i] -= a;
                for (j, b) in slope.iter().enumerate() {
                    out.products[i][j] += a * b;
                }
            }
        }
        out.value -= log(product);
    }
    out
}

/// Fits the mixture with a noise of at least `least_sigma_w`; `None` with fewer than 12 segments.
pub(crate) fn fit(data: &[Observation], least_sigma_w: f64) -> Option<Fit> {
    if data.len() < 12 {
        return None;
    }
    let floor_w = least_sigma_w.max(LEAST_SIGMA_W);
    let ratios: Vec<f64> = data.iter().map(|o| o.loss_w / o.lift_k).collect();
    let mut best: Option<(Place, f64)> = None;
    for q in [0.2, 0.45] {
        let start = quantile(&ratios, q);
        let spread = median(&data.iter().map(|o| (o.loss_w - start * o.lift_k).abs()).collect::<Vec<_>>());
        let sigma_w = (spread / 0.67 + 0.5).max(1.1 * least_sigma_w);
        let begin = [start, log(sigma_w - floor_w), log(40.0), 1.0];
        let longest = [0.3 * start.abs().max(0.3), 1.0, 1.5, 1.5];
        // Draw-offs no larger than the noise can stand for the noise itself, and clean segments for the rare ones, at a coefficient some
        // 10 % lower: now and then as likely, and not what is meant. With their mean held first, the search begins among fits
        // whose draw-offs are larger than the noise.
        let held = |x: &Place| cost(x, data, floor_w).with_held(DRAWN);
        let (begin, _) = minimise(begin, longest, &held);
        let x = minimise(begin, longest, &|x| cost(x, data, floor_w));
        if best.is_none_or(|(_, c)| x.1 < c) {
            best = Some(x);
        }
    }
    best.map(|(x, _)| parameters(&x, floor_w))
}

/// Probability that each segment is clean, under the fit.
pub(crate) fn clean_probabilities(fit: &Fit, data: &[Observation]) -> Vec<f64> {
    let densities = Densities::new(fit);
    data.iter().map(|o| densities.at(o.loss_w - fit.w_per_k * o.lift_k).clean).collect()
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
