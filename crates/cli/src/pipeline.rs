//! Pipeline files: one job each, every key overridable on the command line.

use std::path::{Path, PathBuf};

use drawoff_contract::ContractError;
use drawoff_contract::mapping_hint::did_you_mean;
use drawoff_tank::water::Water;
use drawoff_worklist::WorthSettings;
use serde::{Deserialize, Serialize};

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
    pub(crate) worth: WorthSettings,
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
}

#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Outputs {
    /// Folder that the run leaves its files in.
    pub(crate) dir: PathBuf,
}

/// Constant water properties; without them the international formulation by temperature is used.
#[derive(Clone, Debug, Default, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct WaterSettings {
    pub(crate) density_kg_per_l: Option<f64>,
    pub(crate) heat_capacity_kj_per_kg_k: Option<f64>,
}

impl WaterSettings {
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
}

impl Default for RunSettings {
    fn default() -> Self {
        Self { seed: 1, top: 10, cards: 50 }
    }
}

/// Reads a pipeline and applies overrides of the form `key.path=value`.
pub(crate) fn read(path: &Path, overrides: &[String]) -> Result<Pipeline, Vec<ContractError>> {
    let text = drawoff_store::settings::read_text(path)
        .map_err(|e| vec![e.with_hint("give a pipeline file, such as pipelines/service-list.toml")])?;
    let subject = path.display().to_string();
    // Parsed once as it is, so that errors name lines of the file.
    let of_file = |e: &toml::de::Error| of_file(&subject, &text, e);
    let whole: Result<Pipeline, _> = toml::from_str(&text);
    if overrides.is_empty() {
        return whole.map_err(|e| vec![of_file(&e)]);
    }
    let mut table: toml::Table = toml::from_str(&text).map_err(|e| vec![of_file(&e)])?;
    let errors: Vec<ContractError> =
        overrides.iter().filter_map(|item| apply(&mut table, item).err()).collect();
    if !errors.is_empty() {
        return Err(errors);
    }
    table.try_into().map_err(|e: toml::de::Error| match whole {
        Err(of_text) => vec![of_file(&of_text)],
        Ok(_) => {
            let message = e.to_string().trim_end().replace('\n', ", ");
            vec![
                ContractError::new(format!("--set {}", overrides.join(" --set ")), message)
                    .with_hint(hint(&e)),
            ]
        }
    })
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
        ContractError::new(format!("--set {item}"), "not of the form key.path=value")
            .with_hint("for example --set inputs.readings=exports")
    };
    let (key, text) = item.split_once('=').ok_or_else(usage)?;
    let mut parts: Vec<&str> = key.split('.').collect();
    let last = parts.pop().filter(|l| !l.is_empty()).ok_or_else(usage)?;
    let mut at = table;
    for part in parts {
        let entry = at.entry(part).or_insert_with(|| toml::Value::Table(toml::Table::new()));
        at = entry.as_table_mut().ok_or_else(|| {
            ContractError::new(format!("--set {item}"), format!("`{part}` is a value, not a section"))
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
}
