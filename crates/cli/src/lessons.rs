//! The log of visits against what had been called on the day before each visit.

use std::collections::BTreeMap;

use drawoff_contract::plan_tables::LearningRow;
use drawoff_contract::results::FindingRow;
use drawoff_contract::small_tables::VisitLogRow;
use drawoff_contract::{ContractError, Day, Fault, FaultClass, Outcome};
use drawoff_faults::calibration::Calibration;
use drawoff_faults::posterior;
use drawoff_homes::FleetPriors;
use drawoff_score::Share;
use drawoff_worklist::{Label, Learned, learn};
use rayon::prelude::*;

use crate::daybook_files::DaybookFiles;
use crate::replay::findings_until;
use crate::stages::HomeDaybook;

/// Days of readings that a call needs before the visit, as the assessments do.
const LEAST_DAYS_BEFORE: usize = 3;
/// A visit this long after the last reading proves nothing of it.
const MOST_DAYS_AFTER: i32 = 28;

/// What the log teaches, and how many of its visits could be set against readings.
#[derive(Debug, Default)]
pub(crate) struct Lessons {
    pub(crate) learned: Learned,
    /// Visits (home and day) with readings before them.
    pub(crate) judged: usize,
    /// Visits without.
    pub(crate) not_judged: usize,
}

/// Replays every visited home to the day before its visit.
pub(crate) fn lessons(
    daybooks: &DaybookFiles<'_>,
    priors: &FleetPriors,
    log: &[VisitLogRow],
    calibration: &Calibration,
    settings: drawoff_homes::Settings,
) -> Result<Lessons, ContractError> {
    let mut visits: BTreeMap<(&str, Day), Vec<&str>> = BTreeMap::new();
    for row in log {
        visits.entry((&row.home, row.date)).or_default().push(&row.finding);
    }
    if visits.is_empty() {
        return Ok(Lessons { learned: learn(&[], log), ..Lessons::default() });
    }
    let visits: Vec<((&str, Day), Vec<&str>)> = visits.into_iter().collect();
    let judged: Vec<Option<Vec<Label>>> = visits
        .par_iter()
        .map(|((home, date), found)| {
            let Some(daybook) = daybooks.home(home)? else { return Ok(None) };
            Ok(judge(&daybook, *date, found, priors, calibration, settings))
        })
        .collect::<Result<_, ContractError>>()?;
    let with_readings = judged.iter().flatten().count();
    let labels: Vec<Label> = judged.into_iter().flatten().flatten().collect();
    Ok(Lessons {
        learned: learn(&labels, log),
        judged: with_readings,
        not_judged: visits.len() - with_readings,
    })
}

/// What a visit says of the calls of the day before; `None` without readings before it.
fn judge(
    daybook: &HomeDaybook<'_>,
    date: Day,
    found: &[&str],
    priors: &FleetPriors,
    calibration: &Calibration,
    settings: drawoff_homes::Settings,
) -> Option<Vec<Label>> {
    let days = &daybook.notes.as_ref().ok()?.days;
    let before = days.partition_point(|d| d.day < date);
    let last = days.get(before.checked_sub(1)?)?.day;
    if before < LEAST_DAYS_BEFORE || date.0 - last.0 > MOST_DAYS_AFTER {
        return None;
    }
    let mut rows = findings_until(daybook, before, priors, settings);
    posterior::calibrate(&mut rows, calibration);
    Some(rows.iter().filter_map(|row| label(row, date, found)).collect())
}

/// A call that stands alone and could be seen on site.
fn label(row: &FindingRow, date: Day, found: &[&str]) -> Option<Label> {
    let fault = Fault::from_code(&row.fault).filter(|f| f.class() != FaultClass::Data)?;
    let called = row.outcome == Outcome::Fault.code() && row.folded_under.is_empty();
    let said = row.probability.filter(|_| called)?;
    Some(Label { home: row.home.clone(), date, fault, said, found: found.contains(&row.fault.as_str()) })
}

/// Probabilities of a fleet's findings, summed by fault.
#[derive(Debug, Default)]
pub(crate) struct Said {
    sums: BTreeMap<String, (f64, usize)>,
}

impl Said {
    /// Takes findings, in the order of the homes.
    pub(crate) fn note(&mut self, findings: &[FindingRow]) {
        for row in findings {
            if let Some(p) = row.probability {
                let sum = self.sums.entry(row.fault.clone()).or_default();
                *sum = (sum.0 + p, sum.1 + 1);
            }
        }
    }

    fn mean(&self, fault: Fault) -> Option<f64> {
        self.sums.get(fault.code()).map(|(sum, n)| sum / *n as f64)
    }
}

impl Lessons {
    /// Mends the probabilities of all findings of the kinds that the log speaks of.
    pub(crate) fn mend(&self, findings: &mut [FindingRow]) {
        if self.learned.lessons.is_empty() {
            return;
        }
        for row in findings.iter_mut() {
            if let (Some(fault), Some(p)) = (Fault::from_code(&row.fault), row.probability) {
                row.probability = Some(self.learned.probability(fault, p));
            }
        }
        for rows in findings.chunk_by_mut(|a, b| a.home == b.home) {
            posterior::cap_rivals(rows);
        }
    }

