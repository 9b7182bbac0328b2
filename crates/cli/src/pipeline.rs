//! Pipeline files: one job each, every key overridable on the command line.

pub(crate) mod contradictions;
pub(crate) mod place;
mod problems;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use drawoff_contract::mapping_hint::did_you_mean;
use drawoff_contract::{ContractError, Fault};
use drawoff_faults::calibration::Calibration;
use drawoff_tank::water::Water;
use drawoff_worklist::WorthSettings;
use serde::{Deserialize, Serialize};

use crate::flexible::FlexibleSettings;
use crate::for_others::ForOthersSettings;
use crate::pipeline::place::{Problem, Text};
use crate::places;
use crate::savings::settings::SavingsSettings;

/// A pipeline as written.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Pipeline {
    /// Name of the job, for titles.
    pub(crate) name: String,
    pub(crate) inputs: Inputs,
    pub(crate) outputs: Outputs,
    #[serde(default)]
    pub(crate) water: WaterSettings,
    #[serde(default)]
    pub(crate) run: RunSettings,
    /// How long object storage is waited for. Changes no result.
    #[serde(default, skip_serializing)]
    pub(crate) storage: StorageSettings,
    /// A daybook that is kept from run to run.
    #[serde(default, skip_serializing_if = "DaybookSettings::changes_nothing")]
    pub(crate) daybook: DaybookSettings,
    #[serde(default)]
    pub(crate) faults: FaultSettings,
    pub(crate) worth: WorthSettings,
    /// Pages beside the tables. They tell what the tables hold, and change no result.
    #[serde(default, skip_serializing)]
    pub(crate) pages: PagesSettings,
    /// What load can be moved, in place of the service list.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) flexible_load: Option<FlexibleSettings>,
    /// What was saved, in place of the service list.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) savings: Option<SavingsSettings>,
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Inputs {
    /// A file or folder of exports.
    pub(crate) readings: PathBuf,
    /// Mapping file.
    pub(crate) mapping: PathBuf,
    /// Asset register.
    pub(crate) register: PathBuf,
    /// Table of tariffs, in place of `worth.tariffs`; left out or empty = none.
    #[serde(default)]
    pub(crate) tariffs: Option<PathBuf>,
    /// Series of carbon intensities; left out or empty = none.
    #[serde(default)]
    pub(crate) carbon: Option<PathBuf>,
    /// Log of visits; left out or empty = none.
    #[serde(default)]
    pub(crate) visits: Option<PathBuf>,
    /// Curves from margins to probabilities, as `drawoff calibrate` writes them; left out or empty = the built-in ones.
    #[serde(default)]
    pub(crate) calibration: Option<PathBuf>,
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Outputs {
    /// Folder that the run leaves its files in.
    pub(crate) dir: PathBuf,
    /// Folder in which a run is made that is to lie in object storage; left out = one below `out/staged`. Changes no result.
    #[serde(default, skip_serializing)]
    pub(crate) staging: Option<PathBuf>,
    /// Whether only the account that runs drawoff may read what it writes. Changes no result.
    #[serde(default, skip_serializing)]
    pub(crate) owner_only: bool,
    /// What may be passed on to others, beside what is for those who look after the cylinders. Changes no result.
    #[serde(default, skip_serializing)]
    pub(crate) for_others: Option<ForOthersSettings>,
}

/// Constant water properties; without them the international formulation by temperature is used.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct WaterSettings {
    pub(crate) density_kg_per_l: Option<f64>,
    pub(crate) heat_capacity_kj_per_kg_k: Option<f64>,
}

/// Liquid water between freezing and boiling has no density and no heat capacity outside these.
const DENSITY: std::ops::RangeInclusive<f64> = 0.9..=1.1;
const HEAT_CAPACITY: std::ops::RangeInclusive<f64> = 3.9..=4.4;

