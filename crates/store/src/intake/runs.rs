//! Runs of homes within row groups, for exports whose row groups hold the rows of many homes, one home after the other.
//!
//! A row group that is larger than a share of the fleet would be decoded for each share again, or its rows written aside.
//! Where its homes lie in order, the column of homes alone says which rows belong to which, and each share decodes its own.

use drawoff_contract::mapping::ReadingsMapping;

use crate::intake::file;
use crate::intake::names::{NO_NAME, names};
use crate::intake::source::Source;
use crate::intake::survey::{Piece, Survey};

/// Rows from which a piece ends with the home. Pages hold some 20,000 rows and are decoded as a whole, so smaller ones save nothing.
/// (Tests have few rows, and must see them cut.)
const PIECE_ROWS: u64 = if cfg!(test) { 8 } else { 16_384 };

/// Cuts the row groups of a file that hold many homes in order into pieces of few homes; others stay as they are.
pub(crate) fn cut(source: &Source, survey: &mut Survey, mapping: &ReadingsMapping) {
    if survey.metadata.is_none() {
        return;
    }
    let mut pieces = Vec::new();
    for (number, piece) in survey.pieces.iter().enumerate() {
        let many = piece.homes.as_ref().is_some_and(|(least, most)| least < most);
        let cut =
            if many && piece.rows >= 2 * PIECE_ROWS { runs(source, survey, number, mapping) } else { None };
        match cut {
            Some(runs) => pieces.extend(runs),
            None => pieces.push(piece.clone()),
        }
    }
    survey.pieces = pieces;
}

/// The runs of one row group; `None` where its homes are not in order, or it cannot be read, which whoever reads its rows will say.
fn runs(source: &Source, survey: &Survey, number: usize, mapping: &ReadingsMapping) -> Option<Vec<Piece>> {
    let whole = &survey.pieces[number];
    let mut runs = Runs { group: whole.group, pieces: Vec::new(), row: 0, in_order: true };
    let read = file::each_home(source, survey, number, mapping, &mut |column| {
        let Ok(found) = names(column) else {
            runs.in_order = false;
            return false;
        };
        let mut start = 0;
        for run in found.codes.chunk_by(|a, b| a == b) {
            let name = if run[0] == NO_NAME { None } else { found.names.get(run[0] as usize) };
            runs.add(name.map(String::as_str), run.len() as u64);
            start += run.len();
            if !runs.in_order {
                return false;
            }
        }
        start == column.len()
    });
    (read && runs.in_order && runs.row == whole.rows).then_some(runs.pieces)
}

struct Runs {
    group: usize,
    pieces: Vec<Piece>,
    row: u64,
    in_order: bool,
}

impl Runs {
    /// Adds rows of one home; rows that name none stay with those before.
    fn add(&mut self, home: Option<&str>, rows: u64) {
        if let Some(home) = home {
            match self.pieces.last_mut() {
                Some(Piece { homes: Some((_, most)), .. }) if most.as_str() > home => self.in_order = false,
                Some(Piece { homes: Some((_, most)), rows, .. })
                    if most.as_str() == home || *rows < PIECE_ROWS =>
                {
                    home.clone_into(most);
                }
                _ => self.begin(home),
            }
        }
        match self.pieces.last_mut() {
            Some(piece) => piece.rows += rows,
            // Rows before the first home: nothing says whose share they are.
            None => self.in_order = false,
        }
        self.row += rows;
    }

    fn begin(&mut self, home: &str) {
        let homes = Some((home.to_owned(), home.to_owned()));
        self.pieces.push(Piece { group: self.group, first: self.row, rows: 0, homes });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(rows: &[(Option<&str>, u64)]) -> Runs {
        let mut runs = Runs { group: 3, pieces: Vec::new(), row: 0, in_order: true };
        rows.iter().for_each(|(home, rows)| runs.add(*home, *rows));
        runs
    }

    #[test]
    fn pieces_end_with_a_home_once_they_are_large() {
        let n = PIECE_ROWS;
        let rows = [(Some("a"), n / 2), (Some("b"), n / 2), (None, 5), (Some("c"), 2 * n), (Some("d"), 1)];
        let runs = of(&rows);
        let homes = |p: &Piece| p.homes.clone().unwrap();
        let found: Vec<_> = runs.pieces.iter().map(|p| (p.group, p.first, p.rows, homes(p))).collect();
        let range = |a: &str, b: &str| (a.to_owned(), b.to_owned());
        assert!(runs.in_order);
        assert_eq!(
            found,
            [
                (3, 0, n + 5, range("a", "b")),
                (3, n + 5, 2 * n, range("c", "c")),
                (3, 3 * n + 5, 1, range("d", "d"))
            ]
        );
    }

    #[test]
    fn homes_out_of_order_and_rows_of_nobody_at_the_start_are_not_cut() {
        assert!(!of(&[(Some("b"), 1), (Some("a"), 1)]).in_order);
        assert!(!of(&[(None, 1), (Some("a"), 1)]).in_order);
        assert!(of(&[(Some("a"), 2 * PIECE_ROWS), (None, 1), (Some("a"), 1)]).in_order);
    }
}
