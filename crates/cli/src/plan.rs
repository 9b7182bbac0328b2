//! The tables for the one who plans.

use drawoff_contract::plan_tables::{LearningRow, PeerRow, RingRow, RoundRow, StoryRow, VanRow};
use drawoff_report::csv;
use drawoff_store::RunFolder;
use drawoff_worklist::{Worklist, WorthSettings, rounds};

use crate::exit::Failure;
use crate::findings::Settled;
use crate::lessons::Lessons;
use crate::run::Inputs;

/// Tables for the one who plans.
pub(crate) struct Plan {
    rounds: Vec<RoundRow>,
    van: Vec<VanRow>,
    ring_first: Vec<RingRow>,
    learning: Vec<LearningRow>,
    stories: Vec<StoryRow>,
    peers: Vec<PeerRow>,
}

impl Plan {
    /// Plans the visits and calls of a list.
    pub(crate) fn of(
        inputs: &Inputs,
        worth: &WorthSettings,
        lessons: &Lessons,
        settled: &mut Settled,
        list: &Worklist,
    ) -> Self {
        let rounds = rounds::rounds(&list.visits, worth, &lessons.learned);
        Self {
            van: rounds::van(&rounds, &list.visits),
            rounds,
            ring_first: list.ring_first.clone(),
            learning: lessons.rows(&settled.said, &inputs.rules.calibration),
            stories: std::mem::take(&mut settled.stories),
            peers: std::mem::take(&mut settled.peers),
        }
    }

    /// Writes all its tables.
    pub(crate) fn write(self, folder: &mut RunFolder) -> Result<(), Failure> {
        folder.text("rounds.csv", &csv::csv(self.rounds.clone()))?;
        folder.text("van.csv", &csv::csv(self.van.clone()))?;
        folder.text("ring_first.csv", &csv::csv(self.ring_first.clone()))?;
        folder.text("learning.csv", &csv::csv(self.learning.clone()))?;
        folder.table(self.rounds)?;
        folder.table(self.van)?;
        folder.table(self.ring_first)?;
        folder.table(self.learning)?;
        folder.table(self.stories)?;
        folder.table(self.peers)?;
        Ok(())
    }
}
