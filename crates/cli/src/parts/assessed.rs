//! Homes assessed by other processes against what was learnt of their fleet.

use std::path::Path;

use drawoff_contract::habit_tables::GroupRow;
use drawoff_contract::part_tables::{AssessedHome, LearntRow, ReducedHome};
use drawoff_contract::results::HomeRow;
use drawoff_contract::{ContractError, Cylinder, Day, HomeRows, Table};
use drawoff_homes::FleetPriors;
use drawoff_homes::shrink::Measured;
use drawoff_store::fingerprint;
use drawoff_store::output::{read_manifest, read_table};
use drawoff_store::pipe::{packed, unpacked};

use super::worked::{Fleet, Worked, WorkedParts, own_print};
use super::{FAILED, OK, Print, home_of};
use crate::run::Site;
use crate::stages::{Daybooks, HomeDaybook, HomeResults, HomeTables, Learnt, Read, Wanted, learn, reduce};

/// Everything that the service list needs of a home.
pub(crate) const WANTED: Wanted = Wanted { faults: true, habits: true };

/// What a fleet has taught, brought to whoever reads its homes.
pub(crate) struct Lesson {
    pub(crate) priors: FleetPriors,
    /// What goes with every home that is read against it.
    pub(crate) print: String,
    /// Last local day on which the fleet has readings.
    pub(crate) last_day: Option<Day>,
}

/// Key of the last day in the manifest of what a fleet has taught.
pub(crate) const LAST_DAY: &str = "last_day";

/// The manifest of what a fleet has taught.
fn manifest_of(folder: &Path) -> Result<serde_json::Value, ContractError> {
    read_manifest(folder)?.filter(|m| m.get("learnt").is_some()).ok_or_else(|| {
        ContractError::new(folder.display().to_string(), "holds nothing that `drawoff learn` wrote")
            .with_hint("give its folder with --learnt")
    })
}

/// The hash of what a fleet has taught, from its folder.
pub(crate) fn print_of_lesson(folder: &Path, seed: u64) -> Result<String, ContractError> {
    // The manifest has the hash of every file.
    Ok(fingerprint(&format!("{} {seed}", manifest_of(folder)?)))
}

impl Lesson {
    /// Reads what all homes of a fleet say together, from a folder that `drawoff learn` wrote.
    ///
    /// # Errors
    /// When it cannot be read, or is of another version.
    pub(crate) fn read(folder: &Path, seed: u64) -> Result<Self, ContractError> {
        let rows: Vec<LearntRow> = read_table(&path_in::<LearntRow>(folder))?;
        let priors = FleetPriors::from_rows(&rows).ok_or_else(|| broken(folder))?;
        let last_day = manifest_of(folder)?.get(LAST_DAY).and_then(serde_json::Value::as_i64);
        let last_day = last_day.and_then(|d| i32::try_from(d).ok()).map(Day);
        Ok(Self { priors, print: print_of_lesson(folder, seed)?, last_day })
    }

    /// Learns from the few homes whose daybooks lie in the folder.
    ///
    /// # Errors
    /// When they cannot be read, or are of another register.
    pub(crate) fn learn(&self, folder: &Path, site: &Site, wanted: Wanted) -> Result<Learnt, ContractError> {
        let mut daybooks = Vec::new();
        for row in read_table::<ReducedHome>(&path_in::<ReducedHome>(folder))? {
            let cylinder = site.cylinders.get(&row.home).ok_or_else(|| broken(folder))?;
            let notes = home_of(&row, cylinder, site.water, &[], 0)?.notes;
            daybooks.push(HomeDaybook { cylinder, notes });
        }
        let (_, learnt) = learn(&daybooks.as_slice(), &self.priors, site.settings(), wanted)?;
        Ok(learnt)
    }
}

fn path_in<T: Table>(folder: &Path) -> std::path::PathBuf {
    folder.join(format!("{}.parquet", T::NAME))
}

fn broken(folder: &Path) -> ContractError {
    ContractError::new(folder.display().to_string(), "is of another version or register")
}

impl Worked for AssessedHome {
    fn home(&self) -> &str {
        &self.home
    }

    fn status(&self) -> (&str, &str) {
        (&self.status, &self.detail)
    }

    fn print(&self) -> &str {
        &self.print
    }

    fn failed(home: &str, detail: String, print: String) -> Self {
        Self {
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

/// Gives the tables of every home of a fleet to `take`, in order; homes without rows are read here. Failed ones are told.
///
/// # Errors
/// As [`WorkedParts::each_home`].
pub(crate) fn each_assessed(
    parts: WorkedParts<AssessedHome>,
    (daybooks, priors): (&dyn Daybooks, &FleetPriors),
    settings: drawoff_homes::Settings,
    print: &Print,
    has_rows: &[bool],
    take: &mut dyn FnMut(HomeTables) -> Result<(), ContractError>,
) -> Result<(Vec<GroupRow>, Vec<ContractError>), ContractError> {
    let (_, learnt) = learn(daybooks, priors, settings, WANTED)?;
    let lesson = parts.print.clone();
    let mut groups = Vec::new();
    let cylinders: Vec<&Cylinder> = (0..has_rows.len()).map(|home| daybooks.cylinder(home)).collect();
    let without_rows = |cylinder: &Cylinder| {
        let notes = reduce(cylinder, &HomeRows::default(), 0, settings.water);
        let read = Read::of(&HomeDaybook { cylinder, notes }, priors, settings, WANTED);
        learnt.finish::<()>(read, cylinder).into_tables()
    };
    let failed = parts.each_home(
        &Fleet { cylinders: &cylinders, has_rows, priors },
        &|cylinder| own_print(print, cylinder, &lesson),
        &tables_of,
        &without_rows,
        &mut |tables: HomeTables| {
            groups.push((tables.habits.group, tables.habits.mean_day_kwh));
            take(tables)
        },
    )?;
    Ok((learnt.group_rows(&groups), failed))
}
