//! Sums over the homes of a group by day, and what is firm of them.

use drawoff_contract::Day;

use crate::calendar::Calendar;
use crate::quantile::of_next;
use crate::trial::{AFTER, AFTER_LENGTH, DURATIONS, Direction, Limit, SLOTS, Trials, after_index};

/// Firm is what the fleet exceeds in nine periods of ten.
pub const FIRM: f64 = 0.10;

/// Days before a day that tell the level of use on it: a whole week, so that each day of the week counts once.
const LEVEL_DAYS: usize = 7;
/// Fewest of them.
const FEWEST_LEVEL_DAYS: i32 = 4;

/// What brings a past day's load to the level of another day; 1 where either level is not known.
#[must_use]
pub fn to_level(own: f64, wanted: f64) -> f64 {
    if own > 0.0 && wanted > 0.0 { wanted / own } else { 1.0 }
}

/// Sums over a group's homes.
#[derive(Clone, Debug)]
pub struct Sums {
    days: Vec<Day>,
    weekend: Vec<bool>,
    /// First day that offers are made from.
    offers_from: usize,
    /// Homes added.
    pub homes: usize,
    /// By day, half-hour, direction and duration.
    moved: Vec<Cell>,
    /// Metered by day and half-hour, Wh.
    metered_wh: Vec<f64>,
    /// Change of load after events, summed over days, Wh; see [`crate::trial::after_index`].
    after_wh: Vec<f64>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Cell {
    wh: f64,
    model_wh: f64,
    back_wh: f64,
    loss_wh: f64,
    left_wh: f64,
    moved: u32,
    short: u32,
    limits: [u32; 5],
}

/// What a group can do in one half-hour of one kind of day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Offer {
    /// Days behind it.
    pub days: usize,
    /// Mean load moved over the event that half of the days exceed, kW.
    pub p50_kw: f64,
    /// Mean load moved over the event that nine of ten days exceed, kW.
    pub firm_kw: f64,
    /// Load without an event over the same time, half of the days exceed it, kW.
    pub baseline_kw: f64,
    /// Share of what is moved that comes back within 8 h after the event (held off) or is saved then (taken on); NaN where nothing is moved.
    pub back_share: f64,
    /// Share that is not lost, or is lost besides, within that time; NaN where nothing is moved.
    pub loss_share: f64,
    /// Share still missing in the cylinders (held off) or still there (taken on) after that time, or that users went without; NaN likewise.
    pub left_share: f64,
    /// Largest rise (held off) or fall (taken on) of load in one half-hour after the event, as a mean over days, kW.
    pub rebound_kw: f64,
    /// Half-hours after the event at which that is: 0 is the first.
    pub rebound_after: usize,
    /// Share of the events put on homes in which a user went short.
    pub short_share: f64,
    /// Share of homes and days that moved load, and that did not by reason, in the order of [`Limit`].
    pub limits: [f64; 5],
}

impl Sums {
    /// Of no homes yet; offers are made from the days from `offers_from` (a place in `days`) on.
    #[must_use]
    pub fn new(days: &[Day], calendar: &Calendar, offers_from: usize) -> Self {
        Self {
            weekend: days.iter().map(|d| calendar.is_weekend(*d)).collect(),
            days: days.to_vec(),
            offers_from,
            homes: 0,
            moved: vec![Cell::default(); days.len() * SLOTS * 2 * DURATIONS.len()],
            metered_wh: vec![0.0; days.len() * SLOTS],
            after_wh: vec![0.0; AFTER_LENGTH],
        }
    }

