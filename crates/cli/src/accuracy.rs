//! `drawoff accuracy`: how well cylinders are read where the truth is known, under many conditions of the data.

mod conditions;
pub(crate) mod in_memory;
mod reading;
pub(crate) mod reference;
pub(crate) mod synthetic;

use std::path::PathBuf;
use std::time::Instant;

use chrono::NaiveDate;
use drawoff_contract::ContractError;
use drawoff_score::{Accuracy, Half};
use drawoff_store::output::export::write_text;
use drawoff_synth::FleetPlan;

use self::conditions::Only;
use crate::args::AccuracyArgs;
use crate::exit::{Exit, Failure};
use crate::progress;
use crate::run::VERSION;

pub(crate) fn accuracy(args: &AccuracyArgs) -> Result<Exit, Failure> {
    let date = date(&args.date)?;
    let half = Half::from_code(&args.half).ok_or_else(|| {
        let problem = ContractError::new(format!("--half {}", args.half), "is no half of a fleet");
        Failure::new(Exit::Settings, problem.with_hint("valid here: all, even, odd"))
    })?;
    let started = Instant::now();
    let only = Only(&args.only);
    let mut sections: Vec<Accuracy> = Vec::new();
    let reference = reference_folder(args);
    if reference.is_dir() {
        sections.push(reference::measure(&reference, half, args.quick, only)?);
    } else {
        let folder = reference.display().to_string();
        let problem = ContractError::new(folder, "is no folder; the reference fleets are passed over");
        progress::warning(&problem.with_hint("say where they are with --reference, or set DRAWOFF_SHARED"));
    }
    let homes = if args.quick { args.synth_homes.min(synthetic::QUICK_HOMES) } else { args.synth_homes };
    if homes > 0 && args.days > 0 {
        let plan = FleetPlan { seed: args.seed, homes, days: args.days, ..FleetPlan::default() };
        sections.extend(synthetic::measure(&plan, half, args.quick, only)?);
    }
    sections.retain(|s| !s.conditions.is_empty());
    if sections.is_empty() {
        let problem = ContractError::new("drawoff accuracy", "has no fleet to measure on");
        let hint = "give --reference, or --synth-homes 500; --only takes the words of a table's row, without the probes after a comma";
        return Err(Failure::new(Exit::NoInput, problem.with_hint(hint)));
    }
    let text = page(args, date, &sections);
    let json = serde_json::json!({
        "program": "drawoff",
        "version": VERSION,
        "date": date.to_string(),
        "half": half.code(),
        "quick": args.quick,
        "sections": sections.iter().map(Accuracy::to_json).collect::<Vec<_>>(),
    });
    let path = |ending: &str| args.out.join(format!("accuracy-{date}.{ending}"));
    write_text(&path("md"), &text)?;
    write_text(&path("json"), &format!("{json:#}\n"))?;
    progress::note(&format!("measured in {:.0} s", started.elapsed().as_secs_f64()));
    for section in &sections {
        let (reached, asked) = section.bars();
        progress::result(&format!("{}: {reached} of {asked} figures with a bar reach it", section.title));
    }
    progress::result(&format!("written: {} and .json beside it", path("md").display()));
    Ok(if reference.is_dir() { Exit::Done } else { Exit::Partial })
}

pub(crate) fn date(text: &str) -> Result<NaiveDate, Failure> {
    text.parse().map_err(|_| {
        let problem = ContractError::new(format!("--date {text}"), "is no date");
        Failure::new(Exit::Settings, problem.with_hint("the day of the measurement, such as 2026-11-25"))
    })
}

/// Where the reference fleets lie: as said, else below DRAWOFF_SHARED, else beside the project.
pub(crate) fn reference_folder(args: &AccuracyArgs) -> PathBuf {
    args.reference.clone().unwrap_or_else(|| {
        let shared =
            std::env::var_os("DRAWOFF_SHARED").map_or_else(|| PathBuf::from("../shared"), PathBuf::from);
        shared.join("reference-fleet")
    })
}

fn page(args: &AccuracyArgs, date: NaiveDate, sections: &[Accuracy]) -> String {
    let mut text = format!(
        "# Accuracy of drawoff {VERSION}, {date}\n\n\
         Made by `drawoff accuracy --date {date} --synth-homes {} --days {} --seed {}{}{}{}`; the same arguments and version give \
         the same bytes. Every figure stands with its 95 % interval: Wilson's for shares, bootstrap by home for the rest. A dash \
         says that no home has the figure; a row of fewer than five homes is held against no bar. Where a condition leaves out probes, the top one and those that best cover the volume \
         stay.\n\n",
        args.synth_homes,
        args.days,
        args.seed,
        if args.quick { " --quick" } else { "" },
        if args.half == "all" { String::new() } else { format!(" --half {}", args.half) },
        args.only.iter().map(|name| format!(" --only \"{name}\"")).collect::<String>(),
    );
    for section in sections {
        text.push_str(&section.to_markdown());
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::args::{Args, Command};
    use clap::Parser;
    use std::path::Path;

    fn run(out: &Path) -> Exit {
        let nowhere = out.join("nowhere");
        let line =
            ["drawoff", "accuracy", "--quick", "--synth-homes", "6", "--days", "9", "--date", "2026-11-25"];
        let paths = ["--out", out.to_str().unwrap(), "--reference", nowhere.to_str().unwrap()];
        let Command::Accuracy(args) = Args::parse_from(line.into_iter().chain(paths)).command else {
            panic!("not accuracy")
        };
        accuracy(&args).unwrap()
    }

    #[test]
    fn the_same_arguments_leave_the_same_bytes() {
        let folder = tempfile::tempdir().unwrap();
        let read = |name: &str, ending: &str| {
            let path = folder.path().join(name).join(format!("accuracy-2026-11-25.{ending}"));
            drawoff_store::settings::read_text(&path).unwrap()
        };
        for name in ["first", "second"] {
            assert_eq!(run(&folder.path().join(name)), Exit::Partial);
        }
        assert_eq!(read("first", "md"), read("second", "md"));
        assert_eq!(read("first", "json"), read("second", "json"));
        let json: serde_json::Value = serde_json::from_str(&read("first", "json")).unwrap();
        let rows = json.pointer("/sections/0/tables/0/rows").unwrap().as_array().unwrap();
        assert!(!rows.is_empty() && json["date"] == "2026-11-25", "{json}");
    }

    #[test]
    fn a_date_is_a_day_of_the_calendar() {
        assert_eq!(date("2026-02-29").unwrap_err().exit, Exit::Settings);
        assert_eq!(date("2028-02-29").unwrap().to_string(), "2028-02-29");
    }
}
