//! The daybook on disk: written home by home while the rows are read, read back some homes at a time.

use std::collections::BTreeMap;
use std::path::Path;

use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::{ContractError, Cylinder, Table};
use drawoff_daybook::Notes;
use drawoff_homes::habits::learnt_from;
use drawoff_store::RunFolder;
use drawoff_store::output::{TableGroups, TableStream};

use crate::stages::{Daybooks, HomeDaybook, Piece, Which};

/// Days after which a row group ends with the home: some twenty homes of a quarter, so that a piece takes few megabytes.
const GROUP_DAYS: usize = 2_000;
/// The same for its spells and its draw-offs.
const GROUP_ROWS: usize = 60_000;

/// Folder of a daybook that is no part of the run.
const ALL_ASIDE: &str = "daybook";

/// Three tables whose row groups hold the same homes.
struct Writer {
    days: TableStream<DayNote>,
    spells: TableStream<SpellNote>,
    draws: TableStream<DrawNote>,
    full: bool,
    homes: Vec<usize>,
    groups: Vec<Group>,
}

/// Homes whose notes lie together, as indices into the register, and their row group in each table.
#[derive(Clone, Debug, Default)]
struct Group {
    homes: Vec<usize>,
    days: Option<usize>,
    spells: Option<usize>,
    draws: Option<usize>,
}

impl Writer {
    fn new(days: TableStream<DayNote>, spells: TableStream<SpellNote>, draws: TableStream<DrawNote>) -> Self {
        Self { days, spells, draws, full: false, homes: Vec::new(), groups: Vec::new() }
    }

    fn push(&mut self, home: usize, notes: Notes) -> Result<(), ContractError> {
        self.homes.push(home);
        self.full |= self.days.push_to_group(notes.days) >= GROUP_DAYS;
        self.full |= self.spells.push_to_group(notes.spells) >= GROUP_ROWS;
        self.full |= self.draws.push_to_group(notes.draws) >= GROUP_ROWS;
        if self.full { self.end_group() } else { Ok(()) }
    }

    fn end_group(&mut self) -> Result<(), ContractError> {
        self.full = false;
        if !self.homes.is_empty() {
            self.groups.push(Group {
                homes: std::mem::take(&mut self.homes),
                days: self.days.end_group()?,
                spells: self.spells.end_group()?,
                draws: self.draws.end_group()?,
            });
        }
        Ok(())
    }
}

/// Where a daybook is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// As part of the run.
    InRun,
    /// Beside it, for as long as the run lasts.
    Aside,
}

/// The daybook being written.
pub(crate) struct DaybookWriter<'a> {
    place: Place,
    cylinders: Vec<&'a Cylinder>,
    all: Writer,
    /// The homes that the fleet is learnt from once more, so that reading them does not mean reading all; `None` where they are all.
    sample: Option<Writer>,
    sampled: Vec<bool>,
    status: Vec<Result<(), &'static str>>,
}

impl<'a> DaybookWriter<'a> {
    /// Begins the daybook of a register in the folder of a run.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn begin(
        folder: &RunFolder,
        cylinders: &'a BTreeMap<String, Cylinder>,
        place: Place,
    ) -> Result<Self, ContractError> {
        let cylinders: Vec<&Cylinder> = cylinders.values().collect();
        let mut sampled = vec![false; cylinders.len()];
        let sample = learnt_from(cylinders.len());
        sample.iter().for_each(|&i| sampled[i] = true);
        let aside = folder.rows_aside().join("sample");
        let of_sample = if sample.len() == cylinders.len() {
            None
        } else {
            Some(Writer::new(
                RunFolder::begin_aside(&aside)?,
                RunFolder::begin_aside(&aside)?,
                RunFolder::begin_aside(&aside)?,
            ))
        };
        let all = match place {
            Place::InRun => Writer::new(folder.begin_table()?, folder.begin_table()?, folder.begin_table()?),
            Place::Aside => {
                let aside = folder.rows_aside().join(ALL_ASIDE);
                Writer::new(
                    RunFolder::begin_aside(&aside)?,
                    RunFolder::begin_aside(&aside)?,
                    RunFolder::begin_aside(&aside)?,
                )
            }
        };
        Ok(Self { place, all, sample: of_sample, sampled, status: vec![Ok(()); cylinders.len()], cylinders })
    }

    /// Adds the notes of the home at this place of the register; homes come in order.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn push(
        &mut self,
        home: usize,
        notes: Result<Notes, &'static str>,
    ) -> Result<(), ContractError> {
        match notes {
            Err(missing) => self.status[home] = Err(missing),
            Ok(notes) => {
                if let Some(sample) = self.sample.as_mut().filter(|_| self.sampled[home]) {
                    sample.push(home, notes.clone())?;
                }
                self.all.push(home, notes)?;
            }
        }
        Ok(())
    }

    /// Ends the daybook, as part of the run.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn end(mut self, folder: &mut RunFolder) -> Result<DaybookFiles<'a>, ContractError> {
        self.all.end_group()?;
        let mut sample_groups = Vec::new();
        let dir = match self.place {
            Place::InRun => folder.unfinished().to_owned(),
            Place::Aside => folder.rows_aside().join(ALL_ASIDE),
        };
        let mut sample_dir = dir.clone();
        if let Some(mut sample) = self.sample {
            sample.end_group()?;
            sample_dir = folder.rows_aside().join("sample");
            sample_groups = sample.groups;
            sample.days.end_aside()?;
            sample.spells.end_aside()?;
            sample.draws.end_aside()?;
        } else {
            sample_groups.clone_from(&self.all.groups);
        }
        match self.place {
            Place::InRun => {
                folder.end(self.all.days)?;
                folder.end(self.all.spells)?;
                folder.end(self.all.draws)?;
            }
            Place::Aside => {
                self.all.days.end_aside()?;
                self.all.spells.end_aside()?;
                self.all.draws.end_aside()?;
            }
        }
        // Homes of which nothing is noted lie in no file; they are read with the others all the same.
        let mut groups = self.all.groups;
        let silent = (0..self.cylinders.len()).filter(|&i| self.status[i].is_err()).collect::<Vec<_>>();
        add_silent(&mut groups, &silent);
        let sampled: Vec<usize> = silent.into_iter().filter(|&i| self.sampled[i]).collect();
        add_silent(&mut sample_groups, &sampled);
        Ok(DaybookFiles {
            cylinders: self.cylinders,
            status: self.status,
            all: Tables::open(&dir)?,
            groups,
            sample: Tables::open(&sample_dir)?,
            sample_groups,
        })
    }
}

