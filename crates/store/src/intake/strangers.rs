//! Rows of homes that the register does not list, in bounded memory: an export may name more homes than there are.

use std::collections::BTreeMap;

/// Most names that are kept: some 100 MB of them. Beyond, rows are counted for all others together.
const MOST_NAMES: usize = 1_000_000;

/// Stands for all homes beyond the first million in the order of their names; itself the last in any order.
pub const OTHER_HOMES: &str = "\u{10ffff} all other homes";

/// Rows by home. Which homes keep their names depends on the names alone, never on the order of reading: the first of all that ever came.
pub(crate) fn count(rows_by_home: &mut BTreeMap<String, u64>, home: &str, rows: u64) {
    count_up_to(MOST_NAMES, rows_by_home, home, rows);
}

fn count_up_to(most: usize, rows_by_home: &mut BTreeMap<String, u64>, home: &str, rows: u64) {
    if let Some(counted) = rows_by_home.get_mut(home) {
        *counted += rows;
        return;
    }
    let others = usize::from(rows_by_home.contains_key(OTHER_HOMES));
    let is_full = rows_by_home.len() - others >= most;
    let last = is_full.then(|| rows_by_home.keys().rev().nth(others).cloned()).flatten();
    match last {
        _ if home >= OTHER_HOMES => *rows_by_home.entry(OTHER_HOMES.to_owned()).or_default() += rows,
        None => drop(rows_by_home.insert(home.to_owned(), rows)),
        Some(last) if home < last.as_str() => {
            let of_last = rows_by_home.remove(&last).unwrap_or(0);
            rows_by_home.insert(home.to_owned(), rows);
            *rows_by_home.entry(OTHER_HOMES.to_owned()).or_default() += of_last;
        }
        Some(_) => *rows_by_home.entry(OTHER_HOMES.to_owned()).or_default() += rows,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_names_are_kept_and_no_row_is_lost_in_any_order() {
        let orders = [[1, 2, 3, 4, 5, 6], [6, 5, 4, 3, 2, 1], [3, 6, 1, 5, 2, 4]];
        let counted = orders.map(|order| {
            let mut rows = BTreeMap::new();
            for _ in 0..2 {
                for n in order {
                    count_up_to(3, &mut rows, &format!("h{n}"), n);
                }
            }
            rows
        });
        let expected = [("h1", 2), ("h2", 4), ("h3", 6), (OTHER_HOMES, 30)];
        for rows in &counted {
            let rows: Vec<(&str, u64)> = rows.iter().map(|(home, n)| (home.as_str(), *n)).collect();
            assert_eq!(rows, expected);
        }
    }

    #[test]
    fn a_home_of_the_last_name_takes_nothing_away() {
        let mut rows = BTreeMap::new();
        count_up_to(1, &mut rows, "\u{10ffff}\u{10ffff}", 2);
        count_up_to(1, &mut rows, "a", 1);
        count_up_to(1, &mut rows, "b", 4);
        assert_eq!(rows.into_values().collect::<Vec<_>>(), [1, 6]);
    }
}
