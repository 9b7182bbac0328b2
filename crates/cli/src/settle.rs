//! From the findings of each home to those of a fleet in memory: probabilities, and the rate of false calls.

use std::path::PathBuf;

use drawoff_contract::ContractError;
use drawoff_contract::results::FindingRow;
use drawoff_faults::calibration::Calibration;
use drawoff_faults::posterior;
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
    /// The rules that a pipeline asks for, whose settings are sound.
    pub(crate) fn of(settings: &FaultSettings, curves: &Option<PathBuf>) -> Result<Self, ContractError> {
        Ok(Self { calibration: settings.calibration(curves)?, rate: settings.false_discovery_rate })
    }
}

/// Calibrates the probabilities of every home; the rows of a home lie together.
pub(crate) fn probabilities(findings: &mut [FindingRow], calibration: &Calibration) {
    let homes: Vec<&mut [FindingRow]> = findings.chunk_by_mut(|a, b| a.home == b.home).collect();
    homes.into_par_iter().for_each(|rows| posterior::calibrate(rows, calibration));
}

/// Holds the calls at the rate.
pub(crate) fn settle(findings: &mut [FindingRow], rules: &Rules) {
    posterior::hold_rate(findings, &rules.calibration, rules.rate);
}
