//! The fleet's readings, home by home, in bounded memory.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use drawoff_contract::{Account, ContractError, Cylinder, HomeRows, Mapping, Shape};
use rayon::prelude::*;

use crate::buckets::{self, Layout, LeftOut};
use crate::in_turn::in_turn;
use crate::intake::file::{self, Collector};
use crate::intake::open::damaged;
use crate::intake::part::{FileRows, Filter, Lost, Part};
use crate::intake::shares::{self, Plan, wanted};
use crate::intake::source::{self, Source};
use crate::intake::spill::{Router, Spill};
use crate::intake::strangers;
use crate::intake::survey::Survey;
use crate::intake::{FileReport, Input, Limits, merge, runs};
use crate::output::MANIFEST;

/// Shares in memory for each thread: the one being read, its rows as they are brought together, and what decoders hold.
const SHARES_A_THREAD: u64 = 2;

/// Exports of a fleet, looked at but not read yet.
///
/// Rows are checked in this order, and rejected for the first reason that applies: no home, home not in the
/// register, unknown channel, no time, absurd time, no value. Of copies (same home and instant, and channel in the
/// long shape) the last in path and file order counts. A mapped column that a file lacks counts as null if another
/// file has it. A row is out of order when a row of its file and home (and channel) before it is later. A source without
/// files is one report with that error. The result depends neither on the number of threads nor on the limits.
///
/// The fleet is read in shares of neighbouring homes that fit into memory. Where each file holds rows of few homes
/// (known from the statistics of Parquet row groups, from runs of homes in them, and from folder names), shares are read from the
/// files as they are;
/// where files hold rows of most homes, rows are first written aside by share.
#[derive(Debug)]
pub struct Intake<'a> {
    mapping: &'a Mapping,
    cylinders: &'a BTreeMap<String, Cylinder>,
    sources: Vec<Source>,
    surveys: Vec<Survey>,
    /// Why a file is left out.
    problems: Vec<Option<ContractError>>,
    no_source: Option<FileReport>,
    values_per_row: u64,
    /// Mapped value columns that at least one file has.
    columns: usize,
    plan: Plan,
    aside: PathBuf,
    spill: Option<Spill>,
    /// Homes that are read; all, if `None`.
    only: Option<BTreeSet<String>>,
}

/// What a run over all homes leaves beside the homes.
#[derive(Debug, Default)]
pub struct Streamed {
    /// All input files in the order of their paths; [`HomeRows::file`] points into this list.
    pub files: Vec<FileReport>,
    /// Rejected rows of homes that the register lists.
    pub rejected_by_home: BTreeMap<String, Account>,
    /// Homes that the register does not list, with their number of rows.
    pub unknown_homes: BTreeMap<String, u64>,
    /// The rejected rows of each file, in the order of `files`.
    pub lost: Vec<FileLost>,
}

/// Rejected rows of one file.
#[derive(Clone, Debug, Default)]
pub struct FileLost {
    /// All of them.
    pub account: Account,
    /// Of homes that the register lists.
    pub by_home: BTreeMap<String, Account>,
    /// Number of rows of homes that it does not list.
    pub unknown_homes: BTreeMap<String, u64>,
}

/// One share in memory.
#[derive(Default)]
struct Loaded {
    homes: Vec<(String, Vec<(u16, Part)>)>,
    lost: Vec<(usize, Lost)>,
    /// Files found damaged while their rows were read.
    damage: Vec<(usize, ContractError)>,
}

impl<'a> Intake<'a> {
    /// Looks at all exports at `source`: a file, or a folder with files in it and in folders below.
    #[must_use]
    pub fn open(
        source: &Path,
        mapping: &'a Mapping,
        cylinders: &'a BTreeMap<String, Cylinder>,
        limits: &Limits,
    ) -> Self {
        match source::list(source) {
            Ok(sources) => {
                // A folder of buckets knows of files that it does not hold.
                let left_out = match buckets::layout(source) {
                    Ok(layout) => layout.map_or_else(Vec::new, |l| l.left_out),
                    // A file of that name in another folder may be anything.
                    Err(_) if !sources.iter().any(|s| buckets::number(&s.name).is_some()) => Vec::new(),
                    Err(e) => vec![LeftOut::of(MANIFEST, e)],
                };
                Self::of_sources(sources, &left_out, &[], None, mapping, cylinders, limits)
            }
            Err(e) => {
                let path = source.display().to_string();
                let no_source = FileReport { path, status: Err(e), account: Account::default() };
                let none = Self::of_sources(Vec::new(), &[], &[], None, mapping, cylinders, limits);
                Self { no_source: Some(no_source), ..none }
            }
        }
    }

