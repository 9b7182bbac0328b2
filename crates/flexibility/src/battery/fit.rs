//! The one store that a group can imitate.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use super::bounds::{Bounds, resting_loads, sums};
use super::set::{Envelope, HORIZON};
use super::signals::{miss_rate, support_share};

/// Random signals, of which the fit lets this share break a home's comfort.
pub const LARGEST_MISS: f64 = 0.05;
/// Signals that a size is tried on.
const TRIED: usize = 400;
/// The fit leaves this much of the miss rate to chance.
const TARGET: f64 = 0.6 * LARGEST_MISS;
/// A store that misses more is made so many times as large, and so often at most.
const CUT: f64 = 0.95;
const MOST_CUTS: usize = 40;
/// Times by which numbers are made larger and smaller, one step after the other, in so many rounds each while the reach gains as much.
const STEPS: [f64; 3] = [1.5, 1.15, 1.04];
const MOST_ROUNDS: usize = 8;
const LEAST_GAIN: f64 = 1e-4;
/// Halvings by which a number is let out.
const HALVINGS: usize = 10;

/// One number of a store.
#[derive(Clone, Copy, Debug)]
enum Part {
    Resting,
    Charge,
    Discharge,
    Room,
    Start,
}

impl Part {
    const ALL: [Self; 5] = [Self::Resting, Self::Charge, Self::Discharge, Self::Room, Self::Start];
}

/// One store, in electricity beside its resting load: what use and loss take, so that at it the store keeps what it holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Battery {
    /// Load at which the store keeps what it holds, kW; all of the load counts.
    pub resting_kw: f64,
    /// Most load beyond the resting load, kW.
    pub charge_kw: f64,
    /// Most load below the resting load, kW.
    pub discharge_kw: f64,
    /// Capacity between empty and full, kWh.
    pub capacity_kwh: f64,
    /// Share of what is stored beside the resting load that is lost in an hour, 1/h.
    pub leakage_per_h: f64,
    /// State at the start: what may be taken out, kWh.
    pub start_kwh: f64,
}

impl Battery {
    /// The store as bounds beside its resting load, constant over the horizon.
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

    fn of(&self, part: Part) -> f64 {
        match part {
            Part::Resting => self.resting_kw,
            Part::Charge => self.charge_kw,
            Part::Discharge => self.discharge_kw,
            Part::Room => self.capacity_kwh - self.start_kwh,
            Part::Start => self.start_kwh,
        }
    }

    /// With one number so many times as large.
    fn with(&self, part: Part, times: f64) -> Self {
        let mut out = *self;
        let room = self.of(Part::Room);
        match part {
            Part::Resting => out.resting_kw *= times,
            Part::Charge => out.charge_kw *= times,
            Part::Discharge => out.discharge_kw *= times,
            Part::Room => out.capacity_kwh = self.start_kwh + times * room,
            Part::Start => {
                out.start_kwh *= times;
                out.capacity_kwh = room + out.start_kwh;
            }
        }
        out
    }

