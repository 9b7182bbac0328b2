//! From foreign exports to readings of each home, with every row accounted for.

#[cfg(test)]
mod bad_files;
mod check;
mod file;
mod ipc;
mod long;
mod merge;
mod names;
mod open;
mod part;
mod plan;
mod source;
#[cfg(test)]
pub(crate) mod testing;
mod text;
pub(crate) mod time;
mod values;
mod wide;

use std::collections::BTreeMap;
use std::path::Path;

use drawoff_contract::{Account, ContractError, Cylinder, HomeRows, Mapping, Shape};
use rayon::prelude::*;

pub use check::inspect;
use part::{FileRows, Part};
use source::Source;

/// All readings of a run.
#[derive(Debug, Default)]
pub struct Gathered {
    /// Readings by home, sorted by time.
    pub homes: BTreeMap<String, HomeRows>,
    /// All input files in the order of their paths; [`HomeRows::file`] points into this list.
    pub files: Vec<FileReport>,
    /// Rejected rows of homes that the register lists.
    pub rejected_by_home: BTreeMap<String, Account>,
    /// Homes that the register does not list, with their number of rows.
    pub unknown_homes: BTreeMap<String, u64>,
}

/// What became of one input file.
#[derive(Clone, Debug)]
pub struct FileReport {
    /// Path below the source folder, with `/` between parts.
    pub path: String,
    /// Why the file could not be read, with row group and column where known. Such a file counts no rows.
    pub status: Result<(), ContractError>,
    /// Rejected rows of the file; used and masked rows are counted from [`Gathered::homes`] once all masks are set.
    pub account: Account,
}

/// Reads all exports at `source`: a file, or a folder with files in it and in folders below.
///
/// Rows are checked in this order, and rejected for the first reason that applies: no home, home not in the
/// register, unknown channel, no time, absurd time, no value. Of copies (same home and instant, and channel in the
/// long shape) the last in path and file order counts. A mapped column that a file lacks counts as null if another
/// file has it. A row is out of order when a row of its file and home (and channel) before it is later. `progress` is told the rows of each batch as it is
/// decoded, from any thread. A source without files gives one report with that error. The result does not depend
/// on the number of threads.
pub fn gather(
    source: &Path,
    mapping: &Mapping,
    cylinders: &BTreeMap<String, Cylinder>,
    progress: &(dyn Fn(u64) + Sync),
) -> Gathered {
    let sources = match source::list(source) {
        Ok(sources) => sources,
        Err(e) => {
            let path = source.display().to_string();
            let report = FileReport { path, status: Err(e), account: Account::default() };
            return Gathered { files: vec![report], ..Gathered::default() };
        }
    };
    let (read, columns) = read_all(&sources, mapping, cylinders, progress);
    let mut gathered = Gathered::default();
    let mut parts: BTreeMap<String, Vec<(u16, Part)>> = BTreeMap::new();
    for (number, (source, rows)) in sources.iter().zip(read).enumerate() {
        let mut report =
            FileReport { path: source.name.clone(), status: Ok(()), account: Account::default() };
        match (rows, u16::try_from(number)) {
            (Ok(rows), Ok(number)) => {
                report.account = rows.lost.account;
                for (home, account) in rows.lost.by_home {
                    gathered.rejected_by_home.entry(home).or_default().add(&account);
                }
                for (home, count) in rows.lost.unknown_homes {
                    *gathered.unknown_homes.entry(home).or_default() += count;
                }
                for (home, part) in rows.homes {
                    parts.entry(home).or_default().push((number, part));
                }
            }
            (Ok(_), Err(_)) => report.status = Err(too_many_files(source)),
            (Err(e), _) => report.status = Err(e),
        }
        gathered.files.push(report);
    }
    let shape = mapping.readings.shape;
    let merged: Vec<(String, HomeRows)> = parts
        .into_iter()
        .collect::<Vec<_>>()
        .into_par_iter()
        .map(|(home, parts)| (home, merge::merge(shape, parts, columns)))
        .collect();
    gathered.homes = merged.into_iter().collect();
    gathered
}

fn too_many_files(source: &Source) -> ContractError {
    ContractError::new(source.name.clone(), "one run reads at most 65,536 files")
        .with_hint("join the files, or run on a part of the folder")
}

/// Reads every file, and counts the mapped value columns that at least one of them has.
fn read_all(
    sources: &[Source],
    mapping: &Mapping,
    cylinders: &BTreeMap<String, Cylinder>,
    progress: &(dyn Fn(u64) + Sync),
) -> (Vec<Result<FileRows, ContractError>>, usize) {
    let readings = &mapping.readings;
    let columns: Vec<Result<Vec<bool>, Vec<ContractError>>> =
        sources.par_iter().map(|source| file::columns(source, readings)).collect();
    let present = (0..readings.wide.len()).filter(|&i| columns.iter().flatten().any(|file| file[i])).count();
    let values_per_row = if readings.shape == Shape::Wide { present as u64 } else { 1 };
    let read = sources
        .par_iter()
        .zip(columns)
        .map(|(source, columns)| match columns {
            Ok(_) => file::read(source, readings, cylinders, values_per_row, progress),
            Err(problems) => Err(joined(source, problems)),
        })
        .collect();
    (read, present)
}

/// The problems of one file as one.
fn joined(source: &Source, mut problems: Vec<ContractError>) -> ContractError {
    if problems.len() == 1
        && let Some(only) = problems.pop()
    {
        return only;
    }
    let prefix = format!("{}, ", source.name);
    let message: Vec<String> = problems
        .iter()
        .map(|p| format!("{}: {}", p.subject.strip_prefix(&prefix).unwrap_or(&p.subject), p.message))
        .collect();
    let mut error = ContractError::new(source.name.clone(), message.join("; "));
    error.hint = problems.into_iter().find_map(|p| p.hint);
    error
}

#[cfg(test)]
mod tests;