    /// Looks at some files of an export; `elsewhere` tells which mapped value columns its other files have. With `only`, the rows of
    /// these homes alone are read, and no row that names none is counted.
    #[must_use]
    pub fn of_files(
        files: &[Input],
        elsewhere: &[bool],
        only: Option<BTreeSet<String>>,
        mapping: &'a Mapping,
        cylinders: &'a BTreeMap<String, Cylinder>,
        limits: &Limits,
    ) -> Self {
        let sources = files.iter().map(|f| f.source.clone()).collect();
        Self::of_sources(sources, &[], elsewhere, only, mapping, cylinders, limits)
    }

    /// Looks at the files of some buckets of an export that was [rewritten](crate::buckets), with `only` as in [`Self::of_files`].
    ///
    /// The files that were left out when it was rewritten are told as files that cannot be read, whichever buckets are wanted.
    ///
    /// # Errors
    /// When the folder cannot be listed.
    pub fn of_buckets(
        source: &Path,
        layout: &Layout,
        wanted: &dyn Fn(usize) -> bool,
        only: Option<BTreeSet<String>>,
        mapping: &'a Mapping,
        cylinders: &'a BTreeMap<String, Cylinder>,
        limits: &Limits,
    ) -> Result<Self, ContractError> {
        let mut sources = source::list(source)?;
        sources.retain(|s| buckets::number(&s.name).is_some_and(wanted));
        let had = |column: &str| layout.columns.iter().any(|c| c == column);
        let elsewhere: Vec<bool> = mapping.readings.wide.iter().map(|w| had(&w.column)).collect();
        Ok(Self::of_sources(sources, &layout.left_out, &elsewhere, only, mapping, cylinders, limits))
    }

    fn of_sources(
        mut sources: Vec<Source>,
        left_out: &[LeftOut],
        elsewhere: &[bool],
        only: Option<BTreeSet<String>>,
        mapping: &'a Mapping,
        cylinders: &'a BTreeMap<String, Cylinder>,
        limits: &Limits,
    ) -> Self {
        let readings = &mapping.readings;
        if !left_out.is_empty() {
            sources.extend(left_out.iter().map(|l| Source::absent(&l.file)));
            sources.sort_by(|a, b| a.name.cmp(&b.name));
        }
        let survey = |source: &Source| match left_out.iter().find(|l| l.file == source.name) {
            Some(left_out) => Survey::damaged(left_out.problem()),
            None => Survey::of(source, readings),
        };
        let mut surveys: Vec<Survey> = sources.par_iter().map(survey).collect();
        let here = had(&surveys, readings.wide.len());
        let has = here.iter().enumerate().filter(|(i, here)| **here || elsewhere.get(*i) == Some(&true));
        let columns = has.count();
        let values_per_row = if readings.shape == Shape::Wide { columns as u64 } else { 1 };
        let problems = sources.iter().zip(&surveys).enumerate();
        let problems = problems.map(|(i, (source, survey))| match &survey.columns {
            Err(problems) => Some(joined(source, problems.clone())),
            Ok(_) => u16::try_from(i).err().map(|_| too_many_files(source)),
        });
        let problems: Vec<Option<ContractError>> = problems.collect();
        let homes: Vec<&str> = cylinders.keys().map(String::as_str).collect();
        let threads = rayon::current_num_threads() as u64;
        let share_bytes = limits.memory_bytes / (SHARES_A_THREAD * threads);
        // Of rows of homes that are not read next to nothing comes into memory.
        let read = only.as_ref().map_or(homes.len(), BTreeSet::len).max(1) as u64;
        let share_bytes = share_bytes.saturating_mul((homes.len() as u64 / read).max(1));
        let mut plan = shares::plan(&surveys, &homes, values_per_row, share_bytes);
        if plan.shares.len() > 1 {
            sources.par_iter().zip(&mut surveys).for_each(|(source, s)| runs::cut(source, s, readings));
            plan = shares::plan(&surveys, &homes, values_per_row, share_bytes);
        }
        Self {
            mapping,
            cylinders,
            sources,
            surveys,
            problems,
            no_source: None,
            values_per_row,
            columns,
            plan,
            aside: limits.aside.clone(),
            spill: None,
            only,
        }
    }

    /// Which mapped value columns each of the files has; none where something is wrong with them.
    #[must_use]
    pub fn columns_by_file(&self) -> Vec<Vec<bool>> {
        self.surveys.iter().map(|s| s.columns.clone().unwrap_or_default()).collect()
    }

