//! Row accounting, exact: rows in = used + masked + rejected, values in = used + masked + absent.

use crate::readings::{HomeRows, Mask, Reject, Shape};

/// Counts of rows and values, by what became of them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Account {
    /// Rows as stored.
    pub rows_in: u64,
    /// Rows with at least one value used.
    pub rows_used: u64,
    /// Rows whose values were all masked, by the first reason; indexed like [`Mask::REASONS`].
    pub rows_masked: [u64; Mask::REASONS.len()],
    /// Rows rejected, indexed like [`Reject::REASONS`].
    pub rows_rejected: [u64; Reject::REASONS.len()],
    /// Values as stored, nulls counted.
    pub values_in: u64,
    /// Values used.
    pub values_used: u64,
    /// Values masked, indexed like [`Mask::REASONS`].
    pub values_masked: [u64; Mask::REASONS.len()],
    /// Values that are null or belong to a rejected row.
    pub values_absent: u64,
}

fn reason_index(mask: Mask) -> Option<usize> {
    Mask::REASONS.iter().position(|&m| m == mask)
}

impl Account {
    /// Counts one rejected row with `values` values, all counted as absent.
    pub fn reject(&mut self, reason: Reject, values: u64) {
        self.rows_in += 1;
        self.values_in += values;
        self.values_absent += values;
        if let Some(i) = Reject::REASONS.iter().position(|&r| r == reason) {
            self.rows_rejected[i] += 1;
        }
    }

    /// Adds another account.
    pub fn add(&mut self, other: &Self) {
        self.rows_in += other.rows_in;
        self.rows_used += other.rows_used;
        self.values_in += other.values_in;
        self.values_used += other.values_used;
        self.values_absent += other.values_absent;
        for (a, b) in self.rows_masked.iter_mut().zip(other.rows_masked) {
            *a += b;
        }
        for (a, b) in self.rows_rejected.iter_mut().zip(other.rows_rejected) {
            *a += b;
        }
        for (a, b) in self.values_masked.iter_mut().zip(other.values_masked) {
            *a += b;
        }
    }

    /// All masked rows.
    #[must_use]
    pub fn all_rows_masked(&self) -> u64 {
        self.rows_masked.iter().sum()
    }

    /// All rejected rows.
    #[must_use]
    pub fn all_rows_rejected(&self) -> u64 {
        self.rows_rejected.iter().sum()
    }

    /// All masked values.
    #[must_use]
    pub fn all_values_masked(&self) -> u64 {
        self.values_masked.iter().sum()
    }

    /// Whether both identities hold.
    #[must_use]
    pub fn is_balanced(&self) -> bool {
        self.rows_in == self.rows_used + self.all_rows_masked() + self.all_rows_rejected()
            && self.values_in == self.values_used + self.all_values_masked() + self.values_absent
    }

    /// "reason rows/values" for every reason that occurred, masks first, joined by commas.
    #[must_use]
    pub fn by_reason(&self) -> String {
        let masked = Mask::REASONS
            .iter()
            .enumerate()
            .map(|(i, m)| (m.code(), self.rows_masked[i], self.values_masked[i]));
        let rejected = Reject::REASONS.iter().enumerate().map(|(i, r)| (r.code(), self.rows_rejected[i], 0));
        masked
            .chain(rejected)
            .filter(|&(_, rows, values)| rows + values > 0)
            .map(|(code, rows, values)| format!("{code} {rows}/{values}"))
            .collect::<Vec<_>>()
            .join(", ")
    }

    /// All counts as a list, in the order of the fields.
    #[must_use]
    pub fn to_counts(&self) -> Vec<i64> {
        let counts = [self.rows_in, self.rows_used, self.values_in, self.values_used, self.values_absent];
        let counts =
            counts.iter().chain(&self.rows_masked).chain(&self.rows_rejected).chain(&self.values_masked);
        counts.map(|&n| i64::try_from(n).unwrap_or(i64::MAX)).collect()
    }

    /// An account from its list of counts; `None` when the list is none of [`Account::to_counts`].
    #[must_use]
    pub fn from_counts(counts: &[i64]) -> Option<Self> {
        let counts: Vec<u64> = counts.iter().map(|&n| u64::try_from(n).ok()).collect::<Option<_>>()?;
        let (sums, rest) = counts.split_first_chunk::<5>()?;
        let (rows_masked, rest) = rest.split_first_chunk()?;
        let (rows_rejected, rest) = rest.split_first_chunk()?;
        let [rows_in, rows_used, values_in, values_used, values_absent] = *sums;
        Some(Self {
            rows_in,
            rows_used,
            rows_masked: *rows_masked,
            rows_rejected: *rows_rejected,
            values_in,
            values_used,
            values_masked: rest.try_into().ok()?,
            values_absent,
        })
    }

