//! `drawoff score`: runs against truth tables.

use std::collections::BTreeMap;
use std::path::Path;

use drawoff_contract::daybook::DayNote;
use drawoff_contract::habit_tables::VacancyRow;
use drawoff_contract::results::{DayRow, DrawOffRow, FindingRow, HomeRow, VisitRow};
use drawoff_contract::{ContractError, Table};
use drawoff_score::{Half, Run, ScoreCard, Truth};
use drawoff_store::output::{read_batches, read_table};

use crate::args::ScoreArgs;
use crate::exit::{Exit, Failure};
use crate::places::finished;
use crate::progress;
use crate::run::table_path;

pub(crate) fn score(args: &ScoreArgs) -> Result<Exit, Failure> {
    let half = Half::from_code(&args.half).ok_or_else(|| {
        let problem = ContractError::new(format!("--half {}", args.half), "is no half of a fleet");
        Failure::new(Exit::Settings, problem.with_hint("valid here: all, even, odd"))
    })?;
    if args.runs.len() != args.truths.len() {
        let problem = format!("{} runs and {} folders of truth", args.runs.len(), args.truths.len());
        let hint = "give one --truth for each run, in the same order";
        return Err(Failure::new(Exit::Settings, ContractError::new("--truth", problem).with_hint(hint)));
    }
    let mut cards = Vec::new();
    for (run, truth) in args.runs.iter().zip(&args.truths) {
        let run = &finished(run)?;
        let card = score_one(run, truth, half).map_err(not_scored)?;
        if args.runs.len() > 1 && !args.json {
            progress::result(&format!("== {} ==\n{}", run.display(), card.render()));
        }
        cards.push(card);
    }
    let pooled = drawoff_score::pool(&cards);
    if args.json {
        progress::exact(&pooled.to_json().to_string());
    } else {
        if args.runs.len() > 1 {
            progress::result("== all pooled ==");
        }
        progress::result(&pooled.render());
    }
    Ok(Exit::Done)
}

fn not_scored(problem: ContractError) -> Failure {
    let hint = "give output folders of finished runs, and --truth with a folder of truth tables for each";
    Failure::new(Exit::NoInput, problem.or_hint(hint))
}

/// The truth tables of a folder; the one of stored water may be absent.
pub(crate) fn read_truth(folder: &Path) -> Result<Truth, ContractError> {
    let batches = |name: &str| read_batches(&table_path(folder, name));
    let mut truth = Truth::from_batches(
        &batches("truth_homes")?,
        &batches("truth_daily")?,
        &batches("truth_draws")?,
        &batches("truth_faults")?,
    )?;
    if table_path(folder, "truth_stored").is_file() {
        truth.add_stored(&batches("truth_stored")?)?;
    }
    Ok(truth)
}

fn score_one(run: &Path, truth: &Path, half: Half) -> Result<ScoreCard, ContractError> {
    let truth = read_truth(truth)?;
    fn table<T: Table>(run: &Path) -> Result<Vec<T>, ContractError> {
        read_table(&table_path(run, T::NAME))
    }
    let homes: Vec<HomeRow> = table(run)?;
    let days: Vec<DayRow> = table(run)?;
    let draw_offs: Vec<DrawOffRow> = table(run)?;
    let findings: Vec<FindingRow> = table(run)?;
    let visits: Vec<VisitRow> = table(run)?;
    let vacancy: Vec<VacancyRow> = table(run)?;
    let notes: Vec<DayNote> = table(run)?;
    let probes: BTreeMap<String, usize> =
        notes.iter().map(|n| (n.home.clone(), n.probe_mean_degc.len())).collect();
    let interval_ms = notes.first().map_or(300_000, |n| (n.cadence_min * 60_000.0) as i64);
    let run = Run {
        homes: &homes,
        days: &days,
        draw_offs: &draw_offs,
        findings: &findings,
        visits: &visits,
        vacancy: &vacancy,
        probes: Some(&probes),
        interval_ms,
    };
    Ok(drawoff_score::score(&run, &truth, half))
}
