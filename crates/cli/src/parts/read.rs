//! Parts laid side by side and read as one fleet, in the order of the homes.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap};
use std::path::{Path, PathBuf};

use drawoff_contract::part_tables::{ReducedFile, ReducedHome, ReducedLoss};
use drawoff_contract::{Account, ContractError, Table};
use drawoff_store::FileReport;
use drawoff_store::output::{TableRows, part_files, read_table};
use serde::{Deserialize, Serialize};

use super::{NAMELESS, UNLISTED};

/// Homes of a part in memory: each may have megabytes of daybook.
const HOMES_AT_ONCE: usize = 4;
/// Parts that are read at the same time: each is an open file.
const MOST_PARTS: usize = 900;
/// What the rows of an engine's parts come from, in the table of files.
const STREAMED: &str = "(streamed)";

/// Which part of a fleet a folder holds, in its manifest.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct PartOf {
    /// Counted from 1.
    pub(crate) shard: usize,
    pub(crate) of: usize,
}

/// One file of reduced homes.
struct Part {
    rows: TableRows<ReducedHome>,
    path: PathBuf,
    /// Its input files among all.
    places: Vec<usize>,
}

/// All parts of a fleet.
pub(crate) struct Parts {
    parts: Vec<Part>,
    /// The next home of each part that has one.
    heads: BinaryHeap<Reverse<(String, usize)>>,
    pub(crate) last: Option<String>,
    pub(crate) files: Vec<FileReport>,
    pub(crate) rejected: BTreeMap<String, Account>,
    pub(crate) unlisted: BTreeMap<String, u64>,
    /// Place of the streamed rows in `files`.
    streamed: Option<usize>,
}

impl Parts {
    /// Opens the parts in some folders: those of shards, or what an engine wrote.
    ///
    /// # Errors
    /// When one is missing, there twice, unfinished or unreadable.
    pub(crate) fn open(folders: &[PathBuf]) -> Result<Self, ContractError> {
        let mut shards: Vec<(PartOf, PathBuf)> = Vec::new();
        let mut streamed: Vec<PathBuf> = Vec::new();
        for folder in folders {
            match drawoff_store::output::read_manifest(folder)? {
                Some(manifest) => {
                    let part = manifest.get("part").cloned().and_then(|p| serde_json::from_value(p).ok());
                    let part = part.ok_or_else(|| {
                        ContractError::new(folder.display().to_string(), "is no part of a fleet")
                            .with_hint("give the folders that `drawoff reduce` wrote")
                    })?;
                    shards.push((part, folder.clone()));
                }
                None => streamed.extend(part_files(folder)?),
            }
        }
        complete(&shards)?;
        shards.sort_by_key(|(part, _)| part.shard);
        if shards.len() + streamed.len() > MOST_PARTS {
            let message =
                format!("{} parts; at most {MOST_PARTS} are read together", shards.len() + streamed.len());
            return Err(
                ContractError::new("the parts", message).with_hint("let the engine write fewer files")
            );
        }
        Self::of(&shards, streamed)
    }

    fn of(shards: &[(PartOf, PathBuf)], streamed: Vec<PathBuf>) -> Result<Self, ContractError> {
        let table = |folder: &Path, name: &str| folder.join(format!("{name}.parquet"));
        let mut files: Vec<(String, FileReport)> = Vec::new();
        let mut names: Vec<Vec<String>> = Vec::new();
        let (mut rejected, mut unlisted) = (BTreeMap::<String, Account>::new(), BTreeMap::new());
        for (_, folder) in shards {
            let own: Vec<ReducedFile> = read_table(&table(folder, ReducedFile::NAME))?;
            names.push(own.iter().map(|f| f.file.clone()).collect());
            files.extend(own.into_iter().map(|f| (f.file.clone(), report(f))));
            for loss in read_table::<ReducedLoss>(&table(folder, ReducedLoss::NAME))? {
                match Account::from_counts(&loss.rejected).filter(|_| loss.is_listed) {
                    Some(account) => rejected.entry(loss.home).or_default().add(&account),
                    None => *unlisted.entry(loss.home).or_default() += u64::try_from(loss.rows).unwrap_or(0),
                }
            }
        }
        files.sort_by(|a, b| a.0.cmp(&b.0));
        // A file that was left out when the export was rewritten is named by every shard.
        files.dedup_by(|b, a| a.0 == b.0 && a.1.status.is_err() && a.1.status == b.1.status);
        let place = |name: &String| files.partition_point(|(n, _)| n < name);
        let places: Vec<Vec<usize>> = names.iter().map(|own| own.iter().map(place).collect()).collect();
        let of_stream = (!streamed.is_empty()).then_some(files.len());
        if of_stream.is_some() {
            let none = FileReport { path: STREAMED.to_owned(), status: Ok(()), account: Account::default() };
            files.push((STREAMED.to_owned(), none));
        }
        let own = shards.iter().map(|(_, folder)| table(folder, ReducedHome::NAME)).zip(places);
        let by_stream = streamed.into_iter().map(|path| (path, of_stream.into_iter().collect()));
        let mut parts = Vec::new();
        for (path, places) in own.chain(by_stream) {
            parts.push(Part { rows: TableRows::open_wide(&path, HOMES_AT_ONCE)?, path, places });
        }
        let mut all = Self {
            parts,
            heads: BinaryHeap::new(),
            last: None,
            files: files.into_iter().map(|(_, report)| report).collect(),
            rejected,
            unlisted,
            streamed: of_stream,
        };
        (0..all.parts.len()).try_for_each(|i| all.note_head(i))?;
        Ok(all)
    }

