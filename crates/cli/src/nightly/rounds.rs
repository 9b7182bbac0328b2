//! Homes reduced from where they stood, round by round, into segments.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_contract::kept_tables::{KeptAccount, KeptLoss};
use drawoff_contract::{Account, ContractError, Cylinder, Day, HomeRows, Utc};
use drawoff_daybook::{Machine, Notes, Setup, only_counted};
use drawoff_store::{Input, Intake};
use drawoff_tank::water::Water;

use super::Work;
use super::losses::loss;
use super::segments::{Kept, SegmentWriter};
use super::starts::{Round, Start, print_of};
use crate::reduce::limits;

/// One home, reduced from its beginning on.
pub(super) struct Made {
    print: String,
    after_day: Option<Day>,
    notes: Notes,
    out_of_order: Vec<(u16, u64)>,
}

/// Reduces the rows of one home; `is_new` tells which files were not read before.
pub(super) fn made(
    cylinder: &Cylinder,
    rows: &HomeRows,
    files: usize,
    water: Water,
    start: Option<&Start>,
    is_new: &dyn Fn(u16) -> bool,
) -> Result<Made, ContractError> {
    let settings = drawoff_daybook::Settings { water, ..drawoff_daybook::Settings::default() };
    let notes = match Setup::new(cylinder, settings) {
        Err(_) => {
            let until_ms = start.map_or(i64::MIN, |s| s.state.until_ms);
            only_counted(cylinder.zone, rows, files, until_ms, is_new)
        }
        Ok(setup) => {
            let machine = Machine::new(setup, files).keeping_states();
            let mut machine = match start {
                None => machine,
                Some(start) => machine.after(&start.state).ok_or_else(|| {
                    ContractError::new(format!("home {}", cylinder.home), "its kept state cannot be read")
                        .with_hint("remove the folder of the kept daybook; all files are then read again")
                })?,
            };
            machine.go_on(rows, is_new);
            machine.finish()
        }
    };
    Ok(Made {
        print: print_of(cylinder, water),
        after_day: start.and_then(|s| s.after_day),
        notes,
        out_of_order: rows.out_of_order_by_file.clone(),
    })
}

impl Work<'_, '_> {
    /// Reduces the homes of a round and writes their segment, with the lost rows of the new files.
    pub(super) fn round(
        &mut self,
        name: &str,
        round: &Round,
        losses: Vec<KeptLoss>,
    ) -> Result<(), ContractError> {
        let from_ms = round.values().map(|s| s.needs_after_ms).min().unwrap_or(i64::MAX);
        let needed: BTreeSet<usize> =
            self.old_files().filter(|(_, last_ms)| *last_ms > from_ms).map(|(i, _)| i).collect();
        let is_read =
            |i: &usize| needed.contains(i) || (self.files.is_new[*i] && self.files.ids[*i].is_some());
        let read: Vec<usize> = (0..self.files.inputs.len()).filter(is_read).collect();
        let mut writer = SegmentWriter::begin(&self.kept, name)?;
        let mut fresh_losses = Vec::new();
        if !round.is_empty() {
            fresh_losses = self.reduce_round(&mut writer, round, &read)?;
        }
        let mut losses = losses;
        losses.extend(fresh_losses);
        losses.sort_by(|a, b| (&a.home, a.file).cmp(&(&b.home, b.file)));
        writer.losses(losses)?;
        writer.end()
    }

