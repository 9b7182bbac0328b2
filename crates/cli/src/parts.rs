//! Parts of a fleet that other processes have reduced: what goes into them, and how they come together again.
//!
//! A part holds one row a home, its daybook packed, in the order of the homes' names. Whoever made it, a shard or a worker of some
//! engine, the same rows give the same results as if one process had read them.

pub(crate) mod assessed;
pub(crate) mod read;
pub(crate) mod saved;
pub(crate) mod tried;
pub(crate) mod worked;

use drawoff_contract::part_tables::ReducedHome;
use drawoff_contract::{Account, ContractError, Cylinder, HomeRows, Mapping};
use drawoff_daybook::Notes;
use drawoff_store::fingerprint;
use drawoff_store::pipe::{packed, unpacked};
use drawoff_tank::water::Water;

use crate::nightly::print_of;
use crate::reduce::Home;
use crate::run::VERSION;
use crate::stages::reduce;

/// What became of a home.
pub(crate) const OK: &str = "ok";
pub(crate) const LACKING: &str = "lacking";
pub(crate) const UNLISTED: &str = "unlisted";
pub(crate) const NAMELESS: &str = "nameless";
pub(crate) const FAILED: &str = "failed";

/// Enough of a hash to tell two settings apart.
const PRINT_LETTERS: usize = 16;

/// The settings that a reduction depends on, as a hash that goes with every home.
pub(crate) struct Print {
    of_all: String,
    water: Water,
}

impl Print {
    pub(crate) fn new(mapping: &Mapping, water: Water) -> Self {
        Self { of_all: fingerprint(&format!("{VERSION} {:?} {water:?}", mapping.readings)), water }
    }

    /// The hash of a home that the register lists, or does not.
    pub(crate) fn of(&self, cylinder: Option<&Cylinder>) -> String {
        let own = cylinder.map(|c| print_of(c, self.water)).unwrap_or_default();
        let mut print = fingerprint(&format!("{} {own}", self.of_all));
        print.truncate(PRINT_LETTERS);
        print
    }
}

/// A row without a daybook.
pub(crate) fn empty_row(home: &str, status: &str, detail: &str, print: String) -> ReducedHome {
    ReducedHome {
        home: home.to_owned(),
        status: status.to_owned(),
        detail: detail.to_owned(),
        print,
        rows_in: 0,
        first_ms: None,
        last_ms: None,
        out_of_order: 0,
        files: Vec::new(),
        counts: Vec::new(),
        rejected: Vec::new(),
        days: Vec::new(),
        spells: Vec::new(),
        draws: Vec::new(),
    }
}

/// The row of a home that was reduced, without what it lost before.
///
/// # Errors
/// As [`packed`].
pub(crate) fn row_of(home: &str, made: Home, print: String) -> Result<ReducedHome, ContractError> {
    let Home { notes, by_file, out_of_order, stamps } = made;
    let (status, detail, notes) = match notes {
        Ok(notes) => (OK, "", notes),
        Err(missing) => (LACKING, missing, Notes::default()),
    };
    let with_rows = || by_file.iter().enumerate().filter(|(_, account)| account.rows_in > 0);
    Ok(ReducedHome {
        rows_in: whole(by_file.iter().map(|a| a.rows_in).sum()),
        first_ms: stamps.map(|s| s.0),
        last_ms: stamps.map(|s| s.1),
        out_of_order: whole(out_of_order),
        files: with_rows().map(|(i, _)| whole(i as u64)).collect(),
        counts: with_rows().flat_map(|(_, account)| account.to_counts()).collect(),
        days: packed(notes.days)?,
        spells: packed(notes.spells)?,
        draws: packed(notes.draws)?,
        ..empty_row(home, status, detail, print)
    })
}

/// The same home again, from its row; `places` are the files of its part among the `files` of all parts.
///
/// # Errors
/// When the row is not one that this version writes.
pub(crate) fn home_of(
    row: &ReducedHome,
    cylinder: &Cylinder,
    water: Water,
    places: &[usize],
    files: usize,
) -> Result<Home, ContractError> {
    let broken = |what: &str| ContractError::new(format!("home {}", row.home), format!("its row has {what}"));
    let notes = match row.status.as_str() {
        // What is known of a home without rows.
        LACKING | FAILED => reduce(cylinder, &HomeRows::default(), 0, water),
        _ => Ok(Notes {
            days: unpacked(&row.days)?,
            spells: unpacked(&row.spells)?,
            draws: unpacked(&row.draws)?,
            ..Notes::default()
        }),
    };
    let mut by_file = vec![Account::default(); files];
    let length = Account::default().to_counts().len();
    if row.counts.len() != length * row.files.len() {
        return Err(broken("too few or too many counts"));
    }
    for (file, counts) in row.files.iter().zip(row.counts.chunks(length)) {
        let place = usize::try_from(*file).ok().and_then(|i| places.get(i));
        let (Some(&place), Some(account)) = (place, Account::from_counts(counts)) else {
            return Err(broken("counts of no file"));
        };
        by_file[place].add(&account);
    }
    let out_of_order = u64::try_from(row.out_of_order).unwrap_or(0);
    Ok(Home { notes, by_file, out_of_order, stamps: row.first_ms.zip(row.last_ms) })
}

pub(crate) fn whole(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}
