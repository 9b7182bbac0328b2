//! The fleet cut into shares that are read one after another, so that memory does not grow with the fleet.

use std::collections::BTreeSet;
use std::ops::Range;

use crate::intake::survey::Survey;

/// Bytes that a value with its mask takes in memory, and those that a row takes beside its values.
const VALUE_BYTES: u64 = 9;
const ROW_BYTES: u64 = 10;
/// Decoding rows again because their row group spans several shares is preferred to writing them aside up to this many times the
/// rows. Design choice: with rows written aside the intake of 1,000 homes took 4.3 times plain decoding, and that of the sample fleet
/// 2.5 times without (`whole_run`); the two were not measured on one fleet.
const MOST_DECODED: f64 = 2.5;

/// Which homes are read together: names up to and with the bound of each share, and above the one before.
///
/// Every name belongs to one share, whether the register lists it or not.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Shares {
    /// Highest name of each share but the last.
    bounds: Vec<String>,
}

impl Shares {
    /// Number of shares, at least one.
    pub(crate) fn len(&self) -> usize {
        self.bounds.len() + 1
    }

    /// The share of a name.
    pub(crate) fn of(&self, name: &str) -> usize {
        self.bounds.partition_point(|bound| bound.as_str() < name)
    }
}

/// How an export is read.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Plan {
    pub(crate) shares: Shares,
    /// Whether rows are written aside by share first, as each file holds rows of most shares.
    pub(crate) aside: bool,
}

/// A row group (or a whole file), its homes as a range of the register's, and its weight.
struct Extent {
    homes: Range<usize>,
    rows: u64,
}

/// Cuts the fleet so that no share takes more than `share_bytes` in memory, as far as homes can be parted.
///
/// Cuts lie where few row groups are cut. Where rows would have to be decoded again and again, they are to be written aside.
pub(crate) fn plan(surveys: &[Survey], homes: &[&str], values_per_row: u64, share_bytes: u64) -> Plan {
    let extents: Vec<Extent> = surveys.iter().flat_map(|s| &s.pieces).map(|p| extent(p, homes)).collect();
    let row_bytes = ROW_BYTES + VALUE_BYTES * values_per_row.max(1);
    let rows: u64 = extents.iter().map(|e| e.rows).sum();
    let one = Plan { shares: Shares::default(), aside: false };
    if rows.saturating_mul(row_bytes) <= share_bytes || homes.len() < 2 {
        return one;
    }
    let share_rows = (share_bytes / row_bytes).max(1);
    let cuts = good_cuts(&extents, homes.len(), share_rows);
    if decoded(&extents, &cuts) as f64 <= MOST_DECODED * rows as f64 && !too_large(&extents, share_rows) {
        return Plan { shares: shares(homes, &cuts), aside: false };
    }
    let parts = usize::try_from(rows.div_ceil(share_rows)).unwrap_or(usize::MAX).min(homes.len());
    let even: Vec<usize> = (1..parts).map(|i| i * homes.len() / parts).collect();
    Plan { shares: shares(homes, &even), aside: true }
}

/// A row group of many homes larger than a share cannot be read within it.
fn too_large(extents: &[Extent], share_rows: u64) -> bool {
    extents.iter().any(|e| e.homes.len() > 1 && e.rows > 2 * share_rows)
}

fn extent(piece: &crate::intake::survey::Piece, homes: &[&str]) -> Extent {
    let range = match &piece.homes {
        None => 0..homes.len(),
        Some((least, most)) => {
            let from = homes.partition_point(|h| *h < least.as_str());
            from..homes.partition_point(|h| *h <= most.as_str()).max(from)
        }
    };
    Extent { homes: range, rows: piece.rows }
}

/// Indices of the first home of each share but the first.
fn good_cuts(extents: &[Extent], homes: usize, share_rows: u64) -> Vec<usize> {
    let mut rows_of = vec![0.0_f64; homes];
    // Rows of pieces that a cut before this home would part.
    let mut parted = vec![0_i64; homes + 1];
    for e in extents {
        let each = e.rows as f64 / e.homes.len().max(1) as f64;
        rows_of[e.homes.clone()].iter_mut().for_each(|r| *r += each);
        if e.homes.len() > 1 {
            let rows = i64::try_from(e.rows).unwrap_or(i64::MAX / 4);
            parted[e.homes.start + 1] += rows;
            parted[e.homes.end] -= rows;
        }
    }
    let mut sum = 0;
    let parted: Vec<i64> = parted
        .into_iter()
        .map(|step| {
            sum += step;
            sum
        })
        .collect();
    let mut cuts = Vec::new();
    let (mut start, mut at, mut filled) = (0, 0, 0.0);
    let mut best: Option<usize> = None;
    let limit = share_rows as f64;
    while at < homes {
        if at > start && filled >= limit / 2.0 && best.is_none_or(|b| parted[at] <= parted[b]) {
            best = Some(at);
        }
        if at > start && filled + rows_of[at] > limit {
            let cut = best.take().unwrap_or(at);
            cuts.push(cut);
            (start, at, filled) = (cut, cut, 0.0);
            continue;
        }
        filled += rows_of[at];
        at += 1;
    }
    cuts
}