    fn note_head(&mut self, part: usize) -> Result<(), ContractError> {
        if let Some(row) = self.parts[part].rows.peek()? {
            self.heads.push(Reverse((row.home.clone(), part)));
        }
        Ok(())
    }

    /// The next home that the register lists, with the places of its part's files; what others lost is counted.
    ///
    /// # Errors
    /// When a part is not in order, or a home is in two parts.
    pub(crate) fn take(&mut self) -> Result<Option<(ReducedHome, Vec<usize>)>, ContractError> {
        while let Some(Reverse((home, i))) = self.heads.pop() {
            let part = &mut self.parts[i];
            let Some(row) = part.rows.take()? else { continue };
            // Rows without a home may come from every part of an engine.
            if !home.is_empty() && self.last.as_deref().is_some_and(|last| last >= home.as_str()) {
                let message =
                    "came before: the part is not in the order of the homes, or the home is in two parts";
                return Err(ContractError::new(format!("{}, home {home}", part.path.display()), message)
                    .with_hint("write the parts again: all rows of a home to one process, sorted by home"));
            }
            let places = part.places.clone();
            self.note_head(i)?;
            self.last = Some(home);
            self.note_rejected(&row);
            if row.status != UNLISTED && row.status != NAMELESS {
                return Ok(Some((row, places)));
            }
        }
        Ok(None)
    }

    /// Counts the rejected rows of an engine's row; those of shards are in their tables of losses.
    fn note_rejected(&mut self, row: &ReducedHome) {
        let Some(account) = Account::from_counts(&row.rejected) else { return };
        if let Some(file) = self.streamed {
            self.files[file].account.add(&account);
        }
        if row.status == UNLISTED {
            *self.unlisted.entry(row.home.clone()).or_default() += account.rows_in;
        } else if row.status != NAMELESS {
            self.rejected.entry(row.home.clone()).or_default().add(&account);
        }
    }
}

fn report(file: ReducedFile) -> FileReport {
    let status = if file.problem.is_empty() {
        Ok(())
    } else {
        let error = ContractError::new(file.file.clone(), file.problem);
        Err(if file.hint.is_empty() { error } else { error.with_hint(file.hint) })
    };
    FileReport { path: file.file, status, account: Account::from_counts(&file.rejected).unwrap_or_default() }
}

/// Whether the shards are all there, each once, and of one cut.
fn complete(shards: &[(PartOf, PathBuf)]) -> Result<(), ContractError> {
    let Some(of) = shards.first().map(|(part, _)| part.of) else { return Ok(()) };
    let mut seen = BTreeSet::new();
    for (part, folder) in shards {
        let name = folder.display().to_string();
        if part.of != of {
            let message = format!("is shard {} of {}, others are of {of}", part.shard, part.of);
            return Err(ContractError::new(name, message).with_hint("merge the shards of one cut"));
        }
        if !seen.insert(part.shard) {
            return Err(ContractError::new(name, format!("shard {} is there twice", part.shard)));
        }
    }
    let missing: Vec<String> = (1..=of).filter(|i| !seen.contains(i)).map(|i| i.to_string()).collect();
    if missing.is_empty() {
        return Ok(());
    }
    Err(ContractError::new("the parts", format!("shards {} of {of} are missing", missing.join(", ")))
        .with_hint("`drawoff reduce --shard i/N` makes them"))
}
