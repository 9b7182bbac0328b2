//! The state machine: push rows in any portions, get the same notes.

use drawoff_contract::account::{Account, count_home};
use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::local::LocalDay;
use drawoff_contract::{HomeRows, Mask, Series, Shape};

use crate::day::{Carry, reduce_day};
use crate::setup::Setup;

/// A silence longer than this is a stamp gone wrong, not a fleet's history: no day of it is noted.
const LONGEST_SILENCE_MS: i64 = 400 * 86_400_000;

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
            notes: Notes { accounts: vec![Account::default(); files], ..Notes::default() },
        }
    }

    /// Takes rows, sorted by time, none earlier than rows pushed before. A row of a closed day is masked as late.
    pub fn push(&mut self, rows: &HomeRows) {
        let mut from = rows.time_ms.partition_point(|&t| t <= self.closed_until_ms);
        self.count_late(rows, from);
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

    /// Rows of closed days are counted and go no further.
    fn count_late(&mut self, rows: &HomeRows, late: usize) {
        let mut kept = HomeRows::default();
        append(&mut kept, rows, 0..late);
        for mask in kept.series.iter_mut().flatten().flat_map(|s| &mut s.mask) {
            if *mask == Mask::Used {
                *mask = Mask::Late;
            }
        }
        count_home(&kept, &mut self.notes.accounts);
    }

    /// Days between the last one closed and `day` had no row: they are noted as such, unless the silence is absurd.
    fn note_silent_days(&mut self, day: &LocalDay) {
        if self.closed_until_ms == i64::MIN || day.start_ms - self.closed_until_ms > LONGEST_SILENCE_MS {
            return;
        }
        while self.closed_until_ms < day.start_ms {
            let silent = LocalDay::of_stamp(self.setup.zone, self.closed_until_ms + 1);
            self.reduce(&silent, HomeRows::new(Shape::Wide));
        }
    }

    fn close(&mut self, day: &LocalDay) {
        self.note_silent_days(day);
        let rows = std::mem::take(&mut self.pending);
        self.reduce(day, rows);
    }

    fn reduce(&mut self, day: &LocalDay, mut rows: HomeRows) {
        let found = reduce_day(&self.setup, day, &mut rows, &mut self.carry, &mut self.notes.accounts);
        self.closed_until_ms = day.end_ms;
        self.notes.days.push(found.day);
        self.notes.spells.extend(found.spells);
        self.notes.draws.extend(found.draws);
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
    // A column that is all null in one portion is a series of another: every row has the same number of columns.
    let kept = |rows: &HomeRows| u32::try_from(rows.series.iter().flatten().count()).unwrap_or(u32::MAX);
    to.null_columns = (kept(from) + from.null_columns).saturating_sub(kept(to));
    if before > 0 && added > 0 && to.time_ms[before] < to.time_ms[before - 1] {
        sort(to);
    }
}

/// Rows that came after a row of a later time go back to their place; equal times keep their order.
fn sort(rows: &mut HomeRows) {
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by_key(|&i| rows.time_ms[i]);
    rows.time_ms = order.iter().map(|&i| rows.time_ms[i]).collect();
    rows.file = order.iter().map(|&i| rows.file[i]).collect();
    for series in rows.series.iter_mut().flatten() {
        series.value = order.iter().map(|&i| series.value[i]).collect();
        series.mask = order.iter().map(|&i| series.mask[i]).collect();
    }
}
