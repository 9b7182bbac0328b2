//! What a run makes of its findings: probabilities that visits have mended, calls at their rate, and the tables for the one who plans.

use drawoff_contract::plan_tables::{LearningRow, RingRow, RoundRow, VanRow};
use drawoff_contract::results::FindingRow;
use drawoff_report::csv;
use drawoff_store::RunFolder;
use drawoff_worklist::{Worklist, WorthSettings, rounds};

use crate::exit::Failure;
use crate::lessons::{self, Lessons};
use crate::run::Inputs;
use crate::settle::{self, Settled};
use crate::stages::{Assessed, HomeDaybook};

/// Makes probabilities of margins, mends them by the log of visits, and holds the calls at their rate.
pub(crate) fn settle_findings(
    inputs: &Inputs,
    daybooks: &[HomeDaybook<'_>],
    assessed: &mut Assessed,
) -> (Lessons, Settled) {
    let (rules, findings) = (&inputs.rules, &mut assessed.findings);
    settle::probabilities(findings, &rules.calibration);
    let settings =
        drawoff_homes::Settings { water: inputs.pipeline.water.water(), seed: inputs.pipeline.run.seed };
    let lessons = lessons::lessons(daybooks, inputs.small.visits(), &rules.calibration, settings);
    lessons.mend(findings);
    let settled = settle::settle(findings, &inputs.cylinders, rules);
    (lessons, settled)
}

/// Tables for the one who plans.
pub(crate) struct Plan {
    rounds: Vec<RoundRow>,
    van: Vec<VanRow>,
    ring_first: Vec<RingRow>,
    learning: Vec<LearningRow>,
    settled: Settled,
}

impl Plan {
    /// Plans the visits and calls of a list.
    pub(crate) fn of(
        inputs: &Inputs,
        worth: &WorthSettings,
        lessons: &Lessons,
        settled: Settled,
        list: &Worklist,
        findings: &[FindingRow],
    ) -> Self {
        let rounds = rounds::rounds(&list.visits, worth, &lessons.learned);
        Self {
            van: rounds::van(&rounds, &list.visits),
            rounds,
            ring_first: list.ring_first.clone(),
            learning: lessons.rows(findings, &inputs.rules.calibration),
            settled,
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
        folder.table(self.settled.stories)?;
        folder.table(self.settled.peers)?;
        Ok(())
    }
}
