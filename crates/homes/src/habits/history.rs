//! What a home drew in each hour, with the kind of day and whether the day says anything of the habit.

use drawoff_contract::Day;
use drawoff_contract::habit_tables::{DayType, VACANT, VacancyRow};
use drawoff_contract::local::minute_of_day;

use crate::reading::{HomeNotes, HomeReading};

const HALF_HOUR_MS: i64 = 1_800_000;
/// One hour.
pub(crate) const HOUR_MS: i64 = 3_600_000;
/// Where more of the days than this are vacant, the empty days are the habit.
const MOSTLY_VACANT: f64 = 0.5;
/// An hour counts when at least this much of it was seen, h.
const LEAST_SEEN_H: f64 = 0.5;

/// One local day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct HistoryDay {
    /// Calendar day.
    pub(crate) day: Day,
    /// Kind of day.
    pub(crate) kind: DayType,
    /// Whether it counts for the habit: days away do not, unless the home is mostly empty.
    pub(crate) counts: bool,
    /// Heat drawn; NaN when too little of the day was seen.
    pub(crate) energy_kwh: f64,
}

/// One hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct HistoryHour {
    /// Start, UTC milliseconds.
    pub(crate) start_ms: i64,
    /// Index of its day.
    pub(crate) day: usize,
    /// Local hour, 0 to 23.
    pub(crate) hour: usize,
    /// Heat drawn, below zero by noise; NaN when too little of the hour was seen or the heat put in is not known.
    pub(crate) energy_kwh: f64,
    /// Whether enough of the hour was seen for its draw-offs to count.
    pub(crate) seen: bool,
    /// Draw-offs begun.
    pub(crate) draws: u32,
}

/// Days and hours of one home, in order.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct History {
    pub(crate) days: Vec<HistoryDay>,
    pub(crate) hours: Vec<HistoryHour>,
}

impl History {
    /// From the daybook of a home and its reading; all days count.
    pub(crate) fn new(notes: HomeNotes<'_>, reading: &HomeReading) -> Self {
        let mut out = Self::default();
        let mut draws = reading.days.draws.iter().peekable();
        for (i, note) in notes.days.iter().enumerate() {
            out.days.push(HistoryDay {
                day: note.day,
                kind: DayType::of(note.day),
                counts: true,
                energy_kwh: reading.days.rows[i].energy_kwh.unwrap_or(f64::NAN),
            });
            let slots = note.net_out_kwh_by_half_hour.len();
            for first in (0..slots).step_by(2) {
                let start_ms = note.day_start_utc.0 + first as i64 * HALF_HOUR_MS;
                let (mut drawn_kwh, mut known_h, mut seen_h) = (0.0, 0.0, 0.0);
                for slot in first..(first + 2).min(slots) {
                    let hours = f64::from(note.net_out_hours_by_half_hour[slot]);
                    let drawn = f64::from(reading.days.drawn_kwh_by_half_hour[i][slot]);
                    if note.net_out_kwh_by_half_hour[slot].is_nan() || hours.is_nan() {
                        continue;
                    }
                    seen_h += hours;
                    if !drawn.is_nan() {
                        drawn_kwh += drawn;
                        known_h += hours;
                    }
                }
                let mut begun = 0;
                while draws.next_if(|d| d.start.0 < start_ms + HOUR_MS).is_some() {
                    begun += 1;
                }
                let minute = minute_of_day(notes.cylinder.zone, start_ms);
                out.hours.push(HistoryHour {
                    start_ms,
                    day: i,
                    hour: (minute / 60) as usize,
                    energy_kwh: if known_h >= LEAST_SEEN_H { drawn_kwh / known_h } else { f64::NAN },
                    seen: seen_h >= LEAST_SEEN_H,
                    draws: begun,
                });
            }
        }
        out
    }

    /// The same with the days away left out of the habit, one row of `vacancy` a day.
    pub(crate) fn at_home(&self, vacancy: &[VacancyRow]) -> Self {
        let vacant = vacancy.iter().filter(|v| v.state == VACANT).count();
        let mostly_vacant = vacant as f64 > MOSTLY_VACANT * vacancy.len() as f64;
        let mut out = self.clone();
        for (day, row) in out.days.iter_mut().zip(vacancy) {
            day.counts = mostly_vacant || row.state != VACANT;
        }
        out
    }

