//! From foreign exports to readings of each home, with every row accounted for.

#[cfg(test)]
mod bad_files;
mod check;
pub(crate) mod file;
mod grouped;
mod ipc;
mod long;
mod merge;
pub(crate) mod names;
mod open;
mod part;
pub(crate) mod plan;
mod runs;
mod shares;
mod sizes;
pub(crate) mod source;
mod spill;
mod strangers;
mod stream;
pub(crate) mod survey;
#[cfg(test)]
pub(crate) mod testing;
mod text;
pub(crate) mod time;
pub mod unmapped;
mod values;
mod wide;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use drawoff_contract::{Account, ContractError, Cylinder, HomeRows, Mapping};
use rayon::prelude::*;

use self::source::Source;
use crate::buckets;

pub use check::inspect;
pub use grouped::{Grouped, GroupedHome};
pub use strangers::OTHER_HOMES;
pub(crate) use stream::joined;
pub use stream::{FileLost, Intake, Streamed};

/// All readings of a run.
#[derive(Debug, Default)]
pub struct Gathered {
    /// Readings by home, sorted by time.
    pub homes: BTreeMap<String, HomeRows>,
    /// All input files in the order of their paths; [`HomeRows::file`] points into this list.
    pub files: Vec<FileReport>,
    /// Rejected rows of homes that the register lists.
    pub rejected_by_home: BTreeMap<String, Account>,
    /// Homes that the register does not list, with their number of rows; the first million by name, and [`OTHER_HOMES`].
    pub unknown_homes: BTreeMap<String, u64>,
}

/// What became of one input file.
#[derive(Clone, Debug)]
pub struct FileReport {
    /// Path below the source folder, with `/` between parts.
    pub path: String,
    /// Why the file could not be read, with row group and column where known. Such a file counts no rows.
    pub status: Result<(), ContractError>,
    /// Rejected rows of the file; used and masked rows are counted from the readings once all masks are set.
    pub account: Account,
}

/// One input file, known by its content.
#[derive(Clone, Debug)]
pub struct Input {
    /// Path below the source folder, with `/` between parts.
    pub name: String,
    /// Hash of what it holds, and of what its path says of the rows.
    pub content: String,
    source: Source,
}

/// All files at `source` in the order of their paths, each with the hash of its content.
///
/// # Errors
/// When there is no file of readings, or one cannot be read at all, or the folder holds [buckets](crate::buckets) that lack one.
pub fn inputs(source: &Path) -> Result<Vec<Input>, ContractError> {
    if let Ok(Some(layout)) = buckets::layout(source)
        && let Some(left_out) = layout.left_out.first()
    {
        return Err(left_out.problem());
    }
    let known = |source: Source| {
        let content = source::content(&source)?;
        Ok(Input { name: source.name.clone(), content, source })
    };
    source::list(source)?.into_par_iter().map(known).collect()
}

/// How much memory readings may take, and where rows go that do not fit.
#[derive(Clone, Debug)]
pub struct Limits {
    /// Bytes of readings in memory at one time, over all threads.
    pub memory_bytes: u64,
    /// Folder for rows written aside, made when it is needed and removed at the end.
    pub aside: PathBuf,
}

/// Reads all exports at `source` into memory: a file, or a folder with files in it and in folders below. As [`Intake`], with no limit.
pub fn gather(
    source: &Path,
    mapping: &Mapping,
    cylinders: &BTreeMap<String, Cylinder>,
    progress: &(dyn Fn(u64) + Sync),
) -> Gathered {
    // One share needs no folder.
    let limits = Limits { memory_bytes: u64::MAX, aside: PathBuf::new() };
    let mut intake = Intake::open(source, mapping, cylinders, &limits);
    let mut homes = BTreeMap::new();
    let streamed = intake.each_home(progress, &|_, rows| rows, &mut |home, rows| {
        homes.insert(home, rows);
        Ok(())
    });
    // Only writing aside can fail, and nothing was.
    let Ok(Some(streamed)) = streamed else { return Gathered::default() };
    Gathered {
        homes,
        files: streamed.files,
        rejected_by_home: streamed.rejected_by_home,
        unknown_homes: streamed.unknown_homes,
    }
}

#[cfg(test)]
mod stored_tests;
#[cfg(test)]
mod stream_tests;
#[cfg(test)]
mod tests;
