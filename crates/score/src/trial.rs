//! Findings against a fleet on which faults of every kind and strength were laid, and look-alikes that are sound.
//!
//! What counts as a fault is condition-based (the state was imposed), and one sample is one home over the whole period, after the
//! evaluation framework of Frank et al., Energy and Buildings 192 (2019) (from memory). Event-wise precision and recall count calls, that
//! is pairs of home and fault.

mod page;
pub mod reliability;

use std::collections::BTreeMap;

use drawoff_contract::results::FindingRow;
use drawoff_contract::{Fault, FaultClass, Outcome};
use serde_json::{Value, json};

use crate::bar::{Bar, Figure, Unit};
use crate::bootstrap;
use crate::calls::{CallScore, is_visit_kind};
use crate::errors::quantile;
use crate::list::ListScore;
use crate::trial::reliability::Prediction;
use crate::truth::TruthHome;
use crate::wilson::Share;
use drawoff_contract::Level;

/// Kinds that a run must hardly miss or mistake.
pub const HARD: [Fault; 5] =
    [Fault::ElementOpen, Fault::StuckOn, Fault::PumpFailed, Fault::PumpStuck, Fault::SensorStuck];
/// Kinds that shade into what is sound.
pub const SOFT: [Fault; 12] = [
    Fault::ElementHalf,
    Fault::ThermostatHot,
    Fault::ThermostatCold,
    Fault::LeakSteady,
    Fault::LeakHeating,
    Fault::GravityNight,
    Fault::Destratified,
    Fault::LossDoubled,
    Fault::SensorDrift,
    Fault::SensorOffset,
    Fault::ExchangerDecline,
    Fault::SurplusMissed,
];
/// Least F1 of a hard kind, of a soft one at middle strength, and the other bars of the fault trial (our own).
const HARD_F1: f64 = 0.97;
const SOFT_F1: f64 = 0.85;
const EVENT_F05: f64 = 0.90;
const FALSE_PER_100_HOME_YEARS: f64 = 2.0;
const WRONG_DIAGNOSIS: f64 = 0.08;
const PRECISION_AT_K: f64 = 0.9;
const ECE: f64 = 0.05;

/// What is imposed, found and called at one home, equipment and sensor kinds only: resampled whole.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct HomeEvents {
    imposed: usize,
    found: usize,
    calls: usize,
}

/// Sound homes of one look.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LookTally {
    /// Homes.
    pub homes: usize,
    /// Their days.
    pub days: usize,
    /// Equipment and sensor calls at them, all false.
    pub calls: usize,
}

/// A fault trial: counts and single errors, so that pieces of a fleet can be pooled.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trial {
    /// All calls by kind.
    pub calls: CallScore,
    /// Found of imposed, by kind, strength (`None` where truth does not say) and probes.
    pub cells: BTreeMap<(Fault, Option<Level>, usize), Share>,
    /// Homes with the fault of which it was not assessed or had too little data.
    pub unassessed: BTreeMap<Fault, usize>,
    /// Homes by what was imposed there and what was called, where both differ: the imposed kind (`None` at sound homes) first.
    pub confusions: BTreeMap<(Option<Fault>, Fault), usize>,
    /// Sound homes by their look.
    pub looks: BTreeMap<String, LookTally>,
    /// What was said of every assessed home and fault.
    pub predictions: Vec<Prediction>,
    /// Hours from the later of onset and first row to the first night whose batch calls the fault; infinite where none does.
    pub delays_hours: BTreeMap<Fault, Vec<f64>>,
    /// Heads of the service lists.
    pub list: ListScore,
    events: Vec<HomeEvents>,
}

impl Trial {
    /// A trial of no homes yet, with the head of its service list.
    #[must_use]
    pub fn of_list(list: ListScore) -> Self {
        Self { list, ..Self::default() }
    }

