//! What would have been declared on past days from the days before them, held against what came.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::fleet::{FIRM, Sums, to_level};
use crate::quantile::{crps, of_next};
use crate::trial::{Direction, SLOTS};

/// Less than this share of the largest declared half-hour is nothing to sell; such periods are not counted.
const SOLD_SHARE: f64 = 0.02;
/// Fewest days of a kind before a day, for it to be declared.
const FEWEST_DAYS: usize = 5;

/// Scores of one direction and one duration.
#[derive(Clone, Debug, PartialEq)]
pub struct BackTest {
    /// Days declared.
    pub days: usize,
    /// Settlement periods declared.
    pub periods: usize,
    /// Periods in which less came than was declared as firm.
    pub broken: usize,
    /// Sum of what came over the sum of the declared medians, less 1; NaN where nothing was declared.
    pub p50_bias: f64,
    /// Continuous ranked probability score, mean over periods, kW.
    pub crps_kw: f64,
    /// What came, mean over periods, kW.
    pub mean_kw: f64,
    /// Homes on which an event was put, counted once a period.
    pub home_events: u64,
    /// Of these, with a user who went short.
    pub short: u64,
    /// Periods declared and periods broken, by day.
    pub by_day: Vec<(usize, usize)>,
}

impl BackTest {
    /// Share of periods broken; NaN without periods.
    #[must_use]
    pub fn broken_share(&self) -> f64 {
        self.broken as f64 / self.periods as f64
    }

    /// Bounds of the share of broken periods, 95 %, when whole days are drawn again and again; NaN without periods.
    #[must_use]
    pub fn broken_bounds(&self, seed: u64) -> (f64, f64) {
        const DRAWS: usize = 1000;
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut shares: Vec<f64> = (0..DRAWS)
            .filter_map(|_| {
                let (periods, broken) = (0..self.by_day.len())
                    .map(|_| self.by_day[rng.random_range(0..self.by_day.len())])
                    .fold((0, 0), |sum, day| (sum.0 + day.0, sum.1 + day.1));
                (periods > 0).then(|| broken as f64 / periods as f64)
            })
            .collect();
        shares.sort_by(f64::total_cmp);
        (of_next(&shares, 0.025), of_next(&shares, 0.975))
    }

    /// Share of home-events with a user who went short; NaN without events.
    #[must_use]
    pub fn short_share(&self) -> f64 {
        self.short as f64 / self.home_events as f64
    }
}

/// What is declared for one period: (firm, P50, the days' values that both come from), kW. Values of past days are brought from the level of the
/// week before each to the level of the week before the day (`levels` of [`Sums::levels`]).
#[must_use]
pub fn declared(
    sums: &Sums,
    levels: &[f64],
    day: usize,
    window: usize,
    slot: usize,
    direction: Direction,
    duration: usize,
) -> Option<(f64, f64, Vec<f64>)> {
    let mut values: Vec<f64> = sums
        .reached_days(sums.is_weekend(day), slot, direction, duration)
        .filter(|d| *d < day && *d + window >= day)
        .map(|d| sums.kw(d, slot, direction, duration) * to_level(levels[d], levels[day]))
        .collect();
    if values.len() < FEWEST_DAYS {
        return None;
    }
    values.sort_by(f64::total_cmp);
    Some((of_next(&values, FIRM), of_next(&values, 0.5), values))
}

/// Declares every day from `first` on (its place in the sums' days) from the `window` days before it.
#[must_use]
pub fn back_test(
    sums: &Sums,
    first: usize,
    window: usize,
    direction: Direction,
    duration: usize,
) -> BackTest {
    let mut out = BackTest {
        days: 0,
        periods: 0,
        broken: 0,
        p50_bias: f64::NAN,
        crps_kw: 0.0,
        mean_kw: 0.0,
        home_events: 0,
        short: 0,
        by_day: Vec::new(),
    };
    let levels = sums.levels(direction, duration);
    let (mut came_kw, mut p50_kw) = (0.0, 0.0);
    for day in first..sums.days().len() {
        let offers: Vec<_> = (0..SLOTS)
            .filter_map(|slot| Some((slot, declared(sums, &levels, day, window, slot, direction, duration)?)))
            .collect();
        let largest = offers.iter().map(|(_, (_, p50, _))| *p50).fold(0.0, f64::max);
        out.days += usize::from(!offers.is_empty());
        let before = (out.periods, out.broken);
        for (slot, (firm, p50, values)) in offers {
            if p50 <= SOLD_SHARE * largest || !sums.is_reached(day, slot, direction, duration) {
                continue;
            }
            let came = sums.kw(day, slot, direction, duration);
            out.periods += 1;
            out.broken += usize::from(came < firm);
            came_kw += came;
            p50_kw += p50;
            out.crps_kw += crps(&values, came);
            let (events, short) = sums.events(day, slot, direction, duration);
            out.home_events += u64::from(events);
            out.short += u64::from(short);
        }
        out.by_day.push((out.periods - before.0, out.broken - before.1));
    }
    if out.periods > 0 {
        out.p50_bias = came_kw / p50_kw - 1.0;
        out.crps_kw /= out.periods as f64;
        out.mean_kw = came_kw / out.periods as f64;
    }
    out
}
