//! From the findings of each home to those of the fleet: probabilities, the rate of false calls, stories and peers.

use std::collections::BTreeMap;
use std::path::PathBuf;

use drawoff_contract::plan_tables::{PeerRow, StoryRow};
use drawoff_contract::results::FindingRow;
use drawoff_contract::{ContractError, Cylinder};
use drawoff_faults::calibration::Calibration;
use drawoff_faults::posterior::{self, peers};
use rayon::prelude::*;

use crate::pipeline::FaultSettings;

/// How margins become probabilities, and probabilities calls.
#[derive(Clone, Debug)]
pub(crate) struct Rules {
    pub(crate) calibration: Calibration,
    /// Largest expected share of false calls.
    pub(crate) rate: f64,
}

impl Rules {
    /// The rules that a pipeline asks for.
    pub(crate) fn of(settings: &FaultSettings, curves: &Option<PathBuf>) -> Result<Self, ContractError> {
        settings.check()?;
        Ok(Self { calibration: settings.calibration(curves)?, rate: settings.false_discovery_rate })
    }
}

/// Calibrates the probabilities of every home; the rows of a home lie together.
pub(crate) fn probabilities(findings: &mut [FindingRow], calibration: &Calibration) {
    let homes: Vec<&mut [FindingRow]> = findings.chunk_by_mut(|a, b| a.home == b.home).collect();
    homes.into_par_iter().for_each(|rows| posterior::calibrate(rows, calibration));
}

/// What is said beside the findings.
pub(crate) struct Settled {
    pub(crate) stories: Vec<StoryRow>,
    pub(crate) peers: Vec<PeerRow>,
    /// Calls that the rate of false calls turned sound.
    pub(crate) silenced: usize,
}

/// Holds the calls at the rate, and tells stories and peers.
pub(crate) fn settle(
    findings: &mut [FindingRow],
    cylinders: &BTreeMap<String, Cylinder>,
    rules: &Rules,
) -> Settled {
    let silenced = posterior::hold_rate(findings, &rules.calibration, rules.rate);
    let homes: Vec<&[FindingRow]> = findings.chunk_by(|a, b| a.home == b.home).collect();
    let story = |rows: &&[FindingRow]| posterior::story(&rows.first()?.home, rows);
    let stories = homes.par_iter().filter_map(story).collect();
    Settled { stories, peers: peers::peers(findings, cylinders, rules.rate), silenced }
}
