//! Reading the asset register.

use std::collections::BTreeMap;
use std::path::Path;

use drawoff_contract::mapping_hint::did_you_mean;
use drawoff_contract::mapping_row::read_row;
use drawoff_contract::{ContractError, Cylinder, Mapping};

/// Reads a register of cylinders, one row a home, by home identifier.
///
/// The second part names by line every row that cannot be used (no home, no valid zone, a home named twice: the
/// first row is kept) and every fact that cannot be read and is left unknown.
///
/// # Errors
/// When the file cannot be read, or mapped columns are missing: all of them in one message.
pub fn read(
    path: &Path,
    mapping: &Mapping,
) -> Result<(BTreeMap<String, Cylinder>, Vec<ContractError>), ContractError> {
    let text = crate::disk::text(path)?;
    let subject = path.display().to_string();
    let m = &mapping.register;
    let mut reader =
        csv::ReaderBuilder::new().delimiter(m.separator).flexible(true).from_reader(text.as_bytes());
    let header = reader.headers().map_err(|e| ContractError::new(&subject, e.to_string()))?.clone();
    let names: Vec<&str> = header.iter().map(str::trim).collect();
    check_columns(&subject, &names, &m.columns())?;
    let position = |column: &str| names.iter().position(|n| *n == column);
    let mut cylinders = BTreeMap::new();
    let mut problems = Vec::new();
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(e) => {
                problems.push(ContractError::new(&subject, e.to_string()));
                break;
            }
        };
        let line = record.position().map_or(0, csv::Position::line);
        if record.iter().all(|field| field.trim().is_empty()) {
            continue;
        }
        let row = read_row(m, &|column| {
            position(column).and_then(|i| record.get(i)).map(str::trim).filter(|cell| !cell.is_empty())
        });
        let at = |message: String| ContractError::new(format!("{subject} line {line}"), message);
        problems.extend(row.problems.into_iter().map(at));
        let Some(cylinder) = row.cylinder else { continue };
        if cylinders.contains_key(&cylinder.home) {
            problems
                .push(at(format!("home `{}` is named a second time; the first row is kept", cylinder.home)));
            continue;
        }
        cylinders.insert(cylinder.home.clone(), cylinder);
    }
    if cylinders.is_empty() {
        problems.push(ContractError::new(&subject, "no home could be read"));
    }
    Ok((cylinders, problems))
}

fn check_columns(subject: &str, found: &[&str], wanted: &[&str]) -> Result<(), ContractError> {
    let missing: Vec<&str> = wanted.iter().copied().filter(|w| !found.contains(w)).collect();
    if missing.is_empty() {
        return Ok(());
    }
    let hints: Vec<String> = missing.iter().map(|m| format!("{m}: {}", did_you_mean(m, found))).collect();
    let listed = missing.iter().map(|m| format!("`{m}`")).collect::<Vec<_>>().join(", ");
    let hint = if found.len() == 1 && wanted.len() > 1 {
        "only one column was found: check `separator` of [register] in the mapping".to_owned()
    } else {
        hints.join("; ")
    };
    Err(ContractError::new(subject, format!("column {listed} is missing")).with_hint(hint))
}
