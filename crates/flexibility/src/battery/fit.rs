//! The one store that a group can imitate.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::set::{Envelope, HORIZON, STEP_H, support};

/// Random signals, of which the fit lets this share break a home's comfort.
pub const LARGEST_MISS: f64 = 0.05;
/// Signals that a scale is tried on.
const TRIED: usize = 200;
/// The fit leaves this much of the miss rate to chance.
const TARGET: f64 = 0.6 * LARGEST_MISS;
/// Random directions that shapes are compared by.
const TRIED_DIRECTIONS: usize = 64;
/// Halvings of the search for a scale: to a hundredth.
const HALVINGS: usize = 7;
/// Parts of each number that shapes are made of.
const PARTS: [f64; 2] = [1.0, 0.5];

/// Shares of the group's sum by which the numbers are let out, one round after the other.
const STEPS: [f64; 3] = [0.2, 0.07, 0.02];
/// Steps of one number in one go.
const MOST_STEPS: usize = 6;

/// A heater smaller than this has no time to full, kW.
const LEAST_KW: f64 = 0.05;
/// Longest time to full that is told apart, h.
const LONGEST_H: f64 = 48.0;
/// Halvings of the time to full: to a minute.
const TIME_HALVINGS: usize = 12;

/// A number that is let out by itself.
#[derive(Clone, Copy, Debug)]
enum Part {
    Charge,
    Discharge,
    Room,
    Start,
}

/// Five numbers of one store, electricity beside the baseline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Battery {
    /// Most load beyond the baseline, kW.
    pub charge_kw: f64,
    /// Most load held off, kW.
    pub discharge_kw: f64,
    /// Capacity between empty and full, kWh.
    pub capacity_kwh: f64,
    /// Share of what is stored beside the baseline that is lost in an hour, 1/h.
    pub leakage_per_h: f64,
    /// State at the start: what may be taken out, kWh.
    pub start_kwh: f64,
}

impl Battery {
    /// The store as bounds, constant over the horizon.
    #[must_use]
    pub fn envelope(&self) -> Envelope {
        Envelope {
            least_kw: [-self.discharge_kw; HORIZON],
            most_kw: [self.charge_kw; HORIZON],
            low_kwh: [-self.start_kwh; HORIZON],
            high_kwh: [self.capacity_kwh - self.start_kwh; HORIZON],
            kept_per_h: 1.0 - self.leakage_per_h,
        }
    }

    /// With one number larger by a share of the largest that it may be.
    fn with(&self, part: Part, step: f64, most: &Self) -> Self {
        let mut out = *self;
        let grown = |own: f64, of: f64| (own + step * of).min(of).max(own);
        let room = self.capacity_kwh - self.start_kwh;
        match part {
            Part::Charge => out.charge_kw = grown(self.charge_kw, most.charge_kw),
            Part::Discharge => out.discharge_kw = grown(self.discharge_kw, most.discharge_kw),
            Part::Room => {
                out.capacity_kwh = self.start_kwh + grown(room, most.capacity_kwh - most.start_kwh);
            }
            Part::Start => {
                out.start_kwh = grown(self.start_kwh, most.start_kwh);
                out.capacity_kwh = room + out.start_kwh;
            }
        }
        out
    }

    fn scaled(&self, by: f64) -> Self {
        Self {
            charge_kw: by * self.charge_kw,
            discharge_kw: by * self.discharge_kw,
            capacity_kwh: by * self.capacity_kwh,
            start_kwh: by * self.start_kwh,
            ..*self
        }
    }
}

/// A fitted store with the figures of its honesty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fitted {
    /// The store.
    pub battery: Battery,
    /// Its reach over that of the homes' simulated set, mean over random directions.
    pub support_share: f64,
    /// Share of random signals within it that break a home's comfort, on signals that it was not fitted on.
    pub miss_rate: f64,
}

