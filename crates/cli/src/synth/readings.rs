//! The files that the readings of a made fleet lie in.

mod days;
mod weeks;

use std::path::{Path, PathBuf};

use arrow::array::{Array, AsArray, RecordBatch};
use arrow::datatypes::TimestampMillisecondType;
use drawoff_contract::ContractError;
use drawoff_store::output::export::names_in;
use drawoff_synth::FleetPlan;

use crate::args::Layout;
use crate::exit::{Exit, Failure};
use days::DayFiles;
use weeks::WeekFiles;

const DAY_MS: i64 = 86_400_000;

/// What was written.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Size {
    pub(super) rows: u64,
    pub(super) bytes: u64,
}

/// The readings of a fleet on their way to the disk, a portion of homes at a time.
pub(super) enum ReadingFiles {
    /// A file a week, homes one after the other.
    Weeks(WeekFiles),
    /// A file a day, homes mixed.
    Days(DayFiles),
}

impl ReadingFiles {
    /// Begins the files of a plan; none is there before [`ReadingFiles::finish`].
    ///
    /// # Errors
    /// When the folder holds other readings, which would be read together with these, or the disk refuses.
    pub(super) fn begin(
        folder: &Path,
        plan: &FleetPlan,
        layout: Layout,
        zstd_level: i32,
    ) -> Result<Self, Failure> {
        let names: Vec<String> = match layout {
            Layout::Home => weeks::names(plan),
            Layout::Day => days::names(plan),
        };
        let others: Vec<String> = names_in(folder)?.into_iter().filter(|n| !names.contains(n)).collect();
        if let Some(first) = others.first() {
            let problem = ContractError::new(
                folder.display().to_string(),
                format!("holds other files, such as {first}"),
            );
            let hint = "give a folder without readings, or remove them";
            return Err(Failure::new(Exit::Settings, problem.with_hint(hint)));
        }
        let paths: Vec<PathBuf> = names.iter().map(|name| folder.join(name)).collect();
        Ok(match layout {
            Layout::Home => Self::Weeks(WeekFiles::begin(paths, plan, zstd_level)?),
            Layout::Day => Self::Days(DayFiles::begin(paths, plan, zstd_level)?),
        })
    }

    /// Adds the next homes, each with its rows in the order of their arrival.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(super) fn push(&mut self, homes: &[RecordBatch]) -> Result<(), ContractError> {
        match self {
            Self::Weeks(weeks) => weeks.push(homes),
            Self::Days(days) => days.push(homes),
        }
    }

    /// Ends all files and moves them into place.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(super) fn finish(self) -> Result<Size, ContractError> {
        match self {
            Self::Weeks(weeks) => weeks.finish(),
            Self::Days(days) => days.finish(),
        }
    }
}

/// The stamps of readings, none of which is null, UTC ms.
fn stamps(readings: &RecordBatch) -> Result<&[i64], ContractError> {
    let column = readings.column_by_name("time").filter(|c| c.null_count() == 0);
    let times = column.and_then(|c| c.as_primitive_opt::<TimestampMillisecondType>());
    times.map(|t| t.values().as_ref()).ok_or_else(|| ContractError::new("time", "is no column of instants"))
}

fn odd(error: &arrow::error::ArrowError) -> ContractError {
    ContractError::new("readings", error.to_string())
}
