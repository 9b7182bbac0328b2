//! `fuzz TARGET SECONDS [SEED]`: feeds changed inputs to a target of `drawoff_tests::fuzz` and says how many; the input of a finding is kept.
#![expect(clippy::print_stdout, reason = "a program for developers")]
#![expect(clippy::disallowed_methods, reason = "the input of a finding is kept as a file")]

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use drawoff_tests::fuzz::{Dice, TARGETS, changed};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |i: usize, default: u64| arguments.get(i).and_then(|a| a.parse().ok()).unwrap_or(default);
    let target = arguments.first().and_then(|name| TARGETS.iter().find(|t| t.name == name));
    let Some(target) = target else {
        println!("fuzz TARGET SECONDS [SEED]; targets: {}", TARGETS.map(|t| t.name).join(", "));
        return ExitCode::from(2);
    };
    drawoff_store::quiet_decoders();
    let (longest, seed) = (Duration::from_secs(number(1, 60)), number(2, 1));
    let Ok(scratch) = tempfile::tempdir() else { return ExitCode::FAILURE };
    let corpus = (target.corpus)();
    let mut dice = Dice::new(seed);
    let started = Instant::now();
    let mut inputs = 0_u64;
    while started.elapsed() < longest {
        let pick = usize::try_from(inputs).unwrap_or(0);
        let bytes = changed(&corpus[pick % corpus.len()], &corpus[(pick / 3) % corpus.len()], &mut dice);
        if catch_unwind(AssertUnwindSafe(|| (target.run)(&bytes, scratch.path()))).is_err() {
            let kept = format!("finding-{}-{seed}-{inputs}", target.name);
            let saved = std::fs::write(&kept, &bytes).is_ok();
            println!("{}: a finding after {inputs} inputs, kept as {kept}: {saved}", target.name);
            return ExitCode::FAILURE;
        }
        inputs += 1;
    }
    println!(
        "{}: {inputs} inputs of seed {seed} in {} s, no finding",
        target.name,
        started.elapsed().as_secs()
    );
    ExitCode::SUCCESS
}