impl WaterSettings {
    /// Both or neither, and what water can be.
    pub(super) fn problems(&self) -> Vec<Problem> {
        let wrong = |key: &str, message: &str| {
            let hint = "for example density_kg_per_l = 1.0 and heat_capacity_kj_per_kg_k = 4.183";
            vec![Problem::at(&["water", key], message, hint)]
        };
        match (self.density_kg_per_l, self.heat_capacity_kj_per_kg_k) {
            (Some(d), Some(c)) => {
                let mut problems = Vec::new();
                if !DENSITY.contains(&d) {
                    problems.extend(wrong(
                        "density_kg_per_l",
                        &format!("is {d}; density must be 0.9 to 1.1 kg/l"),
                    ));
                }
                if !HEAT_CAPACITY.contains(&c) {
                    problems.extend(wrong(
                        "heat_capacity_kj_per_kg_k",
                        &format!("is {c}; heat capacity must be 3.9 to 4.4 kJ/(kg K)"),
                    ));
                }
                problems
            }
            (None, None) => Vec::new(),
            (Some(_), None) => {
                wrong("density_kg_per_l", "stands alone; give heat_capacity_kj_per_kg_k as well, or neither")
            }
            (None, Some(_)) => {
                wrong("heat_capacity_kj_per_kg_k", "stands alone; give density_kg_per_l as well, or neither")
            }
        }
    }

    pub(crate) fn water(&self) -> Water {
        match (self.density_kg_per_l, self.heat_capacity_kj_per_kg_k) {
            (Some(density_kg_per_l), Some(heat_capacity_kj_per_kg_k)) => {
                Water::Constant { density_kg_per_l, heat_capacity_kj_per_kg_k }
            }
            _ => Water::Iapws,
        }
    }
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct RunSettings {
    /// Seed of every random draw of the run.
    pub(crate) seed: u64,
    /// Lines of the list shown on the terminal.
    pub(crate) top: usize,
    /// Most homes with a card and plot on the page.
    pub(crate) cards: usize,
    /// Readings in memory at one time, MB; more is read in turn, or written aside in the output folder. Changes no result.
    #[serde(skip_serializing)]
    pub(crate) memory_mb: u64,
}

impl Default for RunSettings {
    fn default() -> Self {
        Self { seed: 1, top: 10, cards: 50, memory_mb: 256 }
    }
}

/// How object storage is asked. Where it is stands in addresses, who asks in the environment.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct StorageSettings {
    /// Seconds after its first try at which a request is not tried again.
    pub(crate) give_up_after_s: u64,
}

impl Default for StorageSettings {
    fn default() -> Self {
        Self { give_up_after_s: 60 }
    }
}

/// Pages beside the tables.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct PagesSettings {
    /// Whether the folder `site` with a page a listed home is made.
    pub(crate) site: bool,
    /// Output folder of an earlier run, what changed since is told; it may be that of this pipeline, whose last run is then compared
    /// with. Empty = nothing is compared, and the same inputs give the same bytes whatever was there before.
    pub(crate) since: PathBuf,
    /// Whether the run that this one replaces in `outputs.dir` is compared with, wherever that is.
    pub(crate) since_last: bool,
}

impl Default for PagesSettings {
    fn default() -> Self {
        Self { site: true, since: PathBuf::new(), since_last: false }
    }
}

impl PagesSettings {
    /// The folder of the run that is compared with; empty for none.
    pub(crate) fn since<'a>(&'a self, outputs: &'a Outputs) -> &'a Path {
        if self.since_last { &outputs.dir } else { &self.since }
    }

    /// Of two runs to compare with, nobody could say which holds.
    pub(crate) fn check(&self) -> Result<(), ContractError> {
        if self.since_last && !self.since.as_os_str().is_empty() {
            let message = "`since` and `since_last` both name a run to compare with";
            return Err(ContractError::new("[pages]", message)
                .with_hint("keep one: --set pages.since= or --set pages.since_last=false"));
        }
        Ok(())
    }
}

