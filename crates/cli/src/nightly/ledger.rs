//! The ledger of the kept daybook: which files it rests on, and which segments hold it.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_contract::{Account, Mapping};
use drawoff_store::{FileLost, Input, fingerprint};
use drawoff_tank::water::Water;
use serde::{Deserialize, Serialize};

use crate::run::VERSION;

/// Changes whenever what is kept means something else.
const FORMAT: u32 = 2;

/// Everything that is known without looking into a segment.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
pub(crate) struct Ledger {
    /// What the reduction depends on beside rows and cylinders, as a hash.
    pub(crate) rules: String,
    /// Which mapped value columns at least one file had, files found damaged too.
    pub(crate) columns: Vec<bool>,
    /// Values that a rejected row is counted with.
    pub(crate) values_per_row: u64,
    pub(crate) next_file: i64,
    pub(crate) next_segment: u64,
    /// By number; numbers are never given twice.
    pub(crate) files: BTreeMap<i64, KnownFile>,
    /// Files that hold copies of the same instants of a home: the rows of the second one counted.
    pub(crate) overlaps: BTreeSet<(i64, i64)>,
    /// Oldest first.
    pub(crate) segments: Vec<String>,
}

/// A file that was read.
#[derive(Clone, Debug, Deserialize, Serialize)]
pub(crate) struct KnownFile {
    pub(crate) content: String,
    /// Its name when it was there last.
    pub(crate) name: String,
    /// Which mapped value columns it has.
    pub(crate) columns: Vec<bool>,
    /// Last stamp of its rows, UTC ms.
    pub(crate) last_ms: i64,
    /// Account of its rows that name no home.
    pub(crate) nameless: Vec<i64>,
    /// No longer there, but what was read from it holds.
    pub(crate) gone: bool,
}

/// What became of the files since the last night.
#[derive(Debug, Default)]
pub(crate) struct Changes {
    /// Number of each input file that is known; `None` for a new one.
    pub(crate) known: Vec<Option<i64>>,
    /// Files whose rows no longer hold.
    pub(crate) forgotten: BTreeSet<i64>,
    /// Of these, the ones in whose place other content lies.
    pub(crate) replaced: usize,
    /// Files in another order than when their copies were told apart.
    pub(crate) reordered: BTreeSet<(i64, i64)>,
}

impl Ledger {
    /// A ledger of nothing.
    pub(crate) fn new(rules: String) -> Self {
        Self { rules, ..Self::default() }
    }

    /// What the reduction depends on beside rows, columns and cylinders.
    pub(crate) fn rules_of(mapping: &Mapping, water: Water) -> String {
        fingerprint(&format!("{FORMAT} {VERSION} {:?} {water:?}", mapping.readings))
    }

    /// Finds the known files among the inputs, by content, and notes their names. `forget` says whether the rows of files that are no
    /// longer there go with them.
    pub(crate) fn find(&mut self, inputs: &[Input], forget: bool) -> Changes {
        let mut changes = Changes { known: vec![None; inputs.len()], ..Changes::default() };
        let mut left: BTreeSet<i64> = self.files.keys().copied().collect();
        // Of equal contents the one of the same name first.
        for by_name in [true, false] {
            for (input, known) in inputs.iter().zip(&mut changes.known).filter(|(_, known)| known.is_none()) {
                let is_it = |id: &&i64| {
                    let file = &self.files[*id];
                    file.content == input.content && (!by_name || file.name == input.name)
                };
                *known = left.iter().find(is_it).copied();
                if let Some(id) = known {
                    left.remove(id);
                }
            }
        }
        let names: BTreeSet<&str> = inputs.iter().map(|i| i.name.as_str()).collect();
        for id in left {
            let replaced = self.files.get(&id).is_some_and(|f| !f.gone && names.contains(f.name.as_str()));
            changes.replaced += usize::from(replaced);
            if replaced || forget {
                self.files.remove(&id);
                changes.forgotten.insert(id);
            } else if let Some(file) = self.files.get_mut(&id) {
                file.gone = true;
            }
        }
        for (input, id) in inputs.iter().zip(&changes.known) {
            if let Some(file) = id.and_then(|id| self.files.get_mut(&id)) {
                input.name.clone_into(&mut file.name);
                file.gone = false;
            }
        }
        self.overlaps.retain(|(a, b)| self.files.contains_key(a) && self.files.contains_key(b));
        let flipped = |(a, b): &(i64, i64)| self.files[a].name > self.files[b].name;
        changes.reordered = self.overlaps.iter().copied().filter(flipped).collect();
        self.overlaps.retain(|pair| !changes.reordered.contains(pair));
        changes
    }

    /// Adds a new file and gives its number.
    pub(crate) fn add(&mut self, input: &Input, columns: Vec<bool>) -> i64 {
        let id = self.next_file;
        self.next_file += 1;
        let file = KnownFile {
            content: input.content.clone(),
            name: input.name.clone(),
            columns,
            last_ms: i64::MIN,
            nameless: Account::default().to_counts(),
            gone: false,
        };
        self.files.insert(id, file);
        id
    }

    /// Notes what became of a file's rows that name no home.
    pub(crate) fn note_nameless(&mut self, id: i64, lost: &FileLost) {
        let mut counts = lost.account.to_counts();
        let mut less = |account: &Account| {
            counts.iter_mut().zip(account.to_counts()).for_each(|(sum, part)| *sum -= part);
        };
        lost.by_home.values().for_each(&mut less);
        for rows in lost.unknown_homes.values() {
            less(&unknown(*rows, self.values_per_row));
        }
        if let Some(file) = self.files.get_mut(&id) {
            file.nameless = counts;
        }
    }

    /// Notes that a file has a row of this stamp.
    pub(crate) fn note_stamp(&mut self, id: i64, last_ms: i64) {
        if let Some(file) = self.files.get_mut(&id) {
            file.last_ms = file.last_ms.max(last_ms);
        }
    }

    /// A new segment's name, to be the newest.
    pub(crate) fn segment(&mut self) -> String {
        self.next_segment += 1;
        drawoff_store::KeptFolder::name(self.next_segment)
    }
}

/// The account of so many rows of a home that the register does not list.
pub(crate) fn unknown(rows: u64, values_per_row: u64) -> Account {
    let mut one = Account::default();
    one.reject(drawoff_contract::Reject::HomeNotInRegister, values_per_row);
    let counts: Vec<i64> =
        one.to_counts().iter().map(|n| n.saturating_mul(i64::try_from(rows).unwrap_or(i64::MAX))).collect();
    Account::from_counts(&counts).unwrap_or_default()
}
