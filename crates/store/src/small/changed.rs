//! Homes whose heating was changed, and when.

use std::path::Path;

use drawoff_contract::ContractError;
use drawoff_contract::small_tables::ChangedRow;

use super::Small;
use super::lines::{Layout, lines};

/// Reads the columns `home` and `changed` (first local day of the new state), in the order of the file. A home that stands twice is
/// kept once, as it stands first.
///
/// # Errors
/// When the file cannot be read or lacks a column.
pub fn read_changed(path: &Path) -> Result<Small<ChangedRow>, ContractError> {
    let layout = Layout {
        section: "changes",
        key: "savings.changes",
        separator: b',',
        decimal: '.',
        columns: vec!["home", "changed"],
    };
    let lines = lines(path, layout)?;
    let mut small =
        Small { rows: Vec::<ChangedRow>::new(), problems: lines.broken.clone(), remarks: Vec::new() };
    for line in lines.rows() {
        let row = line.need("home").and_then(|home| {
            let changed = line.day("changed")?.ok_or("column `changed`: the cell is empty")?;
            Ok(ChangedRow { home: home.to_owned(), changed })
        });
        match row {
            Ok(row) if small.rows.iter().any(|r| r.home == row.home) => {
                small.problems.push(line.problem(&format!("home {} stands here a second time", row.home)));
            }
            Ok(row) => small.rows.push(row),
            Err(message) => small.problems.push(line.problem(&message)),
        }
    }
    Ok(small)
}