    /// The days before `end`, an index of days, and their hours.
    pub(crate) fn until(&self, end: usize) -> Self {
        Self {
            days: self.days[..end].to_vec(),
            hours: self.hours.iter().copied().filter(|h| h.day < end).collect(),
        }
    }

    /// Heat drawn in the `ahead_h` hours that begin at hour `first`, kWh, with the last hour's day.
    ///
    /// `None` when any of these hours was not seen, comes after the end, or belongs to a day that does not count.
    pub(crate) fn drawn_ahead(&self, first: usize, ahead_h: usize) -> Option<f64> {
        let hours = self.hours.get(first..first + ahead_h)?;
        let last = hours.last()?;
        let unbroken = last.start_ms - hours[0].start_ms == (ahead_h as i64 - 1) * HOUR_MS;
        if !unbroken || !self.days[hours[0].day].counts || !self.days[last.day].counts {
            return None;
        }
        let sum: f64 = hours.iter().map(|h| h.energy_kwh).sum();
        (!sum.is_nan()).then_some(sum.max(0.0))
    }

    /// Mean heat drawn on a day that counts, kWh; NaN of none.
    pub(crate) fn mean_day_kwh(&self) -> f64 {
        let known: Vec<f64> =
            self.days.iter().filter(|d| d.counts && !d.energy_kwh.is_nan()).map(|d| d.energy_kwh).collect();
        known.iter().sum::<f64>() / known.len() as f64
    }
}

#[cfg(test)]
pub(crate) mod made_up {
    //! Invented homes with a morning and an evening peak, for tests.

    use drawoff_contract::Day;
    use drawoff_contract::habit_tables::DayType;
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::{HOUR_MS, History, HistoryDay, HistoryHour};

    /// Draws an hour on weekdays at the peaks, and the size of one draw.
    #[derive(Clone, Copy, Debug)]
    pub(crate) struct Household {
        pub(crate) peak_draws: f64,
        pub(crate) draw_kwh: f64,
    }

    /// Chance of a draw in one of four quarters of an hour.
    fn chance(household: Household, kind: DayType, hour: usize) -> f64 {
        let late = if kind == DayType::Weekday { 0 } else { 2 };
        let peak = match hour {
            h if (6 + late..9 + late).contains(&h) => 1.0,
            18..22 => 0.6,
            0..6 => 0.01,
            _ => 0.15,
        };
        (household.peak_draws * peak / 4.0).min(1.0)
    }

    pub(crate) fn history(household: Household, days: usize, seed: u64) -> History {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut out = History::default();
        for i in 0..days {
            let day = Day(20_000 + i32::try_from(i).unwrap());
            let kind = DayType::of(day);
            let mut sum = 0.0;
            for hour in 0..24 {
                let (mut kwh, mut draws) = (0.0, 0);
                for _ in 0..4 {
                    if rng.random::<f64>() < chance(household, kind, hour) {
                        // Exponential sizes: a few large draws among many small ones.
                        kwh -= household.draw_kwh * (1.0 - rng.random::<f64>()).ln();
                        draws += 1;
                    }
                }
                sum += kwh;
                out.hours.push(HistoryHour {
                    start_ms: i64::from(day.0) * 24 * HOUR_MS + hour as i64 * HOUR_MS,
                    day: i,
                    hour,
                    energy_kwh: kwh,
                    seen: true,
                    draws,
                });
            }
            out.days.push(HistoryDay { day, kind, counts: true, energy_kwh: sum });
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::made_up::{Household, history};

    #[test]
    fn the_time_ahead_is_whole_or_not_at_all() {
        let mut h = history(Household { peak_draws: 1.0, draw_kwh: 0.5 }, 3, 1);
        let by_hand: f64 = h.hours[20..28].iter().map(|x| x.energy_kwh).sum();
        assert!((h.drawn_ahead(20, 8).unwrap() - by_hand).abs() < 1e-12);
        assert_eq!(h.drawn_ahead(70, 4), None, "after the end");
        h.hours[22].energy_kwh = f64::NAN;
        assert_eq!(h.drawn_ahead(20, 8), None, "not seen");
        assert!(h.drawn_ahead(23, 2).is_some());
        h.days[1].counts = false;
        assert_eq!(h.drawn_ahead(23, 2), None, "runs into a day away");
        h.hours.remove(5);
        assert_eq!(h.drawn_ahead(4, 2), None, "an hour is missing");
    }
}