    /// Values that a rejected row is counted with.
    #[must_use]
    pub fn values_per_row(&self) -> u64 {
        self.values_per_row
    }

    /// Number of input files.
    #[must_use]
    pub fn files(&self) -> usize {
        self.sources.len() + usize::from(self.no_source.is_some())
    }

    /// In how many shares the fleet is read, and whether its rows are written aside first.
    #[must_use]
    pub fn shares(&self) -> (usize, bool) {
        (self.plan.shares.len(), self.plan.aside)
    }

    /// Reads every home of the register that has rows: `reduce` gets its rows, on any thread, and `take` what that made of
    /// them, in the order of the homes' names. `progress` is told the rows of each batch as it is decoded, from any thread.
    ///
    /// `None` when a file was found to be damaged after homes had been given: that file is then left out whole, and
    /// what was made of the homes so far must be thrown away and the call made again.
    ///
    /// # Errors
    /// When rows cannot be written aside, or read back, and what `take` gives.
    pub fn each_home<T: Send>(
        &mut self,
        progress: &(dyn Fn(u64) + Sync),
        reduce: &(dyn Fn(&str, HomeRows) -> T + Sync),
        take: &mut (dyn FnMut(String, T) -> Result<(), ContractError> + Send),
    ) -> Result<Option<Streamed>, ContractError> {
        self.is_sound()?;
        if self.plan.aside && self.spill.is_none() {
            self.write_aside(progress)?;
            self.is_sound()?;
        }
        // Rows that were written aside have been told already.
        let progress: &(dyn Fn(u64) + Sync) = if self.plan.aside { &|_| {} } else { progress };
        let alone = self.plan.shares.len() == 1;
        let mut all = Totals::default();
        if alone {
            let loaded = self.load(0, self.only.as_ref(), progress)?;
            all.add(&loaded);
            self.note_damage(std::mem::take(&mut all.damage));
            let made: Vec<(String, T)> =
                loaded.homes.into_par_iter().map(|(home, parts)| self.made(home, parts, reduce)).collect();
            made.into_iter().try_for_each(|(home, made)| take(home, made))?;
        } else {
            self.shares_in_turn(progress, reduce, take, &mut all)?;
            if !all.damage.is_empty() {
                self.note_damage(all.damage);
                return Ok(None);
            }
        }
        Ok(Some(self.report(all.lost)))
    }

    /// Reads the rows of some homes alone; homes without rows are left out.
    ///
    /// # Errors
    /// When rows written aside cannot be read back.
    pub fn homes(&self, only: &BTreeSet<String>) -> Result<BTreeMap<String, HomeRows>, ContractError> {
        self.homes_and_damage(only).map(|(homes, _)| homes)
    }

    /// As [`Self::homes`], with what is wrong with the source and its files: rows of these homes may lie there.
    ///
    /// # Errors
    /// As [`Self::homes`].
    pub fn homes_and_damage(
        &self,
        only: &BTreeSet<String>,
    ) -> Result<(BTreeMap<String, HomeRows>, Vec<ContractError>), ContractError> {
        let no_source = self.no_source.iter().filter_map(|f| f.status.clone().err());
        let mut damage: Vec<ContractError> =
            self.problems.iter().flatten().cloned().chain(no_source).collect();
        let shares: BTreeSet<usize> = only.iter().map(|home| self.plan.shares.of(home)).collect();
        let mut out = BTreeMap::new();
        for share in shares {
            let loaded = self.load(share, Some(only), &|_| {})?;
            for (home, parts) in loaded.homes {
                out.insert(home, merge::merge(self.mapping.readings.shape, parts, self.columns));
            }
            for (_, problem) in loaded.damage {
                if !damage.contains(&problem) {
                    damage.push(problem);
                }
            }
        }
        Ok((out, damage))
    }

    /// Reads shares on all threads and gives them out in their order.
    fn shares_in_turn<T: Send>(
        &self,
        progress: &(dyn Fn(u64) + Sync),
        reduce: &(dyn Fn(&str, HomeRows) -> T + Sync),
        take: &mut (dyn FnMut(String, T) -> Result<(), ContractError> + Send),
        all: &mut Totals,
    ) -> Result<(), ContractError> {
        let make = |share: usize| {
            let mut loaded = self.load(share, self.only.as_ref(), progress)?;
            let homes = std::mem::take(&mut loaded.homes).into_iter();
            let made: Vec<(String, T)> = homes.map(|(home, parts)| self.made(home, parts, reduce)).collect();
            Ok((loaded, made))
        };
        in_turn(self.plan.shares.len(), &make, &mut |(loaded, made)| {
            all.add(&loaded);
            // Once a file is known to be damaged all is done again without it; the rest is read only to find others.
            if all.damage.is_empty() {
                made.into_iter().try_for_each(|(home, made)| take(home, made))?;
            }
            Ok(())
        })
    }

