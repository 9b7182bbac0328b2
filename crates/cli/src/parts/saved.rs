//! Savings of a home as the row that a worker writes, and back.

use drawoff_contract::part_tables::SavedHome;
use drawoff_contract::{ContractError, Day};
use drawoff_savings::before_after::DayUse;
use drawoff_store::pipe::{packed, unpacked};

use super::worked::Worked;
use super::{FAILED, OK};
use crate::savings::HomeDone;

impl Worked for SavedHome {
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
            sound: 0,
            savings: Vec::new(),
            half_hours: Vec::new(),
            parts: Vec::new(),
            months: Vec::new(),
            still_open: Vec::new(),
            uses: Vec::new(),
        }
    }
}

/// Numbers of a day of use.
const NUMBERS: usize = 4;

/// The row of a home.
///
/// # Errors
/// As [`packed`].
pub(crate) fn row_of_done(done: HomeDone, print: String) -> Result<SavedHome, ContractError> {
    let bits = |v: f64| v.to_bits().cast_signed();
    let of_day = |u: &DayUse| [i64::from(u.day.0), bits(u.kwh), bits(u.taken_kwh), bits(u.feed_degc)];
    Ok(SavedHome {
        home: done.row.home.clone(),
        status: OK.to_owned(),
        detail: String::new(),
        print,
        sound: i64::from(done.sound),
        savings: packed(vec![done.row])?,
        half_hours: packed(done.half_hours)?,
        parts: packed(done.parts)?,
        months: packed(done.months)?,
        still_open: packed(done.still_open.into_iter().collect())?,
        uses: done.uses.iter().flatten().flat_map(of_day).collect(),
    })
}

/// The same home again, from its row.
///
/// # Errors
/// When the row is not one that this version writes.
pub(crate) fn done_of(row: &SavedHome) -> Result<HomeDone, ContractError> {
    let broken = || ContractError::new(format!("home {}", row.home), "its row of savings is broken");
    let number = |bits: i64| f64::from_bits(bits.cast_unsigned());
    if !row.uses.len().is_multiple_of(NUMBERS) {
        return Err(broken());
    }
    let of_day = |n: &[i64]| {
        let day = i32::try_from(n[0]).map_err(|_| broken())?;
        Ok(DayUse { day: Day(day), kwh: number(n[1]), taken_kwh: number(n[2]), feed_degc: number(n[3]) })
    };
    let uses = row.uses.chunks(NUMBERS).map(of_day).collect::<Result<Vec<DayUse>, ContractError>>()?;
    let own = unpacked(&row.savings)?.pop().ok_or_else(broken)?;
    Ok(HomeDone {
        row: own,
        half_hours: unpacked(&row.half_hours)?,
        parts: unpacked(&row.parts)?,
        months: unpacked(&row.months)?,
        still_open: unpacked(&row.still_open)?.pop(),
        // An assessed home has days.
        uses: (!uses.is_empty()).then_some(uses),
        sound: row.sound != 0,
    })
}