/// Rows decoded when each share decodes every piece that reaches into it.
fn decoded(extents: &[Extent], cuts: &[usize]) -> u64 {
    let share = |home: usize| cuts.partition_point(|&c| c <= home);
    extents
        .iter()
        .map(|e| {
            let shares =
                if e.homes.is_empty() { 1 } else { share(e.homes.end - 1) - share(e.homes.start) + 1 };
            e.rows * shares as u64
        })
        .sum()
}

fn shares(homes: &[&str], cuts: &[usize]) -> Shares {
    Shares { bounds: cuts.iter().map(|&c| homes[c - 1].to_owned()).collect() }
}

/// What one share reads of one file.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Wanted {
    /// Pieces in file order.
    pub(crate) pieces: Vec<usize>,
    /// Of these, the ones of which this share is the first reader: it counts rows that name no home.
    pub(crate) first: BTreeSet<usize>,
}

/// What share `share` reads of a file.
pub(crate) fn wanted(survey: &Survey, shares: &Shares, share: usize) -> Wanted {
    let mut out = Wanted::default();
    for (i, piece) in survey.pieces.iter().enumerate() {
        let (from, to) = match &piece.homes {
            None => (0, shares.len() - 1),
            Some((least, most)) => (shares.of(least), shares.of(most)),
        };
        if (from..=to).contains(&share) {
            out.pieces.push(i);
            if from == share {
                out.first.insert(i);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::survey::Piece;

    fn file(pieces: &[(u64, Option<(&str, &str)>)]) -> Survey {
        let pieces = pieces
            .iter()
            .enumerate()
            .map(|(group, (rows, homes))| Piece {
                group,
                first: 0,
                rows: *rows,
                homes: homes.map(|(a, b)| (a.to_owned(), b.to_owned())),
            })
            .collect();
        Survey { columns: Ok(Vec::new()), metadata: None, pieces }
    }

    /// Bytes of so many rows of one value.
    fn bytes(rows: u64) -> u64 {
        rows * (ROW_BYTES + VALUE_BYTES)
    }

    const HOMES: [&str; 6] = ["a", "b", "c", "d", "e", "f"];

    #[test]
    fn a_small_fleet_is_one_share() {
        let p = plan(&[file(&[(100, None)])], &HOMES, 1, bytes(100));
        assert_eq!((p.shares.len(), p.aside), (1, false));
    }

    #[test]
    fn cuts_lie_between_row_groups() {
        let groups = file(&[(40, Some(("a", "b"))), (40, Some(("c", "d"))), (40, Some(("e", "f")))]);
        let p = plan(std::slice::from_ref(&groups), &HOMES, 1, bytes(50));
        assert!(!p.aside);
        assert_eq!(p.shares.bounds, ["b", "d"]);
        assert_eq!(["a", "b", "bb", "d", "z"].map(|n| p.shares.of(n)), [0, 0, 1, 1, 2]);
        for share in 0..3 {
            let w = wanted(&groups, &p.shares, share);
            assert_eq!((w.pieces, w.first), (vec![share], BTreeSet::from([share])));
        }
    }

    #[test]
    fn files_that_hold_all_homes_are_written_aside() {
        let day = || file(&[(60, Some(("a", "f")))]);
        let p = plan(&[day(), day()], &HOMES, 1, bytes(50));
        assert!(p.aside);
        assert_eq!(p.shares.len(), 3);
        let text = plan(&[file(&[(100, None)])], &HOMES, 1, bytes(30));
        assert!(text.aside);
    }

    #[test]
    fn every_piece_has_one_first_reader() {
        let f = file(&[(10, None), (10, Some(("b", "e"))), (10, Some(("0", "0"))), (10, Some(("x", "y")))]);
        let shares = Shares { bounds: vec!["b".to_owned(), "c".to_owned()] };
        let mut readers = vec![0; 4];
        for share in 0..shares.len() {
            wanted(&f, &shares, share).first.iter().for_each(|&i| readers[i] += 1);
        }
        assert_eq!(readers, [1; 4]);
    }

    #[test]
    fn one_large_home_is_a_share_of_its_own() {
        let f = file(&[(10, Some(("a", "a"))), (500, Some(("b", "b"))), (10, Some(("c", "c")))]);
        let p = plan(&[f], &["a", "b", "c"], 1, bytes(50));
        assert_eq!((p.shares.bounds, p.aside), (vec!["a".to_owned(), "b".to_owned()], false));
    }
}