    /// Takes one home in.
    pub fn push(&mut self, home: &str, findings: &[&FindingRow], truth: &TruthHome, probes: usize) {
        let number = self.events.len();
        let outcome = |fault: Fault| {
            let row = findings.iter().find(|r| r.fault == fault.code());
            row.and_then(|r| Outcome::from_code(&r.outcome))
        };
        self.calls.push(home, findings, truth);
        let mut events = HomeEvents::default();
        for imposed in &truth.faults {
            let found = outcome(imposed.fault) == Some(Outcome::Fault);
            self.cells.entry((imposed.fault, imposed.level, probes)).or_default().count(found);
            let assessed = matches!(outcome(imposed.fault), Some(Outcome::Fault | Outcome::Sound));
            *self.unassessed.entry(imposed.fault).or_default() += usize::from(!assessed);
            if is_visit_kind(imposed.fault) {
                events.imposed += 1;
                events.found += usize::from(found);
            }
        }
        for row in findings {
            let Some(fault) = Fault::from_code(&row.fault) else { continue };
            let present = truth.faults.iter().any(|f| f.fault == fault);
            if let Some(p) = row.probability.filter(|p| p.is_finite()) {
                self.predictions.push(Prediction { home: number, fault, p, present });
            }
            let called = row.outcome == Outcome::Fault.code();
            if called && !present {
                let imposed: Vec<Option<Fault>> = truth.faults.iter().map(|f| Some(f.fault)).collect();
                for imposed in if imposed.is_empty() { vec![None] } else { imposed } {
                    *self.confusions.entry((imposed, fault)).or_default() += 1;
                }
            }
            events.calls += usize::from(called && is_visit_kind(fault));
        }
        if truth.is_sound() {
            let look = self.looks.entry(truth.look.clone()).or_default();
            look.homes += 1;
            look.days += truth.days.len();
            look.calls += events.calls;
        }
        self.events.push(events);
    }

    /// Homes taken in.
    #[must_use]
    pub fn homes(&self) -> usize {
        self.events.len()
    }

    /// Adds the homes of another piece.
    pub fn add(&mut self, other: Self) {
        let before = self.events.len();
        self.calls.add(&other.calls);
        for (cell, share) in other.cells {
            self.cells.entry(cell).or_default().add(share);
        }
        for (fault, homes) in other.unassessed {
            *self.unassessed.entry(fault).or_default() += homes;
        }
        for (pair, homes) in other.confusions {
            *self.confusions.entry(pair).or_default() += homes;
        }
        for (look, tally) in other.looks {
            let own = self.looks.entry(look).or_default();
            own.homes += tally.homes;
            own.days += tally.days;
            own.calls += tally.calls;
        }
        let moved = other.predictions.into_iter().map(|p| Prediction { home: p.home + before, ..p });
        self.predictions.extend(moved);
        for (fault, delays) in other.delays_hours {
            self.delays_hours.entry(fault).or_default().extend(delays);
        }
        self.list.add(&other.list);
        self.events.extend(other.events);
    }

    /// Found of imposed of one kind, at one strength or at all, whatever the probes.
    #[must_use]
    pub fn recall(&self, fault: Fault, level: Option<Level>) -> Share {
        let mut out = Share::default();
        for (_, share) in
            self.cells.iter().filter(|((f, l, _), _)| *f == fault && (level.is_none() || *l == level))
        {
            out.add(*share);
        }
        out
    }

    /// F1 of one kind: harmonic mean of the recall at a strength and the precision of all its calls; `None` without cases.
    #[must_use]
    pub fn f1(&self, fault: Fault, level: Option<Level>) -> Option<f64> {
        let recall = self.recall(fault, level).value()?;
        let precision = self.calls.kinds.get(&fault)?.precision().value().unwrap_or(0.0);
        Some(if recall + precision > 0.0 { 2.0 * recall * precision / (recall + precision) } else { 0.0 })
    }

    /// Event-wise F with precision weighted twice as much as recall, over equipment and sensor kinds.
    #[must_use]
    pub fn event_f05(&self) -> Figure {
        Figure {
            value: f05(self.events.iter()),
            interval: bootstrap::interval(self.events.len(), "event F0.5", |drawn| {
                f05(drawn.iter().map(|&i| &self.events[i]))
            }),
            cases: self.events.iter().map(|e| e.imposed.max(e.calls)).sum(),
            bar: Some(Bar::AtLeast(EVENT_F05)),
            unit: Unit::Number,
            ..Figure::default()
        }
    }

