//! Wide exports: one row a home and instant.

use std::collections::BTreeMap;
use std::ops::Range;

use arrow::array::RecordBatch;
use arrow::error::ArrowError;
use drawoff_contract::mapping::ReadingsMapping;
use drawoff_contract::{Cylinder, Mask, Reject};

use crate::intake::names::{NO_NAME, names};
use crate::intake::part::{FileRows, Filter, Homes, Lost, Owner, Part, check_time, extend};
use crate::intake::time::{Clock, NO_TIME, Pass, times};
use crate::intake::values::{Rule, numbers_into};

/// Collects the rows of one wide file.
pub(crate) struct WideFile<'a> {
    mapping: &'a ReadingsMapping,
    register: &'a BTreeMap<String, Cylinder>,
    /// Values that each rejected row is counted with.
    values_per_row: u64,
    rules: Vec<Rule>,
    clock: Option<Clock>,
    homes: Homes,
    /// By home of the file: rows, the slot of each mapped column, and the pass through a repeated hour.
    parts: Vec<(Part, Vec<usize>, Pass)>,
    lost: Lost,
    /// Room for the columns of a batch.
    room: Columns,
}

/// The mapped columns of one batch, in the contract's units.
#[derive(Default)]
struct Columns {
    values: Vec<Vec<f64>>,
    masks: Vec<Vec<Mask>>,
    any_value: Vec<bool>,
}

impl<'a> WideFile<'a> {
    pub(crate) fn new(
        mapping: &'a ReadingsMapping,
        register: &'a BTreeMap<String, Cylinder>,
        values_per_row: u64,
    ) -> Self {
        Self {
            mapping,
            register,
            values_per_row,
            rules: mapping.wide.iter().map(|w| Rule::new(mapping, w.channel, w.unit)).collect(),
            clock: mapping.zone.map(|zone| Clock::new(zone, mapping.cadence_min)),
            homes: Homes::default(),
            parts: Vec::new(),
            lost: Lost::default(),
            room: Columns::default(),
        }
    }

    /// Adds the rows of a batch that the filter takes.
    ///
    /// # Errors
    /// When a column's type turns out not to fit, or a home is where the file promises none.
    pub(crate) fn batch(&mut self, batch: &RecordBatch, filter: Filter<'_>) -> Result<(), ArrowError> {
        let missing = |name: &str| ArrowError::SchemaError(format!("column `{name}` is missing"));
        let home = batch.column_by_name(&self.mapping.home).ok_or_else(|| missing(&self.mapping.home))?;
        let time_column = &self.mapping.time_column;
        let time = batch.column_by_name(time_column).ok_or_else(|| missing(time_column))?;
        let home = names(home)?;
        let time = times(time, self.mapping.time_format)?;
        let owners = self.homes.owners(&home.names, &home.codes, self.register, filter)?;
        self.make_parts();
        let room = std::mem::take(&mut self.room);
        let columns = self.columns(batch, room)?;
        let rows = batch.num_rows();
        let mut start = 0;
        while start < rows {
            let code = home.codes[start];
            let end = (start + 1..rows).find(|&i| home.codes[i] != code).unwrap_or(rows);
            let owner = if code == NO_NAME { Owner::Nobody } else { owners[code as usize] };
            let count = (end - start) as u64;
            match owner {
                Owner::Home(home) => self.run(home, start..end, &time.ms, time.naive.as_deref(), &columns),
                Owner::Unknown(code) => {
                    self.lost.reject_unknown_home(&home.names[code as usize], count, self.values_per_row);
                }
                Owner::Nobody if filter.nobody => {
                    self.lost.reject(None, Reject::NoHome, count, self.values_per_row)
                }
                Owner::Nobody | Owner::Elsewhere => {}
            }
            start = end;
        }
        self.room = columns;
        Ok(())
    }

