//! Exit codes, documented in `drawoff --help` and the README.

use drawoff_contract::ContractError;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Exit {
    /// Done.
    Done = 0,
    /// Could not be finished: a write failed, or another run holds the output folder.
    Failed = 1,
    /// The command line, pipeline, mapping or register is wrong; nothing was written.
    Settings = 2,
    /// No usable input: an empty folder, or no home that the register lists.
    NoInput = 3,
    /// Done, but files or homes were left out; each is named.
    Partial = 4,
}

impl From<Exit> for std::process::ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// Why a command ended early: all that is wrong.
#[derive(Debug)]
pub(crate) struct Failure {
    pub(crate) exit: Exit,
    pub(crate) problems: Vec<ContractError>,
}

impl Failure {
    pub(crate) fn new(exit: Exit, problem: ContractError) -> Self {
        Self { exit, problems: vec![problem] }
    }

    pub(crate) fn settings(problems: Vec<ContractError>) -> Self {
        Self { exit: Exit::Settings, problems }
    }
}

impl From<ContractError> for Failure {
    fn from(error: ContractError) -> Self {
        Self::new(Exit::Failed, error)
    }
}
