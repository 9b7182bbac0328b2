//! Calls against imposed faults.
//!
//! A call is one home and fault with outcome `fault` at the end of the run, folded into another's story or not. Data
//! kinds are scored apart: an equipment or sensor fault is never "called wrong" by a data call, nor the other way.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_contract::results::FindingRow;
use drawoff_contract::{Fault, FaultClass, Outcome};

use crate::truth::{TruthFault, TruthHome};
use crate::wilson::Share;

const MS_PER_HOUR: f64 = 3_600_000.0;
const DAYS_PER_YEAR: f64 = 365.25;

/// One kind of fault: what was imposed, what was called.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct KindTally {
    /// Homes with the fault.
    pub imposed: usize,
    /// Of these, called by the right name.
    pub found: usize,
    /// Of these, called only by another name of the same side (equipment and sensor, or data).
    pub wrong_diagnosis: usize,
    /// Of these, not called at all.
    pub missed: usize,
    /// Of the missed, not assessed or with too little data.
    pub missed_not_assessed: usize,
    /// Calls of this kind.
    pub calls: usize,
    /// Of the calls, at homes without any imposed fault.
    pub false_calls: usize,
    /// Found faults whose onset was dated: absolute error in hours. Faults from before the data are apart.
    pub onset_errors_hours: Vec<f64>,
    /// Found faults that began within the data and were called without an onset.
    pub onset_missing: usize,
    /// Found faults from before the data: how many were also called as from before the data.
    pub began_before: Share,
}

impl KindTally {
    /// Share of the imposed faults that were called by the right name.
    #[must_use]
    pub fn recall(&self) -> Share {
        Share::new(self.found, self.imposed)
    }

    /// Share of the calls that name the right fault.
    #[must_use]
    pub fn precision(&self) -> Share {
        Share::new(self.found, self.calls)
    }

    /// Calls at homes that have only other faults.
    #[must_use]
    pub fn calls_at_other_faults(&self) -> usize {
        self.calls - self.found - self.false_calls
    }

    /// Adds the counts of another fleet or kind.
    pub fn add(&mut self, other: &Self) {
        self.imposed += other.imposed;
        self.found += other.found;
        self.wrong_diagnosis += other.wrong_diagnosis;
        self.missed += other.missed;
        self.missed_not_assessed += other.missed_not_assessed;
        self.calls += other.calls;
        self.false_calls += other.false_calls;
        self.onset_errors_hours.extend_from_slice(&other.onset_errors_hours);
        self.onset_missing += other.onset_missing;
        self.began_before.add(other.began_before);
    }
}

/// All calls of a run.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CallScore {
    /// By kind; kinds neither imposed nor called are absent.
    pub kinds: BTreeMap<Fault, KindTally>,
    /// Homes without any imposed fault that have at least one equipment or sensor call.
    pub flagged_sound: Share,
    /// Homes with data faults only that have at least one equipment or sensor call.
    pub flagged_data_only: Share,
    /// The false calls of equipment and sensor kinds, by home.
    pub false_calls: Vec<(String, Fault)>,
    /// Days of the homes without any imposed fault.
    pub sound_days: usize,
    /// Fault codes in the findings that this version does not know; they are not scored.
    pub unknown_codes: BTreeSet<String>,
}