    /// Rows and values masked as copies of a later row.
    #[must_use]
    pub fn copies(&self) -> u64 {
        reason_index(Mask::Duplicate).map_or(0, |i| self.values_masked[i])
    }

    /// Counts the values of one column, and in the long shape as many rows.
    fn count_column(&mut self, masks: &[Mask], shape: Shape) {
        let number = |mask: Mask| masks.iter().filter(|m| **m == mask).count() as u64;
        let used = number(Mask::Used);
        let absent = if used == masks.len() as u64 { 0 } else { number(Mask::Absent) };
        let present = masks.len() as u64 - absent;
        self.values_used += used;
        if shape == Shape::Wide {
            self.values_in += masks.len() as u64;
            self.values_absent += absent;
        } else {
            self.values_in += present;
            self.rows_in += present;
            self.rows_used += used;
        }
        if used == present {
            return;
        }
        for (i, &reason) in Mask::REASONS.iter().enumerate() {
            let masked = number(reason);
            self.values_masked[i] += masked;
            if shape == Shape::Long {
                self.rows_masked[i] += masked;
            }
        }
    }

    /// Counts rows of the wide shape: by whether any of their values is used, else by the first reason.
    fn count_rows(&mut self, columns: &[&[Mask]], rows: usize) {
        self.rows_in += rows as u64;
        // Mostly some column is used throughout.
        if columns.iter().any(|masks| masks.iter().all(|m| *m == Mask::Used)) {
            self.rows_used += rows as u64;
            return;
        }
        for i in 0..rows {
            let mut masks = columns.iter().map(|masks| masks[i]);
            if masks.clone().any(|m| m == Mask::Used) {
                self.rows_used += 1;
                continue;
            }
            match masks.by_ref().filter(|m| *m > Mask::Absent).min().and_then(reason_index) {
                Some(reason) => self.rows_masked[reason] += 1,
                // A row without any value: intake rejects it before it comes here.
                None => self.rows_rejected[3] += 1,
            }
        }
    }
}

/// Counts the rows of one home by file, after all masks are set; `accounts` has one account a file.
///
/// In the long shape each value was a row of its own, and absent values are none.
pub fn count_home(rows: &HomeRows, accounts: &mut [Account]) {
    let mut start = 0;
    for run in rows.file.chunk_by(|a, b| a == b) {
        let range = start..start + run.len();
        start = range.end;
        let Some(account) = accounts.get_mut(usize::from(run[0])) else { continue };
        let columns: Vec<&[Mask]> =
            rows.series.iter().flatten().map(|series| &series.mask[range.clone()]).collect();
        for masks in &columns {
            account.count_column(masks, rows.shape);
        }
        if rows.shape == Shape::Wide {
            let nulls = u64::from(rows.null_columns) * run.len() as u64;
            account.values_in += nulls;
            account.values_absent += nulls;
            account.count_rows(&columns, run.len());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::readings::{Channel, Series};

    #[test]
    fn wide_rows_are_used_when_any_value_is() {
        let mut rows = HomeRows::new(Shape::Wide);
        rows.time_ms = vec![0, 1, 2];
        rows.file = vec![0, 0, 1];
        rows.null_columns = 2;
        rows.series[Channel::Probe(0).slot()] = Some(Series {
            value: vec![1.0, f64::NAN, 3.0],
            mask: vec![Mask::Used, Mask::Absent, Mask::Spike],
        });
        rows.series[Channel::Register.slot()] = Some(Series {
            value: vec![1.0, 2.0, 3.0],
            mask: vec![Mask::Duplicate, Mask::Used, Mask::Duplicate],
        });
        let mut accounts = vec![Account::default(); 2];
        count_home(&rows, &mut accounts);
        assert!(accounts.iter().all(Account::is_balanced));
        assert_eq!((accounts[0].rows_in, accounts[0].rows_used, accounts[0].values_absent), (2, 2, 5));
        assert_eq!(accounts[1].by_reason(), "duplicate 1/1, spike 0/1");
        assert_eq!(accounts[1].copies(), 1);
        for account in &accounts {
            assert_eq!(Account::from_counts(&account.to_counts()).as_ref(), Some(account));
        }
        assert_eq!(Account::from_counts(&[1; 7]), None);
    }
}
