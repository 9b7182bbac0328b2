//! What a run makes of its findings: probabilities that visits have mended, calls at their rate, and the tables for the one who plans.

use drawoff_contract::ContractError;
use drawoff_contract::plan_tables::{LearningRow, RingRow, RoundRow, VanRow};
use drawoff_contract::results::FindingRow;
use drawoff_homes::FleetPriors;
use drawoff_report::csv;
use drawoff_store::RunFolder;
use drawoff_worklist::{Worklist, WorthSettings, rounds};

use crate::daybook_files::DaybookFiles;
use crate::exit::Failure;
use crate::lessons::{self, Lessons};
use crate::run::Inputs;
use crate::settle::{self, Settled};

/// Makes probabilities of margins, mends them by the log of visits, and holds the calls at their rate.
///
/// # Errors
/// When the daybook of a visited home cannot be read back.
pub(crate) fn settle_findings(
    inputs: &Inputs,
    daybooks: &DaybookFiles<'_>,
    priors: &FleetPriors,
    findings: &mut [FindingRow],
) -> Result<(Lessons, Settled), ContractError> {
    let rules = &inputs.rules;
    settle::probabilities(findings, &rules.calibration);
    let settings =
        drawoff_homes::Settings { water: inputs.pipeline.water.water(), seed: inputs.pipeline.run.seed };
    let lessons = lessons::lessons(daybooks, priors, inputs.small.visits(), &rules.calibration, settings)?;
    lessons.mend(findings);
    let settled = settle::settle(findings, &inputs.cylinders, rules);
    Ok((lessons, settled))
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
