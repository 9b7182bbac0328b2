//! Reads the JSON of `drawoff score` from standard input; ends with 1 when a figure misses its floor.
#![expect(clippy::print_stdout, reason = "it says what it found")]

use std::process::ExitCode;

use drawoff_tests::floors;

fn main() -> ExitCode {
    let Ok(score) = serde_json::from_reader(std::io::stdin()) else {
        println!("no JSON of a score on standard input");
        return ExitCode::FAILURE;
    };
    for line in floors::figures(&score) {
        println!("  {line}");
    }
    let missed = floors::missed(&score);
    for line in &missed {
        println!("  MISSED: {line}");
    }
    if missed.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