    /// Refuses to go on after a storage failed: that a file of it could not be read is no damage of the file.
    fn is_sound(&self) -> Result<(), ContractError> {
        self.sources.iter().try_for_each(Source::is_sound)
    }

    fn made<T>(
        &self,
        home: String,
        parts: Vec<(u16, Part)>,
        reduce: &(dyn Fn(&str, HomeRows) -> T + Sync),
    ) -> (String, T) {
        let rows = merge::merge(self.mapping.readings.shape, parts, self.columns);
        let made = reduce(&home, rows);
        (home, made)
    }

    /// Writes the rows of every file aside by share; a damaged file is left out.
    fn write_aside(&mut self, progress: &(dyn Fn(u64) + Sync)) -> Result<(), ContractError> {
        let spill = Spill::begin(&self.aside, self.plan.shares.len())?;
        let readings = &self.mapping.readings;
        let next = AtomicUsize::new(0);
        let damage: Mutex<Vec<(usize, ContractError)>> = Mutex::default();
        let refused: Mutex<Option<ContractError>> = Mutex::default();
        let work = || {
            loop {
                let i = next.fetch_add(1, Ordering::Relaxed);
                let (Some(source), Ok(number)) = (self.sources.get(i), u16::try_from(i)) else { return };
                if self.problems[i].is_some() {
                    continue;
                }
                let mut router =
                    Router::new(&spill, &self.plan.shares, number, &readings.home, self.only.as_ref());
                let mut disk: Option<ContractError> = None;
                let mut add = |batch: &arrow::array::RecordBatch| {
                    progress(batch.num_rows() as u64);
                    router.batch(batch).inspect_err(|e| disk = Some(e.clone()))
                };
                let read =
                    file::each_batch(source, Some(&self.surveys[i]), readings, None, &mut |_, batch| {
                        add(batch)
                    });
                let ended = read.and_then(|()| router.flush().inspect_err(|e| disk = Some(e.clone())));
                if let Some(e) = disk {
                    *refused.lock().unwrap_or_else(PoisonError::into_inner) = Some(e);
                    return;
                }
                if let Err(e) = ended {
                    damage.lock().unwrap_or_else(PoisonError::into_inner).push((i, e));
                }
            }
        };
        std::thread::scope(|scope| {
            for _ in 0..rayon::current_num_threads() {
                scope.spawn(work);
            }
        });
        if let Some(e) = refused.into_inner().unwrap_or_else(PoisonError::into_inner) {
            return Err(e);
        }
        self.spill = Some(spill);
        self.note_damage(damage.into_inner().unwrap_or_else(PoisonError::into_inner));
        Ok(())
    }

