//! The program `drawoff`: pipelines, progress, logs, exit codes.

mod accuracy;
mod args;
mod calibrate;
mod check;
mod command_line;
mod daybook_files;
mod diff;
mod evidence;
mod exit;
mod explain;
mod findings;
mod fleet_trial;
mod flexible;
mod flexible_trial;
mod for_others;
mod lessons;
mod manifest;
mod nightly;
mod pages;
mod parts;
mod pipeline;
mod places;
mod plan;
mod progress;
mod propose;
mod publish;
mod reduce;
mod replay;
mod run;
mod sanity;
mod savings;
mod score;
mod settle;
mod shards;
mod small;
mod stages;
mod synth;
mod worker;

use clap::Parser;

use crate::args::{Args, Command, Log};
use crate::exit::Failure;

/// All that is wrong with the text of a pipeline, which errors call `subject`; for tests of hostile settings.
#[must_use]
pub fn pipeline_problems(subject: &str, text: &str) -> Vec<drawoff_contract::ContractError> {
    pipeline::text_problems(subject, text)
}

/// Runs the program on the arguments of this process.
#[must_use]
pub fn main() -> std::process::ExitCode {
    drawoff_store::quiet_decoders();
    exit::on_interrupt();
    let mut args = Args::parse();
    if args.log == Log::Json {
        progress::speak_json();
    }
    if let Some(threads) = args.threads {
        // Fails only when a pool exists already, and none does before this line.
        let _ = rayon::ThreadPoolBuilder::new().num_threads(usize::from(threads)).build_global();
    }
    let works = matches!(args.command, Command::Worker(_));
    let settled = places::settle_command(&mut args.command);
    let done = settled.and_then(|()| match &args.command {
        Command::Run(a) => run::run(a),
        Command::Check(a) => check::check(a),
        Command::Propose(a) => propose::propose(a),
        Command::Explain(a) => explain::explain(a),
        Command::Diff(a) => diff::diff(a),
        Command::Pages(a) => pages::pages(a),
        Command::Score(a) => score::score(a),
        Command::Accuracy(a) if a.faults.is_some() => fleet_trial::measure(a),
        Command::Accuracy(a) if a.flexible => flexible_trial::measure(a),
        Command::Accuracy(a) if a.savings => savings::accuracy::measure(a),
        Command::Accuracy(a) => accuracy::accuracy(a),
        Command::Calibrate(a) => calibrate::calibrate(a),
        Command::Synth(a) => synth::synth(a),
        Command::Bucket(a) => shards::bucket(a),
        Command::Reduce(a) => shards::reduce(a),
        Command::Learn(a) => shards::learn(a),
        Command::Merge(a) => shards::merge(a),
        Command::Publish(a) => publish::publish(a),
        Command::Fetch(a) => publish::fetch(a),
        Command::Worker(a) => worker::worker(a),
        Command::Completions(a) => command_line::completions(a),
        Command::Manual => command_line::manual(),
    });
    // The last line of a worker is its counts.
    if !works {
        places::say_what_was_asked();
    }
    let exit = done.unwrap_or_else(|failure: Failure| {
        failure.problems.iter().for_each(progress::error);
        failure.exit
    });
    exit.into()
}
