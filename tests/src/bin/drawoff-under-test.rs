//! The program as the whole-program tests run it: Cargo tells a test the path of its own package's binaries only.
//!
//! `FAIL_AT=N` in its environment lets the N-th step of writing fail, `ABORT_AT=N` ends the program there, and a worker's work on the home `PANIC_AT`
//! panics.

use drawoff_store::failing::{Failing, fail_at, panic_at};

fn main() -> std::process::ExitCode {
    for (name, how) in [("FAIL_AT", Failing::Error), ("ABORT_AT", Failing::Abort)] {
        if let Some(step) = std::env::var(name).ok().and_then(|step| step.parse().ok()) {
            fail_at(step, how);
        }
    }
    if let Ok(home) = std::env::var("PANIC_AT") {
        panic_at(&home);
    }
    drawoff_cli::main()
}