    /// Reads one share from its files, or from where they were written aside.
    fn load(
        &self,
        share: usize,
        only: Option<&BTreeSet<String>>,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Loaded, ContractError> {
        let one = |i: usize| self.load_file(i, share, only, progress);
        let files = 0..self.sources.len();
        let read: Vec<FileShare> = if self.plan.shares.len() == 1 {
            files.into_par_iter().map(one).collect()
        } else {
            files.map(one).collect()
        };
        let mut loaded = Loaded::default();
        let mut parts: BTreeMap<String, Vec<(u16, Part)>> = BTreeMap::new();
        for (i, rows) in read.into_iter().enumerate() {
            match rows {
                FileShare::Nothing => {}
                FileShare::Refused(e) => return Err(e),
                FileShare::Damaged(e) => loaded.damage.push((i, e)),
                FileShare::Rows(rows) => {
                    let number = u16::try_from(i).unwrap_or(u16::MAX);
                    for (home, part) in rows.homes {
                        parts.entry(home).or_default().push((number, part));
                    }
                    loaded.lost.push((i, rows.lost));
                }
            }
        }
        self.is_sound()?;
        loaded.homes = parts.into_iter().collect();
        Ok(loaded)
    }

    fn load_file(
        &self,
        i: usize,
        share: usize,
        only: Option<&BTreeSet<String>>,
        progress: &(dyn Fn(u64) + Sync),
    ) -> FileShare {
        let (source, survey, readings) = (&self.sources[i], &self.surveys[i], &self.mapping.readings);
        let shares = &self.plan.shares;
        if self.problems[i].is_some() {
            return FileShare::Nothing;
        }
        let mut rows = Collector::new(readings, self.cylinders, self.values_per_row);
        let odd = |e| damaged(source, "", &e);
        if self.plan.aside {
            let (Some(spill), Ok(number)) = (&self.spill, u16::try_from(i)) else {
                return FileShare::Nothing;
            };
            let filter = Filter { shares, share, nobody: share == 0 && only.is_none(), promised: None, only };
            let mut damage = None;
            let read = spill.each_batch(share, number, &mut |batch| {
                let taken = file::guarded(source, || rows.batch(batch, filter).map_err(odd));
                taken.inspect_err(|e| damage = Some(e.clone()))
            });
            return match (read, damage) {
                (Ok(()), _) => FileShare::Rows(Box::new(rows.finish())),
                (Err(_), Some(e)) => FileShare::Damaged(e),
                (Err(e), None) => FileShare::Refused(e),
            };
        }
        let wanted = wanted(survey, shares, share);
        if wanted.pieces.is_empty() && !survey.pieces.is_empty() {
            return FileShare::Nothing;
        }
        let read =
            file::each_batch(source, Some(survey), readings, Some(&wanted.pieces), &mut |piece, batch| {
                progress(batch.num_rows() as u64);
                let nobody = wanted.first.contains(&piece) && only.is_none();
                let promised = survey.pieces[piece].homes.as_ref();
                rows.batch(batch, Filter { shares, share, nobody, promised, only }).map_err(odd)
            });
        match read {
            Ok(()) => FileShare::Rows(Box::new(rows.finish())),
            Err(e) => FileShare::Damaged(e),
        }
    }

    fn note_damage(&mut self, damage: Vec<(usize, ContractError)>) {
        for (i, e) in damage {
            self.problems[i].get_or_insert(e);
        }
    }

    fn report(&self, lost: BTreeMap<usize, Lost>) -> Streamed {
        let mut out = Streamed::default();
        for (i, (source, problem)) in self.sources.iter().zip(&self.problems).enumerate() {
            let mut account = Account::default();
            let mut of_file = FileLost::default();
            if let (None, Some(lost)) = (problem, lost.get(&i)) {
                account = lost.account.clone();
                of_file = FileLost {
                    account: lost.account.clone(),
                    by_home: lost.by_home.clone(),
                    unknown_homes: lost.unknown_homes.clone(),
                };
                for (home, of_home) in &lost.by_home {
                    out.rejected_by_home.entry(home.clone()).or_default().add(of_home);
                }
                for (home, rows) in &lost.unknown_homes {
                    strangers::count(&mut out.unknown_homes, home, *rows);
                }
            }
            let status = problem.clone().map_or(Ok(()), Err);
            out.files.push(FileReport { path: source.name.clone(), status, account });
            out.lost.push(of_file);
        }
        out.files.extend(self.no_source.clone());
        out
    }
}

/// Which of so many mapped columns at least one file has.
fn had(surveys: &[Survey], columns: usize) -> Vec<bool> {
    let has = |i: usize| surveys.iter().any(|s| s.columns.as_ref().is_ok_and(|c| c[i]));
    (0..columns).map(has).collect()
}

/// What one share finds in one file.
enum FileShare {
    Nothing,
    Rows(Box<FileRows>),
    Damaged(ContractError),
    Refused(ContractError),
}

/// Rejected rows by file, and files found damaged.
#[derive(Default)]
struct Totals {
    lost: BTreeMap<usize, Lost>,
    damage: Vec<(usize, ContractError)>,
}

impl Totals {
    fn add(&mut self, loaded: &Loaded) {
        for (i, lost) in &loaded.lost {
            self.lost.entry(*i).or_default().add(lost);
        }
        self.damage.extend(loaded.damage.iter().cloned());
    }
}

fn too_many_files(source: &Source) -> ContractError {
    ContractError::new(source.name.clone(), "one run reads at most 65,536 files")
        .with_hint("join the files, or run on a part of the folder")
}

/// The problems of one file as one.
pub(crate) fn joined(source: &Source, mut problems: Vec<ContractError>) -> ContractError {
    if problems.len() == 1
        && let Some(only) = problems.pop()
    {
        return only;
    }
    let prefix = format!("{}, ", source.name);
    let message: Vec<String> = problems
        .iter()
        .map(|p| format!("{}: {}", p.subject.strip_prefix(&prefix).unwrap_or(&p.subject), p.message))
        .collect();
    let mut error = ContractError::new(source.name.clone(), message.join("; "));
    error.hint = problems.into_iter().find_map(|p| p.hint);
    error
}
