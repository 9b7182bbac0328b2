//! The state machine: push rows in any portions, get the same notes.

use drawoff_contract::account::Account;
use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::local::LocalDay;
use drawoff_contract::{HomeRows, Mask, Series};

use crate::day::{Carry, reduce_day};
use crate::setup::Setup;

/// The daybook of one home.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Notes {
    /// One row a local day.
    pub days: Vec<DayNote>,
    /// Idle segments and heating spells in order of time within a day and kind.
    pub spells: Vec<SpellNote>,
    /// Draw-offs in order of time.
    pub draws: Vec<DrawNote>,
    /// Row accounting by input file.
    pub accounts: Vec<Account>,
}

/// Reduces the rows of one home.
#[derive(Clone, Debug)]
pub struct Machine {
    setup: Setup,
    pending: HomeRows,
    carry: Carry,
    closed_until_ms: i64,
    out_of_order: u64,
    notes: Notes,
}

impl Machine {
    /// A machine that has seen nothing; `files` is the number of input files of the run.
    #[must_use]
    pub fn new(setup: Setup, files: usize) -> Self {
        Self {
            setup,
            pending: HomeRows::default(),
            carry: Carry::new(),
            closed_until_ms: i64::MIN,
            out_of_order: 0,
            notes: Notes { accounts: vec![Account::default(); files], ..Notes::default() },
        }
    }

    /// Takes rows, sorted by time, none earlier than rows pushed before. A row of a closed day is masked as late.
    pub fn push(&mut self, rows: &HomeRows) {
        self.out_of_order += rows.out_of_order;
        let mut from = 0;
        while from < rows.len() {
            let first = self.pending.time_ms.first().copied().unwrap_or(rows.time_ms[from]);
            let day = LocalDay::of_stamp(self.setup.zone, first.max(self.closed_until_ms.saturating_add(1)));
            let to = from + rows.time_ms[from..].partition_point(|&t| t <= day.end_ms);
            append(&mut self.pending, rows, from..to);
            if to < rows.len() {
                self.close(&day);
            }
            from = to;
        }
    }

    /// Closes the last day and gives the notes.
    #[must_use]
    pub fn finish(mut self) -> Notes {
        if let Some(&first) = self.pending.time_ms.first() {
            let day = LocalDay::of_stamp(self.setup.zone, first.max(self.closed_until_ms.saturating_add(1)));
            self.close(&day);
        }
        self.notes
    }

    fn close(&mut self, day: &LocalDay) {
        let mut rows = std::mem::take(&mut self.pending);
        mask_late(&mut rows, self.closed_until_ms);
        let mut found = reduce_day(&self.setup, day, &mut rows, &mut self.carry, &mut self.notes.accounts);
        found.day.late = i64::try_from(std::mem::take(&mut self.out_of_order)).unwrap_or(i64::MAX);
        self.closed_until_ms = day.end_ms;
        self.notes.days.push(found.day);
        self.notes.spells.extend(found.spells);
        self.notes.draws.extend(found.draws);
    }
}

fn mask_late(rows: &mut HomeRows, closed_until_ms: i64) {
    let late = rows.time_ms.partition_point(|&t| t <= closed_until_ms);
    for series in rows.series.iter_mut().flatten() {
        for mask in &mut series.mask[..late] {
            if *mask == Mask::Used {
                *mask = Mask::Late;
            }
        }
    }
}

fn append(to: &mut HomeRows, from: &HomeRows, range: std::ops::Range<usize>) {
    if to.series.is_empty() {
        *to = HomeRows::new(from.shape);
    }
    let before = to.len();
    let added = range.len();
    to.time_ms.extend_from_slice(&from.time_ms[range.clone()]);
    to.file.extend_from_slice(&from.file[range.clone()]);
    to.null_columns = from.null_columns;
    for (slot, series) in to.series.iter_mut().zip(&from.series) {
        if series.is_none() && slot.is_none() {
            continue;
        }
        let target = slot.get_or_insert_with(|| Series {
            value: vec![f64::NAN; before],
            mask: vec![Mask::Absent; before],
        });
        match series {
            Some(s) => {
                target.value.extend_from_slice(&s.value[range.clone()]);
                target.mask.extend_from_slice(&s.mask[range.clone()]);
            }
            None => {
                target.value.resize(before + added, f64::NAN);
                target.mask.resize(before + added, Mask::Absent);
            }
        }
    }
}