    fn make_parts(&mut self) {
        for (_, probes) in &self.homes.list[self.parts.len()..] {
            let slots = self.mapping.wide.iter().map(|w| self.mapping.place(w.channel, *probes).slot());
            self.parts.push((Part::new(), slots.collect(), Pass::default()));
        }
    }

    /// The columns of a batch; `room` is what an earlier one took.
    fn columns(&self, batch: &RecordBatch, mut room: Columns) -> Result<Columns, ArrowError> {
        let rows = batch.num_rows();
        room.values.resize_with(self.rules.len(), Vec::new);
        room.masks.resize_with(self.rules.len(), Vec::new);
        room.any_value.clear();
        room.any_value.resize(rows, false);
        let columns = room.values.iter_mut().zip(&mut room.masks);
        for ((column, rule), (values, masks)) in self.mapping.wide.iter().zip(&self.rules).zip(columns) {
            match batch.column_by_name(&column.column) {
                Some(array) => numbers_into(array, self.mapping.decimal, values)?,
                None => {
                    values.clear();
                    values.resize(rows, f64::NAN);
                }
            }
            rule.apply_all(values, masks);
            for (mask, any) in masks.iter().zip(&mut room.any_value) {
                *any |= *mask != Mask::Absent;
            }
        }
        Ok(room)
    }

    /// Adds consecutive rows of one home.
    fn run(
        &mut self,
        home: usize,
        rows: Range<usize>,
        ms: &[i64],
        naive: Option<&[bool]>,
        columns: &Columns,
    ) {
        let shift = self.mapping.shift_ms();
        let sensible = |ms: &[i64]| ms.iter().fold(true, |all, &t| all & check_time(t).is_ok());
        let valued = |any: &[bool]| any.iter().fold(true, |all, any| all & any);
        if naive.is_none() && sensible(&ms[rows.clone()]) && valued(&columns.any_value[rows.clone()]) {
            self.parts[home].0.time_ms.extend(ms[rows.clone()].iter().map(|stamp| stamp + shift));
            return self.keep(home, rows, columns);
        }
        let mut accepted = rows.start;
        for i in rows.clone() {
            let mut stamp = ms[i];
            if stamp != NO_TIME && naive.is_some_and(|n| n[i]) {
                let pass = &mut self.parts[home].2;
                stamp = match &mut self.clock {
                    Some(clock) => clock.instant(stamp, pass).unwrap_or(NO_TIME),
                    None => {
                        self.lost.without_zone += 1;
                        NO_TIME
                    }
                };
            }
            let valued = if columns.any_value[i] { Ok(()) } else { Err(Reject::NoValue) };
            if let Err(reason) = check_time(stamp).and(valued) {
                self.keep(home, accepted..i, columns);
                accepted = i + 1;
                let name = &self.homes.list[home].0;
                self.lost.reject(Some(name), reason, 1, self.values_per_row);
            } else {
                self.parts[home].0.time_ms.push(stamp + shift);
            }
        }
        self.keep(home, accepted..rows.end, columns);
    }

    /// Copies the values of rows whose times were pushed already.
    fn keep(&mut self, home: usize, rows: Range<usize>, columns: &Columns) {
        if rows.is_empty() {
            return;
        }
        let (part, slots, _) = &mut self.parts[home];
        let before = part.time_ms.len() - rows.len();
        for ((slot, values), masks) in slots.iter().zip(&columns.values).zip(&columns.masks) {
            extend(&mut part.series[*slot], before, &values[rows.clone()], &masks[rows.clone()]);
        }
    }

    /// All rows of the file by home.
    pub(crate) fn finish(self) -> FileRows {
        let mut rows = FileRows { lost: self.lost, ..FileRows::default() };
        for ((name, _), (mut part, ..)) in self.homes.list.into_iter().zip(self.parts) {
            let mut latest = i64::MIN;
            for &t in &part.time_ms {
                part.out_of_order += u64::from(t < latest);
                latest = latest.max(t);
            }
            if !part.time_ms.is_empty() {
                rows.homes.insert(name, part);
            }
        }
        rows
    }
}