impl CallScore {
    /// Takes one home in.
    pub fn push(&mut self, home: &str, findings: &[&FindingRow], truth: &TruthHome) {
        let mut calls: BTreeMap<Fault, &FindingRow> = BTreeMap::new();
        let mut unassessed: BTreeSet<Fault> = BTreeSet::new();
        for &row in findings {
            let Some(fault) = Fault::from_code(&row.fault) else {
                self.unknown_codes.insert(row.fault.clone());
                continue;
            };
            match Outcome::from_code(&row.outcome) {
                Some(Outcome::Fault) => {
                    calls.entry(fault).or_insert(row);
                }
                Some(Outcome::NotAssessed | Outcome::TooLittleData) => {
                    unassessed.insert(fault);
                }
                Some(Outcome::Sound) | None => {}
            }
        }
        let mut imposed_before: Option<Fault> = None;
        for imposed in &truth.faults {
            // The same kind imposed twice at one home is one condition.
            if imposed_before == Some(imposed.fault) {
                continue;
            }
            imposed_before = Some(imposed.fault);
            self.push_imposed(imposed, &calls, &unassessed);
        }
        for &fault in calls.keys() {
            let kind = self.kinds.entry(fault).or_default();
            kind.calls += 1;
            if truth.is_sound() {
                kind.false_calls += 1;
                if is_visit_kind(fault) {
                    self.false_calls.push((home.to_owned(), fault));
                }
            }
        }
        let flagged = calls.keys().any(|&f| is_visit_kind(f));
        if truth.is_sound() {
            self.flagged_sound.count(flagged);
            self.sound_days += truth.days.len();
        } else if !truth.needs_visit() {
            self.flagged_data_only.count(flagged);
        }
    }

    /// Adds the homes of another fleet.
    pub fn add(&mut self, other: &Self) {
        for (&fault, tally) in &other.kinds {
            self.kinds.entry(fault).or_default().add(tally);
        }
        self.flagged_sound.add(other.flagged_sound);
        self.flagged_data_only.add(other.flagged_data_only);
        self.false_calls.extend_from_slice(&other.false_calls);
        self.sound_days += other.sound_days;
        self.unknown_codes.extend(other.unknown_codes.iter().cloned());
    }

    /// All kinds of one side, as [`side`] has them, pooled.
    #[must_use]
    pub fn pooled(&self, of: FaultClass) -> KindTally {
        let mut pooled = KindTally::default();
        for (_, tally) in self.kinds.iter().filter(|(f, _)| side(**f) == side_of(of)) {
            pooled.add(tally);
        }
        pooled
    }

    /// False equipment and sensor calls per 100 home-years of homes without any imposed fault; `None` without days.
    #[must_use]
    pub fn false_calls_per_100_home_years(&self) -> Option<f64> {
        let home_years = self.sound_days as f64 / DAYS_PER_YEAR;
        (home_years > 0.0).then(|| self.false_calls.len() as f64 / home_years * 100.0)
    }

    fn push_imposed(
        &mut self,
        imposed: &TruthFault,
        calls: &BTreeMap<Fault, &FindingRow>,
        unassessed: &BTreeSet<Fault>,
    ) {
        let fault = imposed.fault;
        let kind = self.kinds.entry(fault).or_default();
        kind.imposed += 1;
        if let Some(call) = calls.get(&fault) {
            kind.found += 1;
            match (imposed.onset_ms, call.onset) {
                (None, onset) => kind.began_before.count(onset.is_none()),
                (Some(_), None) => kind.onset_missing += 1,
                (Some(truth), Some(onset)) => {
                    kind.onset_errors_hours.push((onset.0 - truth).abs() as f64 / MS_PER_HOUR);
                }
            }
        } else if calls.keys().any(|&f| side(f) == side(fault)) {
            kind.wrong_diagnosis += 1;
        } else {
            kind.missed += 1;
            kind.missed_not_assessed += usize::from(unassessed.contains(&fault));
        }
    }
}

/// The side on which a kind is scored: equipment (and sensor) brings visits; service is settled by telephone, data at the desk.
#[must_use]
pub fn side(fault: Fault) -> FaultClass {
    side_of(fault.class())
}

fn side_of(class: FaultClass) -> FaultClass {
    if class == FaultClass::Sensor { FaultClass::Equipment } else { class }
}