/// Fits the one store to homes; `None` without homes, or where nothing can be moved. `directions` is the number of random directions
/// and of random signals that it is then judged by. The same seed gives the same figures.
#[must_use]
pub fn fit(homes: &[Envelope], directions: usize, seed: u64) -> Option<Fitted> {
    let whole = sums(homes, f64::INFINITY, f64::min)?;
    // no number may be larger than what the homes have at any time
    let most = sums(homes, 0.0, f64::max)?;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let keeps =
        |battery: &Battery| miss_rate(homes, battery, TRIED, &mut ChaCha8Rng::seed_from_u64(seed)) <= TARGET;
    // shapes between little and all of each number, each as large as the signals allow: the one that reaches farthest is taken
    let reach = |battery: &Battery| {
        support_share(homes, battery, TRIED_DIRECTIONS, &mut ChaCha8Rng::seed_from_u64(seed))
    };
    let mut best: Option<(f64, Battery)> = None;
    for shape in shapes(&whole) {
        let (mut good, mut bad) = (0.0, 1.0);
        for _ in 0..HALVINGS {
            let middle = (good + bad) / 2.0;
            if keeps(&shape.scaled(middle)) {
                good = middle;
            } else {
                bad = middle;
            }
        }
        let scaled = shape.scaled(good);
        let reached = reach(&scaled);
        if best.as_ref().is_none_or(|(most, _)| reached > *most) {
            best = Some((reached, scaled));
        }
    }
    let (_, mut battery) = best?;
    // one number after the other is let out as far as the signals allow, in ever smaller steps
    for step in STEPS {
        for part in [Part::Charge, Part::Discharge, Part::Room, Part::Start] {
            for _ in 0..MOST_STEPS {
                let wider = battery.with(part, step, &most);
                if wider == battery || !keeps(&wider) {
                    break;
                }
                battery = wider;
            }
        }
    }
    rng.set_stream(1);
    Some(Fitted {
        battery,
        support_share: support_share(homes, &battery, directions, &mut rng),
        miss_rate: miss_rate(homes, &battery, directions, &mut rng),
    })
}

/// Stores with all or a part of each number.
fn shapes(whole: &Battery) -> Vec<Battery> {
    let room = whole.capacity_kwh - whole.start_kwh;
    let mut out = Vec::with_capacity(PARTS.len().pow(4));
    for charge in PARTS {
        for discharge in PARTS {
            for room_part in PARTS {
                for start in PARTS {
                    let start_kwh = start * whole.start_kwh;
                    out.push(Battery {
                        charge_kw: charge * whole.charge_kw,
                        discharge_kw: discharge * whole.discharge_kw,
                        capacity_kwh: start_kwh + room_part * room,
                        start_kwh,
                        ..*whole
                    });
                }
            }
        }
    }
    out
}

/// What the homes' bounds sum to, at its least or its most over the horizon.
fn sums(homes: &[Envelope], from: f64, fold: fn(f64, f64) -> f64) -> Option<Battery> {
    let bound = |value: &dyn Fn(&Envelope, usize) -> f64| {
        (0..HORIZON).map(|t| homes.iter().map(|h| value(h, t)).sum::<f64>()).fold(from, fold)
    };
    let charge_kw = bound(&|h, t| h.most_kw[t]);
    let discharge_kw = bound(&|h, t| -h.least_kw[t]);
    let start_kwh = bound(&|h, t| -h.low_kwh[t]);
    let room_kwh = bound(&|h, t| h.high_kwh[t]);
    let kept = homes.iter().map(|h| h.kept_per_h).sum::<f64>() / homes.len() as f64;
    (charge_kw + discharge_kw > 0.0 && (start_kwh + room_kwh).is_finite()).then_some(Battery {
        charge_kw,
        discharge_kw,
        capacity_kwh: start_kwh + room_kwh,
        leakage_per_h: 1.0 - kept,
        start_kwh,
    })
}