    /// Gives what known files lost of homes that are newly in the register.
    fn reduce_round(
        &mut self,
        writer: &mut SegmentWriter,
        round: &Round,
        read: &[usize],
    ) -> Result<Vec<KeptLoss>, ContractError> {
        let inputs = self.inputs;
        let files: Vec<Input> = read.iter().map(|&i| self.files.inputs[i].clone()).collect();
        let limits = limits(inputs, self.folder.rows_aside().join("rows"));
        let only: BTreeSet<String> = round.keys().cloned().collect();
        let (mapping, cylinders) = (&inputs.mapping, &inputs.cylinders);
        let mut intake =
            Intake::of_files(&files, &self.ledger.columns, Some(only), mapping, cylinders, &limits);
        let (water, ids) = (self.water, self.files.ids.clone());
        let new = self.files.is_new.clone();
        let reduce = |home: &str, rows: HomeRows| {
            let start = &round[home];
            let is_new = |file: u16| {
                let i = read[usize::from(file)];
                new[i] || ids[i].is_some_and(|id| start.fresh.contains(&id))
            };
            made(&cylinders[home], &rows, files.len(), water, Some(start), &is_new)
        };
        let mut waiting = round.iter().peekable();
        let mut disorder = BTreeMap::new();
        let streamed = intake.each_home(&|_| {}, &reduce, &mut |home, made| {
            while let Some((name, start)) = waiting.next_if(|(name, _)| **name < home) {
                self.keep_nothing(writer, name, start)?;
            }
            waiting.next_if(|(name, _)| **name == home);
            self.keep(writer, read, &mut disorder, home, made?)
        })?;
        let changed =
            || ContractError::new("readings", "a file was changed while it was read").with_hint("run again");
        let streamed = streamed.filter(|s| s.files.iter().all(|f| f.status.is_ok())).ok_or_else(changed)?;
        for (name, start) in waiting {
            self.keep_nothing(writer, name, start)?;
        }
        let mut losses = Vec::new();
        for (home, start) in round.iter().filter(|(_, start)| !start.fresh.is_empty()) {
            for (&i, lost) in read.iter().zip(&streamed.lost) {
                let Some(file) = self.files.ids[i].filter(|id| start.fresh.contains(id)) else { continue };
                let out_of_order = disorder.get(&(home.clone(), file)).copied().unwrap_or(0);
                let counts = lost.by_home.get(home).cloned().unwrap_or_default().to_counts();
                losses.push(loss(home, file, false, out_of_order, counts));
            }
        }
        Ok(losses)
    }

    /// A home of which no row is left after its beginning.
    fn keep_nothing(
        &mut self,
        writer: &mut SegmentWriter,
        home: &str,
        start: &Start,
    ) -> Result<(), ContractError> {
        self.homes += 1;
        writer.push(Kept {
            home: home.to_owned(),
            print: Some(print_of(&self.inputs.cylinders[home], self.water)),
            after_day: start.after_day,
            ..Kept::default()
        })
    }

    pub(super) fn keep(
        &mut self,
        writer: &mut SegmentWriter,
        read: &[usize],
        disorder: &mut BTreeMap<(String, i64), u64>,
        home: String,
        made: Made,
    ) -> Result<(), ContractError> {
        let id = |file: u16| read.get(usize::from(file)).and_then(|&i| self.files.ids[i]).unwrap_or(-1);
        for (file, rows) in made.out_of_order {
            disorder.insert((home.clone(), id(file)), rows);
        }
        let mut notes = made.notes;
        let accounts: Vec<KeptAccount> = std::mem::take(&mut notes.by_day)
            .into_iter()
            .map(|a| KeptAccount {
                home: home.clone(),
                day: a.day,
                file: id(a.file),
                first: Utc(a.stamps.0),
                last: Utc(a.stamps.1),
                counts: a.account.to_counts(),
            })
            .collect();
        for account in &accounts {
            self.ledger.note_stamp(account.file, account.last.0);
        }
        self.note_overlaps(&accounts);
        self.homes += 1;
        self.home_days += notes.days.len() as u64;
        writer.push(Kept {
            home,
            print: Some(made.print),
            after_day: made.after_day,
            notes,
            accounts,
            losses: Vec::new(),
        })
    }

    /// Notes which files hold copies of each other's rows; files of a day come in their order.
    fn note_overlaps(&mut self, accounts: &[KeptAccount]) {
        for of_day in accounts.chunk_by(|a, b| a.day == b.day) {
            let copies = |a: &KeptAccount| Account::from_counts(&a.counts).is_some_and(|a| a.copies() > 0);
            if of_day.len() < 2 || !of_day.iter().any(copies) {
                continue;
            }
            for (i, a) in of_day.iter().enumerate() {
                self.ledger.overlaps.extend(of_day[i + 1..].iter().map(|b| (a.file, b.file)));
            }
        }
    }
}
