//! What one file gives: readings by home, and the rows it lost.

use std::collections::{BTreeMap, BTreeSet};

use arrow::error::ArrowError;
use drawoff_contract::{Account, Channel, Cylinder, Mask, Reject, Series};

use crate::intake::names::NO_NAME;
use crate::intake::shares::Shares;
use crate::intake::strangers;
use crate::intake::time::{NO_TIME, SENSIBLE_MS};

/// Readings of one home from one file.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    pub(crate) time_ms: Vec<i64>,
    /// By channel slot; `None` as long as no value came.
    pub(crate) series: Vec<Option<Series>>,
    pub(crate) out_of_order: u64,
}

impl Part {
    pub(crate) fn new() -> Self {
        Self { time_ms: Vec::new(), series: vec![None; Channel::COUNT], out_of_order: 0 }
    }
}

/// All that one file gives.
#[derive(Debug, Default)]
pub(crate) struct FileRows {
    pub(crate) homes: BTreeMap<String, Part>,
    pub(crate) lost: Lost,
}

/// Rejected rows of one file, and why.
#[derive(Debug, Default)]
pub(crate) struct Lost {
    pub(crate) account: Account,
    pub(crate) by_home: BTreeMap<String, Account>,
    pub(crate) unknown_homes: BTreeMap<String, u64>,
    pub(crate) unknown_channels: BTreeMap<String, u64>,
    /// Rows whose local time needs a zone that the mapping does not give.
    pub(crate) without_zone: u64,
}

impl Lost {
    /// Counts `rows` rejected rows of `values` values each.
    pub(crate) fn reject(&mut self, home: Option<&str>, reason: Reject, rows: u64, values: u64) {
        let mut one = Account::default();
        one.reject(reason, values);
        let mut all = Account { rows_in: rows, ..Account::default() };
        all.values_in = one.values_in * rows;
        all.values_absent = one.values_absent * rows;
        for (a, b) in all.rows_rejected.iter_mut().zip(one.rows_rejected) {
            *a = b * rows;
        }
        self.account.add(&all);
        if let Some(home) = home {
            if !self.by_home.contains_key(home) {
                self.by_home.insert(home.to_owned(), Account::default());
            }
            if let Some(account) = self.by_home.get_mut(home) {
                account.add(&all);
            }
        }
    }

    pub(crate) fn reject_unknown_home(&mut self, home: &str, rows: u64, values: u64) {
        self.reject(None, Reject::HomeNotInRegister, rows, values);
        strangers::count(&mut self.unknown_homes, home, rows);
    }

    pub(crate) fn add(&mut self, other: &Self) {
        self.account.add(&other.account);
        for (home, account) in &other.by_home {
            self.by_home.entry(home.clone()).or_default().add(account);
        }
        for (home, rows) in &other.unknown_homes {
            strangers::count(&mut self.unknown_homes, home, *rows);
        }
        for (name, rows) in &other.unknown_channels {
            *self.unknown_channels.entry(name.clone()).or_default() += rows;
        }
        self.without_zone += other.without_zone;
    }
}

/// Whose row it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Owner {
    /// A home of the register: its index in the file's list.
    Home(usize),
    /// A home that the register does not list: its code in the batch.
    Unknown(u32),
    /// No identifier.
    Nobody,
    /// Read with another share of the fleet.
    Elsewhere,
}

/// Which rows of a piece are read now.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Filter<'a> {
    pub(crate) shares: &'a Shares,
    pub(crate) share: usize,
    /// Whether rows that name no home are counted now.
    pub(crate) nobody: bool,
    /// Lowest and highest home that the file promises for the piece.
    pub(crate) promised: Option<&'a (String, String)>,
    /// Only these homes, if given.
    pub(crate) only: Option<&'a BTreeSet<String>>,
}

impl Filter<'_> {
    /// Whether the rows of a home are read now.
    ///
    /// # Errors
    /// When the home lies outside what the file promises: the promise decided which rows are read when.
    fn takes(&self, name: &str) -> Result<bool, ArrowError> {
        if let Some((least, most)) = self.promised
            && !(least.as_str()..=most.as_str()).contains(&name)
        {
            let message = format!("home `{name}` lies outside the row group's statistics, {least} to {most}");
            return Err(ArrowError::ParquetError(message));
        }
        Ok(self.shares.of(name) == self.share && self.only.is_none_or(|only| only.contains(name)))
    }
}

/// Homes met in one file, numbered in the order of their first rows.
#[derive(Debug, Default)]
pub(crate) struct Homes {
    index: BTreeMap<String, usize>,
    /// Identifier and number of known probe heights.
    pub(crate) list: Vec<(String, usize)>,
}

impl Homes {
    /// The owner for each code of a batch.
    ///
    /// # Errors
    /// As [`Filter::takes`].
    pub(crate) fn owners(
        &mut self,
        names: &[String],
        used: &[u32],
        register: &BTreeMap<String, Cylinder>,
        filter: Filter<'_>,
    ) -> Result<Vec<Owner>, ArrowError> {
        let mut is_used = vec![false; names.len()];
        for &code in used {
            if let Some(flag) = is_used.get_mut(code as usize) {
                *flag = true;
            }
        }
        let mut owners = vec![Owner::Nobody; names.len()];
        for (code, name) in names.iter().enumerate() {
            if !is_used[code] || name.is_empty() {
                continue;
            }
            if !filter.takes(name)? {
                owners[code] = Owner::Elsewhere;
                continue;
            }
            owners[code] = match (self.index.get(name), register.get(name)) {
                (Some(&i), _) => Owner::Home(i),
                (None, Some(cylinder)) => {
                    let i = self.list.len();
                    self.index.insert(name.clone(), i);
                    self.list.push((name.clone(), cylinder.probe_heights.len()));
                    Owner::Home(i)
                }
                (None, None) => Owner::Unknown(u32::try_from(code).unwrap_or(NO_NAME)),
            };
        }
        Ok(owners)
    }
}

/// Whether a stamp is an instant at all, and a sensible one.
pub(crate) fn check_time(ms: i64) -> Result<(), Reject> {
    if ms == NO_TIME {
        return Err(Reject::NoTime);
    }
    if SENSIBLE_MS.contains(&ms) { Ok(()) } else { Err(Reject::AbsurdTime) }
}

/// Adds values to a series that may not exist yet; `before` rows came without a value.
///
/// As long as all values are absent the series is not made: most homes lack most channels.
pub(crate) fn extend(series: &mut Option<Series>, before: usize, values: &[f64], masks: &[Mask]) {
    if series.is_none() {
        if masks.iter().all(|m| *m == Mask::Absent) {
            return;
        }
        *series = Some(Series { value: vec![f64::NAN; before], mask: vec![Mask::Absent; before] });
    }
    if let Some(series) = series {
        series.value.extend_from_slice(values);
        series.mask.extend_from_slice(masks);
    }
}

/// Adds `rows` absent values to a series, if it exists.
pub(crate) fn extend_absent(series: &mut Option<Series>, rows: usize) {
    if let Some(series) = series {
        series.value.resize(series.value.len() + rows, f64::NAN);
        series.mask.resize(series.mask.len() + rows, Mask::Absent);
    }
}
