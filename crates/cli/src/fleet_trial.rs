//! `drawoff accuracy --faults`: which laid faults are found, by strength and probes, how soon, and what is called without cause.

mod delays;
pub(crate) mod pieces;

use std::collections::BTreeMap;
use std::time::Instant;

use drawoff_contract::results::FindingRow;
use drawoff_contract::{ContractError, Cylinder};
use drawoff_score::list::ListScore;
use drawoff_score::{Half, Trial};
use drawoff_store::output::export::write_text;
use drawoff_tank::water::Water;
use drawoff_worklist::{Background, WorthSettings, rank};
use rayon::prelude::*;

use crate::accuracy::date;
use crate::args::AccuracyArgs;
use crate::exit::{Exit, Failure};
use crate::pipeline::FaultSettings;
use crate::progress;
use crate::run::VERSION;
use crate::settle::{self, Rules};
use crate::stages::{self, HomeDaybook, Wanted};
use pieces::{Fleet, Piece, each_piece};

/// Seed of the run, as a pipeline has it unless it says otherwise.
pub(crate) const RUN_SEED: u64 = 1;

pub(crate) fn measure(args: &AccuracyArgs) -> Result<Exit, Failure> {
    let date = date(&args.date)?;
    let half = Half::from_code(&args.half).ok_or_else(|| {
        let problem = ContractError::new(format!("--half {}", args.half), "is no half of a fleet");
        Failure::new(Exit::Settings, problem.with_hint("valid here: all, even, odd"))
    })?;
    let faults = args.faults.unwrap_or_default();
    let started = Instant::now();
    let rules = Rules::of(&FaultSettings::default(), &args.calibration)?;
    let fleet = Fleet { homes: args.synth_homes, days: args.days, seed: args.seed, faults };
    let mut trial = Trial::default();
    each_piece(&fleet, |piece| {
        trial.add(score_piece(&piece, &rules, half, !args.no_delays)?);
        progress::note(&format!("{} of {} homes scored", trial.homes(), args.synth_homes));
        Ok(())
    })?;
    let path = |ending: &str| args.out.join(format!("faults-{date}.{ending}"));
    let json = serde_json::json!({
        "program": "drawoff",
        "version": VERSION,
        "date": date.to_string(),
        "score": trial.to_json(),
    });
    write_text(&path("md"), &page(args, &fleet, &date.to_string(), &rules, &trial))?;
    write_text(&path("json"), &format!("{json:#}\n"))?;
    for (name, figure) in trial.headline() {
        progress::result(&format!("{name}: {}", figure.text()));
    }
    progress::note(&format!("measured in {:.0} s", started.elapsed().as_secs_f64()));
    progress::result(&format!("written: {} and .json beside it", path("md").display()));
    Ok(Exit::Done)
}

/// Assesses one piece as a fleet of its own and scores it.
fn score_piece(piece: &Piece, rules: &Rules, half: Half, with_delays: bool) -> Result<Trial, Failure> {
    let daybooks = piece.daybooks();
    let mut findings =
        stages::read_fleet(&daybooks, Water::Iapws, RUN_SEED, Wanted { faults: true, habits: false })
            .findings;
    settle::probabilities(&mut findings, &rules.calibration);
    let cylinders: BTreeMap<String, Cylinder> =
        piece.cylinders.iter().map(|c| (c.home.clone(), c.clone())).collect();
    settle::settle(&mut findings, rules);
    let visits = rank(&findings, &cylinders, &WorthSettings::default(), &Background::default())?.visits;
    let mut trial = Trial::of_list(ListScore::of(&visits, &piece.truth, half));
    let mut by_home: BTreeMap<&str, Vec<&FindingRow>> = BTreeMap::new();
    findings.iter().for_each(|row| by_home.entry(&row.home).or_default().push(row));
    for (home, truth) in piece.truth.homes.iter().filter(|(home, _)| half.contains(home)) {
        let rows = by_home.get(home.as_str()).map_or(&[][..], Vec::as_slice);
        let probes = cylinders.get(home).map_or(0, |c| c.probe_heights.len());
        trial.push(home, rows, truth, probes);
    }
    if with_delays {
        let priors = stages::priors(&daybooks);
        let settings = drawoff_homes::Settings { water: Water::Iapws, seed: RUN_SEED };
        let scored: Vec<&HomeDaybook<'_>> =
            daybooks.iter().filter(|d| half.contains(&d.cylinder.home)).collect();
        let of_homes: Vec<_> = scored
            .par_iter()
            .filter_map(|d| {
                Some(delays::of_home(d, piece.truth.homes.get(&d.cylinder.home)?, &priors, settings))
            })
            .collect();
        for (fault, hours) in of_homes.into_iter().flatten() {
            trial.delays_hours.entry(fault).or_default().push(hours);
        }
    }
    Ok(trial)
}

fn page(args: &AccuracyArgs, fleet: &Fleet, date: &str, rules: &Rules, trial: &Trial) -> String {
    format!(
        "# Faults found by drawoff {VERSION}, {date}\n\n\
         Made by `drawoff accuracy --faults {} --date {date} --synth-homes {} --days {} --seed {}{}{}`; the same arguments and version give \
         the same bytes. A fleet of drawoff's own `synth`, which shares no model with the estimators, assessed in pieces of about {} \
         homes, each a fleet of its own, made in the longer steps of `synth --quick`. What counts as a fault is that its condition was imposed; one sample is one home over the \
         whole period; a call is one home and fault with outcome `fault` at its end, at a rate of false discoveries of {}. Shares stand \
         with Wilson's 95 % interval, the rest with one by bootstrap over homes. Probabilities were fitted on other homes: {}\n\n{}",
        fleet.word(),
        args.synth_homes,
        args.days,
        args.seed,
        if args.half == "all" { String::new() } else { format!(" --half {}", args.half) },
        if args.no_delays { " --no-delays" } else { "" },
        pieces::HOMES_OF_A_PIECE,
        rules.rate,
        rules.calibration.origin,
        trial.to_markdown()
    )
}