/// Puts homes without notes into the groups of their neighbours, so that homes stay in order.
fn add_silent(groups: &mut Vec<Group>, silent: &[usize]) {
    if groups.is_empty() {
        groups.push(Group::default());
    }
    for &home in silent {
        let after = groups.partition_point(|g| g.homes.first().is_some_and(|&first| first < home));
        let group = &mut groups[after.saturating_sub(1)];
        let at = group.homes.partition_point(|&h| h < home);
        group.homes.insert(at, home);
    }
}

/// A daybook on disk.
pub(crate) struct DaybookFiles<'a> {
    cylinders: Vec<&'a Cylinder>,
    status: Vec<Result<(), &'static str>>,
    all: Tables,
    groups: Vec<Group>,
    sample: Tables,
    sample_groups: Vec<Group>,
}

/// The three tables of a daybook.
struct Tables {
    days: TableGroups,
    spells: TableGroups,
    draws: TableGroups,
}

impl Tables {
    fn open(dir: &Path) -> Result<Self, ContractError> {
        let path = |name: &str| dir.join(format!("{name}.parquet"));
        Ok(Self {
            days: TableGroups::open(&path(DayNote::NAME))?,
            spells: TableGroups::open(&path(SpellNote::NAME))?,
            draws: TableGroups::open(&path(DrawNote::NAME))?,
        })
    }
}

impl<'a> DaybookFiles<'a> {
    /// The daybook of one home; nothing for a home that the register does not list.
    ///
    /// # Errors
    /// When it cannot be read back.
    pub(crate) fn home(&self, home: &str) -> Result<Option<HomeDaybook<'a>>, ContractError> {
        let Ok(index) = self.cylinders.binary_search_by(|c| c.home.as_str().cmp(home)) else {
            return Ok(None);
        };
        let Some(group) = self.groups.iter().find(|g| g.homes.binary_search(&index).is_ok()) else {
            return Ok(None);
        };
        let found = self.read(&self.all, group)?.into_iter().find(|(i, _)| *i == index);
        Ok(found.map(|(_, daybook)| daybook))
    }

    fn read(&self, tables: &Tables, group: &Group) -> Result<Vec<(usize, HomeDaybook<'a>)>, ContractError> {
        let mut days = rows_of::<DayNote>(&tables.days, group.days, |d| &d.home)?;
        let mut spells = rows_of::<SpellNote>(&tables.spells, group.spells, |s| &s.home)?;
        let mut draws = rows_of::<DrawNote>(&tables.draws, group.draws, |d| &d.home)?;
        let daybook = |&home: &usize| {
            let cylinder = self.cylinders[home];
            let notes = self.status[home].map(|()| Notes {
                days: days.remove(&cylinder.home).unwrap_or_default(),
                spells: spells.remove(&cylinder.home).unwrap_or_default(),
                draws: draws.remove(&cylinder.home).unwrap_or_default(),
                ..Notes::default()
            });
            (home, HomeDaybook { cylinder, notes })
        };
        Ok(group.homes.iter().map(daybook).collect())
    }
}

/// Rows of one row group by home.
fn rows_of<T: Table>(
    table: &TableGroups,
    group: Option<usize>,
    home: impl Fn(&T) -> &str,
) -> Result<BTreeMap<String, Vec<T>>, ContractError> {
    let mut out: BTreeMap<String, Vec<T>> = BTreeMap::new();
    let Some(group) = group else { return Ok(out) };
    let mut own: Vec<T> = Vec::new();
    for row in table.rows::<T>(group)? {
        if own.first().is_some_and(|first| home(first) != home(&row)) {
            let done = std::mem::take(&mut own);
            out.insert(home(&done[0]).to_owned(), done);
        }
        own.push(row);
    }
    if let Some(first) = own.first() {
        out.insert(home(first).to_owned(), own);
    }
    Ok(out)
}

impl Daybooks for DaybookFiles<'_> {
    fn cylinder(&self, home: usize) -> &Cylinder {
        self.cylinders[home]
    }

    fn pieces(&self, which: Which) -> usize {
        match which {
            Which::All => self.groups.len(),
            Which::Sample => self.sample_groups.len(),
        }
    }

    fn homes_of(&self, which: Which, piece: usize) -> Vec<usize> {
        match which {
            Which::All => self.groups[piece].homes.clone(),
            Which::Sample => self.sample_groups[piece].homes.clone(),
        }
    }

    fn piece(&self, which: Which, piece: usize) -> Result<Piece<'_>, ContractError> {
        let read = match which {
            Which::All => self.read(&self.all, &self.groups[piece]),
            Which::Sample => self.read(&self.sample, &self.sample_groups[piece]),
        }?;
        Ok(read.into_iter().map(|(i, d)| (i, std::borrow::Cow::Owned(d))).collect())
    }
}
