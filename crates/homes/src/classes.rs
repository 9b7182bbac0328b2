//! What each draw-off was probably for, as far as litres tell: a small use, a shower-like one, a bath or several at once.
//!
//! The classes are bounds on the litres of 40 degC water that carry the same heat. What was read is not what was drawn, so a
//! class is a probability: each home's draw-offs are a mixture of three normal distributions of (logarithm of litres, logarithm
//! of minutes, hour of the day as sine and cosine), drawn towards the fleet's, and within each part the true litres lie about
//! the read ones by the reading's error. The mixture is fitted by expectation and maximisation with conjugate priors (C. Fraley
//! and A. Raftery, Journal of Classification 24 (2007) 155-181, from memory).
//!
//! Where stamps are 15 min or more apart a row is an interval with draw-offs, not an event: its length says nothing and is left out,
//! and several small uses in one interval are one larger.

mod mixture;

use std::collections::BTreeSet;

use drawoff_contract::Utc;
use drawoff_contract::local::minute_of_day;
use drawoff_tank::water::Water;
use rayon::prelude::*;

use self::mixture::{Law, Mixture, Point, fleet_mixture};
use crate::habits::learnt_from;
use crate::reading::{HomeNotes, HomeReading};

/// Below this a use is small, l at 40 degC: a wash basin or a rinse (common practice, no source).
pub const SMALL_BELOW_L: f64 = 6.0;
/// From this on it is a bath, or several uses at once, l at 40 degC (common practice, no source).
pub const BATH_FROM_L: f64 = 60.0;
/// Temperature of the mixed water, degC.
const MIXED_DEGC: f64 = 40.0;
/// From this cadence on, the length of a draw-off is that of the interval, min.
const COARSE_MIN: f64 = 15.0;
/// Draw-offs of the fleet from which its mixture is learnt; more would cost time and change nothing.
const MOST_FLEET_DRAWS: usize = 20_000;

/// Classes of one home's draw-offs.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HomeClasses {
    /// Probabilities of small, shower-like, and bath or several, for each draw-off in order; they sum to 1. `None` where the draw-off
    /// carries no heat above its feed.
    pub of_draws: Vec<Option<[f64; 3]>>,
    /// Expected number of each class a day that was seen; `None` without such a day.
    pub per_day: Option<[f64; 3]>,
}

impl HomeClasses {
    /// Writes the classes into the rows of the home that they were read of.
    pub fn write(&self, reading: &mut HomeReading) {
        for (row, found) in reading.days.draws.iter_mut().zip(&self.of_draws) {
            [row.class_small, row.class_shower, row.class_bath] = found.map_or([None; 3], |p| p.map(Some));
        }
        [reading.row.small_draws_per_day, reading.row.shower_draws_per_day, reading.row.bath_draws_per_day] =
            self.per_day.map_or([None; 3], |p| p.map(Some));
    }
}

/// What the classes of one home are read from.
#[derive(Clone, Debug)]
pub struct HomeDraws {
    points: Vec<Option<Point>>,
    coarse: bool,
    /// Days that were seen.
    days: usize,
}

impl HomeDraws {
    /// Takes what is needed from a home's daybook and reading.
    #[must_use]
    pub fn new(notes: HomeNotes<'_>, reading: &HomeReading, water: Water) -> Self {
        let days = reading.days.rows.iter().filter(|d| d.energy_kwh.is_some()).count();
        Self { points: points(notes, reading, water), coarse: is_coarse(notes), days }
    }
}

/// What a fleet tells of classes: homes whose draw-offs are events and homes where they are intervals are two kinds of fleet.
#[derive(Clone, Debug)]
pub struct FleetClasses([Mixture; 2]);

impl FleetClasses {
    /// Learns from some homes.
    #[must_use]
    pub fn learn(homes: &[&HomeDraws]) -> Self {
        Self([false, true].map(|kind| {
            let of_kind = homes.iter().filter(|h| h.coarse == kind);
            let all: Vec<Point> = of_kind.flat_map(|h| h.points.iter().flatten().copied()).collect();
            let step = all.len().div_ceil(MOST_FLEET_DRAWS).max(1);
            fleet_mixture(&all.iter().step_by(step).copied().collect::<Vec<_>>(), !kind)
        }))
    }

    /// Classes of the draw-offs of one home.
    #[must_use]
    pub fn of_home(&self, home: &HomeDraws) -> HomeClasses {
        let own: Vec<Point> = home.points.iter().flatten().copied().collect();
        let mixture = self.0[usize::from(home.coarse)].of_home(&own);
        let laws = mixture.laws();
        let of_draws: Vec<Option<[f64; 3]>> =
            home.points.iter().map(|p| p.map(|p| probabilities(&mixture, &laws, p))).collect();
        let sums = of_draws.iter().flatten().fold([0.0; 3], |s, p| std::array::from_fn(|c| s[c] + p[c]));
        let per_day = (home.days > 0).then(|| sums.map(|s| s / home.days as f64));
        HomeClasses { of_draws, per_day }
    }
}

