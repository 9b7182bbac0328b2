//! Vacant days against truth, pooled over homes and days.
//!
//! A day is truly vacant when less than half a litre was drawn. Truth has UTC days and the run local days; they are compared by
//! their date, and differ by the hours of the zone's offset at either end of an absence.

use std::collections::BTreeMap;

use drawoff_contract::Day;
use drawoff_contract::habit_tables::{UNKNOWN, VACANT, VacancyRow};

use crate::truth::TruthHome;
use crate::wilson::Share;

/// Less than this is a vacant day, l.
pub const VACANT_BELOW_LITRES: f64 = 0.5;

/// Days counted by what is true and what was said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DayTally {
    /// Homes.
    pub homes: u64,
    /// Days of truth.
    pub days: u64,
    /// Vacant and called so.
    pub found: u64,
    /// Vacant and not called so, days called unknown and days without a row among them.
    pub missed: u64,
    /// Called vacant though water was drawn.
    pub wrong: u64,
    /// Days called unknown, or without a row.
    pub unknown: u64,
}

impl DayTally {
    /// Share of vacant days that are called so.
    #[must_use]
    pub fn recall(self) -> Share {
        Share { hits: self.found, of: self.found + self.missed }
    }

    /// Share of days called vacant that are.
    #[must_use]
    pub fn precision(self) -> Share {
        Share { hits: self.found, of: self.found + self.wrong }
    }

    /// Harmonic mean of recall and precision; `None` where no day is vacant or called so.
    #[must_use]
    pub fn f1(self) -> Option<f64> {
        let all = 2 * self.found + self.missed + self.wrong;
        (all > 0).then(|| 2.0 * self.found as f64 / all as f64)
    }

    /// Adds the days of another tally.
    pub fn add(&mut self, other: Self) {
        self.homes += other.homes;
        self.days += other.days;
        self.found += other.found;
        self.missed += other.missed;
        self.wrong += other.wrong;
        self.unknown += other.unknown;
    }
}

/// Vacant days of all homes, and without those that stand empty all the time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct VacancyScore {
    /// Every home.
    pub all: DayTally,
    /// Homes with at least one day of use.
    pub used_homes: DayTally,
}

impl VacancyScore {
    /// Takes one home in.
    pub fn push(&mut self, rows: &[&VacancyRow], truth: &TruthHome) {
        let states: BTreeMap<Day, &str> = rows.iter().map(|r| (r.day, r.state.as_str())).collect();
        let mut own = DayTally { homes: 1, ..DayTally::default() };
        for day in &truth.days {
            let vacant = day.litres < VACANT_BELOW_LITRES;
            let said = states.get(&day.day).copied().unwrap_or(UNKNOWN);
            own.days += 1;
            own.unknown += u64::from(said == UNKNOWN);
            own.found += u64::from(vacant && said == VACANT);
            own.missed += u64::from(vacant && said != VACANT);
            own.wrong += u64::from(!vacant && said == VACANT);
        }
        self.all.add(own);
        if truth.days.iter().any(|d| d.litres >= VACANT_BELOW_LITRES) {
            self.used_homes.add(own);
        }
    }

    /// Adds the homes of another fleet.
    pub fn add(&mut self, other: &Self) {
        self.all.add(other.all);
        self.used_homes.add(other.used_homes);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::truth_home;
    use crate::truth::TruthDay;
    use drawoff_contract::habit_tables::OCCUPIED;

    fn said(states: &[&str]) -> Vec<VacancyRow> {
        let row = |(i, state): (usize, &&str)| VacancyRow {
            home: "a".to_owned(),
            day: Day(i as i32),
            state: (*state).to_owned(),
            probability: None,
        };
        states.iter().enumerate().map(row).collect()
    }

    fn truth(litres: &[f64]) -> TruthHome {
        let day = |(i, litres): (usize, &f64)| TruthDay {
            day: Day(i as i32),
            litres: *litres,
            ..TruthDay::default()
        };
        TruthHome { days: litres.iter().enumerate().map(day).collect(), ..truth_home() }
    }

    #[test]
    fn an_unknown_day_is_no_find_and_no_false_call() {
        let mut score = VacancyScore::default();
        let rows = said(&[VACANT, UNKNOWN, VACANT, OCCUPIED, UNKNOWN]);
        score.push(&rows.iter().collect::<Vec<_>>(), &truth(&[0.0, 0.0, 80.0, 0.4, 90.0, 70.0]));
        let tally = score.all;
        assert_eq!((tally.found, tally.missed, tally.wrong, tally.unknown, tally.days), (1, 2, 1, 3, 6));
        // By hand: 2 / (2 + 2 + 1).
        assert_eq!(tally.f1(), Some(0.4));
        assert_eq!(score.used_homes, tally);
    }

    #[test]
    fn a_home_that_is_always_empty_is_counted_apart() {
        let mut score = VacancyScore::default();
        let rows = said(&[VACANT, VACANT]);
        score.push(&rows.iter().collect::<Vec<_>>(), &truth(&[0.0, 0.3]));
        assert_eq!(score.all.f1(), Some(1.0));
        assert_eq!((score.used_homes.homes, score.used_homes.f1()), (0, None));
    }
}
