//! `drawoff diff`: what changed from one run to another, and why each rank did.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use drawoff_contract::news_table::NewsRow;
use drawoff_contract::results::{FindingRow, HomeRow, LeftOffRow, VisitRow};
use drawoff_contract::small_tables::VisitLogRow;
use drawoff_contract::{ContractError, Table};
use drawoff_report::json;
use drawoff_report::news::{Side, between, lines};
use drawoff_store::output::export::names_in;
use drawoff_store::output::{HomesInOrder, read_table};

use crate::args::DiffArgs;
use crate::exit::{Exit, Failure};
use crate::places::finished;
use crate::progress;
use crate::run::table_path;

/// Homes of each kind of change on the terminal, so that the answer fits some screens.
const SHOWN_A_KIND: usize = 20;

pub(crate) fn diff(args: &DiffArgs) -> Result<Exit, Failure> {
    let (before, now) = (finished(&args.before)?, finished(&args.now)?);
    let news = news(&before, &now).map_err(|e| {
        Failure::new(
            Exit::NoInput,
            e.or_hint("give the output folders of two finished runs, the earlier one first"),
        )
    })?;
    if args.json {
        progress::exact(json::json(news).trim_end());
    } else {
        progress::result(lines(&news, SHOWN_A_KIND).trim_end());
    }
    Ok(Exit::Done)
}

/// What changed from the run in `before` to the one in `now`.
///
/// # Errors
/// When a table of either cannot be read.
pub(crate) fn news(before: &Path, now: &Path) -> Result<Vec<NewsRow>, ContractError> {
    let (mut old, mut new) = (side(before)?, side(now)?);
    let (gone, arrived) = (old.only_here(&new), new.only_here(&old));
    // Whoever is on one list only is looked up in the other run.
    new.findings = findings(now, &gone)?;
    old.findings = findings(before, &arrived)?;
    Ok(between(&old, &new))
}

/// Whether a folder holds a run that can be compared with.
///
/// # Errors
/// When the folder cannot be listed.
pub(crate) fn is_run(folder: &Path) -> Result<bool, ContractError> {
    Ok(names_in(folder)?.iter().any(|n| n == "service_list.parquet"))
}

fn table<T: Table>(run: &Path) -> Result<Vec<T>, ContractError> {
    read_table(&table_path(run, T::NAME))
}

fn side(run: &Path) -> Result<Side, ContractError> {
    // Runs of earlier versions keep no log.
    let has_log = names_in(run)?.iter().any(|n| n == "visits.parquet");
    Ok(Side {
        visits: table::<VisitRow>(run)?,
        left_off: table::<LeftOffRow>(run)?,
        homes: table::<HomeRow>(run)?.into_iter().map(|h| h.home).collect(),
        log: if has_log { table::<VisitLogRow>(run)? } else { Vec::new() },
        findings: BTreeMap::new(),
    })
}

fn findings(
    run: &Path,
    homes: &BTreeSet<String>,
) -> Result<BTreeMap<String, Vec<FindingRow>>, ContractError> {
    let mut rows = HomesInOrder::<FindingRow>::open(&table_path(run, FindingRow::NAME))?;
    homes.iter().map(|home| Ok((home.clone(), rows.of(home)?))).collect()
}
