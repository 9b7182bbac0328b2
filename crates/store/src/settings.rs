//! Reading settings files.

use std::path::Path;

use drawoff_contract::{ContractError, Mapping};

/// The whole text of a settings file, UTF-8.
///
/// # Errors
/// Names the path and why it cannot be read.
pub fn read_text(path: &Path) -> Result<String, ContractError> {
    crate::disk::text(path)
}

/// Reads a mapping file.
///
/// # Errors
/// All problems of the file at once, each with path and line.
pub fn read_mapping(path: &Path) -> Result<Mapping, Vec<ContractError>> {
    let text = read_text(path).map_err(|e| vec![e.or_hint("check `inputs.mapping`")])?;
    Mapping::parse(&path.display().to_string(), &text)
}
