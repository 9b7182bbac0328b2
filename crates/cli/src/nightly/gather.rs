//! The kept daybook and all accounts, read back as a run over all files gives them.

use std::collections::BTreeMap;
use std::time::Instant;

use drawoff_contract::{Account, ContractError, Cylinder};
use drawoff_daybook::Setup;
use drawoff_store::FileReport;
use drawoff_tank::water::Water;

use super::ledger::unknown;
use super::segments::{Kept, Wanted, each_kept};
use super::{Night, Work};
use crate::daybook_files::{DaybookWriter, Place};
use crate::progress::{self, thousands};
use crate::reduce::{Home, Reduced, Taken};

impl<'a> Work<'a, '_> {
    /// The kept daybook and all accounts, as a run over all files gives them.
    pub(super) fn gather(
        self,
        columns: Vec<bool>,
    ) -> Result<(Reduced, DaybookWriter<'a>, Night<'a>), ContractError> {
        let started = Instant::now();
        let here = self.files.inputs.iter().zip(&self.files.ids).map(|(input, id)| (&input.name, *id));
        let gone = self.ledger.files.iter().filter(|(_, f)| f.gone).map(|(id, f)| (&f.name, Some(*id)));
        let mut names: Vec<(&String, Option<i64>)> = here.chain(gone).collect();
        names.sort();
        let place: BTreeMap<i64, usize> =
            names.iter().enumerate().filter_map(|(i, (_, id))| Some(((*id)?, i))).collect();
        let mut lost = vec![Account::default(); names.len()];
        for (id, file) in &self.ledger.files {
            if let (Some(&i), Some(account)) = (place.get(id), Account::from_counts(&file.nameless)) {
                lost[i].add(&account);
            }
        }
        let cylinders = &self.inputs.cylinders;
        let mut taken = Taken::nothing(cylinders, self.water, names.len());
        let mut writer = DaybookWriter::begin(self.folder, cylinders, Place::InRun)?;
        let mut rejected: BTreeMap<String, Account> = BTreeMap::new();
        let mut unknown_homes: BTreeMap<String, u64> = BTreeMap::new();
        let wanted = Wanted { states: false, accounts: true, notes: true };
        let mut put = |index: usize, notes| writer.push(index, notes);
        each_kept(&self.kept, &self.ledger.segments, wanted, &mut |mut kept| {
            kept.retain(self.settings.keep_days);
            let Some(cylinder) = cylinders.get(&kept.home) else {
                let rows = self.of_unlisted(&kept, &place, &mut lost);
                if rows > 0 {
                    unknown_homes.insert(kept.home, rows);
                }
                return Ok(());
            };
            let mut out_of_order = 0;
            for loss in &kept.losses {
                let (Some(&i), Some(account)) = (place.get(&loss.file), Account::from_counts(&loss.counts))
                else {
                    continue;
                };
                out_of_order += u64::try_from(loss.out_of_order).unwrap_or(0);
                lost[i].add(&account);
                if loss.is_unknown {
                    *unknown_homes.entry(kept.home.clone()).or_default() += account.rows_in;
                } else {
                    rejected.entry(kept.home.clone()).or_default().add(&account);
                }
            }
            if kept.print.is_none() {
                return Ok(());
            }
            taken.up_to(Some(&kept.home), &mut put)?;
            taken.one(home_of(cylinder, kept, &place, self.water, out_of_order), &mut put)
        })?;
        taken.up_to(None, &mut put)?;
        let damage: BTreeMap<&str, &ContractError> =
            self.files.damage.iter().map(|(i, e)| (self.files.inputs[*i].name.as_str(), e)).collect();
        let reports = names.iter().zip(lost).map(|((path, id), account)| {
            let problem = damage.get(path.as_str()).filter(|_| id.is_none());
            FileReport {
                path: (*path).clone(),
                status: problem.map_or(Ok(()), |e| Err((*e).clone())),
                account,
            }
        });
        let reports: Vec<FileReport> = reports.collect();
        progress::note(&format!(
            "gathered the daybook of {} homes in {:.1} s",
            thousands(taken.with_rows() as u64),
            started.elapsed().as_secs_f64()
        ));
        let readable = self.files.inputs.iter().enumerate().filter(|(i, _)| self.files.ids[*i].is_some());
        let files = readable.map(|(_, input)| input.clone()).collect();
        let reduced = taken.finish(reports, &rejected, unknown_homes);
        Ok((reduced, writer, Night { inputs: self.inputs, files, columns }))
    }

    /// All rows of a home that the register does not list, any more or yet.
    fn of_unlisted(&self, kept: &Kept, place: &BTreeMap<i64, usize>, lost: &mut [Account]) -> u64 {
        let accounts = kept.accounts.iter().map(|a| (a.file, &a.counts));
        let losses = kept.losses.iter().map(|l| (l.file, &l.counts));
        let mut all = 0;
        for (file, counts) in accounts.chain(losses) {
            if let (Some(&i), Some(account)) = (place.get(&file), Account::from_counts(counts)) {
                lost[i].add(&unknown(account.rows_in, self.ledger.values_per_row));
                all += account.rows_in;
            }
        }
        all
    }
}

fn home_of(
    cylinder: &Cylinder,
    kept: Kept,
    place: &BTreeMap<i64, usize>,
    water: Water,
    out_of_order: u64,
) -> Home {
    let settings = drawoff_daybook::Settings { water, ..drawoff_daybook::Settings::default() };
    let mut by_file = vec![Account::default(); place.values().max().map_or(0, |last| last + 1)];
    for account in &kept.accounts {
        if let (Some(&i), Some(of_day)) = (place.get(&account.file), Account::from_counts(&account.counts)) {
            by_file[i].add(&of_day);
        }
    }
    // Of what is kept, where days are dropped.
    let first_day = kept.notes.days.first().map(|d| d.day);
    let told = kept.accounts.iter().filter(|a| first_day.is_none_or(|first| a.day >= first));
    let stamps =
        told.map(|a| (a.first.0, a.last.0)).reduce(|all, of_day| (all.0.min(of_day.0), all.1.max(of_day.1)));
    let notes = Setup::new(cylinder, settings).map(|_| kept.notes);
    Home { notes, by_file, out_of_order, stamps }
}
