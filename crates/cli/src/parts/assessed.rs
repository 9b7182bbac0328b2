//! Homes assessed by other processes against what was learnt of their fleet.

use std::path::{Path, PathBuf};

use drawoff_contract::habit_tables::GroupRow;
use drawoff_contract::part_tables::{AssessedHome, LearntRow, ReducedHome};
use drawoff_contract::results::HomeRow;
use drawoff_contract::{ContractError, Cylinder, HomeRows, Table};
use drawoff_homes::FleetPriors;
use drawoff_homes::shrink::Measured;
use drawoff_store::fingerprint;
use drawoff_store::output::{TableRows, part_files, read_manifest, read_table};
use drawoff_store::pipe::{packed, unpacked};

use super::{FAILED, OK, Print, home_of};
use crate::run::Site;
use crate::stages::{Daybooks, HomeDaybook, HomeResults, HomeTables, Learnt, Read, Wanted, learn, reduce};

/// Everything that the service list needs of a home.
pub(crate) const WANTED: Wanted = Wanted { faults: true, habits: true };
/// Homes of a part in memory.
const HOMES_AT_ONCE: usize = 8;

/// What a fleet has taught, brought to whoever reads its homes.
pub(crate) struct Lesson {
    pub(crate) priors: FleetPriors,
    pub(crate) learnt: Learnt,
    /// What goes with every home that is read against it.
    pub(crate) print: String,
}

/// The hash of what a fleet has taught, from its folder.
pub(crate) fn print_of_lesson(folder: &Path, seed: u64) -> Result<String, ContractError> {
    let manifest = read_manifest(folder)?.filter(|m| m.get("learnt").is_some());
    let manifest = manifest.ok_or_else(|| {
        ContractError::new(folder.display().to_string(), "holds nothing that `drawoff learn` wrote")
            .with_hint("give its folder with --learnt")
    })?;
    // The manifest has the hash of every file.
    Ok(fingerprint(&format!("{manifest} {seed}")))
}

/// The hash of a home's settings and of what its fleet has taught.
pub(crate) fn print_of(print: &Print, cylinder: &Cylinder, lesson: &str) -> String {
    let mut own = fingerprint(&format!("{} {lesson}", print.of(Some(cylinder))));
    own.truncate(super::PRINT_LETTERS);
    own
}

impl Lesson {
    /// Learns from the homes in a folder that `drawoff learn` wrote.
    ///
    /// # Errors
    /// When it cannot be read, or is of another version or register.
    pub(crate) fn read(folder: &Path, site: &Site) -> Result<Self, ContractError> {
        let path = |name: &str| folder.join(format!("{name}.parquet"));
        let print = print_of_lesson(folder, site.seed)?;
        let rows: Vec<LearntRow> = read_table(&path(LearntRow::NAME))?;
        let broken = || ContractError::new(folder.display().to_string(), "is of another version or register");
        let priors = FleetPriors::from_rows(&rows).ok_or_else(broken)?;
        let mut daybooks = Vec::new();
        for row in read_table::<ReducedHome>(&path(ReducedHome::NAME))? {
            let cylinder = site.cylinders.get(&row.home).ok_or_else(broken)?;
            let notes = home_of(&row, cylinder, site.water, &[], 0)?.notes;
            daybooks.push(HomeDaybook { cylinder, notes });
        }
        let (_, learnt) = learn(&daybooks.as_slice(), &priors, site.settings(), WANTED)?;
        Ok(Self { priors, learnt, print })
    }
}

/// The row of a home.
///
/// # Errors
/// As [`packed`].
pub(crate) fn row_of_results(results: HomeResults, print: String) -> Result<AssessedHome, ContractError> {
    let HomeTables { row, measured, findings, days, draw_offs, cooling, habits } = results.into_tables();
    let bits = |v: f64| v.to_bits().cast_signed();
    let measured = measured.map(|m| vec![bits(m.log_ratio), bits(m.variance), bits(m.reference_variance)]);
    Ok(AssessedHome {
        home: row.home.clone(),
        status: OK.to_owned(),
        detail: String::new(),
        print,
        measured: measured.unwrap_or_default(),
        group: habits.group,
        mean_day_bits: bits(habits.mean_day_kwh),
        homes: packed(vec![row])?,
        findings: packed(findings)?,
        days: packed(days)?,
        draw_offs: packed(draw_offs)?,
        cooling: packed(cooling)?,
        vacancy: packed(habits.vacancy)?,
        rates: packed(habits.rates)?,
        demand: packed(habits.demand)?,
        changes: packed(habits.changes)?,
        hour_changes: packed(habits.hour_changes)?,
    })
}

/// The row of a home whose assessment failed.
pub(crate) fn row_of_failed(home: &str, detail: String, print: String) -> AssessedHome {
    AssessedHome {
        home: home.to_owned(),
        status: FAILED.to_owned(),
        detail,
        print,
        measured: Vec::new(),
        group: None,
        mean_day_bits: 0,
        homes: Vec::new(),
        findings: Vec::new(),
        days: Vec::new(),
        draw_offs: Vec::new(),
        cooling: Vec::new(),
        vacancy: Vec::new(),
        rates: Vec::new(),
        demand: Vec::new(),
        changes: Vec::new(),
        hour_changes: Vec::new(),
    }
}