/// What is kept from run to run.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct DaybookSettings {
    /// Folder of the kept daybook; empty = nothing is kept, and every run reads all files.
    #[serde(skip_serializing)]
    pub(crate) keep: PathBuf,
    /// Days of each home that are kept and assessed, counted back from its last; 0 = all.
    pub(crate) keep_days: u32,
    /// Segments after which the older ones are laid together. Changes no result.
    #[serde(skip_serializing)]
    pub(crate) compact_after: usize,
    /// What becomes of the days of a file that is no longer there.
    #[serde(skip_serializing)]
    pub(crate) gone: Gone,
}

/// What becomes of the days of a file that is no longer there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Gone {
    /// They stay.
    Keep,
    /// They are worked out again without it.
    Forget,
}

impl Default for DaybookSettings {
    fn default() -> Self {
        Self { keep: PathBuf::new(), keep_days: 0, compact_after: 10, gone: Gone::Keep }
    }
}

impl DaybookSettings {
    fn changes_nothing(&self) -> bool {
        self.keep_days == 0
    }

    /// Whether days go with their file.
    pub(crate) fn forgets(&self) -> bool {
        self.gone == Gone::Forget
    }

    /// The settings, if a daybook is kept at all.
    pub(crate) fn kept(&self) -> Option<&Self> {
        (!self.keep.as_os_str().is_empty()).then_some(self)
    }
}

/// False calls that a pipeline tolerates among its calls, unless it says otherwise: one visit in ten in vain (common practice, no source).
const DEFAULT_FALSE_DISCOVERY_RATE: f64 = 0.1;

/// How margins become probabilities, and probabilities calls.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct FaultSettings {
    /// Largest expected share of false calls among the calls, 0 to 1.
    pub(crate) false_discovery_rate: f64,
    /// Share of the homes that have a fault, by fault code, where it is known; a code left out is as frequent as in the fleet
    /// that the probabilities were fitted on.
    pub(crate) prevalence: BTreeMap<String, f64>,
}

impl Default for FaultSettings {
    fn default() -> Self {
        Self { false_discovery_rate: DEFAULT_FALSE_DISCOVERY_RATE, prevalence: BTreeMap::new() }
    }
}

impl FaultSettings {
    /// Rates and shares between 0 and 1, of faults that there are.
    pub(super) fn problems(&self) -> Vec<Problem> {
        let hint = "for example false_discovery_rate = 0.1 and prevalence = { leak_steady = 0.01 }";
        let mut problems = Vec::new();
        if !(0.0..=1.0).contains(&self.false_discovery_rate) {
            let message = format!("is {}; it must lie between 0 and 1", self.false_discovery_rate);
            problems.push(Problem::at(&["faults", "false_discovery_rate"], message, hint));
        }
        for (code, share) in &self.prevalence {
            let at = ["faults", "prevalence", code.as_str()];
            if Fault::from_code(code).is_none() {
                problems.push(Problem::at(&at, "is no fault code", hint));
            } else if !(*share > 0.0 && *share < 1.0) {
                let message = format!("is {share}; it must lie between 0 and 1, both apart");
                problems.push(Problem::at(&at, message, hint));
            }
        }
        problems
    }

    /// The curves of a table, else the built-in ones, at the stated prevalence.
    pub(crate) fn calibration(&self, table: &Option<PathBuf>) -> Result<Calibration, ContractError> {
        let curves = match crate::small::named(table) {
            None => Calibration::built_in()?,
            Some(path) => Calibration::parse(&drawoff_store::settings::read_text(path)?)?,
        };
        let stated: BTreeMap<Fault, f64> = self
            .prevalence
            .iter()
            .filter_map(|(code, share)| Some((Fault::from_code(code)?, *share)))
            .collect();
        Ok(curves.at_prevalence(&stated))
    }
}