    /// So many times as large about the same resting load.
    fn scaled(&self, times: f64) -> Self {
        Self {
            charge_kw: times * self.charge_kw,
            discharge_kw: times * self.discharge_kw,
            capacity_kwh: times * self.capacity_kwh,
            start_kwh: times * self.start_kwh,
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

/// Fits the one store to homes: the one that reaches farthest on average and nowhere farther than the homes, made smaller where they cannot
/// follow random signals within it half-hour by half-hour.
///
/// `None` without homes, or where nothing can be moved. `directions` is the number of random directions and of random signals that it is
/// then judged by. The same seed gives the same figures.
#[must_use]
pub fn fit(homes: &[Envelope], directions: usize, seed: u64) -> Option<Fitted> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let bounds = Bounds::of(homes, &mut rng);
    let mut best: Option<(f64, Battery)> = None;
    for resting_kw in resting_loads(homes) {
        let found = sums(homes, resting_kw).and_then(|whole| farthest(&whole, &bounds));
        if found.is_some_and(|found| best.is_none_or(|best| found.0 > best.0)) {
            best = found;
        }
    }
    let mut battery = best?.1;
    if let Some(whole) = sums(homes, battery.resting_kw) {
        battery = let_out(battery, &whole, &bounds);
    }
    let misses = |battery: &Battery| miss_rate(homes, battery, TRIED, &mut ChaCha8Rng::seed_from_u64(seed));
    for _ in 0..MOST_CUTS {
        if misses(&battery) <= TARGET {
            break;
        }
        battery = battery.scaled(CUT);
    }
    rng.set_stream(1);
    Some(Fitted {
        battery,
        support_share: support_share(homes, &battery, directions, &mut rng),
        miss_rate: miss_rate(homes, &battery, directions, &mut rng),
    })
}

/// The store that reaches farthest, and its reach: from `whole` on one number after the other is made larger and smaller, in ever smaller
/// steps, and the store as large as the bounds let it be. `None` where not even the resting load is within them.
fn farthest(whole: &Battery, bounds: &Bounds) -> Option<(f64, Battery)> {
    let filled = |shape: &Battery| {
        let battery = shape.scaled(bounds.most_times(shape)?);
        Some((bounds.share(&battery), battery))
    };
    let mut best = filled(whole).filter(|found| !found.0.is_nan())?;
    for step in STEPS {
        for _ in 0..MOST_ROUNDS {
            let before = best.0;
            for part in Part::ALL {
                for times in [step, 1.0 / step] {
                    while let Some(found) =
                        filled(&best.1.with(part, times)).filter(|found| found.0 > best.0 + LEAST_GAIN)
                    {
                        best = found;
                    }
                }
            }
            if best.0 <= before {
                break;
            }
        }
    }
    Some(best)
}

/// With numbers that bind nothing within the 2 h, such as much hot water at the start, as large as the bounds let them be, up to what the homes
/// have throughout.
fn let_out(mut battery: Battery, whole: &Battery, bounds: &Bounds) -> Battery {
    for part in [Part::Start, Part::Room, Part::Discharge, Part::Charge] {
        let most = whole.of(part) / battery.of(part);
        if !most.is_finite() || most <= 1.0 {
            continue;
        }
        if bounds.hold(&battery.with(part, most)) {
            battery = battery.with(part, most);
            continue;
        }
        let (mut good, mut bad) = (1.0, most);
        for _ in 0..HALVINGS {
            let middle = (good + bad) / 2.0;
            if bounds.hold(&battery.with(part, middle)) {
                good = middle;
            } else {
                bad = middle;
            }
        }
        battery = battery.with(part, good);
    }
    battery
}

#[cfg(test)]
mod tests {
    use super::*;

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

    #[test]
    fn a_store_lies_about_the_load_that_keeps_its_content() {
        // night heating that ends: beside the baseline the room shrinks by what the baseline heats beyond the use of 0.2 kW
        let homes: Vec<Envelope> = (0..30)
            .map(|i| {
                let base = [2.2, 1.4, 0.6, 0.2];
                let mut heated = 0.0;
                let high = base.map(|kw| {
                    heated += 0.5 * (kw - 0.2);
                    4.0 + 0.02 * f64::from(i) - heated
                });
                Envelope {
                    least_kw: base.map(|kw| -kw),
                    most_kw: base.map(|kw| 3.0 - kw),
                    low_kwh: high.map(|kwh| kwh - 9.0),
                    high_kwh: high,
                    kept_per_h: 1.0,
                }
            })
            .collect();
        let fitted = fit(&homes, 500, 3).unwrap();
        let store = fitted.battery;
        assert!((store.resting_kw - 6.0).abs() < 0.5 && (store.charge_kw - 84.0).abs() < 2.0, "{store:?}");
        assert!(fitted.support_share > 0.97 && fitted.miss_rate == 0.0, "{fitted:?}");
        // what bounds nothing within 2 h is told whole: 5 kWh a home at the least
        assert!(store.start_kwh > 120.0, "{store:?}");
    }

    #[test]
    fn a_store_reaches_nowhere_farther_than_its_homes() {
        let homes: Vec<Envelope> = (0..40)
            .map(|i| {
                let base = [0.1 + 0.05 * f64::from(i % 7), 0.4, 0.05 * f64::from(i % 3), 0.3];
                Envelope {
                    least_kw: base.map(|kw| -kw),
                    most_kw: base.map(|kw| 3.0 - kw),
                    low_kwh: [-0.3 * f64::from(i % 5); HORIZON],
                    high_kwh: [0.4 + 0.1 * f64::from(i % 9), 1.0, 0.6, 0.9],
                    kept_per_h: 0.99,
                }
            })
            .collect();
        let fitted = fit(&homes, 500, 3).unwrap();
        assert!(fitted.support_share > 0.3, "{fitted:?}");
        // directions that the fit has not seen
        let fresh = Bounds::of(&homes, &mut ChaCha8Rng::seed_from_u64(99));
        assert!(fresh.hold(&fitted.battery.scaled(0.98)), "{fitted:?}");
        assert!(!fresh.hold(&fitted.battery.scaled(1.3)), "{fitted:?}");
    }
}
