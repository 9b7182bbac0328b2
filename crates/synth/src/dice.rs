//! Random numbers by (run seed, home, purpose): adding a use of one never moves another.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream of random numbers is for.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Purpose {
    Slots = 1,
    Design,
    Fault,
    Habits,
    Draws,
    Town,
    Room,
    Voltage,
    Meters,
    Export,
    Probes,
    Pockets,
    SmallDraws,
    Source,
    Inlet,
    Cells,
    Whims,
    Unusual,
    Primary,
    FurtherMeters,
}

/// The number under which the whole town's weather is drawn.
pub(crate) const TOWN: u32 = u32::MAX;

/// A stream for one purpose of one home.
pub(crate) fn dice(seed: u64, home: u32, purpose: Purpose) -> ChaCha8Rng {
    let mut key = [0_u8; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    key[8..12].copy_from_slice(&home.to_le_bytes());
    key[12..16].copy_from_slice(&(purpose as u32).to_le_bytes());
    ChaCha8Rng::from_seed(key)
}

/// Uniform in [low, high).
pub(crate) fn uniform(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    let unit = (rng.next_u64() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64);
    low + (high - low) * unit
}

/// True with the given probability.
pub(crate) fn chance(rng: &mut ChaCha8Rng, probability: f64) -> bool {
    uniform(rng, 0.0, 1.0) < probability
}

/// A whole number in 0..count; 0 when `count` is 0.
pub(crate) fn below(rng: &mut ChaCha8Rng, count: usize) -> usize {
    (uniform(rng, 0.0, count as f64) as usize).min(count.saturating_sub(1))
}

/// One of the items, by weight.
pub(crate) fn weighted<T: Copy>(rng: &mut ChaCha8Rng, items: &[(T, f64)], otherwise: T) -> T {
    let total: f64 = items.iter().map(|i| i.1).sum();
    let mut left = uniform(rng, 0.0, total);
    for &(item, weight) in items {
        if left < weight {
            return item;
        }
        left -= weight;
    }
    otherwise
}

/// Normal, by the Box-Muller transform; libm gives the same bits on every platform.
pub(crate) fn normal(rng: &mut ChaCha8Rng, mean: f64, deviation: f64) -> f64 {
    let radius = (-2.0 * libm::log(1.0 - uniform(rng, 0.0, 1.0))).sqrt();
    mean + deviation * radius * libm::cos(core::f64::consts::TAU * uniform(rng, 0.0, 1.0))
}

/// Exponential with the given mean.
pub(crate) fn exponential(rng: &mut ChaCha8Rng, mean: f64) -> f64 {
    -mean * libm::log(1.0 - uniform(rng, 0.0, 1.0))
}

/// A Poisson count, by multiplying uniforms (Knuth); meant for means below about 50.
pub(crate) fn poisson(rng: &mut ChaCha8Rng, mean: f64) -> usize {
    let floor = libm::exp(-mean);
    let mut product = uniform(rng, 0.0, 1.0);
    let mut count = 0;
    while product > floor && count < 500 {
        product *= uniform(rng, 0.0, 1.0);
        count += 1;
    }
    count
}

/// The numbers 0..count in random order.
pub(crate) fn shuffled(rng: &mut ChaCha8Rng, count: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..count).collect();
    for i in (1..count).rev() {
        order.swap(i, below(rng, i + 1));
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_right_and_streams_differ() {
        let mut rng = dice(1, 2, Purpose::Draws);
        let n = 20_000;
        let normals: Vec<f64> = (0..n).map(|_| normal(&mut rng, 3.0, 2.0)).collect();
        let mean = normals.iter().sum::<f64>() / f64::from(n);
        let variance = normals.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / f64::from(n);
        assert!((mean - 3.0).abs() < 0.06 && (variance - 4.0).abs() < 0.2, "{mean} {variance}");
        let counts: usize = (0..n).map(|_| poisson(&mut rng, 2.5)).sum();
        assert!((counts as f64 / f64::from(n) - 2.5).abs() < 0.05);
        let a = uniform(&mut dice(1, 2, Purpose::Draws), 0.0, 1.0);
        let b = uniform(&mut dice(1, 2, Purpose::Room), 0.0, 1.0);
        let c = uniform(&mut dice(1, 3, Purpose::Draws), 0.0, 1.0);
        assert!(a != b && a != c);
    }
}
