//! What visits teach: how often a kind is found when it was said, how long it takes, and what that does to probabilities.
//!
//! A label is one call that stood on the day before a visit, with the probability that was said then, and whether the visit found it.
//! Kinds that were not called are no labels: nobody looked for them.

mod mend;

use std::collections::BTreeMap;

use drawoff_contract::small_tables::{NOTHING_FOUND, VisitLogRow};
use drawoff_contract::{Day, Fault};

pub use mend::{ISOTONIC_FROM, Mend};

/// Time on site where the log says nothing of a finding (common practice, no source).
pub const USUAL_MINUTES: f64 = 60.0;
/// Visits that the usual time weighs as many as.
const MINUTES_WEIGHT: f64 = 4.0;
/// Parts that labels are cut in, so that each is judged by what the others taught.
const FOLDS: usize = 5;

/// One call that a visit could prove.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// The home that was visited.
    pub home: String,
    /// Day of the visit.
    pub date: Day,
    /// What had been called.
    pub fault: Fault,
    /// Probability that had been said, 0 to 1.
    pub said: f64,
    /// Whether the visit found it.
    pub found: bool,
}

/// What the labels of one kind say.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lesson {
    /// Labels.
    pub visits: usize,
    /// Of these, found.
    pub found: usize,
    /// Mean of what was said; `None` without labels.
    pub said: Option<f64>,
    /// Brier score of what was said; `None` without labels.
    pub brier_before: Option<f64>,
    /// Brier score after mending, each label judged by the others; `None` without labels.
    pub brier_after: Option<f64>,
    /// How probabilities are mended.
    pub mend: Mend,
}

/// All lessons of a log.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Learned {
    /// By kind; kinds without a label are absent.
    pub lessons: BTreeMap<Fault, Lesson>,
    /// Mean time on site by finding as the log writes it, drawn towards the usual time, min.
    minutes: BTreeMap<String, f64>,
}

/// Learns from labels in any order, and the times on site from the log.
#[must_use]
pub fn learn(labels: &[Label], log: &[VisitLogRow]) -> Learned {
    let mut by_kind: BTreeMap<Fault, Vec<&Label>> = BTreeMap::new();
    for label in labels.iter().filter(|l| (0.0..=1.0).contains(&l.said)) {
        by_kind.entry(label.fault).or_default().push(label);
    }
    let lessons = by_kind
        .into_iter()
        .map(|(fault, mut labels)| {
            labels.sort_by(|a, b| (&a.home, a.date).cmp(&(&b.home, b.date)));
            (fault, lesson(&labels.iter().map(|l| (l.said, l.found)).collect::<Vec<_>>()))
        })
        .collect();
    Learned { lessons, minutes: minutes(log) }
}

fn lesson(labels: &[(f64, bool)]) -> Lesson {
    let n = labels.len() as f64;
    let brier = |said: &dyn Fn(usize, f64) -> f64| {
        let square =
            |(i, (p, found)): (usize, &(f64, bool))| (said(i, *p) - f64::from(u8::from(*found))).powi(2);
        (n > 0.0).then(|| labels.iter().enumerate().map(square).sum::<f64>() / n)
    };
    let without: Vec<Mend> = (0..FOLDS)
        .map(|fold| {
            let others: Vec<(f64, bool)> =
                labels.iter().enumerate().filter(|(i, _)| i % FOLDS != fold).map(|(_, l)| *l).collect();
            Mend::fit(&others)
        })
        .collect();
    Lesson {
        visits: labels.len(),
        found: labels.iter().filter(|(_, found)| *found).count(),
        said: (n > 0.0).then(|| labels.iter().map(|(p, _)| p).sum::<f64>() / n),
        brier_before: brier(&|_, p| p),
        brier_after: brier(&|i, p| without[i % FOLDS].apply(p)),
        mend: Mend::fit(labels),
    }
}

