//! `drawoff explain`: everything that a finished run knows of one home.

use std::path::Path;

use drawoff_contract::{ContractError, Table};
use drawoff_report::{HomeStory, home, terminal};
use drawoff_store::output::export::write_text;
use drawoff_store::output::read_home;

use crate::args::ExplainArgs;
use crate::exit::{Exit, Failure};
use crate::places::finished;
use crate::progress;
use crate::run::table_path;

pub(crate) fn explain(args: &ExplainArgs) -> Result<Exit, Failure> {
    let story = story(&finished(&args.run)?, &args.home).map_err(|e| {
        let hint = "give the output folder of a finished run with --run";
        Failure::new(Exit::NoInput, e.or_hint(hint))
    })?;
    if !story.is_known() {
        let problem =
            ContractError::new(format!("home {}", args.home), format!("is not in {}", args.run.display()));
        let hint = "identifiers are those of the export, to the letter; homes.csv of the run lists them";
        return Err(Failure::new(Exit::NoInput, problem.with_hint(hint)));
    }
    if let Some(path) = &args.html {
        write_text(path, &home::page(&story))?;
        progress::note(&format!("page: {}", path.display()));
    } else {
        progress::result(home::lines(&story, terminal::DEFAULT_WIDTH).trim_end());
    }
    Ok(Exit::Done)
}

/// The rows of one home from all tables of a run.
fn story(run: &Path, home: &str) -> Result<HomeStory, ContractError> {
    fn rows<T: Table>(run: &Path, home: &str) -> Result<Vec<T>, ContractError> {
        read_home(&table_path(run, T::NAME), home)
    }
    Ok(HomeStory {
        home: home.to_owned(),
        row: rows(run, home)?.pop(),
        visit: rows(run, home)?.pop(),
        left_off: rows(run, home)?,
        findings: rows(run, home)?,
        days: rows(run, home)?,
        draws: rows(run, home)?,
        vacancy: rows(run, home)?,
        rates: rows(run, home)?,
        ahead: rows(run, home)?,
        changes: rows(run, home)?,
        hour_changes: rows(run, home)?,
        quality: rows(run, home)?.pop(),
        evidence: rows(run, home)?,
        cylinder: rows(run, home)?.pop(),
        cooling: rows(run, home)?,
        power: rows(run, home)?,
    })
}