/// Share of random signals within the store that cannot be shared out over the homes.
///
/// In each half-hour every home can take some load between two bounds without breaking its comfort then; a signal outside the sum of the
/// bounds is missed. Within them load goes first to the homes that would take longest to fill, so that as many as possible can still take
/// some later on.
pub fn miss_rate(homes: &[Envelope], battery: &Battery, signals: usize, rng: &mut ChaCha8Rng) -> f64 {
    let store = battery.envelope();
    let mut states = vec![0.0; homes.len()];
    let mut bounds: Vec<(f64, f64)> = vec![(0.0, 0.0); homes.len()];
    let mut missed = 0;
    for _ in 0..signals {
        states.fill(0.0);
        let mut x = 0.0;
        for t in 0..HORIZON {
            let (least, most) = store.range(t, x);
            let kw = least + (most - least).max(0.0) * rng.random::<f64>();
            x = store.after(x, kw);
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
    let mut sum = 0.0;
    let mut counted = 0;
    for _ in 0..directions {
        let direction: [f64; HORIZON] = std::array::from_fn(|_| normal(rng));
        let homes: f64 = homes.iter().map(|h| support(h, &direction)).filter(|s| !s.is_nan()).sum();
        if homes > 0.0 {
            sum += support(&store, &direction) / homes;
            counted += 1;
        }
    }
    sum / f64::from(counted)
}

/// A standard normal number (G. E. P. Box and M. E. Muller, Annals of Mathematical Statistics 29 (1958) 610).
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (1.0 - rng.random::<f64>(), rng.random());
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn home(rated: f64, base: f64, low: f64, high: f64) -> Envelope {
        Envelope {
            least_kw: [-base; HORIZON],
            most_kw: [rated - base; HORIZON],
            low_kwh: [-low; HORIZON],
            high_kwh: [high; HORIZON],
            kept_per_h: 0.99,
        }
    }

    #[test]
    fn equal_homes_are_one_store() {
        let homes = vec![home(3.0, 0.4, 2.0, 3.0); 40];
        let fitted = fit(&homes, 300, 7).unwrap();
        assert!(fitted.support_share > 0.98 && fitted.miss_rate == 0.0, "{fitted:?}");
        assert!((fitted.battery.charge_kw - 40.0 * 2.6).abs() < 1.0);
    }

    #[test]
    fn unequal_homes_make_a_smaller_store_that_keeps_its_word() {
        let homes: Vec<Envelope> = (0..60)
            .map(|i| {
                home(
                    3.0,
                    0.1 + 0.01 * f64::from(i),
                    0.5 + 0.1 * f64::from(i % 30),
                    0.2 + 0.15 * f64::from(i % 20),
                )
            })
            .collect();
        let fitted = fit(&homes, 500, 7).unwrap();
        assert!(fitted.miss_rate <= LARGEST_MISS + 0.02, "{fitted:?}");
        assert!(fitted.support_share > 0.6 && fitted.support_share <= 1.0, "{fitted:?}");
    }

    proptest! {
        /// The support by dynamic programming against a search over all loads on a grid, for the first three half-hours.
        #[test]
        fn support_is_what_exhaustive_search_finds(
            least in prop::array::uniform3(0_i32..3), most in prop::array::uniform3(0_i32..4),
            low in prop::array::uniform3(0_i32..3), high in prop::array::uniform3(0_i32..3), direction in prop::array::uniform3(-3_i32..4),
        ) {
            // states on a grid of half a kWh and no leakage: the best lies on the grid
            let mut store = home(0.0, 0.0, 9.0, 9.0);
            store.kept_per_h = 1.0;
            let mut towards = [0.0; HORIZON];
            for t in 0..3 {
                store.least_kw[t] = -f64::from(least[t]);
                store.most_kw[t] = f64::from(most[t]);
                store.low_kwh[t] = -f64::from(low[t]) / 2.0;
                store.high_kwh[t] = f64::from(high[t]) / 2.0;
                towards[t] = f64::from(direction[t]);
            }
            let mut best = f64::NEG_INFINITY;
            for a in -least[0]..=most[0] {
                for b in -least[1]..=most[1] {
                    for c in -least[2]..=most[2] {
                        let states = [a, a + b, a + b + c];
                        if (0..3).all(|t| states[t] >= -low[t] && states[t] <= high[t]) {
                            best = best.max(f64::from(direction[0] * a + direction[1] * b + direction[2] * c));
                        }
                    }
                }
            }
            let found = support(&store, &towards);
            prop_assert!((found - best).abs() < 1e-9, "{found} {best}");
        }
    }
}
