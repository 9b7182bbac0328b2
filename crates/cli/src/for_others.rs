//! Results that leave the house: `outputs.for_others`, the same way for every job.
//!
//! They are made from the tables of the run itself by the list of `contract::for_others`, into a folder of their own.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use drawoff_contract::flexible_tables::{BackTestRow, BatteryRow, FlexibleGroupRow, FlexibleRow};
use drawoff_contract::for_others::{Aliases, PASSED_ON, passed_on};
use drawoff_contract::{ContractError, Table};
use drawoff_report::{FlexiblePage, csv};
use drawoff_store::places::lies_within;
use drawoff_store::{RunFolder, keyed_hash};
use serde::{Deserialize, Serialize};

use crate::pipeline::Pipeline;
use crate::progress;
use crate::run::{Inputs, VERSION};

/// The section `[outputs.for_others]` of a pipeline.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ForOthersSettings {
    /// Folder of what may be passed on.
    pub(crate) dir: PathBuf,
    /// File with the secret word under which homes and areas are hashed: only its holder can say which is which.
    pub(crate) key_file: PathBuf,
    /// Fewest homes of a group or an area that is told.
    #[serde(default = "fewest_homes")]
    pub(crate) fewest_homes: usize,
}

fn fewest_homes() -> usize {
    10
}

/// A key that can be tried in short is none.
const SHORTEST_KEY: usize = 16;
/// A key longer than this is some other file.
const LONGEST_KEY: usize = 4096;

/// The settings, with the key read.
pub(crate) struct ForOthers {
    dir: PathBuf,
    key: String,
    fewest: usize,
}

impl ForOthers {
    /// Reads what a pipeline says; `None` where it says nothing.
    ///
    /// # Errors
    /// All problems at once.
    pub(crate) fn of(pipeline: &Pipeline) -> Result<Option<Self>, Vec<ContractError>> {
        let Some(settings) = &pipeline.outputs.for_others else { return Ok(None) };
        let mut problems = Vec::new();
        if settings.fewest_homes < 2 {
            problems.push(
                ContractError::new(
                    "outputs.for_others.fewest_homes",
                    format!("is {}", settings.fewest_homes),
                )
                .with_hint("at least 2; a group of one is a home"),
            );
        }
        if let Some(flexible) = &pipeline.flexible_load
            && flexible.fewest_homes < settings.fewest_homes
        {
            let message = format!(
                "is {}, and outputs.for_others.fewest_homes {}",
                flexible.fewest_homes, settings.fewest_homes
            );
            problems.push(
                ContractError::new("flexible_load.fewest_homes", message)
                    .with_hint("tell no power of fewer homes than may be told to others"),
            );
        }
        problems.extend(apart(pipeline, &settings.dir).err());
        if [&settings.dir, &pipeline.outputs.dir].iter().any(|folder| lies_within(&settings.key_file, folder))
        {
            problems.push(
                ContractError::new("outputs.for_others.key_file", "lies in a folder of results")
                    .with_hint("keep the key where nothing is passed on from"),
            );
        }
        let key = key(&settings.key_file).map_err(|e| problems.push(e)).unwrap_or_default();
        if problems.is_empty() {
            Ok(Some(Self { dir: settings.dir.clone(), key, fewest: settings.fewest_homes }))
        } else {
            Err(problems)
        }
    }

    /// Begins the folder, so that what cannot be written is known early.
    pub(crate) fn begin(&self) -> Result<RunFolder, ContractError> {
        RunFolder::begin(&self.dir)
    }

