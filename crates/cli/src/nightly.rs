//! The kept daybook: a night reads what is new, goes on from where each home stood, and leaves the rest as it is.
//!
//! Files are known by their content. A home's days are reduced again from the first day that new, changed or vanished files touch, because
//! the water is followed over midnight; all days before come from the kept daybook. Many nights leave the same results, byte by byte,
//! as one run over the same files.

mod compact;
mod gather;
mod ledger;
mod losses;
mod rounds;
mod segments;
mod starts;

pub(crate) use starts::print_of;

use std::collections::{BTreeMap, BTreeSet};
use std::time::Instant;

use drawoff_contract::{Account, ContractError, HomeRows};
use drawoff_store::{FileReport, Input, Intake, KeptFolder, Limits, RunFolder, Streamed};
use drawoff_tank::water::Water;

use crate::daybook_files::{DaybookWriter, Place};
use crate::pipeline::DaybookSettings;
use crate::progress::{self, thousands};
use crate::reduce::{Reduced, Taken, limits};
use crate::run::Inputs;
use ledger::Ledger;
use rounds::made;
use segments::SegmentWriter;
use starts::{Round, Since};

/// The readings of a run with a kept daybook, for those who need rows again.
pub(crate) struct Night<'a> {
    inputs: &'a Inputs,
    files: Vec<Input>,
    columns: Vec<bool>,
}

impl Night<'_> {
    /// The rows of some homes, from the files that are there.
    ///
    /// # Errors
    /// When they cannot be read.
    pub(crate) fn homes(&self, only: &BTreeSet<String>) -> Result<BTreeMap<String, HomeRows>, ContractError> {
        // Some homes of a list fit into memory.
        let limits = Limits { memory_bytes: u64::MAX, aside: std::path::PathBuf::new() };
        let (mapping, cylinders) = (&self.inputs.mapping, &self.inputs.cylinders);
        Intake::of_files(&self.files, &self.columns, Some(only.clone()), mapping, cylinders, &limits)
            .homes(only)
    }
}

/// Files of a night.
struct Files {
    inputs: Vec<Input>,
    /// Number in the ledger; `None` for those found damaged.
    ids: Vec<Option<i64>>,
    is_new: Vec<bool>,
    /// Mapped columns of each new file.
    by_file: BTreeMap<usize, Vec<bool>>,
    /// Why a file is left out.
    damage: BTreeMap<usize, ContractError>,
}

/// One night: everything that [`reduce`] hands on from step to step.
struct Work<'a, 'f> {
    inputs: &'a Inputs,
    settings: &'a DaybookSettings,
    folder: &'f RunFolder,
    kept: KeptFolder,
    ledger: Ledger,
    files: Files,
    water: Water,
    home_days: u64,
    homes: u64,
    /// Homes that began before their last day.
    earlier: u64,
}

/// Brings the kept daybook up to date with the files, and gives it as a run over all of them would.
///
/// # Errors
/// When the kept daybook cannot be read or written, and as [`crate::reduce::reduce_fleet`].
pub(crate) fn reduce<'a>(
    inputs: &'a Inputs,
    settings: &'a DaybookSettings,
    folder: &RunFolder,
) -> Result<(Reduced, DaybookWriter<'a>, Night<'a>), ContractError> {
    let started = Instant::now();
    let water = inputs.pipeline.water.water();
    let (kept, ledger) = KeptFolder::begin::<Ledger>(&settings.keep)?;
    let rules = Ledger::rules_of(&inputs.mapping, water);
    let is_first = ledger.is_none();
    let mut ledger = ledger.unwrap_or_else(|| Ledger::new(rules.clone()));
    let sources = match drawoff_store::inputs(&inputs.pipeline.inputs.readings) {
        Ok(sources) => sources,
        Err(e) => return nothing_there(inputs, folder, e),
    };
    let mut changes = ledger.find(&sources, settings.forgets());
    let (mut by_file, mut columns) = columns_of(inputs, &sources, &ledger, &changes.known);
    let mut whole = is_first;
    if !is_first && (ledger.rules != rules || ledger.columns != columns) {
        progress::note(
            "the kept daybook was made by another version, mapping or water, or other columns: all files are read again",
        );
        if ledger.files.values().any(|f| f.gone) {
            progress::note("note: what files gave that are no longer there is lost with it");
        }
        ledger = Ledger { next_segment: ledger.next_segment, ..Ledger::new(rules) };
        changes = ledger.find(&sources, settings.forgets());
        (by_file, columns) = columns_of(inputs, &sources, &ledger, &changes.known);
        whole = true;
    }
    ledger.columns.clone_from(&columns);
    let is_new: Vec<bool> = changes.known.iter().map(Option::is_none).collect();
    let files =
        Files { ids: changes.known.clone(), is_new, by_file, damage: BTreeMap::new(), inputs: sources };
    let mut work =
        Work { inputs, settings, folder, kept, ledger, files, water, home_days: 0, homes: 0, earlier: 0 };
    if whole {
        work.whole()?;
    } else {
        work.night(&changes)?;
    }
    work.lay_together()?;
    work.kept.commit(&work.ledger, &work.ledger.segments)?;
    progress::note(&work.summary(&changes, started.elapsed().as_secs_f64()));
    work.gather(columns)
}

