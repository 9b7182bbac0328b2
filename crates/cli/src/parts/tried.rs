//! Events tried on a home as the row that a worker writes, and back.

use drawoff_contract::ContractError;
use drawoff_contract::part_tables::TriedHome;
use drawoff_flexibility::gather::Counted;
use drawoff_flexibility::home::NotCounted;
use drawoff_store::pipe::{packed, unpacked};

use super::worked::Worked;
use super::{FAILED, OK};
use crate::flexible::HomeTried;

impl Worked for TriedHome {
    fn home(&self) -> &str {
        &self.home
    }

    fn status(&self) -> (&str, &str) {
        (&self.status, &self.detail)
    }

    fn print(&self) -> &str {
        &self.print
    }

    fn failed(home: &str, detail: String, print: String) -> Self {
        Self {
            home: home.to_owned(),
            status: FAILED.to_owned(),
            detail,
            print,
            homes: Vec::new(),
            not_counted: None,
            instead: None,
            counted: Vec::new(),
        }
    }
}

/// The row of a home.
///
/// # Errors
/// As [`packed`].
pub(crate) fn row_of_tried(tried: HomeTried, print: String) -> Result<TriedHome, ContractError> {
    let place = |reason: NotCounted| reason as i64;
    Ok(TriedHome {
        home: tried.row.home.clone(),
        status: OK.to_owned(),
        detail: String::new(),
        print,
        homes: packed(vec![tried.row])?,
        not_counted: tried.found.as_ref().err().copied().map(place),
        instead: tried.instead.map(place),
        counted: tried.found.map(|counted| counted.to_bytes()).unwrap_or_default(),
    })
}

/// The same home again, from its row.
///
/// # Errors
/// When the row is not one that this version writes.
pub(crate) fn tried_of(row: &TriedHome) -> Result<HomeTried, ContractError> {
    let broken = || ContractError::new(format!("home {}", row.home), "its row of events is broken");
    let reason = |place: i64| {
        usize::try_from(place).ok().and_then(|i| NotCounted::ALL.get(i)).copied().ok_or_else(broken)
    };
    let found = match row.not_counted {
        Some(place) => Err(reason(place)?),
        None => Ok(Box::new(Counted::from_bytes(&row.counted).ok_or_else(broken)?)),
    };
    let own = unpacked(&row.homes)?.pop().ok_or_else(broken)?;
    Ok(HomeTried { row: own, found, instead: row.instead.map(reason).transpose()? })
}