    /// Adds a home. The order of homes is the order of the sum.
    ///
    /// # Panics
    /// Never for trials on the days that the sums were made for.
    pub fn add(&mut self, trials: &Trials) {
        assert_eq!(trials.days(), self.days.len(), "trials on other days");
        self.homes += 1;
        let mut cells = self.moved.iter_mut();
        for day in 0..self.days.len() {
            for slot in 0..SLOTS {
                for direction in Direction::ALL {
                    for duration in 0..DURATIONS.len() {
                        let (Some(cell), event) =
                            (cells.next(), trials.event(day, slot, direction, duration))
                        else {
                            return;
                        };
                        cell.limits[event.limit as usize] += 1;
                        if event.limit == Limit::Moved {
                            cell.wh += f64::from(event.wh);
                            cell.model_wh += f64::from(event.model_wh);
                            cell.back_wh += f64::from(event.back_wh);
                            cell.loss_wh += f64::from(event.loss_wh);
                            cell.left_wh += f64::from(event.left_wh);
                            cell.moved += 1;
                            cell.short += u32::from(event.is_short());
                        }
                    }
                }
            }
        }
        for (sum, wh) in self.metered_wh.iter_mut().zip(&trials.metered_wh) {
            if !wh.is_nan() {
                *sum += f64::from(*wh);
            }
        }
        for (sum, wh) in self.after_wh.iter_mut().zip(&trials.after_wh) {
            *sum += f64::from(*wh);
        }
    }

    fn cell(&self, day: usize, slot: usize, direction: Direction, duration: usize) -> &Cell {
        &self.moved[((day * SLOTS + slot) * 2 + direction as usize) * DURATIONS.len() + duration]
    }

    /// Days in order.
    #[must_use]
    pub fn days(&self) -> &[Day] {
        &self.days
    }

    /// Whether a day of the sums is a Saturday, a Sunday or a public holiday.
    #[must_use]
    pub fn is_weekend(&self, day: usize) -> bool {
        self.weekend[day]
    }

    /// Whether any home was reached by an event.
    #[must_use]
    pub fn is_reached(&self, day: usize, slot: usize, direction: Direction, duration: usize) -> bool {
        self.homes as u32 > self.cell(day, slot, direction, duration).limits[Limit::Silent as usize]
    }

    /// Days of a kind on which any home was reached.
    pub fn reached_days(
        &self,
        weekend: bool,
        slot: usize,
        direction: Direction,
        duration: usize,
    ) -> impl Iterator<Item = usize> {
        (0..self.days.len()).filter(move |day| {
            self.is_weekend(*day) == weekend && self.is_reached(*day, slot, direction, duration)
        })
    }

    /// Those of them that offers are made from.
    fn offered_days(
        &self,
        weekend: bool,
        slot: usize,
        direction: Direction,
        duration: usize,
    ) -> impl Iterator<Item = usize> {
        self.reached_days(weekend, slot, direction, duration).filter(|day| *day >= self.offers_from)
    }

    /// Homes on which an event was put, and of these those with a user who went short.
    #[must_use]
    pub fn events(&self, day: usize, slot: usize, direction: Direction, duration: usize) -> (u32, u32) {
        let cell = self.cell(day, slot, direction, duration);
        (cell.moved, cell.short)
    }

    /// Mean load moved over an event on one day, kW.
    #[must_use]
    pub fn kw(&self, day: usize, slot: usize, direction: Direction, duration: usize) -> f64 {
        self.cell(day, slot, direction, duration).wh / 1000.0 / (DURATIONS[duration] as f64 / 2.0)
    }

    /// The level before each day: mean load moved over the half-hours of the seven days before it, kW; NaN where fewer than
    /// [`FEWEST_LEVEL_DAYS`] of them were seen. One more than there are days: the last is that of the day after them.
    #[must_use]
    pub fn levels(&self, direction: Direction, duration: usize) -> Vec<f64> {
        let means: Vec<f64> = (0..self.days.len())
            .map(|day| {
                let slots = (0..SLOTS).filter(|slot| self.is_reached(day, *slot, direction, duration));
                let (sum, n) = slots.fold((0.0, 0.0), |(sum, n), slot| {
                    (sum + self.kw(day, slot, direction, duration), n + 1.0)
                });
                // a day cut off at its end has no events that last beyond it
                if n >= SLOTS as f64 / 2.0 { sum / n } else { f64::NAN }
            })
            .collect();
        (0..=self.days.len())
            .map(|day| {
                let before = means[day.saturating_sub(LEVEL_DAYS)..day].iter().filter(|m| !m.is_nan());
                let (sum, n) = before.fold((0.0, 0), |(sum, n), m| (sum + m, n + 1));
                if n >= FEWEST_LEVEL_DAYS { sum / f64::from(n) } else { f64::NAN }
            })
            .collect()
    }