/// No file at all: what is kept stays as it is.
fn nothing_there<'a>(
    inputs: &'a Inputs,
    folder: &RunFolder,
    why: ContractError,
) -> Result<(Reduced, DaybookWriter<'a>, Night<'a>), ContractError> {
    let path = inputs.pipeline.inputs.readings.display().to_string();
    let report = FileReport { path, status: Err(why), account: Account::default() };
    let taken = Taken::nothing(&inputs.cylinders, inputs.pipeline.water.water(), 1);
    let reduced = taken.finish(vec![report], &BTreeMap::new(), BTreeMap::new());
    let night = Night { inputs, files: Vec::new(), columns: Vec::new() };
    Ok((reduced, DaybookWriter::begin(folder, &inputs.cylinders, Place::InRun)?, night))
}

/// Which mapped columns each new file has, by its place among the files, and which any file has.
fn columns_of(
    inputs: &Inputs,
    files: &[Input],
    ledger: &Ledger,
    known: &[Option<i64>],
) -> (BTreeMap<usize, Vec<bool>>, Vec<bool>) {
    let new: Vec<usize> = (0..files.len()).filter(|&i| known[i].is_none()).collect();
    let of_new: Vec<Input> = new.iter().map(|&i| files[i].clone()).collect();
    let limits = Limits { memory_bytes: u64::MAX, aside: std::path::PathBuf::new() };
    let looked_at = Intake::of_files(&of_new, &[], None, &inputs.mapping, &inputs.cylinders, &limits);
    let by_file: BTreeMap<usize, Vec<bool>> = new.into_iter().zip(looked_at.columns_by_file()).collect();
    let all: Vec<&Vec<bool>> = ledger.files.values().map(|f| &f.columns).chain(by_file.values()).collect();
    let has = |i: usize| all.iter().any(|columns| columns.get(i) == Some(&true));
    let any = (0..inputs.mapping.readings.wide.len()).map(has).collect();
    (by_file, any)
}

impl Work<'_, '_> {
    /// What the night did.
    fn summary(&self, changes: &ledger::Changes, seconds: f64) -> String {
        let new = self.files.is_new.iter().filter(|new| **new).count();
        let unchanged = self.files.inputs.len() - new;
        let stay = self.ledger.files.values().filter(|f| f.gone).count();
        let forgotten = changes.forgotten.len() - changes.replaced;
        let mut files = format!("{} files new", new.saturating_sub(changes.replaced));
        for (count, what) in [
            (changes.replaced, "changed"),
            (unchanged, "unchanged"),
            (stay, "gone, their days stay"),
            (forgotten, "gone and forgotten"),
        ] {
            if count > 0 {
                files += &format!(", {count} {what}");
            }
        }
        let earlier = match self.earlier {
            0 => String::new(),
            homes => format!(", {} of them from an earlier day on", thousands(homes)),
        };
        format!(
            "kept daybook: {files}; {} home-days of {} homes reduced{earlier} in {seconds:.1} s",
            thousands(self.home_days),
            thousands(self.homes)
        )
    }

    /// Reads all files as one run would, and keeps what it makes of them.
    fn whole(&mut self) -> Result<(), ContractError> {
        let all: Vec<usize> = (0..self.files.inputs.len()).collect();
        self.ledger.segments.clear();
        let name = self.ledger.segment();
        let inputs = self.inputs;
        let limits = limits(inputs, self.folder.rows_aside().join("rows"));
        let files = self.files.inputs.clone();
        let mut intake = Intake::of_files(&files, &[], None, &inputs.mapping, &inputs.cylinders, &limits);
        self.ledger.values_per_row = intake.values_per_row();
        loop {
            let mut writer = SegmentWriter::begin(&self.kept, &name)?;
            self.ledger.files.clear();
            self.ledger.overlaps.clear();
            all.iter().for_each(|&i| self.add(i));
            (self.homes, self.home_days) = (0, 0);
            let (cylinders, water) = (&inputs.cylinders, self.water);
            let reduce = |home: &str, rows: HomeRows| {
                made(&cylinders[home], &rows, files.len(), water, None, &|_| true)
            };
            let mut disorder: BTreeMap<(String, i64), u64> = BTreeMap::new();
            let streamed = intake.each_home(&|_| {}, &reduce, &mut |home, made| {
                self.keep(&mut writer, &all, &mut disorder, home, made?)
            })?;
            let Some(streamed) = streamed else { continue };
            writer.losses(self.losses(&all, &streamed, disorder))?;
            writer.end()?;
            self.leave_out(&all, &streamed);
            self.ledger.segments.push(name);
            return Ok(());
        }
    }