    /// Writes what may pass of the tables in the folder `run`; it takes the place of what was passed on before when it is finished.
    pub(crate) fn write(
        &self,
        mut folder: RunFolder,
        run: &Path,
        inputs: &Inputs,
    ) -> Result<RunFolder, ContractError> {
        let mut homes_by_area: BTreeMap<String, usize> = BTreeMap::new();
        for cylinder in inputs.cylinders.values() {
            *homes_by_area.entry(cylinder.area.clone()).or_default() += 1;
        }
        let of = |name: &str| keyed_hash(&self.key, name);
        let aliases = Aliases { of: &of, homes_by_area: &homes_by_area, fewest: self.fewest };
        let mut page = Page::default();
        for passing in &PASSED_ON {
            let path = run.join(format!("{}.parquet", passing.table));
            if !path.exists() {
                continue;
            }
            let batches = drawoff_store::output::read_batches(&path)?;
            let Some(first) = batches.first() else { continue };
            let whole = arrow::compute::concat_batches(&first.schema(), &batches)
                .map_err(|e| ContractError::table(passing.table, "", &e.to_string()))?;
            let told = passed_on(passing, &whole, &aliases)?;
            page.take(passing.table, &told)?;
            folder.text(&format!("{}.csv", passing.table), &csv::of_batch(&told))?;
            folder.batch(passing.table, &told)?;
        }
        if inputs.pipeline.flexible_load.is_some() {
            folder.text("flexible_load.html", &page.written(inputs))?;
        }
        Ok(folder)
    }

    /// Finishes what [`ForOthers::write`] wrote.
    pub(crate) fn finish(&self, folder: RunFolder) -> Result<(), ContractError> {
        folder.finish(serde_json::json!({
            "program": "drawoff",
            "version": VERSION,
            "job": "for others",
            "names": "homes and areas under HMAC-SHA-256 of a key, first half",
            "fewest_homes": self.fewest,
        }))?;
        progress::note(&format!("for others: {}/*.csv, *.parquet", self.dir.display()));
        Ok(())
    }
}

/// Rows of the page of flexible load, as others may see them.
#[derive(Default)]
struct Page {
    load: Vec<FlexibleRow>,
    groups: Vec<FlexibleGroupRow>,
    battery: Vec<BatteryRow>,
    back_test: Vec<BackTestRow>,
}

impl Page {
    fn take(&mut self, table: &str, told: &arrow::array::RecordBatch) -> Result<(), ContractError> {
        match table {
            FlexibleRow::NAME => self.load = FlexibleRow::from_batch(told)?,
            FlexibleGroupRow::NAME => self.groups = FlexibleGroupRow::from_batch(told)?,
            BatteryRow::NAME => self.battery = BatteryRow::from_batch(told)?,
            BackTestRow::NAME => self.back_test = BackTestRow::from_batch(told)?,
            _ => {}
        }
        Ok(())
    }

    /// Without the notes of the run, which name areas.
    fn written(&self, inputs: &Inputs) -> String {
        drawoff_report::flexible_load(&FlexiblePage {
            title: &inputs.pipeline.name,
            currency: &inputs.pipeline.worth.currency,
            load: &self.load,
            groups: &self.groups,
            battery: &self.battery,
            back_test: &self.back_test,
            notes: &[],
        })
    }
}

/// What leaves the house lies in a folder of its own.
fn apart(pipeline: &Pipeline, dir: &Path) -> Result<(), ContractError> {
    let kept = pipeline.daybook.kept().map(|kept| &kept.keep);
    let others = [&pipeline.outputs.dir, &pipeline.inputs.readings].into_iter().chain(kept);
    let others = others.chain(pipeline.outputs.staging.as_ref());
    let within = |other: &PathBuf| lies_within(dir, other) || lies_within(other, dir);
    if dir.as_os_str().is_empty() || others.filter(|o| !o.as_os_str().is_empty()).any(within) {
        let message = format!(
            "{:?} is empty, lies within outputs.dir, outputs.staging, inputs.readings or daybook.keep, or one of them in it",
            dir.display().to_string()
        );
        return Err(ContractError::new("outputs.for_others.dir", message)
            .with_hint("name a folder of its own, such as out/for-others"));
    }
    Ok(())
}

/// The key in a file, without blanks around it. Its text stands in no error.
fn key(path: &Path) -> Result<String, ContractError> {
    let subject = "outputs.for_others.key_file";
    let hint = "write a long secret word into a file that only you can read; whoever has it can say which home is which";
    let text = drawoff_store::settings::read_text(path).map_err(|e| e.or_hint(hint))?;
    let key = text.trim();
    if (SHORTEST_KEY..=LONGEST_KEY).contains(&key.len()) {
        Ok(key.to_owned())
    } else {
        let message = format!("{} holds {} characters", path.display(), key.chars().count());
        Err(ContractError::new(subject, message)
            .with_hint(format!("{SHORTEST_KEY} to {LONGEST_KEY} of them: {hint}")))
    }
}