/// Classes of the draw-offs of each home of a fleet, homes in the order given.
#[must_use]
pub fn read_classes(homes: &[(HomeNotes<'_>, &HomeReading)], water: Water) -> Vec<HomeClasses> {
    let draws: Vec<HomeDraws> =
        homes.par_iter().map(|(notes, reading)| HomeDraws::new(*notes, reading, water)).collect();
    let learnt: Vec<&HomeDraws> = learnt_from(draws.len()).into_iter().map(|i| &draws[i]).collect();
    let fleet = FleetClasses::learn(&learnt);
    draws.par_iter().map(|d| fleet.of_home(d)).collect()
}

/// Most days come at a cadence at which a draw-off is an interval.
fn is_coarse(notes: HomeNotes<'_>) -> bool {
    let coarse = notes.days.iter().filter(|d| d.cadence_min >= COARSE_MIN).count();
    2 * coarse > notes.days.len()
}

/// Litres at 40 degC, length and hour of each draw-off.
fn points(notes: HomeNotes<'_>, reading: &HomeReading, water: Water) -> Vec<Option<Point>> {
    let mut day = 0;
    // By either end: a draw-off cut at midnight keeps one of them in each part.
    let heated = || notes.draws.iter().filter(|d| d.heating);
    let starts: BTreeSet<Utc> = heated().map(|d| d.start).collect();
    let ends: BTreeSet<Utc> = heated().map(|d| d.end).collect();
    reading
        .days
        .draws
        .iter()
        .map(|draw| {
            // Draw-offs and days are both in order of time.
            while day + 1 < notes.days.len() && notes.days[day + 1].day_start_utc <= draw.start {
                day += 1;
            }
            let cold_degc = *reading.cold_degc.get(day)?;
            let litres = draw.energy_kwh * 1000.0 / water.heat_wh_per_l(cold_degc, MIXED_DEGC);
            if !litres.is_finite() || litres <= 0.0 {
                return None;
            }
            let minutes = (draw.end.0 - draw.start.0) as f64 / 60_000.0;
            let minute = f64::from(minute_of_day(notes.cylinder.zone, draw.start.0));
            let heating = starts.contains(&draw.start) || ends.contains(&draw.end);
            Some(Point::new(litres, minutes, minute / 60.0, heating))
        })
        .collect()
}

/// Probabilities of the classes of one draw-off: over the parts of the mixture, the chance that its true litres lie in the bounds.
fn probabilities(mixture: &Mixture, laws: &[Law; 3], point: Point) -> [f64; 3] {
    let mut out = [0.0; 3];
    for (share, mean, sd) in point.readings().into_iter().flat_map(|(likely, point)| {
        mixture.true_log_litres(laws, point).map(|(share, mean, sd)| (likely * share, mean, sd))
    }) {
        let below = |litres: f64| 0.5 * libm::erfc((mean - litres.ln()) / (sd * std::f64::consts::SQRT_2));
        let (small, no_bath) = (below(SMALL_BELOW_L), below(BATH_FROM_L));
        out[0] += share * small;
        out[1] += share * (no_bath - small);
        out[2] += share * (1.0 - no_bath);
    }
    // Rounding must not leave the sum beside 1.
    let sum: f64 = out.iter().sum();
    out.map(|p| (p / sum).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(points: &[Point]) -> Vec<[f64; 3]> {
        let mixture = fleet_mixture(points, true).of_home(points);
        points.iter().map(|p| probabilities(&mixture, &mixture.laws(), *p)).collect()
    }

    #[test]
    fn probabilities_sum_to_one_whatever_was_read() {
        let litres = [1e-9, 0.01, 0.5, 3.0, 6.0, 12.0, 30.0, 59.0, 61.0, 150.0, 1e4];
        let points: Vec<Point> = litres.iter().map(|l| Point::new(*l, 5.0 + l / 8.0, 9.0, false)).collect();
        for found in of(&points) {
            assert!((found.iter().sum::<f64>() - 1.0).abs() < 1e-12, "{found:?}");
            assert!(found.iter().all(|p| (0.0..=1.0).contains(p)), "{found:?}");
        }
    }

    #[test]
    fn clear_cases_are_clear_and_bounds_are_even() {
        let litres = [2.0, 2.5, 3.0, 30.0, 35.0, 40.0, 110.0, 120.0, 6.0, 60.0];
        let points: Vec<Point> = litres.iter().map(|l| Point::new(*l, 5.0 + l / 8.0, 9.0, false)).collect();
        let found = of(&points);
        assert!(found[0][0] > 0.95 && found[4][1] > 0.95 && found[7][2] > 0.95, "{found:?}");
        assert!((0.2..0.8).contains(&found[8][0]) && (0.2..0.8).contains(&found[9][2]), "{found:?}");
    }

    #[test]
    fn no_homes_no_classes() {
        assert!(read_classes(&[], Water::Iapws).is_empty());
    }
}