    /// Reads new files, and of known ones those that the touched homes need.
    fn night(&mut self, changes: &ledger::Changes) -> Result<(), ContractError> {
        let new: Vec<usize> = (0..self.files.inputs.len()).filter(|&i| self.files.is_new[i]).collect();
        let (first_new, streamed, disorder) = self.look_at(&new)?;
        self.leave_out(&new, &streamed);
        let since = Since {
            cylinders: &self.inputs.cylinders,
            water: self.water,
            ledger: &self.ledger,
            changes,
            first_new: &first_new,
        };
        let starts = since.starts(&self.kept)?;
        self.earlier = starts.values().filter(|s| s.is_earlier).count() as u64;
        let mut losses = Some(self.losses(&new, &streamed, disorder));
        let old: Vec<i64> = self.old_files().map(|(_, last_ms)| last_ms).collect();
        let rounds = starts::rounds(starts, &old);
        for (number, round) in rounds.into_iter().enumerate() {
            let name = self.ledger.segment();
            let of_new = if number == 0 { losses.take() } else { None };
            self.round(&name, &round, of_new.unwrap_or_default())?;
            self.ledger.segments.push(name);
        }
        // Files without a single row of use.
        if let Some(losses) = losses.filter(|l| !l.is_empty()) {
            let name = self.ledger.segment();
            self.round(&name, &Round::new(), losses)?;
            self.ledger.segments.push(name);
        }
        Ok(())
    }

    fn add(&mut self, file: usize) {
        let columns = self.files.by_file.get(&file).cloned().unwrap_or_default();
        self.files.ids[file] = Some(self.ledger.add(&self.files.inputs[file], columns));
    }

    /// Known files that are there, with their last stamps.
    fn old_files(&self) -> impl Iterator<Item = (usize, i64)> {
        let files = self.files.ids.iter().zip(&self.files.is_new).enumerate();
        files.filter_map(|(i, (id, is_new))| {
            let id = id.filter(|_| !is_new)?;
            Some((i, self.ledger.files.get(&id)?.last_ms))
        })
    }

    /// First stamps of the homes in new files, and what else they tell without being reduced.
    #[expect(clippy::type_complexity, reason = "three things of one reading, used at one place")]
    fn look_at(
        &mut self,
        new: &[usize],
    ) -> Result<(BTreeMap<String, i64>, Streamed, BTreeMap<(String, i64), u64>), ContractError> {
        let files: Vec<Input> = new.iter().map(|&i| self.files.inputs[i].clone()).collect();
        let limits = limits(self.inputs, self.folder.rows_aside().join("new"));
        let (mapping, cylinders) = (&self.inputs.mapping, &self.inputs.cylinders);
        let mut intake = Intake::of_files(&files, &self.ledger.columns, None, mapping, cylinders, &limits);
        self.ledger.values_per_row = intake.values_per_row();
        new.iter().for_each(|&i| self.add(i));
        let ids: Vec<i64> = new.iter().filter_map(|&i| self.files.ids[i]).collect();
        loop {
            let mut first = BTreeMap::new();
            let mut disorder = BTreeMap::new();
            let look = |_: &str, rows: HomeRows| (rows.time_ms.first().copied(), rows.out_of_order_by_file);
            let streamed = intake.each_home(&|_| {}, &look, &mut |home, (first_ms, by_file)| {
                for (file, rows) in by_file {
                    disorder.insert((home.clone(), ids[usize::from(file)]), rows);
                }
                first.extend(first_ms.map(|ms| (home, ms)));
                Ok(())
            })?;
            if let Some(streamed) = streamed {
                return Ok((first, streamed, disorder));
            }
        }
    }

    /// Forgets files that turned out to be damaged: the next night tries them again.
    fn leave_out(&mut self, read: &[usize], streamed: &Streamed) {
        for (&i, report) in read.iter().zip(&streamed.files) {
            if let Err(e) = &report.status {
                self.files.damage.insert(i, e.clone());
                if let Some(id) = self.files.ids[i].take() {
                    self.ledger.files.remove(&id);
                }
            }
        }
    }
}
