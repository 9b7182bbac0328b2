//! Exit codes, documented in `drawoff --help` and the README.

use drawoff_contract::ContractError;

use crate::progress;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Exit {
    /// Done.
    Done = 0,
    /// Could not be finished: a write failed, another run holds the output folder, or an object storage failed or refused.
    Failed = 1,
    /// The command line, pipeline, mapping or register is wrong; nothing was written.
    Settings = 2,
    /// No usable input: an empty folder, or no home that the register lists.
    NoInput = 3,
    /// Done, but files or homes were left out; each is named.
    Partial = 4,
    /// Interrupted from the keyboard or by the system.
    Interrupted = 130,
}

/// Ends the program at once when it is interrupted.
///
/// Whatever was being written lies aside and is removed or completed by the next run, so there is nothing to wait for.
pub(crate) fn on_interrupt() {
    #[expect(clippy::exit, reason = "threads at work would keep the program for seconds")]
    let end = || {
        progress::note("interrupted: the results of the last finished run are as they were");
        std::process::exit(Exit::Interrupted as i32);
    };
    // Fails only where the system knows no such signal; an interrupt then ends the program as it always did.
    let _ = ctrlc::set_handler(end);
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
