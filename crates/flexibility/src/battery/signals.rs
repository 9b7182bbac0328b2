//! Random signals and directions that a store is judged by.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::bounds::beside_kw;
use super::fit::Battery;
use super::set::{Envelope, HORIZON, STEP_H, support};

/// A heater smaller than this has no time to full, kW.
const LEAST_KW: f64 = 0.05;
/// Longest time to full that is told apart, h.
const LONGEST_H: f64 = 48.0;
/// Halvings of the time to full: to a minute.
const TIME_HALVINGS: usize = 12;

/// Share of random signals within the store that cannot be shared out over the homes.
///
/// In each half-hour every home can take some load between two bounds without breaking its comfort then; a signal outside the sum of the
/// bounds is missed. Within them load goes first to the homes that would take longest to fill, so that as many as possible can still take
/// some later on.
pub fn miss_rate(homes: &[Envelope], battery: &Battery, signals: usize, rng: &mut ChaCha8Rng) -> f64 {
    let store = battery.envelope();
    let beside = beside_kw(homes, battery.resting_kw);
    let mut states = vec![0.0; homes.len()];
    let mut bounds: Vec<(f64, f64)> = vec![(0.0, 0.0); homes.len()];
    let mut missed = 0;
    for _ in 0..signals {
        states.fill(0.0);
        let mut x = 0.0;
        for (t, beside_kw) in beside.iter().enumerate() {
            let (least, most) = store.range(t, x);
            let kw = least + (most - least).max(0.0) * rng.random::<f64>();
            x = store.after(x, kw);
            let kw = kw + beside_kw;
            let (mut low, mut high) = (0.0, 0.0);
            for ((home, state), bound) in homes.iter().zip(&states).zip(&mut bounds) {
                let (a, b) = home.range(t, *state);
                *bound = (a, b.max(a));
                low += bound.0;
                high += bound.1;
            }
            let slack = 1e-9 * (high - low).abs().max(1.0);
            if kw < low - slack || kw > high + slack {
                missed += 1;
                break;
            }
            share_out(homes, t, kw, &bounds, &mut states);
        }
    }
    f64::from(missed) / signals.max(1) as f64
}

/// Moves all homes on by a half-hour in which together they take `kw`: all that can have the same time to full afterwards.
fn share_out(homes: &[Envelope], t: usize, kw: f64, bounds: &[(f64, f64)], states: &mut [f64]) {
    let taken = |i: usize, hours: f64, state: f64| {
        let home = &homes[i];
        let to_be = home.high_kwh[t] - hours * home.most_kw[t].max(LEAST_KW);
        let (least, most) = bounds[i];
        ((to_be - home.kept() * state) / STEP_H).clamp(least, most)
    };
    let (mut short, mut long) = (0.0, LONGEST_H);
    for _ in 0..TIME_HALVINGS {
        let middle = (short + long) / 2.0;
        let sum: f64 = states.iter().enumerate().map(|(i, state)| taken(i, middle, *state)).sum();
        if sum > kw {
            short = middle;
        } else {
            long = middle;
        }
    }
    let sums =
        |hours: f64| -> f64 { states.iter().enumerate().map(|(i, state)| taken(i, hours, *state)).sum() };
    let (more, less) = (sums(short), sums(long));
    // what halving leaves is shared in proportion
    let part = if more > less { ((kw - less) / (more - less)).clamp(0.0, 1.0) } else { 0.0 };
    for i in 0..states.len() {
        let (a, b) = (taken(i, long, states[i]), taken(i, short, states[i]));
        states[i] = homes[i].after(states[i], a + part * (b - a));
    }
}

/// Reach of the store over the reach of the homes' simulated set, mean over random directions (normal in each half-hour).
pub fn support_share(homes: &[Envelope], battery: &Battery, directions: usize, rng: &mut ChaCha8Rng) -> f64 {
    let store = battery.envelope();
    let beside = beside_kw(homes, battery.resting_kw);
    let mut sum = 0.0;
    let mut counted = 0;
    for _ in 0..directions {
        let direction: [f64; HORIZON] = std::array::from_fn(|_| normal(rng));
        let homes: f64 = homes.iter().map(|h| support(h, &direction)).filter(|s| !s.is_nan()).sum();
        if homes > 0.0 {
            let own: f64 = direction.iter().zip(beside).map(|(d, kw)| d * kw).sum();
            sum += (support(&store, &direction) + own) / homes;
            counted += 1;
        }
    }
    sum / f64::from(counted)
}

/// A standard normal number (G. E. P. Box and M. E. Muller, Annals of Mathematical Statistics 29 (1958) 610).
pub(super) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (1.0 - rng.random::<f64>(), rng.random());
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}
