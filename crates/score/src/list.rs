//! The head of the service list against imposed faults.

use drawoff_contract::Fault;
use drawoff_contract::results::VisitRow;

use crate::part::Half;
use crate::truth::Truth;
use crate::wilson::Share;

/// The head is never longer than this.
pub const LONGEST_HEAD: usize = 25;

/// How many of the first `k` visits are worth making; a place that is not filled counts as a visit in vain.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ListScore {
    /// Visits whose fault is the one that was imposed.
    pub right_kind: Share,
    /// Visits to a home that has any equipment or sensor fault.
    pub right_home: Share,
    /// Visits of the scored homes, however many.
    pub listed: usize,
}

impl ListScore {
    /// Scores the list of one run; `k` is 25, or half the scored homes with an equipment or sensor fault (rounded down,
    /// at least 1) if that is less.
    #[must_use]
    pub fn of(visits: &[VisitRow], truth: &Truth, half: Half) -> Self {
        let scored = |home: &str| truth.homes.get(home).filter(|_| half.contains(home));
        let faulty = truth.homes.iter().filter(|(id, home)| half.contains(id) && home.needs_visit()).count();
        let mut listed: Vec<&VisitRow> = visits.iter().filter(|v| scored(&v.home).is_some()).collect();
        listed.sort_by(|a, b| (a.rank, &a.home).cmp(&(b.rank, &b.home)));
        let k = if faulty == 0 { 0 } else { LONGEST_HEAD.min(faulty / 2).max(1) };
        let head = listed.iter().take(k).filter_map(|v| Some((v, scored(&v.home)?)));
        let (mut right_kind, mut right_home) = (0, 0);
        for (visit, home) in head {
            let called = Fault::from_code(&visit.fault);
            right_kind += usize::from(home.faults.iter().any(|f| Some(f.fault) == called));
            right_home += usize::from(home.needs_visit());
        }
        Self {
            right_kind: Share::new(right_kind, k),
            right_home: Share::new(right_home, k),
            listed: listed.len(),
        }
    }

    /// Adds the list of another fleet: each fleet is judged on its own head.
    pub fn add(&mut self, other: &Self) {
        self.right_kind.add(other.right_kind);
        self.right_home.add(other.right_home);
        self.listed += other.listed;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::{truth_home, visit};
    use crate::truth::TruthFault;

    fn fleet(faults: &[(&str, Option<Fault>)]) -> Truth {
        let mut truth = Truth::default();
        for &(home, fault) in faults {
            let mut facts = truth_home();
            facts.faults.extend(fault.map(|fault| TruthFault { fault, onset_ms: None, level: None }));
            truth.homes.insert(home.to_owned(), facts);
        }
        truth
    }

    #[test]
    fn the_head_is_half_the_faulty_homes() {
        let truth = fleet(&[
            ("a", Some(Fault::StuckOn)),
            ("b", Some(Fault::LeakSteady)),
            ("c", Some(Fault::SensorSwap)),
            ("d", Some(Fault::LossDoubled)),
            ("e", Some(Fault::DataGaps)),
            ("f", None),
        ]);
        // Two places: the first by the right name, the second a faulty home by a wrong name; the third is beyond k.
        let visits =
            [visit(3, "f", Fault::StuckOn), visit(1, "a", Fault::StuckOn), visit(2, "b", Fault::LossDoubled)];
        let score = ListScore::of(&visits, &truth, Half::All);
        assert_eq!(
            (score.right_kind, score.right_home, score.listed),
            (Share::new(1, 2), Share::new(2, 2), 3)
        );
    }

    #[test]
    fn an_empty_place_is_a_visit_in_vain() {
        let truth = fleet(&[
            ("a", Some(Fault::StuckOn)),
            ("b", Some(Fault::StuckOn)),
            ("c", Some(Fault::StuckOn)),
            ("d", Some(Fault::StuckOn)),
        ]);
        let score = ListScore::of(&[visit(1, "a", Fault::StuckOn)], &truth, Half::All);
        assert_eq!(score.right_kind, Share::new(1, 2));
        // A fleet without faults has no head.
        assert_eq!(ListScore::of(&[], &fleet(&[("a", None)]), Half::All).right_kind, Share::default());
    }

    #[test]
    fn only_the_scored_half_counts() {
        let truth =
            fleet(&[("a", Some(Fault::StuckOn)), ("b", Some(Fault::StuckOn)), ("c", Some(Fault::StuckOn))]);
        let visits = [visit(1, "b", Fault::LeakSteady), visit(2, "a", Fault::StuckOn)];
        let score = ListScore::of(&visits, &truth, Half::Even);
        assert_eq!((score.right_kind, score.listed), (Share::new(1, 1), 1));
    }
}