/// The same home again, from its row.
///
/// # Errors
/// When the row is not one that this version writes.
pub(crate) fn tables_of(row: &AssessedHome) -> Result<HomeTables, ContractError> {
    let number = |bits: i64| f64::from_bits(bits.cast_unsigned());
    let broken = || ContractError::new(format!("home {}", row.home), "its assessed row is broken");
    let measured = match row.measured[..] {
        [] => None,
        [ratio, variance, reference] => Some(Measured {
            log_ratio: number(ratio),
            variance: number(variance),
            reference_variance: number(reference),
        }),
        _ => return Err(broken()),
    };
    let habits = drawoff_homes::habits::HomeHabits {
        vacancy: unpacked(&row.vacancy)?,
        rates: unpacked(&row.rates)?,
        demand: unpacked(&row.demand)?,
        changes: unpacked(&row.changes)?,
        hour_changes: unpacked(&row.hour_changes)?,
        group: row.group,
        mean_day_kwh: number(row.mean_day_bits),
    };
    Ok(HomeTables {
        row: unpacked::<HomeRow>(&row.homes)?.pop().ok_or_else(broken)?,
        measured,
        findings: unpacked(&row.findings)?,
        days: unpacked(&row.days)?,
        draw_offs: unpacked(&row.draw_offs)?,
        cooling: unpacked(&row.cooling)?,
        habits,
    })
}

/// Assessed homes of an engine's parts, in the order of the homes.
pub(crate) struct AssessedParts {
    parts: Vec<TableRows<AssessedHome>>,
    /// What the fleet had taught those who assessed them.
    lesson: Vec<LearntRow>,
    pub(crate) print: String,
}

impl AssessedParts {
    /// Opens the parts in some folders.
    ///
    /// # Errors
    /// When one is unfinished or unreadable.
    pub(crate) fn open(folders: &[PathBuf], lesson: &Path, seed: u64) -> Result<Self, ContractError> {
        let mut parts = Vec::new();
        for folder in folders {
            for path in part_files(folder)? {
                parts.push(TableRows::open_wide(&path, HOMES_AT_ONCE)?);
            }
        }
        let print = print_of_lesson(lesson, seed)?;
        let lesson = read_table(&lesson.join(format!("{}.parquet", LearntRow::NAME)))?;
        Ok(Self { parts, lesson, print })
    }

    /// Gives the tables of every home of a fleet to `take`, in order; `has_rows` says of which homes of the register rows were reduced.
    /// Homes without are read here. Failed ones are told.
    ///
    /// # Errors
    /// When a home is missing, there twice or not of this fleet, and what `take` gives.
    pub(crate) fn each_home(
        mut self,
        (daybooks, priors): (&dyn Daybooks, &FleetPriors),
        settings: drawoff_homes::Settings,
        print: &Print,
        has_rows: &[bool],
        take: &mut dyn FnMut(HomeTables) -> Result<(), ContractError>,
    ) -> Result<(Vec<GroupRow>, Vec<ContractError>), ContractError> {
        if self.lesson != priors.to_rows() {
            return Err(ContractError::new("--learnt", "was learnt from another fleet than these parts")
                .with_hint("learn from all parts, then assess them, then merge them"));
        }
        let (_, learnt) = learn(daybooks, priors, settings, WANTED)?;
        let (mut groups, mut failed) = (Vec::new(), Vec::new());
        for (home, &has_rows) in has_rows.iter().enumerate() {
            let cylinder = daybooks.cylinder(home);
            let row = self.take(&cylinder.home, &print_of(print, cylinder, &self.print))?;
            let tables = match row {
                None if has_rows => {
                    return Err(ContractError::new(
                        format!("home {}", cylinder.home),
                        "was reduced, not assessed",
                    )
                    .with_hint("give the assessed parts of all homes"));
                }
                Some(row) if row.status == OK => tables_of(&row)?,
                row => {
                    let problem = |r: AssessedHome| ContractError::new(format!("home {}", r.home), r.detail);
                    failed.extend(row.map(problem));
                    let notes = reduce(cylinder, &HomeRows::default(), 0, settings.water);
                    let read = Read::of(&HomeDaybook { cylinder, notes }, priors, settings, WANTED);
                    learnt.finish::<()>(read, cylinder).into_tables()
                }
            };
            groups.push((tables.habits.group, tables.habits.mean_day_kwh));
            take(tables)?;
        }
        for part in &mut self.parts {
            if let Some(row) = part.peek()? {
                let message = "is not in the register, or its part is not in order";
                return Err(ContractError::new(format!("home {}", row.home), message));
            }
        }
        Ok((learnt.group_rows(&groups), failed))
    }

    /// The row of a home, if it has one; homes are asked for in order.
    ///
    /// # Errors
    /// When a part is not in the order of the homes, or the home is not one of this run's.
    fn take(&mut self, home: &str, print: &str) -> Result<Option<AssessedHome>, ContractError> {
        let wrong = |home: &str, message: &str| {
            ContractError::new(format!("home {home}"), message)
                .with_hint("assess all homes again, against what `drawoff learn` wrote of these parts")
        };
        let mut found = None;
        for part in &mut self.parts {
            let Some(next) = part.peek()? else { continue };
            if next.home.as_str() < home {
                return Err(wrong(
                    &next.home,
                    "its part is not in the order of the homes, or it is there twice",
                ));
            }
            if next.home != home {
                continue;
            }
            if next.print != print {
                return Err(wrong(home, "was assessed with other settings, or against another fleet"));
            }
            if found.is_some() {
                return Err(wrong(home, "is in two parts"));
            }
            found = part.take()?;
        }
        Ok(found)
    }
}
