//! From where each home is reduced again, and which files that takes.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_contract::local::LocalDay;
use drawoff_contract::{ContractError, Cylinder, Day};
use drawoff_daybook::{Setup, State};
use drawoff_store::{KeptFolder, fingerprint};
use drawoff_tank::water::Water;

use super::ledger::{Changes, Ledger};
use super::segments::{Kept, Wanted, each_kept};

/// Where the reduction of a home begins.
#[derive(Clone, Debug)]
pub(crate) struct Start {
    /// Where it stood; one that closed nothing begins anew.
    pub(crate) state: State,
    /// Last kept day that still holds.
    pub(crate) after_day: Option<Day>,
    /// Known files with a later stamp hold its rows.
    pub(crate) needs_after_ms: i64,
    /// Known files that were read when the register did not list it: what they lost of it is told anew.
    pub(crate) fresh: BTreeSet<i64>,
    /// Days before the last kept one are reduced again.
    pub(crate) is_earlier: bool,
}

impl Start {
    fn anew(needs_after_ms: i64) -> Self {
        let state = State { until_ms: i64::MIN, ..State::default() };
        Self { state, after_day: None, needs_after_ms, fresh: BTreeSet::new(), is_earlier: false }
    }
}

/// What of the register the reduction of a home depends on, as a hash.
pub(crate) fn print_of(cylinder: &Cylinder, water: Water) -> String {
    let settings = drawoff_daybook::Settings { water, ..drawoff_daybook::Settings::default() };
    let setup = Setup::new(cylinder, settings);
    fingerprint(&format!("{setup:?} {:?} {}", cylinder.zone, cylinder.probe_heights.len()))
}

/// Everything that decides where homes begin.
pub(crate) struct Since<'a> {
    pub(crate) cylinders: &'a BTreeMap<String, Cylinder>,
    pub(crate) water: Water,
    pub(crate) ledger: &'a Ledger,
    pub(crate) changes: &'a Changes,
    /// First stamp of each home in the new files.
    pub(crate) first_new: &'a BTreeMap<String, i64>,
}

impl Since<'_> {
    /// The homes that are to be reduced again, each with its beginning.
    ///
    /// # Errors
    /// When a segment cannot be read.
    pub(crate) fn starts(&self, folder: &KeptFolder) -> Result<BTreeMap<String, Start>, ContractError> {
        let gone = self.ledger.files.values().any(|f| f.gone);
        let accounts = gone || !self.changes.forgotten.is_empty() || !self.changes.reordered.is_empty();
        let mut starts = BTreeMap::new();
        let mut seen = BTreeSet::new();
        let wanted = Wanted { states: true, accounts, notes: false };
        each_kept(folder, &self.ledger.segments, wanted, &mut |kept| {
            if let Some(cylinder) = self.cylinders.get(&kept.home) {
                starts.extend(self.start(cylinder, &kept).map(|start| (kept.home.clone(), start)));
                seen.insert(kept.home);
            }
            Ok(())
        })?;
        for home in self.first_new.keys().filter(|home| !seen.contains(*home)) {
            starts.insert(home.clone(), Start::anew(i64::MAX));
        }
        Ok(starts)
    }

    fn is_there(&self, file: i64) -> bool {
        self.ledger.files.get(&file).is_some_and(|f| !f.gone)
    }

    fn start(&self, cylinder: &Cylinder, kept: &Kept) -> Option<Start> {
        let fresh = kept.losses.iter().filter(|l| l.is_unknown && self.is_there(l.file));
        let fresh: BTreeSet<i64> = fresh.map(|l| l.file).collect();
        let changed = kept.print.as_ref().is_some_and(|p| *p != print_of(cylinder, self.water));
        let first_new = self.first_new.get(&kept.home);
        let touched = first_new.map(|&ms| LocalDay::of_stamp(cylinder.zone, ms).day);
        let touched = touched.into_iter().chain(self.touched_by_files(kept)).min();
        if touched.is_none() && !changed && fresh.is_empty() {
            return None;
        }
        let anew = changed || !fresh.is_empty() || kept.print.is_none();
        let states = &kept.notes.states;
        let mut state =
            touched.filter(|_| !anew).and_then(|day| states.iter().rfind(|s| s.day < day)).cloned();
        // What gone files gave cannot be worked out again: their days are closed.
        let of_gone = |file: i64| self.ledger.files.get(&file).is_some_and(|f| f.gone);
        let floor = kept.accounts.iter().filter(|a| of_gone(a.file)).map(|a| a.day).max();
        if let Some(floor) = floor
            && state.as_ref().is_none_or(|s| s.day < floor)
        {
            let closed =
                State { day: floor, until_ms: LocalDay::of(cylinder.zone, floor).end_ms, bytes: Vec::new() };
            let after = states.iter().find(|s| s.day >= floor).filter(|_| !anew);
            state = Some(after.cloned().unwrap_or(closed));
        }
        let needs = if kept.print.is_none() && fresh.is_empty() { i64::MAX } else { i64::MIN };
        let newest = states.last().map(|s| s.day);
        let before = |day: Day| states.iter().rev().nth(1).is_some_and(|s| day < s.day);
        let is_earlier = state.as_ref().map_or(newest.is_some(), |s| before(s.day));
        Some(match state {
            Some(state) => Start {
                is_earlier,
                after_day: Some(state.day),
                needs_after_ms: if fresh.is_empty() { state.until_ms } else { i64::MIN },
                state,
                fresh,
            },
            None => Start { fresh, is_earlier, ..Start::anew(needs) },
        })
    }

    /// First day with rows of a file that is forgotten, or of two that changed their order.
    fn touched_by_files(&self, kept: &Kept) -> Option<Day> {
        let forgotten = kept.accounts.iter().filter(|a| self.changes.forgotten.contains(&a.file));
        let forgotten = forgotten.map(|a| a.day).min();
        let of = |file: i64, day: Day| kept.accounts.iter().any(|a| a.file == file && a.day == day);
        let reordered = |(a, b): &(i64, i64)| {
            kept.accounts.iter().filter(|x| x.file == *a && of(*b, x.day)).map(|x| x.day).min()
        };
        forgotten.into_iter().chain(self.changes.reordered.iter().filter_map(reordered)).min()
    }
}

/// Homes that are reduced together because they need about the same files.
pub(crate) type Round = BTreeMap<String, Start>;

/// One home in so many may need many more files than the others without their being read for all.
const ODD_SHARE: usize = 10;

/// Parts the homes into those that need the last files only, as after a usual night, and the few that need more.
pub(crate) fn rounds(starts: BTreeMap<String, Start>, last_stamps: &[i64]) -> Vec<Round> {
    let files = |after_ms: i64| last_stamps.iter().filter(|&&last| last > after_ms).count();
    let mut needs: Vec<i64> = starts.values().map(|s| s.needs_after_ms).collect();
    needs.sort_unstable();
    let (Some(&most), Some(&usual)) = (needs.first(), needs.get(needs.len() / ODD_SHARE)) else {
        return Vec::new();
    };
    if files(most) <= 2 * files(usual) + 1 {
        return vec![starts];
    }
    let (usual, odd): (Round, Round) = starts.into_iter().partition(|(_, s)| s.needs_after_ms >= usual);
    vec![usual, odd]
}
