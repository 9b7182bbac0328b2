//! Pipeline files: one job each, every key overridable on the command line.

use std::path::{Path, PathBuf};

use drawoff_contract::ContractError;
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
    let text = drawoff_store::settings::read_text(path).map_err(|e| vec![e])?;
    let subject = path.display().to_string();
    // Parsed once as it is, so that errors name lines of the file.
    let whole: Result<Pipeline, _> = toml::from_str(&text);
    let problem = |e: &toml::de::Error| ContractError::new(&subject, e.to_string().trim_end().to_owned());
    if overrides.is_empty() {
        return whole.map_err(|e| vec![problem(&e)]);
    }
    let mut table: toml::Table = toml::from_str(&text).map_err(|e| vec![problem(&e)])?;
    let mut errors = Vec::new();
    for item in overrides {
        if let Err(e) = apply(&mut table, item) {
            errors.push(e);
        }
    }
    if !errors.is_empty() {
        return Err(errors);
    }
    table.try_into().map_err(|e: toml::de::Error| {
        vec![problem(&e).with_hint(format!("after --set {}", overrides.join(" --set ")))]
    })
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
