//! All contract problems of an export at once.

use std::collections::BTreeMap;
use std::path::Path;

use drawoff_contract::{ContractError, Cylinder, Mapping, Reject};
use rayon::prelude::*;

use crate::intake::file::{self, Collector};
use crate::intake::open::damaged;
use crate::intake::part::{Filter, Lost};
use crate::intake::shares::Shares;
use crate::intake::source;
use crate::intake::survey::Survey;

/// Names in one message; the rest is counted.
const NAMED_AT_MOST: usize = 8;

/// All contract problems of the exports at `source` at once: no files, missing or unsuitable columns, damage with
/// file, row group and column, times without a zone, homes that the register does not list, unknown channels.
///
/// Reads every file whole, and keeps none of its rows. An empty list means that nothing is wrong.
#[must_use]
pub fn inspect(
    source: &Path,
    mapping: &Mapping,
    cylinders: &BTreeMap<String, Cylinder>,
) -> Vec<ContractError> {
    let sources = match source::list(source) {
        Ok(sources) => sources,
        Err(e) => return vec![e],
    };
    let readings = &mapping.readings;
    let found: Vec<Result<(Lost, bool), Vec<ContractError>>> = sources
        .par_iter()
        .map(|source| {
            let survey = Survey::of(source, readings);
            survey.columns.as_ref().map_err(Clone::clone)?;
            let shares = Shares::default();
            let all = Filter { shares: &shares, share: 0, nobody: true, promised: None, only: None };
            let mut rows = Collector::new(readings, cylinders, 1);
            file::each_batch(source, Some(&survey), readings, None, &mut |_, batch| {
                rows.batch(batch, all).map_err(|e| damaged(source, "", &e))
            })
            .map_err(|e| vec![e])?;
            let rows = rows.finish();
            Ok((rows.lost, !rows.homes.is_empty()))
        })
        .collect();
    let mut problems = Vec::new();
    let mut lost = Lost::default();
    let (mut any_home, mut any_read) = (false, false);
    for file in found {
        match file {
            Ok((rows, homes)) => {
                lost.add(&rows);
                any_home |= homes;
                any_read = true;
            }
            Err(of_file) => problems.extend(of_file),
        }
    }
    let subject = source.display().to_string();
    problems.extend(row_problems(&subject, mapping, &lost));
    if any_read && !any_home {
        let hint = format!(
            "compare column `{}` of the readings with column `{}` of the register",
            readings.home, mapping.register.home
        );
        problems
            .push(ContractError::new(subject, "no row belongs to a home of the register").with_hint(hint));
    }
    problems
}

fn row_problems(subject: &str, mapping: &Mapping, lost: &Lost) -> Vec<ContractError> {
    let readings = &mapping.readings;
    let column = |name: &str| format!("{subject}, column `{name}`");
    let mut problems = Vec::new();
    if lost.without_zone > 0 {
        let message = format!("{} rows have a local time, and the mapping names no zone", lost.without_zone);
        let hint = "say which local time it is: time = { ..., zone = \"Europe/Dublin\" }, or zone = \"UTC\"";
        problems.push(ContractError::new(column(&readings.time_column), message).with_hint(hint));
    }
    let rejected = |reason: Reject| {
        Reject::REASONS.iter().position(|r| *r == reason).map_or(0, |i| lost.account.rows_rejected[i])
    };
    let no_time = rejected(Reject::NoTime) - lost.without_zone.min(rejected(Reject::NoTime));
    if no_time > 0 {
        let message = format!("{no_time} rows have no time, or one that is no instant");
        let hint = "check `format`; local times that a change of hour skips are counted here too";
        problems.push(ContractError::new(column(&readings.time_column), message).with_hint(hint));
    }
    let absurd = rejected(Reject::AbsurdTime);
    if absurd > 0 {
        let message = format!("{absurd} rows have a time before 1990 or after 2100");
        let hint = "check whether the column counts seconds, milliseconds or microseconds";
        problems.push(ContractError::new(column(&readings.time_column), message).with_hint(hint));
    }
    let no_home = rejected(Reject::NoHome);
    if no_home > 0 {
        let message = format!("{no_home} rows name no home");
        problems.push(ContractError::new(column(&readings.home), message));
    }
    if !lost.unknown_homes.is_empty() {
        let message = format!("the register does not list {}", listed(&lost.unknown_homes));
        let hint = "add them to the register, or leave them: their rows are rejected and counted";
        problems.push(ContractError::new(column(&readings.home), message).with_hint(hint));
    }
    if !lost.unknown_channels.is_empty() {
        let message = format!("the mapping does not know {}", listed(&lost.unknown_channels));
        let hint = "add them to `channels`, or leave them: their rows are rejected and counted";
        problems.push(ContractError::new(column(&readings.channel_column), message).with_hint(hint));
    }
    problems
}

fn listed(names: &BTreeMap<String, u64>) -> String {
    let rows: u64 = names.values().sum();
    let mut shown: Vec<String> = names.keys().take(NAMED_AT_MOST).map(|name| format!("`{name}`")).collect();
    if names.len() > NAMED_AT_MOST {
        shown.push(format!("and {} more", names.len() - NAMED_AT_MOST));
    }
    format!("{} ({rows} rows)", shown.join(", "))
}