    /// Metered load of a half-hour of a day, kW.
    #[must_use]
    pub fn metered_kw(&self, day: usize, slot: usize) -> f64 {
        self.metered_wh[day * SLOTS + slot] / 500.0
    }

    /// Metered load of a half-hour that half of the days of a kind exceed, kW; NaN without days.
    #[must_use]
    pub fn usual_kw(&self, weekend: bool, slot: usize) -> f64 {
        let mut values: Vec<f64> = self
            .offered_days(weekend, slot, Direction::HoldOff, 0)
            .map(|day| self.metered_kw(day, slot))
            .collect();
        values.sort_by(f64::total_cmp);
        of_next(&values, 0.5)
    }

    /// What the group can do from a half-hour on; `None` without days.
    #[must_use]
    pub fn offer(&self, weekend: bool, slot: usize, direction: Direction, duration: usize) -> Option<Offer> {
        let days: Vec<usize> = self.offered_days(weekend, slot, direction, duration).collect();
        if days.is_empty() {
            return None;
        }
        let sorted = |value: &dyn Fn(usize) -> f64| {
            let mut values: Vec<f64> = days.iter().map(|day| value(*day)).collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let levels = self.levels(direction, duration);
        let now = levels.last().copied().unwrap_or(f64::NAN);
        let moved = sorted(&|day| self.kw(day, slot, direction, duration) * to_level(levels[day], now));
        let length = DURATIONS[duration];
        let baseline = sorted(&|day| {
            let all = self.metered_wh.len();
            let from = day * SLOTS + slot;
            let part = &self.metered_wh[from..(from + length).min(all)];
            part.iter().sum::<f64>() / 500.0 / part.len() as f64
        });
        let mut sum = Cell::default();
        for day in &days {
            let cell = self.cell(*day, slot, direction, duration);
            sum.wh += cell.wh;
            sum.model_wh += cell.model_wh;
            sum.back_wh += cell.back_wh;
            sum.loss_wh += cell.loss_wh;
            sum.left_wh += cell.left_wh;
            sum.moved += cell.moved;
            sum.short += cell.short;
            sum.limits.iter_mut().zip(cell.limits).for_each(|(a, b)| *a += b);
        }
        let share = |part: f64, whole: f64| if whole > 0.0 { part / whole } else { f64::NAN };
        let tried = sum.limits.iter().sum::<u32>();
        let (rebound_kw, rebound_after) = self.rebound(slot, direction, duration);
        Some(Offer {
            days: days.len(),
            p50_kw: of_next(&moved, 0.5),
            firm_kw: of_next(&moved, FIRM),
            baseline_kw: of_next(&baseline, 0.5),
            back_share: share(sum.back_wh, sum.model_wh),
            loss_share: share(sum.loss_wh, sum.model_wh),
            left_share: share(sum.left_wh, sum.model_wh),
            rebound_kw,
            rebound_after,
            short_share: if sum.moved > 0 { f64::from(sum.short) / f64::from(sum.moved) } else { 0.0 },
            limits: sum.limits.map(|n| f64::from(n) / f64::from(tried.max(1))),
        })
    }

    /// Change of the group's load in each half-hour after an event, mean over all days on which it was reached, kW.
    #[must_use]
    pub fn after_kw(&self, slot: usize, direction: Direction, duration: usize) -> [f64; AFTER] {
        let reached =
            (0..self.days.len()).filter(|day| self.is_reached(*day, slot, direction, duration)).count();
        let days = reached.max(1) as f64;
        std::array::from_fn(|after| {
            self.after_wh[after_index(direction, duration, slot, after)] / 500.0 / days
        })
    }

    /// Change of load in each half-hour after an event, as a share of what it moved between the two runs of the model; `None` where it
    /// moved nothing.
    #[must_use]
    pub fn after_share(&self, slot: usize, direction: Direction, duration: usize) -> Option<[f64; AFTER]> {
        let moved: f64 =
            (0..self.days.len()).map(|day| self.cell(day, slot, direction, duration).model_wh).sum();
        (moved > 0.0).then(|| {
            std::array::from_fn(|after| self.after_wh[after_index(direction, duration, slot, after)] / moved)
        })
    }

    fn rebound(&self, slot: usize, direction: Direction, duration: usize) -> (f64, usize) {
        let after = self.after_kw(slot, direction, duration);
        let sign = if direction == Direction::HoldOff { 1.0 } else { -1.0 };
        after
            .iter()
            .enumerate()
            .fold((0.0, 0), |best, (i, kw)| if sign * kw > best.0 { (sign * kw, i) } else { best })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::tests::{made, made_by};
    use crate::trial::trials;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn sums(copies: usize) -> Sums {
        let days: Vec<Day> = (0..28).map(Day).collect();
        let found = trials(&made(28, [true; 48], 2500.0), &days);
        let mut sums = Sums::new(&days, &Calendar::default(), 0);
        (0..copies).for_each(|_| sums.add(&found));
        sums
    }

    #[test]
    fn one_home_equals_its_own_trials_and_copies_double_what_is_firm() {
        let days: Vec<Day> = (0..28).map(Day).collect();
        let found = trials(&made(28, [true; 48], 2500.0), &days);
        let (one, two) = (sums(1), sums(2));
        for slot in 0..SLOTS {
            for direction in Direction::ALL {
                for (duration, half_hours) in DURATIONS.into_iter().enumerate() {
                    for day in 0..28 {
                        let own = f64::from(found.event(day, slot, direction, duration).wh);
                        let kw = own / 1000.0 / (half_hours as f64 / 2.0);
                        assert!((one.kw(day, slot, direction, duration) - kw).abs() < 1e-9);
                    }
                    for weekend in [false, true] {
                        let (a, b) = (
                            one.offer(weekend, slot, direction, duration).unwrap(),
                            two.offer(weekend, slot, direction, duration).unwrap(),
                        );
                        assert!((2.0 * a.firm_kw - b.firm_kw).abs() < 1e-9);
                        assert!(a.firm_kw <= a.p50_kw + 1e-12);
                    }
                }
            }
        }
    }

    #[test]
    fn independent_homes_tighten_what_is_firm_and_copies_do_not() {
        const HOMES: u64 = 24;
        let days: Vec<Day> = (0..42).map(Day).collect();
        // every morning a shower of another size, drawn anew for each home and day
        let own = |home: u64| {
            let mut rng = ChaCha8Rng::seed_from_u64(home);
            let sizes: Vec<f64> = days.iter().map(|_| 800.0 + 3000.0 * rng.random::<f64>()).collect();
            let wanted = |day: i32, slot: usize| if slot == 14 { sizes[day as usize] } else { 0.0 };
            trials(&made_by(3000.0, 42, [true; 48], &wanted), &days)
        };
        let mut different = Sums::new(&days, &Calendar::default(), 0);
        let mut copies = different.clone();
        let first = own(0);
        for home in 0..HOMES {
            different.add(&own(home));
            copies.add(&first);
        }
        let tightness = |sums: &Sums| {
            let offer = sums.offer(false, 14, Direction::HoldOff, 1).unwrap();
            offer.firm_kw / offer.p50_kw
        };
        // without any comfort rule the spread of 24 independent homes would be a fifth of one's: at most half of it may be left
        let spread = |sums: &Sums| 1.0 - tightness(sums);
        assert!(spread(&different) < 0.5 * spread(&copies), "{} {}", spread(&different), spread(&copies));
    }

    #[test]
    fn rebound_follows_what_was_held_off() {
        let sums = sums(1);
        let offer = sums.offer(false, 14, Direction::HoldOff, 1).unwrap();
        assert!(offer.p50_kw > 2.0 && offer.rebound_kw > 1.0 && offer.rebound_after == 0, "{offer:?}");
        // the rest is still missing: the thermostat waits for its lower limit
        assert!((0.8..=1.001).contains(&(offer.back_share + offer.loss_share)), "{offer:?}");
    }
}