/// Whether a kind is scored as a visit: equipment or sensor. How a home is served is settled by telephone, data at the desk.
#[must_use]
pub fn is_visit_kind(fault: Fault) -> bool {
    matches!(fault.class(), FaultClass::Equipment | FaultClass::Sensor)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::{HOUR, finding, truth_home};
    use drawoff_contract::Utc;

    fn faulty(faults: &[(Fault, Option<i64>)]) -> TruthHome {
        let faults =
            faults.iter().map(|&(fault, onset_ms)| TruthFault { fault, onset_ms, level: None }).collect();
        TruthHome { faults, ..truth_home() }
    }

    fn push(score: &mut CallScore, home: &str, called: &[Fault], truth: &TruthHome) {
        let rows: Vec<FindingRow> = called.iter().map(|&f| finding(home, f, Outcome::Fault)).collect();
        score.push(home, &rows.iter().collect::<Vec<_>>(), truth);
    }

    #[test]
    fn another_kind_is_a_wrong_diagnosis_not_a_hit() {
        let mut score = CallScore::default();
        push(&mut score, "a", &[Fault::LossDoubled], &faulty(&[(Fault::LeakSteady, None)]));
        push(
            &mut score,
            "b",
            &[Fault::LeakSteady, Fault::LossDoubled],
            &faulty(&[(Fault::LeakSteady, None)]),
        );
        push(&mut score, "c", &[Fault::DataGaps], &faulty(&[(Fault::LeakSteady, None)]));
        let leak = &score.kinds[&Fault::LeakSteady];
        assert_eq!((leak.imposed, leak.found, leak.wrong_diagnosis, leak.missed), (3, 1, 1, 1));
        let loss = &score.kinds[&Fault::LossDoubled];
        assert_eq!((loss.calls, loss.false_calls, loss.calls_at_other_faults()), (2, 0, 2));
        assert!(score.false_calls.is_empty());
    }

    #[test]
    fn false_calls_are_those_at_homes_without_any_fault() {
        let mut score = CallScore::default();
        let mut sound = truth_home();
        sound.days = vec![Default::default(); 1461];
        push(&mut score, "a", &[Fault::SensorStuck, Fault::StuckOn, Fault::MeterReset], &sound);
        push(&mut score, "b", &[], &sound);
        push(&mut score, "c", &[Fault::StuckOn], &faulty(&[(Fault::ClockShift, None)]));
        // Two false calls in 8 home-years.
        assert_eq!(score.false_calls_per_100_home_years(), Some(25.0));
        assert_eq!(score.flagged_sound, Share::new(1, 2));
        assert_eq!(score.flagged_data_only, Share::new(1, 1));
        assert_eq!(
            score.false_calls,
            vec![("a".to_owned(), Fault::StuckOn), ("a".to_owned(), Fault::SensorStuck)]
        );
        assert_eq!(score.kinds[&Fault::MeterReset].false_calls, 1);
        assert_eq!(score.kinds[&Fault::ClockShift].missed, 1);
    }

    #[test]
    fn onset_is_judged_where_it_was_found() {
        let mut score = CallScore::default();
        let truth = faulty(&[(Fault::ElementOpen, Some(10 * HOUR))]);
        let mut row = finding("a", Fault::ElementOpen, Outcome::Fault);
        row.onset = Some(Utc(7 * HOUR));
        score.push("a", &[&row], &truth);
        row.onset = None;
        score.push("b", &[&row], &truth);
        score.push("c", &[&row], &faulty(&[(Fault::ElementOpen, None)]));
        let kind = &score.kinds[&Fault::ElementOpen];
        assert_eq!(kind.onset_errors_hours, vec![3.0]);
        assert_eq!((kind.onset_missing, kind.began_before), (1, Share::new(1, 1)));
    }

    #[test]
    fn a_miss_says_whether_it_was_assessed() {
        let mut score = CallScore::default();
        let truth = faulty(&[(Fault::ElementHalf, None)]);
        let row = finding("a", Fault::ElementHalf, Outcome::TooLittleData);
        score.push("a", &[&row], &truth);
        let mut odd = finding("b", Fault::ElementHalf, Outcome::Fault);
        odd.fault = "of_tomorrow".to_owned();
        score.push("b", &[&odd], &truth);
        let kind = &score.kinds[&Fault::ElementHalf];
        assert_eq!((kind.missed, kind.missed_not_assessed), (2, 1));
        assert!(score.unknown_codes.contains("of_tomorrow"));
    }
}
