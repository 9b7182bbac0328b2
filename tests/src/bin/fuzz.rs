//! Feeds changed inputs to a target of `drawoff_tests::fuzz`; see `USAGE`.
#![expect(clippy::print_stdout, reason = "a program for developers")]
#![expect(clippy::disallowed_methods, reason = "inputs are kept as files")]

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use drawoff_tests::fuzz::{Dice, TARGETS, Target, changed};

const USAGE: &str = "fuzz TARGET SECONDS [SEED]: so many seconds of the processors; the input of a finding is kept\n\
    fuzz seeds FOLDER: writes good inputs of every target, as fuzz/corpus holds them";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [command, folder] = arguments.as_slice()
        && command == "seeds"
    {
        return if seeds(Path::new(folder)).is_ok() { ExitCode::SUCCESS } else { ExitCode::FAILURE };
    }
    let number = |i: usize, default: u64| arguments.get(i).and_then(|a| a.parse().ok()).unwrap_or(default);
    let target = arguments.first().and_then(|name| TARGETS.iter().find(|t| t.name == name));
    let Some(target) = target else {
        println!("{USAGE}\ntargets: {}", TARGETS.map(|t| t.name).join(", "));
        return ExitCode::from(2);
    };
    fuzzed(target, Duration::from_secs(number(1, 60)), number(2, 1))
}

fn fuzzed(target: &Target, longest: Duration, seed: u64) -> ExitCode {
    drawoff_store::quiet_decoders();
    let Ok(scratch) = tempfile::tempdir() else { return ExitCode::FAILURE };
    let corpus = target.inputs();
    let mut dice = Dice::new(seed);
    let clock = Clock::begin();
    let mut inputs = 0_u64;
    while clock.used() < longest {
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
        "{}: {inputs} inputs of seed {seed} in {:.0} s of the processors, {:.0} s of the clock, no finding",
        target.name,
        clock.used().as_secs_f64(),
        clock.started.elapsed().as_secs_f64()
    );
    ExitCode::SUCCESS
}

/// Time of the processors where the system tells it (Linux), else that of the clock.
struct Clock {
    started: Instant,
    from: Option<Duration>,
}

impl Clock {
    fn begin() -> Self {
        Self { started: Instant::now(), from: processors() }
    }

    fn used(&self) -> Duration {
        let used = processors().zip(self.from).map(|(now, from)| now.saturating_sub(from));
        used.unwrap_or_else(|| self.started.elapsed())
    }
}

/// Time of the processors that this process has used, in its own code and in the system's.
fn processors() -> Option<Duration> {
    // proc_pid_stat(5): utime and stime are fields 14 and 15, in hundredths of a second (USER_HZ); the name may hold blanks.
    let text = std::fs::read_to_string("/proc/self/stat").ok()?;
    let mut fields = text.rsplit_once(')')?.1.split_whitespace().skip(11);
    let mut next = || fields.next()?.parse::<u64>().ok();
    Some(Duration::from_millis(10 * (next()? + next()?)))
}

/// Good inputs as files, small ones only.
fn seeds(folder: &Path) -> std::io::Result<()> {
    for target in &TARGETS {
        let folder = folder.join(target.name);
        std::fs::create_dir_all(&folder)?;
        for (i, bytes) in (target.corpus)().iter().enumerate() {
            std::fs::write(folder.join(format!("good-{i}")), bytes)?;
        }
    }
    Ok(())
}
