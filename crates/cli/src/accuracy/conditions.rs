//! Which conditions of the data are measured.

use drawoff_score::Degradation::{self, CadenceMin, Days, Gaps, NoRoom, None, Probes, StepK};

/// The conditions of a fleet that was exported every five minutes with the homes' own probes.
pub(crate) const ALL: [Degradation; 10] = [
    None,
    Probes(6),
    Probes(3),
    Probes(2),
    CadenceMin(15),
    CadenceMin(30),
    StepK(1.0),
    Gaps(0.2),
    NoRoom,
    Days(30),
];

/// A few of them, to see that all is well.
pub(crate) const QUICK: [Degradation; 3] = [None, Probes(3), CadenceMin(15)];

/// Minutes between rows after a degradation of rows that are `own_min` apart.
pub(crate) fn cadence_min(degradation: Degradation, own_min: u32) -> u32 {
    if let CadenceMin(minutes) = degradation { minutes.max(own_min) } else { own_min }
}