    /// The figures of the whole with their bars, in the order of the page.
    #[must_use]
    pub fn headline(&self) -> Vec<(&'static str, Figure)> {
        let pooled = self.calls.pooled(FaultClass::Equipment);
        let number = |value: Option<f64>, cases: usize, bar: Bar| Figure {
            value,
            cases,
            bar: Some(bar),
            unit: Unit::Number,
            ..Figure::default()
        };
        let (ece, interval) = reliability::ece(&self.predictions);
        let considered = self.predictions.iter().filter(|p| p.p > reliability::LEAST_P).count();
        vec![
            ("recall, equipment and sensor", Figure::of_share(pooled.recall())),
            ("precision of calls, equipment and sensor", Figure::of_share(pooled.precision())),
            ("event-wise F0.5", self.event_f05()),
            (
                "false calls per 100 sound home-years",
                number(
                    self.calls.false_calls_per_100_home_years(),
                    self.calls.sound_days,
                    Bar::AtMost(FALSE_PER_100_HOME_YEARS),
                ),
            ),
            (
                "sound homes without a call",
                Figure::of_share(Share {
                    hits: self.calls.flagged_sound.of - self.calls.flagged_sound.hits,
                    of: self.calls.flagged_sound.of,
                }),
            ),
            (
                "wrong diagnosis",
                Figure::of_share(Share::new(pooled.wrong_diagnosis, pooled.imposed))
                    .with_bar(Some(Bar::AtMost(WRONG_DIAGNOSIS))),
            ),
            (
                "precision at k, right fault",
                Figure::of_share(self.list.right_kind).with_bar(Some(Bar::AtLeast(PRECISION_AT_K))),
            ),
            (
                "expected calibration error, p > 0.02",
                Figure { interval, ..number(ece, considered, Bar::AtMost(ECE)) },
            ),
            (
                "Brier score, all assessed",
                Figure {
                    bar: None,
                    ..number(reliability::brier(&self.predictions), self.predictions.len(), Bar::AtMost(1.0))
                },
            ),
        ]
    }

    /// F1 of the kinds that have a bar: hard ones over all strengths, soft ones at middle strength where truth says it.
    #[must_use]
    pub fn f1_bars(&self) -> Vec<(Fault, Figure)> {
        let middle = self.cells.keys().any(|(_, l, _)| *l == Some(Level::Middle));
        let soft_level = middle.then_some(Level::Middle);
        let hard = HARD.iter().map(|f| (*f, None, HARD_F1));
        let soft = SOFT.iter().map(|f| (*f, soft_level, SOFT_F1));
        hard.chain(soft)
            .map(|(fault, level, bar)| {
                let figure = Figure {
                    value: self.f1(fault, level),
                    cases: self.recall(fault, level).of as usize,
                    bar: Some(Bar::AtLeast(bar)),
                    unit: Unit::Number,
                    ..Figure::default()
                };
                (fault, figure)
            })
            .collect()
    }

    /// Median and 90 % point of the delay of a kind, h, among all its homes; infinite where that many were never called.
    #[must_use]
    pub fn delay(&self, fault: Fault) -> Option<(f64, f64)> {
        let delays = self.delays_hours.get(&fault)?;
        // Interpolation towards infinity is infinite, or no number between two infinities.
        let at = |p: f64| quantile(delays, p).map(|d| if d.is_nan() { f64::INFINITY } else { d });
        at(0.5).zip(at(0.9))
    }

    /// The figures with a bar as JSON, for floors.
    #[must_use]
    pub fn to_json(&self) -> Value {
        let figure = |f: &Figure| json!({"value": f.value, "cases": f.cases, "reached": f.reached()});
        let headline: serde_json::Map<String, Value> =
            self.headline().iter().map(|(name, f)| ((*name).to_owned(), figure(f))).collect();
        let f1: serde_json::Map<String, Value> =
            self.f1_bars().iter().map(|(fault, f)| (fault.code().to_owned(), figure(f))).collect();
        json!({"homes": self.homes(), "trial": headline, "f1": f1})
    }

