//! The log of visits against what had been called on the day before each visit.

use std::collections::BTreeMap;

use drawoff_contract::plan_tables::LearningRow;
use drawoff_contract::results::FindingRow;
use drawoff_contract::small_tables::VisitLogRow;
use drawoff_contract::{Day, Fault, FaultClass, Outcome};
use drawoff_faults::calibration::Calibration;
use drawoff_faults::posterior;
use drawoff_score::Share;
use drawoff_worklist::{Label, Learned, learn};
use rayon::prelude::*;

use crate::replay::findings_until;
use crate::stages::{self, HomeDaybook};

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
    daybooks: &[HomeDaybook<'_>],
    log: &[VisitLogRow],
    calibration: &Calibration,
    settings: drawoff_homes::Settings,
) -> Lessons {
    let mut visits: BTreeMap<(&str, Day), Vec<&str>> = BTreeMap::new();
    for row in log {
        visits.entry((&row.home, row.date)).or_default().push(&row.finding);
    }
    if visits.is_empty() {
        return Lessons { learned: learn(&[], log), ..Lessons::default() };
    }
    let priors = stages::priors(daybooks);
    let by_home: BTreeMap<&str, &HomeDaybook<'_>> =
        daybooks.iter().map(|d| (d.cylinder.home.as_str(), d)).collect();
    let visits: Vec<((&str, Day), Vec<&str>)> = visits.into_iter().collect();
    let judged: Vec<Option<Vec<Label>>> = visits
        .par_iter()
        .map(|((home, date), found)| {
            let daybook = by_home.get(home)?;
            let days = &daybook.notes.as_ref().ok()?.days;
            let before = days.partition_point(|d| d.day < *date);
            let last = days.get(before.checked_sub(1)?)?.day;
            if before < LEAST_DAYS_BEFORE || date.0 - last.0 > MOST_DAYS_AFTER {
                return None;
            }
            let mut rows = findings_until(daybook, before, &priors, settings);
            posterior::calibrate(&mut rows, calibration);
            Some(rows.iter().filter_map(|row| label(row, *date, found)).collect())
        })
        .collect();
    let with_readings = judged.iter().flatten().count();
    let labels: Vec<Label> = judged.into_iter().flatten().flatten().collect();
    Lessons { learned: learn(&labels, log), judged: with_readings, not_judged: visits.len() - with_readings }
}

/// A call that stands alone and could be seen on site.
fn label(row: &FindingRow, date: Day, found: &[&str]) -> Option<Label> {
    let fault = Fault::from_code(&row.fault).filter(|f| f.class() != FaultClass::Data)?;
    let called = row.outcome == Outcome::Fault.code() && row.folded_under.is_empty();
    let said = row.probability.filter(|_| called)?;
    Some(Label { home: row.home.clone(), date, fault, said, found: found.contains(&row.fault.as_str()) })
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
    pub(crate) fn rows(&self, findings: &[FindingRow], calibration: &Calibration) -> Vec<LearningRow> {
        let mut sums: BTreeMap<&str, (f64, usize)> = BTreeMap::new();
        for row in findings {
            if let Some(p) = row.probability {
                let sum = sums.entry(&row.fault).or_default();
                *sum = (sum.0 + p, sum.1 + 1);
            }
        }
        let faults = Fault::ALL.iter().filter(|f| f.class() != FaultClass::Data);
        let row = |fault: &Fault| {
            let lesson = self.learned.lessons.get(fault).cloned().unwrap_or_default();
            let share = Share::new(lesson.found, lesson.visits);
            let interval = share.interval();
            let prevalence = sums.get(fault.code()).map(|(sum, n)| sum / *n as f64);
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
                "visits: {} of {all} have readings before them, and prove or disprove {labels} calls; see the table `learning`",
                self.judged
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