    /// What was learned, a row for every fault that can be seen on site.
    pub(crate) fn rows(&self, said: &Said, calibration: &Calibration) -> Vec<LearningRow> {
        let faults = Fault::ALL.iter().filter(|f| f.class() != FaultClass::Data);
        let row = |fault: &Fault| {
            let lesson = self.learned.lessons.get(fault).cloned().unwrap_or_default();
            let share = Share::new(lesson.found, lesson.visits);
            let interval = share.interval();
            let prevalence = said.mean(*fault);
            LearningRow {
                fault: fault.code().to_owned(),
                visits: lesson.visits as i64,
                found: lesson.found as i64,
                said: lesson.said,
                found_share: share.value(),
                found_share_low: interval.map(|i| i.0),
                found_share_high: interval.map(|i| i.1),
                brier_before: lesson.brier_before,
                brier_after: lesson.brier_after,
                method: lesson.mend.code().to_owned(),
                half_becomes: lesson.mend.apply(0.5),
                nine_tenths_becomes: lesson.mend.apply(0.9),
                prevalence,
                minutes: self.learned.minutes_if_found(*fault),
                note: note(lesson.visits, lesson.found, &calibration.origin),
            }
        };
        faults.map(row).collect()
    }

    /// A remark for the page and the terminal, if the log has visits.
    pub(crate) fn remark(&self) -> Option<String> {
        let labels: usize = self.learned.lessons.values().map(|l| l.visits).sum();
        let all = self.judged + self.not_judged;
        (all > 0).then(|| {
            format!(
                "visits: {} of {all} have readings before them, and prove or disprove {labels} {}; see the table `learning`",
                self.judged,
                if labels == 1 { "call" } else { "calls" }
            )
        })
    }
}

fn note(visits: usize, found: usize, origin: &str) -> String {
    if visits == 0 {
        return format!("No visit speaks of it. Its probabilities come from invented homes: {origin}");
    }
    format!(
        "Found at {found} of {visits} visits; its probabilities, from invented homes at first, were mended by them."
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawoff_faults::Assessment;

    fn finding(fault: Fault, probability: f64) -> FindingRow {
        let row = Assessment::judged(fault, "test", 1.0, 0.0, 1.0).row("a");
        FindingRow { probability: Some(probability), ..row }
    }

    /// A log in which one kind was found at half of the visits that it was said to be at nine of ten.
    fn half_found(visits: usize) -> Lessons {
        let label = |i: usize| Label {
            home: format!("h{i:03}"),
            date: Day(1),
            fault: Fault::LeakSteady,
            said: 0.9,
            found: i % 20 < 9,
        };
        let labels: Vec<Label> = (0..visits).map(label).collect();
        Lessons { learned: learn(&labels, &[]), judged: visits, not_judged: 3 }
    }

    #[test]
    fn a_kind_found_half_as_often_as_said_moves_and_nothing_else_does() {
        let mut findings = vec![
            finding(Fault::LeakSteady, 0.9),
            finding(Fault::StuckOn, 0.9),
            finding(Fault::SensorStuck, 0.4),
        ];
        half_found(200).mend(&mut findings);
        let p: Vec<f64> = findings.iter().filter_map(|r| r.probability).collect();
        assert!((p[0] - 0.45).abs() < 0.06, "{p:?}");
        assert_eq!(p[1..], [0.9, 0.4]);
        let mut said = Said::default();
        said.note(&findings);
        let rows = half_found(200).rows(&said, &Calibration::default());
        let of = |fault: Fault| rows.iter().find(|r| r.fault == fault.code()).unwrap();
        let leak = of(Fault::LeakSteady);
        assert_eq!(
            (leak.visits, leak.found, leak.found_share, leak.method.as_str()),
            (200, 90, Some(0.45), "logistic")
        );
        assert!(leak.brier_after < leak.brier_before && leak.found_share_low < leak.found_share, "{leak:?}");
        let stuck = of(Fault::StuckOn);
        assert_eq!((stuck.method.as_str(), stuck.half_becomes, stuck.prevalence), ("none", 0.5, Some(0.9)));
        assert!(stuck.note.contains("from invented homes"), "{}", stuck.note);
    }

    #[test]
    fn a_call_is_a_label_and_what_nobody_looked_for_is_none() {
        let called = finding(Fault::LeakSteady, 0.8);
        let found = label(&called, Day(3), &["leak_steady", "other"]).unwrap();
        assert_eq!((found.found, found.said), (true, 0.8));
        assert!(!label(&called, Day(3), &["nothing_found"]).unwrap().found);
        let sound = FindingRow { outcome: "sound".to_owned(), ..finding(Fault::LeakSteady, 0.3) };
        assert_eq!(label(&sound, Day(3), &["leak_steady"]), None);
        let folded = FindingRow { folded_under: "stuck_on".to_owned(), ..called };
        assert_eq!(label(&folded, Day(3), &["leak_steady"]), None);
        assert_eq!(label(&finding(Fault::MeterReset, 0.9), Day(3), &["other"]), None);
    }

    #[test]
    fn visits_are_counted_in_the_remark() {
        let remark = half_found(20).remark().unwrap();
        assert!(remark.contains("20 of 23") && remark.contains("20 calls"), "{remark}");
        assert_eq!(Lessons::default().remark(), None);
    }
}
