//! Reading the asset register.

use std::collections::BTreeMap;
use std::path::Path;

use drawoff_contract::mapping_hint::did_you_mean;
use drawoff_contract::mapping_row::read_row;
use drawoff_contract::{ContractError, Cylinder, Mapping};

/// Most homes of a register: some hundred bytes each, in memory throughout a run.
const MOST_HOMES: usize = 1_000_000;

/// Reads a register of cylinders, one row a home, by home identifier.
///
/// The second part names by line every row that cannot be used (no home, no valid zone, a home named twice: the
/// first row is kept) and every fact that cannot be read and is left unknown.
///
/// # Errors
/// When the file cannot be read, or mapped columns are missing: all of them in one message; and when it lists more than a million homes.
pub fn read(
    path: &Path,
    mapping: &Mapping,
) -> Result<(BTreeMap<String, Cylinder>, Vec<ContractError>), ContractError> {
    let text = crate::disk::text(path).map_err(|e| e.or_hint("check `inputs.register`"))?;
    let subject = path.display().to_string();
    let m = &mapping.register;
    let mut reader =
        csv::ReaderBuilder::new().delimiter(m.separator).flexible(true).from_reader(text.as_bytes());
    let header = reader.headers().map_err(|e| ContractError::new(&subject, e.to_string()))?.clone();
    let names: Vec<&str> = header.iter().map(str::trim).collect();
    check_columns(&subject, &names, &m.columns(), "register")?;
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
        let line = record.position().map_or(0, |at| line_of(&text, at));
        if record.iter().all(|field| field.trim().is_empty()) {
            continue;
        }
        let row = read_row(m, &|column| {
            position(column).and_then(|i| record.get(i)).map(str::trim).filter(|cell| !cell.is_empty())
        });
        let at = |message: String| ContractError::new(format!("{subject} line {line}"), message);
        let hint = match row.cylinder {
            Some(_) => "mend the line; the rest of it is used",
            None => "mend the line; its home is left out",
        };
        problems.extend(row.problems.into_iter().map(|p| at(p).with_hint(hint)));
        let Some(cylinder) = row.cylinder else { continue };
        if cylinders.contains_key(&cylinder.home) {
            let message = format!("home `{}` is named a second time; the first row is kept", cylinder.home);
            problems.push(at(message).with_hint("remove one of the lines"));
            continue;
        }
        if cylinders.len() == MOST_HOMES {
            let message = format!(
                "line {line}: it lists more than {MOST_HOMES} homes, which are more than one run holds"
            );
            return Err(ContractError::new(&subject, message)
                .with_hint("cut it and the readings into parts, such as areas, and run each"));
        }
        cylinders.insert(cylinder.home.clone(), cylinder);
    }
    if cylinders.is_empty() {
        let hint = "one line a home, below a line of column names";
        problems.push(ContractError::new(&subject, "no home could be read").with_hint(hint));
    }
    Ok((cylinders, problems))
}

/// The line a record stands on; the reader's own count stops before the empty lines ahead of it.
pub(crate) fn line_of(text: &str, at: &csv::Position) -> u64 {
    let rest = usize::try_from(at.byte()).ok().and_then(|byte| text.as_bytes().get(byte..)).unwrap_or(&[]);
    let empty = rest.iter().take_while(|b| matches!(b, b'\n' | b'\r')).filter(|b| **b == b'\n').count();
    at.line() + empty as u64
}

/// Whether a table has all columns that a section of the mapping wants.
///
/// # Errors
/// All missing columns in one message, each with the nearest that is there.
pub(crate) fn check_columns(
    subject: &str,
    found: &[&str],
    wanted: &[&str],
    section: &str,
) -> Result<(), ContractError> {
    let twice = |w: &&&str| found.iter().filter(|f| f == w).count() > 1;
    if let Some(column) = wanted.iter().find(twice) {
        return Err(ContractError::new(subject, format!("several columns have the name `{column}`"))
            .with_hint("give each column a name of its own: nobody could say which of them is meant"));
    }
    let missing: Vec<&str> = wanted.iter().copied().filter(|w| !found.contains(w)).collect();
    if missing.is_empty() {
        return Ok(());
    }
    let hints: Vec<String> = missing.iter().map(|m| format!("{m}: {}", did_you_mean(m, found))).collect();
    let listed = missing.iter().map(|m| format!("`{m}`")).collect::<Vec<_>>().join(", ");
    let hint = if found.len() == 1 && wanted.len() > 1 {
        format!("only one column was found: check `separator` of [{section}] in the mapping")
    } else {
        hints.join("; ")
    };
    Err(ContractError::new(subject, format!("column {listed} is missing")).with_hint(hint))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::testing::{wide_mapping, write_text};

    fn read_text(text: &str) -> Result<(BTreeMap<String, Cylinder>, Vec<ContractError>), ContractError> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("register.csv");
        write_text(&path, text);
        read(&path, &wide_mapping())
    }

    #[test]
    fn bad_rows_are_named_by_line_and_the_rest_is_kept() {
        let text = "home,heights\na,0.9|0.1\n,0.9\na,0.5\n\nb,0.1|0.9\nc\n";
        let (cylinders, problems) = read_text(text).unwrap();
        assert_eq!(cylinders.keys().collect::<Vec<_>>(), ["a", "b", "c"]);
        assert_eq!(cylinders["a"].probe_heights, [0.9, 0.1]);
        let problems: Vec<String> = problems.iter().map(ToString::to_string).collect();
        assert_eq!(problems.len(), 3, "{problems:?}");
        assert!(problems[0].contains("line 3: column `home`: no home identifier"), "{problems:?}");
        assert!(problems[1].contains("line 4: home `a` is named a second time"), "{problems:?}");
        assert!(problems[2].contains("line 6: column `heights`"), "{problems:?}");
    }

    #[test]
    fn missing_columns_come_with_the_nearest() {
        let error = read_text("hom,heigths\na,0.9\n").unwrap_err().to_string();
        assert!(error.contains("column `home`, `heights` is missing"), "{error}");
        assert!(error.contains("did you mean `heigths`?"), "{error}");
        let error = read_text("home;heights\na;0.9\n").unwrap_err().to_string();
        assert!(error.contains("check `separator`"), "{error}");
    }
}
