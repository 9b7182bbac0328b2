//! Homes that other processes have worked out from their daybooks, whatever the job, laid side by side in the order of the homes.

use std::path::{Path, PathBuf};

use drawoff_contract::part_tables::LearntRow;
use drawoff_contract::{ContractError, Cylinder, Table};
use drawoff_homes::FleetPriors;
use drawoff_store::fingerprint;
use drawoff_store::output::{TableRows, part_files, read_table};

use super::assessed::print_of_lesson;
use super::{OK, PRINT_LETTERS, Print};

/// Homes of a part in memory.
const HOMES_AT_ONCE: usize = 8;

/// A row that a worker makes of one home.
pub(crate) trait Worked: Table {
    /// The export's own identifier.
    fn home(&self) -> &str;
    /// What became of it, and how it failed.
    fn status(&self) -> (&str, &str);
    /// Hash of all that the row depends on.
    fn print(&self) -> &str;
    /// The row of a home that could not be worked out.
    fn failed(home: &str, detail: String, print: String) -> Self;
}

/// The hash of a home's settings and of what it was worked out against.
pub(crate) fn own_print(print: &Print, cylinder: &Cylinder, against: &str) -> String {
    let mut own = fingerprint(&format!("{} {against}", print.of(Some(cylinder))));
    own.truncate(PRINT_LETTERS);
    own
}

/// The homes that parts are brought together for.
pub(crate) struct Fleet<'a> {
    /// In the order of the register.
    pub(crate) cylinders: &'a [&'a Cylinder],
    /// Of which of them rows were reduced.
    pub(crate) has_rows: &'a [bool],
    pub(crate) priors: &'a FleetPriors,
}

/// Worked homes of an engine's parts.
pub(crate) struct WorkedParts<T> {
    parts: Vec<TableRows<T>>,
    /// What the fleet had taught those who worked them out.
    lesson: Vec<LearntRow>,
    /// Its hash.
    pub(crate) print: String,
}

/// Homes that other processes have worked out, with what is to be held against them.
pub(crate) struct Elsewhere<T> {
    pub(crate) parts: WorkedParts<T>,
    pub(crate) print: Print,
    /// Of which homes of the register rows were reduced.
    pub(crate) has_rows: Vec<bool>,
}

impl<T: Worked> WorkedParts<T> {
    /// Opens the parts in some folders.
    ///
    /// # Errors
    /// When one is unfinished, unreadable or of another job.
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

    /// Gives what was worked out of every home of a fleet to `take`, in order: `of_row` reads a row again, `without_rows` works out a home of
    /// which none was usable, or which failed. Failed ones are told. `print` is the hash that the row of a home must have.
    ///
    /// # Errors
    /// When a home is missing, there twice or not of this fleet, and what `of_row` and `take` give.
    pub(crate) fn each_home<R>(
        mut self,
        fleet: &Fleet<'_>,
        print: &dyn Fn(&Cylinder) -> String,
        of_row: &dyn Fn(&T) -> Result<R, ContractError>,
        without_rows: &dyn Fn(&Cylinder) -> R,
        take: &mut dyn FnMut(R) -> Result<(), ContractError>,
    ) -> Result<Vec<ContractError>, ContractError> {
        if self.lesson != fleet.priors.to_rows() {
            return Err(ContractError::new("--learnt", "was learnt from another fleet than these parts")
                .with_hint("learn from all parts, then assess them, then merge them"));
        }
        let mut failed = Vec::new();
        for (cylinder, &has_rows) in fleet.cylinders.iter().zip(fleet.has_rows) {
            let row = self.take(&cylinder.home, &print(cylinder))?;
            take(match row {
                None if has_rows => {
                    return Err(ContractError::new(
                        format!("home {}", cylinder.home),
                        "was reduced, not assessed",
                    )
                    .with_hint("give the assessed parts of all homes"));
                }
                Some(row) if row.status().0 == OK => of_row(&row)?,
                row => {
                    let problem = |r: T| ContractError::new(format!("home {}", r.home()), r.status().1);
                    failed.extend(row.map(problem));
                    without_rows(cylinder)
                }
            })?;
        }
        for part in &mut self.parts {
            if let Some(row) = part.peek()? {
                let message = "is not in the register, or its part is not in order";
                return Err(ContractError::new(format!("home {}", row.home()), message));
            }
        }
        Ok(failed)
    }

    /// The row of a home, if it has one; homes are asked for in order.
    ///
    /// # Errors
    /// When a part is not in the order of the homes, or the home is not one of this run's.
    fn take(&mut self, home: &str, print: &str) -> Result<Option<T>, ContractError> {
        let wrong = |home: &str, message: &str| {
            ContractError::new(format!("home {home}"), message)
                .with_hint("assess all homes again, against what `drawoff learn` wrote of these parts")
        };
        let mut found = None;
        for part in &mut self.parts {
            let Some(next) = part.peek()? else { continue };
            if next.home() < home {
                return Err(wrong(
                    next.home(),
                    "its part is not in the order of the homes, or it is there twice",
                ));
            }
            if next.home() != home {
                continue;
            }
            if next.print() != print {
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