/// All that is wrong with the text of a pipeline.
pub(crate) fn text_problems(subject: &str, text: &str) -> Vec<ContractError> {
    let wrong = problems::all(subject, text);
    match toml::from_str::<Pipeline>(text) {
        Ok(pipeline) if wrong.is_empty() => {
            Text { subject, text, overrides: &[] }.errors(contradictions::all(&pipeline))
        }
        _ => wrong,
    }
}

/// Reads a pipeline and applies overrides of the form `key.path=value`.
pub(crate) fn read(path: &Path, overrides: &[String]) -> Result<Pipeline, Vec<ContractError>> {
    let path = &places::given(path).map_err(|failure| failure.problems)?;
    let text = drawoff_store::settings::read_text(path)
        .map_err(|e| vec![e.or_hint("give a pipeline file, such as pipelines/service-list.toml")])?;
    let subject = path.display().to_string();
    // Before anything else: a message on any other problem could repeat a secret.
    if let Ok(table) = toml::from_str::<toml::Table>(&text) {
        let secrets = places::problems(&subject, &table);
        if !secrets.is_empty() {
            return Err(secrets);
        }
    }
    // Parsed once as it is, so that errors name lines of the file.
    let whole: Result<Pipeline, _> = toml::from_str(&text);
    let mut table: toml::Table = toml::from_str(&text).map_err(|e| vec![of_file(&subject, &text, &e)])?;
    if overrides.is_empty() {
        let pipeline = whole.map_err(|_| problems::all(&subject, &text))?;
        let pipeline = one_source_of_tariffs(&subject, &table, pipeline)?;
        return sound(pipeline, &Text { subject: &subject, text: &text, overrides });
    }
    let errors: Vec<ContractError> =
        overrides.iter().filter_map(|item| apply(&mut table, item).err()).collect();
    let errors = if errors.is_empty() { places::problems("--set", &table) } else { errors };
    if !errors.is_empty() {
        return Err(errors);
    }
    let pipeline = table.clone().try_into().map_err(|e: toml::de::Error| match whole {
        Err(_) => problems::all(&subject, &text),
        Ok(_) => {
            let message = e.to_string().trim_end().replace('\n', ", ");
            let told: Vec<String> = overrides.iter().map(|item| places::told(item)).collect();
            vec![ContractError::new(format!("--set {}", told.join(" --set ")), message).with_hint(hint(&e))]
        }
    })?;
    let pipeline = one_source_of_tariffs(&subject, &table, pipeline)?;
    sound(pipeline, &Text { subject: &subject, text: &text, overrides })
}

/// A pipeline in which nothing contradicts itself.
fn sound(pipeline: Pipeline, text: &Text<'_>) -> Result<Pipeline, Vec<ContractError>> {
    let errors = text.errors(contradictions::all(&pipeline));
    if errors.is_empty() { Ok(pipeline) } else { Err(errors) }
}

/// Tariffs come from a table or stand in the pipeline; of two that differ nobody could say which holds.
fn one_source_of_tariffs(
    subject: &str,
    table: &toml::Table,
    mut pipeline: Pipeline,
) -> Result<Pipeline, Vec<ContractError>> {
    places::settle(&mut pipeline);
    let in_pipeline = table.get("worth").and_then(|worth| worth.get("tariffs")).is_some();
    if crate::small::named(&pipeline.inputs.tariffs).is_none() || !in_pipeline {
        return Ok(pipeline);
    }
    let message = "tariffs are given twice: `inputs.tariffs` and `worth.tariffs`";
    let hint = "keep one: remove [[worth.tariffs]], or leave the table out with --set inputs.tariffs=";
    Err(vec![ContractError::new(subject, message).with_hint(hint)])
}

/// What is wrong with the text of a pipeline, by line.
fn of_file(subject: &str, text: &str, error: &toml::de::Error) -> ContractError {
    let line =
        error.span().and_then(|span| text.get(..span.start)).map(|before| before.matches('\n').count() + 1);
    let place = line.map_or(String::new(), |line| format!(" line {line}"));
    ContractError::new(format!("{subject}{place}"), error.message().trim_end()).with_hint(hint(error))
}

