//! Findings of a fleet, counted home by home, so that nobody needs all of them at once.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_contract::results::FindingRow;
use drawoff_contract::{Fault, FaultClass, Outcome};

/// Outcomes in the order of the page.
pub(super) const ORDER: [Outcome; 4] =
    [Outcome::Fault, Outcome::Sound, Outcome::NotAssessed, Outcome::TooLittleData];

/// What the page tells of all findings.
#[derive(Clone, Debug, Default)]
pub struct Counted {
    /// Homes by outcome of each assessment, as [`ORDER`].
    pub(super) outcomes: BTreeMap<Fault, [usize; 4]>,
    /// What one missing input stopped.
    pub(super) stopped: BTreeMap<String, Stopped>,
    /// Homes with an assessment of cylinder, probes or service that came to sound or fault.
    pub(super) assessed: usize,
}

/// Homes and assessments that one missing input stopped.
#[derive(Clone, Debug, Default)]
pub(super) struct Stopped {
    pub(super) homes: usize,
    pub(super) faults: BTreeSet<String>,
}

impl Counted {
    /// Counts all findings of one home, which comes once.
    pub fn note_home(&mut self, rows: &[FindingRow]) {
        let mut missing = BTreeSet::new();
        let mut is_assessed = false;
        for row in rows {
            let fault = Fault::from_code(&row.fault);
            let place = ORDER.iter().position(|o| o.code() == row.outcome);
            if let (Some(fault), Some(i)) = (fault, place) {
                self.outcomes.entry(fault).or_default()[i] += 1;
                let known = matches!(ORDER[i], Outcome::Sound | Outcome::Fault);
                is_assessed |= known && fault.class() != FaultClass::Data;
            }
            if row.outcome == Outcome::NotAssessed.code() {
                let reason = if row.missing.is_empty() { "no reason given" } else { row.missing.as_str() };
                self.stopped.entry(reason.to_owned()).or_default().faults.insert(row.fault.clone());
                missing.insert(reason);
            }
        }
        for reason in missing {
            self.stopped.entry(reason.to_owned()).or_default().homes += 1;
        }
        self.assessed += usize::from(is_assessed);
    }

    /// Counts findings of which those of a home lie together.
    #[must_use]
    pub fn of(rows: &[FindingRow]) -> Self {
        let mut counted = Self::default();
        rows.chunk_by(|a, b| a.home == b.home).for_each(|home| counted.note_home(home));
        counted
    }
}