    /// Whether a kind is one that the page speaks of: imposed or called somewhere.
    fn kinds(&self) -> impl Iterator<Item = Fault> {
        let order = |c: FaultClass| {
            [FaultClass::Equipment, FaultClass::Sensor, FaultClass::Service, FaultClass::Data]
                .iter()
                .position(|o| *o == c)
        };
        let mut kinds: Vec<Fault> = self.calls.kinds.keys().copied().collect();
        kinds.sort_by_key(|f| (order(f.class()), *f));
        kinds.into_iter()
    }
}

/// F = 1.25 P R / (0.25 P + R) with P = found / calls and R = found / imposed; `None` without either.
fn f05<'a>(events: impl Iterator<Item = &'a HomeEvents>) -> Option<f64> {
    let (mut imposed, mut found, mut calls) = (0, 0, 0);
    for e in events {
        imposed += e.imposed;
        found += e.found;
        calls += e.calls;
    }
    let weight = 0.25 * imposed as f64 + calls as f64;
    (weight > 0.0).then(|| 1.25 * found as f64 / weight)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::{finding, truth_home};
    use crate::truth::TruthFault;

    fn faulty(fault: Fault, level: Level) -> TruthHome {
        let faults = vec![TruthFault { fault, onset_ms: None, level: Some(level) }];
        TruthHome { faults, ..truth_home() }
    }

    fn trial() -> Trial {
        let mut trial = Trial::default();
        let call = |fault| finding("a", fault, Outcome::Fault);
        for (i, level) in [Level::Mild, Level::Middle, Level::Middle].into_iter().enumerate() {
            let rows = if i == 0 { vec![] } else { vec![call(Fault::LeakSteady)] };
            trial.push("a", &rows.iter().collect::<Vec<_>>(), &faulty(Fault::LeakSteady, level), 4);
        }
        let sound = TruthHome { look: "guests".to_owned(), ..truth_home() };
        trial.push("b", &[&call(Fault::LeakSteady)], &sound, 4);
        trial
    }

    #[test]
    fn f1_by_hand() {
        let trial = trial();
        // Two of three found, two of three calls right: F1 2/3; at middle strength both found: 2 x 1 x 2/3 / (5/3) = 0.8.
        assert!((trial.f1(Fault::LeakSteady, None).unwrap() - 2.0 / 3.0).abs() < 1e-12);
        assert!((trial.f1(Fault::LeakSteady, Some(Level::Middle)).unwrap() - 0.8).abs() < 1e-12);
        // F0.5 = 1.25 x 2 / (0.25 x 3 + 3) = 2/3.
        assert!((trial.event_f05().value.unwrap() - 2.0 / 3.0).abs() < 1e-12);
        assert_eq!(trial.looks["guests"], LookTally { homes: 1, days: 1, calls: 1 });
        assert_eq!(trial.f1(Fault::StuckOn, None), None);
    }

    #[test]
    fn what_is_called_in_place_of_what_was_imposed_is_counted() {
        let mut both = trial();
        let call = finding("c", Fault::StuckOn, Outcome::Fault);
        both.push("c", &[&call], &faulty(Fault::LeakSteady, Level::Mild), 4);
        both.add(both.clone());
        let expected = [((None, Fault::LeakSteady), 2), ((Some(Fault::LeakSteady), Fault::StuckOn), 2)];
        assert_eq!(both.confusions, expected.into_iter().collect());
        let text = both.to_markdown();
        assert!(text.contains("| nothing | leak_steady 2 |\n| leak_steady | stuck_on 2 |"), "{text}");
    }

    #[test]
    fn pieces_together_are_the_whole() {
        let mut both = trial();
        both.add(trial());
        assert_eq!(both.homes(), 8);
        assert_eq!(both.recall(Fault::LeakSteady, None), Share::new(4, 6));
        let text = both.to_markdown();
        assert!(text.contains("guests") && !text.contains("NaN"), "{text}");
    }

    #[test]
    fn a_fault_that_is_never_called_is_an_endless_delay() {
        let mut trial = trial();
        trial.delays_hours.insert(Fault::LeakSteady, vec![24.0, 48.0, f64::INFINITY]);
        assert_eq!(trial.delay(Fault::LeakSteady), Some((48.0, f64::INFINITY)));
    }
}