/// The nearest known key where a key is unknown.
fn hint(error: &toml::de::Error) -> String {
    let words: Vec<&str> = error.message().split('`').skip(1).step_by(2).collect();
    match words.split_first() {
        Some((unknown, known)) if error.message().starts_with("unknown") && !known.is_empty() => {
            did_you_mean(unknown, known)
        }
        _ => "compare with pipelines/service-list.toml, which explains each key".to_owned(),
    }
}

fn apply(table: &mut toml::Table, item: &str) -> Result<(), ContractError> {
    let usage = || {
        ContractError::new(format!("--set {}", places::told(item)), "not of the form key.path=value")
            .with_hint("for example --set inputs.readings=exports")
    };
    let (key, text) = item.split_once('=').ok_or_else(usage)?;
    let mut parts: Vec<&str> = key.split('.').collect();
    let last = parts.pop().filter(|l| !l.is_empty()).ok_or_else(usage)?;
    let mut at = table;
    for part in parts {
        let entry = at.entry(part).or_insert_with(|| toml::Value::Table(toml::Table::new()));
        at = entry.as_table_mut().ok_or_else(|| {
            ContractError::new(
                format!("--set {}", places::told(item)),
                format!("`{part}` is a value, not a section"),
            )
            .with_hint("leave out what follows it")
        })?;
    }
    at.insert(last.to_owned(), value(text, at.get(last)));
    Ok(())
}

/// A value of the kind that it replaces; text where nothing says otherwise.
fn value(text: &str, replaced: Option<&toml::Value>) -> toml::Value {
    let as_text = || toml::Value::String(text.to_owned());
    if matches!(replaced, Some(toml::Value::String(_))) {
        return as_text();
    }
    let parsed: Result<toml::Table, _> = toml::from_str(&format!("v = {text}"));
    parsed.ok().and_then(|mut t| t.remove("v")).unwrap_or_else(as_text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn overrides_keep_the_kind_of_what_they_replace() {
        let mut table: toml::Table = toml::from_str("[inputs]\nreadings = \"a\"\n[run]\nseed = 1\n").unwrap();
        apply(&mut table, "inputs.readings=2026").unwrap();
        apply(&mut table, "run.seed=7").unwrap();
        apply(&mut table, "outputs.dir=out/x").unwrap();
        assert_eq!(table["inputs"]["readings"].as_str(), Some("2026"));
        assert_eq!(table["run"]["seed"].as_integer(), Some(7));
        assert_eq!(table["outputs"]["dir"].as_str(), Some("out/x"));
        assert!(apply(&mut table, "nonsense").is_err());
        assert!(apply(&mut table, "run.seed.deeper=1").is_err());
    }

    #[test]
    fn tariffs_have_one_source() {
        let text = "name = \"x\"\n[inputs]\nreadings = \"r\"\nmapping = \"m\"\nregister = \"a\"\ntariffs = \"t\"\n\
                    [outputs]\ndir = \"o\"\n[worth]\n[[worth.tariffs]]\nname = \"n\"\nunit_rate = 0.3\n";
        let mut table: toml::Table = toml::from_str(text).unwrap();
        let pipeline = |table: &toml::Table| table.clone().try_into::<Pipeline>().unwrap();
        let errors = one_source_of_tariffs("p.toml", &table, pipeline(&table)).unwrap_err();
        assert!(errors[0].to_string().contains("given twice"), "{errors:?}");
        apply(&mut table, "inputs.tariffs=").unwrap();
        assert!(one_source_of_tariffs("p.toml", &table, pipeline(&table)).is_ok());
        apply(&mut table, "inputs.tariffs=t").unwrap();
        table["worth"].as_table_mut().unwrap().remove("tariffs");
        assert!(one_source_of_tariffs("p.toml", &table, pipeline(&table)).is_ok());
    }
}
