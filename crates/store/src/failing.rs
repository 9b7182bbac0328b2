//! Failure on purpose: tests let the n-th step of writing fail, or end the program there, as a full disk or a power cut would.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

/// What happens at the step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failing {
    /// The step fails with an error; later ones succeed.
    Error,
    /// The program ends at once, with nothing tidied up.
    Abort,
}

/// Steps until one fails; 0 is none.
static STEPS_LEFT: AtomicU64 = AtomicU64::new(0);
static ABORTS: AtomicBool = AtomicBool::new(false);
/// Home at which the work on it panics.
static PANICS_AT: OnceLock<String> = OnceLock::new();

/// Lets the `step`-th step of writing from now on fail, counted from 1. For tests alone.
///
/// A step is making, writing, syncing or moving a file or folder of a run, or of rows written aside.
pub fn fail_at(step: u64, how: Failing) {
    ABORTS.store(how == Failing::Abort, Ordering::Relaxed);
    STEPS_LEFT.store(step, Ordering::Relaxed);
}

/// Lets the work on the home of this name panic, as a defect would that one home brings out. For tests alone.
pub fn panic_at(home: &str) {
    // A second name is one too many for a test.
    let _ = PANICS_AT.set(home.to_owned());
}

/// Taken before work on one home that must not end the work on others.
pub(crate) fn home(name: &str) {
    #[expect(clippy::panic, reason = "a test asked for it")]
    if PANICS_AT.get().is_some_and(|home| home == name) {
        panic!("a defect made on purpose");
    }
}

/// Taken before every step of writing.
pub(crate) fn step() -> std::io::Result<()> {
    // The usual way costs one load.
    if STEPS_LEFT.load(Ordering::Relaxed) == 0 || STEPS_LEFT.fetch_sub(1, Ordering::Relaxed) != 1 {
        return Ok(());
    }
    if ABORTS.load(Ordering::Relaxed) {
        std::process::abort();
    }
    Err(std::io::Error::new(std::io::ErrorKind::StorageFull, "no space is left (a failure made on purpose)"))
}