fn minutes(log: &[VisitLogRow]) -> BTreeMap<String, f64> {
    let mut sums: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
    for row in log {
        if let Some(minutes) = row.minutes.filter(|m| m.is_finite()) {
            let sum = sums.entry(&row.finding).or_default();
            *sum = (sum.0 + minutes, sum.1 + 1.0);
        }
    }
    let mean = |(sum, n): (f64, f64)| (sum + MINUTES_WEIGHT * USUAL_MINUTES) / (n + MINUTES_WEIGHT);
    sums.into_iter().map(|(finding, sum)| (finding.to_owned(), mean(sum))).collect()
}

impl Learned {
    /// The probability as the log mends it; unchanged for kinds without labels.
    #[must_use]
    pub fn probability(&self, fault: Fault, said: f64) -> f64 {
        self.lessons.get(&fault).map_or(said, |lesson| lesson.mend.apply(said))
    }

    /// Time on site of a visit that finds this, min.
    #[must_use]
    pub fn minutes_if_found(&self, fault: Fault) -> f64 {
        self.minutes.get(fault.code()).copied().unwrap_or(USUAL_MINUTES)
    }

    /// Time on site to plan for, min: found with this probability, else as long as visits take that find nothing.
    #[must_use]
    pub fn minutes(&self, fault: Fault, probability: f64) -> f64 {
        let nothing = self.minutes.get(NOTHING_FOUND).copied().unwrap_or(USUAL_MINUTES);
        let p = probability.clamp(0.0, 1.0);
        p * self.minutes_if_found(fault) + (1.0 - p) * nothing
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(fault: Fault, said: f64, found: usize, all: usize) -> Vec<Label> {
        let label = |i: usize| Label {
            home: format!("h{i:04}"),
            date: Day(i as i32 % 7),
            fault,
            said,
            found: i % all < found,
        };
        (0..all).map(label).collect()
    }

    #[test]
    fn a_kind_found_half_as_often_moves_and_nothing_else_does() {
        let mut log = labels(Fault::LeakSteady, 0.9, 90, 200);
        log.extend(labels(Fault::StuckOn, 0.9, 180, 200));
        let learned = learn(&log, &[]);
        let leak = learned.probability(Fault::LeakSteady, 0.9);
        assert!((leak - 0.45).abs() < 0.05, "{leak}");
        let stuck = learned.probability(Fault::StuckOn, 0.9);
        assert!((stuck - 0.9).abs() < 0.01, "{stuck}");
        assert_eq!(learned.probability(Fault::LossDoubled, 0.9), 0.9);
        let lesson = &learned.lessons[&Fault::LeakSteady];
        // 0.45 x 0.01 + 0.55 x 0.81 = 0.45 before; at best 0.45 x 0.55 = 0.2475 after.
        assert!((lesson.brier_before.unwrap() - 0.45).abs() < 1e-9);
        assert!((0.2475..0.27).contains(&lesson.brier_after.unwrap()), "{lesson:?}");
    }

    #[test]
    fn few_labels_move_little() {
        let moved = |all: usize| {
            0.9 - learn(&labels(Fault::LeakSteady, 0.9, 0, all), &[]).probability(Fault::LeakSteady, 0.9)
        };
        assert!(moved(1) > 0.0 && moved(1) < 0.06 && moved(2) < 0.12, "{} {}", moved(1), moved(2));
        assert!(moved(100) > 0.7, "{}", moved(100));
    }

    #[test]
    fn order_of_the_log_does_not_matter() {
        let mut log = labels(Fault::LeakSteady, 0.8, 20, 50);
        let one = learn(&log, &[]);
        log.reverse();
        assert_eq!(learn(&log, &[]), one);
    }

    #[test]
    fn time_on_site_is_drawn_towards_the_usual() {
        let row = |finding: &str, minutes| VisitLogRow {
            home: "a".to_owned(),
            date: Day(1),
            finding: finding.to_owned(),
            parts: String::new(),
            minutes,
        };
        let log = [row("leak_steady", Some(120.0)), row("leak_steady", None), row(NOTHING_FOUND, Some(20.0))];
        let learned = learn(&[], &log);
        // (120 + 4 x 60) / 5 = 72 and (20 + 240) / 5 = 52; half and half 62.
        assert_eq!(learned.minutes(Fault::LeakSteady, 0.5), 62.0);
        assert_eq!(learned.minutes(Fault::StuckOn, 1.0), USUAL_MINUTES);
    }
}
