//! How far homes reach together: what no store of theirs may exceed.

use rand_chacha::ChaCha8Rng;

use super::fit::Battery;
use super::set::{Envelope, HORIZON, STEP_H, support};
use super::signals::normal;

/// Random directions that shapes are compared by.
const RANDOM_DIRECTIONS: usize = 192;
/// What rounding may let a store reach beyond the homes, as a share.
const ROUNDING: f64 = 1e-6;

/// How far the homes reach in some directions: no store may reach farther in any.
pub(super) struct Bounds {
    /// Direction and the homes' reach, kW; the last [`RANDOM_DIRECTIONS`] are random.
    reach: Vec<([f64; HORIZON], f64)>,
    undisturbed_kw: [f64; HORIZON],
}

impl Bounds {
    /// In all directions of more, less or none in each half-hour, and in random ones.
    pub(super) fn of(homes: &[Envelope], rng: &mut ChaCha8Rng) -> Self {
        let signs = (0..3_usize.pow(HORIZON as u32))
            .map(|code| std::array::from_fn(|t| (code / 3_usize.pow(t as u32) % 3) as f64 - 1.0));
        let random: Vec<[f64; HORIZON]> =
            (0..RANDOM_DIRECTIONS).map(|_| std::array::from_fn(|_| normal(rng))).collect();
        let reach = signs
            .chain(random)
            .map(|direction| {
                let reach = homes.iter().map(|h| support(h, &direction)).filter(|s| !s.is_nan()).sum();
                (direction, reach)
            })
            .collect();
        Self { reach, undisturbed_kw: undisturbed_kw(homes) }
    }

    /// How many times as large a store of this shape may be; `None` where its resting load is not within the bounds, or where it has no size.
    ///
    /// What a store reaches from its resting load grows in proportion with its size.
    pub(super) fn most_times(&self, shape: &Battery) -> Option<f64> {
        let store = shape.envelope();
        let mut most = f64::INFINITY;
        for (direction, homes) in &self.reach {
            let left = homes - self.resting(shape, direction);
            if left < -ROUNDING * homes.max(1.0) {
                return None;
            }
            let reach = support(&store, direction);
            if reach > 0.0 {
                most = most.min(left.max(0.0) / reach);
            }
        }
        most.is_finite().then_some(most)
    }

    /// Whether the store reaches nowhere farther than the homes.
    pub(super) fn hold(&self, battery: &Battery) -> bool {
        self.most_times(battery).is_some_and(|times| times >= 1.0 - ROUNDING)
    }

    /// Mean of the store's reach over the homes' in the random directions; NaN where the homes can move nothing.
    pub(super) fn share(&self, battery: &Battery) -> f64 {
        let store = battery.envelope();
        let random = &self.reach[self.reach.len() - RANDOM_DIRECTIONS..];
        let (sum, count) = random.iter().filter(|(_, homes)| *homes > 0.0).fold(
            (0.0, 0.0),
            |(sum, n), (direction, homes)| {
                (sum + (support(&store, direction) + self.resting(battery, direction)) / homes, n + 1.0)
            },
        );
        sum / count
    }

    /// Reach of the store's resting load by itself, kW beside the undisturbed load.
    fn resting(&self, battery: &Battery, direction: &[f64; HORIZON]) -> f64 {
        direction.iter().zip(self.undisturbed_kw).map(|(d, kw)| d * (battery.resting_kw - kw)).sum()
    }
}

/// Load of the homes without events, kW.
fn undisturbed_kw(homes: &[Envelope]) -> [f64; HORIZON] {
    std::array::from_fn(|t| -homes.iter().map(|h| h.least_kw[t]).sum::<f64>())
}

/// The resting load beside the undisturbed one, kW: what turns a signal of the store into one of the homes.
pub(super) fn beside_kw(homes: &[Envelope], resting_kw: f64) -> [f64; HORIZON] {
    undisturbed_kw(homes).map(|kw| resting_kw - kw)
}

/// Share that is left after an hour, mean over homes.
fn kept_per_h(homes: &[Envelope]) -> f64 {
    homes.iter().map(|h| h.kept_per_h).sum::<f64>() / homes.len() as f64
}

/// Resting loads worth a try, kW: the mean and the least of the undisturbed load, and those at which the room, or what may be taken out, stays.
pub(super) fn resting_loads(homes: &[Envelope]) -> Vec<f64> {
    let undisturbed = undisturbed_kw(homes);
    let mean = undisturbed.iter().sum::<f64>() / HORIZON as f64;
    let hours = STEP_H * (HORIZON - 1) as f64;
    let drift = |bound: fn(&Envelope) -> &[f64; HORIZON]| {
        let at = |t: usize| homes.iter().map(|h| bound(h)[t]).sum::<f64>();
        let heated: f64 = undisturbed[1..].iter().map(|kw| kw * STEP_H).sum();
        (at(HORIZON - 1) - at(0) + heated) / hours
    };
    let least = undisturbed.iter().copied().fold(f64::INFINITY, f64::min);
    // a number is made larger and smaller in proportion, so none begins at nothing
    [mean, drift(|h| &h.high_kwh), drift(|h| &h.low_kwh), least].map(|kw| kw.max(mean / 20.0)).to_vec()
}

/// What the homes' bounds beside a resting load sum to, at its least over the horizon.
pub(super) fn sums(homes: &[Envelope], resting_kw: f64) -> Option<Battery> {
    if homes.is_empty() {
        return None;
    }
    let kept = kept_per_h(homes);
    let beside = beside_kw(homes, resting_kw);
    let mut state = 0.0;
    let states = beside.map(|kw| {
        state = kept.clamp(1e-6, 1.0).sqrt() * state + STEP_H * kw;
        state
    });
    let bound = |value: &dyn Fn(&Envelope, usize) -> f64, less: &[f64; HORIZON]| {
        (0..HORIZON)
            .map(|t| homes.iter().map(|h| value(h, t)).sum::<f64>() - less[t])
            .fold(f64::INFINITY, f64::min)
    };
    let charge_kw = bound(&|h, t| h.most_kw[t], &beside);
    let discharge_kw = bound(&|h, t| -h.least_kw[t], &beside.map(|kw| -kw));
    let start_kwh = bound(&|h, t| -h.low_kwh[t], &states.map(|kwh| -kwh));
    let room_kwh = bound(&|h, t| h.high_kwh[t], &states);
    (charge_kw >= 0.0
        && discharge_kw >= 0.0
        && room_kwh >= 0.0
        && start_kwh >= 0.0
        && charge_kw + discharge_kw > 0.0
        && (start_kwh + room_kwh).is_finite())
    .then_some(Battery {
        resting_kw,
        charge_kw,
        discharge_kw,
        capacity_kwh: start_kwh + room_kwh,
        leakage_per_h: 1.0 - kept,
        start_kwh,
    })
}
