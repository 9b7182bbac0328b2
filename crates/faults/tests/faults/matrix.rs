//! The rule matrix: every fault under every condition of its home and its data. A cell without a case does not compile, a
//! fault without a row fails.
//!
//! Homes are written by hand in the daybook's own terms, so a cell says what a rule does, not how well it does on a fleet.

use drawoff_contract::{Fault, Outcome};
use drawoff_faults::Assessment;

use crate::by_hand::{Home, sound};
use crate::matrix_rows::ROWS;

/// Conditions of the matrix.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Condition {
    Normal,
    Fault,
    JustBelow,
    JustAbove,
    Gap,
    Duplicate,
    IrregularCadence,
    MissingColumn,
    StartUp,
    LookAlike,
}

const CONDITIONS: [Condition; 10] = [
    Condition::Normal,
    Condition::Fault,
    Condition::JustBelow,
    Condition::JustAbove,
    Condition::Gap,
    Condition::Duplicate,
    Condition::IrregularCadence,
    Condition::MissingColumn,
    Condition::StartUp,
    Condition::LookAlike,
];

/// What is told of one fault; the cells of its row are made from it.
pub(crate) struct Row {
    pub(crate) fault: Fault,
    /// Makes a sound home one that can have the fault: source, register, columns.
    pub(crate) able: fn(&mut Home),
    /// Lays the fault on it, so large in the unit of the limit.
    pub(crate) lay: fn(&mut Home, f64),
    /// A size beyond doubt, one just below the limit, one just above.
    pub(crate) sizes: [f64; 3],
    /// Takes away an input, and the words that `missing` must hold; empty where the rows themselves are the input, and the
    /// fault must still be found without any of the columns taken away.
    pub(crate) without: fn(&mut Home),
    pub(crate) missing: &'static str,
    /// Makes a home that looks like the fault and has it not.
    pub(crate) look_alike: fn(&mut Home),
}

/// Three silent days, and a day of which half the rows are lost.
fn gap(home: &mut Home) {
    home.keep_days(|i| ![8, 9, 17].contains(&i));
    home.days[12].instants = 140;
}

/// Some stamps twice, on two days.
fn duplicate(home: &mut Home) {
    for i in [5, 19] {
        home.days[i].doubled = 1;
    }
}

/// The interval between stamps changes from day to day.
fn irregular(home: &mut Home) {
    for (day, minutes) in home.days.iter_mut().skip(1).zip([5_i64, 1, 10, 5, 2, 6].into_iter().cycle()) {
        day.cadence_min = minutes as f64;
        (day.instants, day.instants_expected) = (day.instants * 5 / minutes, 1440 / minutes);
    }
}

fn laid(row: &Row, size: f64) -> Home {
    let mut home = sound();
    (row.able)(&mut home);
    (row.lay)(&mut home, size);
    home
}

fn able(row: &Row) -> Home {
    let mut home = sound();
    (row.able)(&mut home);
    home
}

/// The home of a cell, and whether its outcome is right.
fn cell(row: &Row, condition: Condition) -> (Home, fn(&Row, &Assessment) -> bool) {
    let called: fn(&Row, &Assessment) -> bool = |_, a| a.outcome == Outcome::Fault;
    let clear: fn(&Row, &Assessment) -> bool = |_, a| a.outcome == Outcome::Sound;
    let [beyond_doubt, below, above] = row.sizes;
    let fault = laid(row, beyond_doubt);
    let changed = |change: fn(&mut Home)| {
        let mut home = fault.clone();
        change(&mut home);
        home
    };
    match condition {
        Condition::Normal => (able(row), clear),
        Condition::Fault => (fault, called),
        Condition::JustBelow => (laid(row, below), clear),
        Condition::JustAbove => (laid(row, above), called),
        Condition::Gap => (changed(gap), called),
        Condition::Duplicate => (changed(duplicate), called),
        Condition::IrregularCadence => (changed(irregular), called),
        Condition::MissingColumn => (changed(row.without), |row, a| match row.missing {
            "" => a.outcome == Outcome::Fault,
            word => a.outcome == Outcome::NotAssessed && a.missing.contains(word),
        }),
        // Two days clear nobody; a danger is told at once, and a register that fell has fallen.
        Condition::StartUp => (changed(|h| h.keep_days(|i| i >= 26)), |row, a| match a.outcome {
            Outcome::Sound => false,
            Outcome::Fault => row.fault.is_safety(),
            Outcome::NotAssessed | Outcome::TooLittleData => true,
        }),
        Condition::LookAlike => {
            let mut home = able(row);
            (row.look_alike)(&mut home);
            (home, |_, a| a.outcome != Outcome::Fault)
        }
    }
}

#[test]
fn every_fault_has_a_row() {
    for fault in Fault::ALL {
        assert_eq!(ROWS.iter().filter(|r| r.fault == *fault).count(), 1, "{}", fault.code());
    }
}

#[test]
fn every_cell_comes_out_right() {
    let mut wrong = Vec::new();
    for row in ROWS {
        for condition in CONDITIONS {
            let (home, right) = cell(row, condition);
            let all = home.assessed();
            let this = all.iter().find(|a| a.fault == row.fault).unwrap();
            if !right(row, this) {
                wrong.push(format!(
                    "{} {condition:?}: {} effect {:.3} limit {:.3} windows {} missing '{}' for '{}' against '{}'",
                    row.fault.code(),
                    this.outcome.code(),
                    this.effect,
                    this.limit,
                    this.windows,
                    this.missing,
                    this.evidence_for,
                    this.evidence_against
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn a_sound_home_has_nothing() {
    let found: Vec<&str> =
        sound().assessed().iter().filter(|a| a.is_fault()).map(|a| a.fault.code()).collect();
    assert!(found.is_empty(), "{found:?}");
}

#[test]
fn what_is_missing_moves_no_other_fault() {
    for row in ROWS {
        let whole = able(row);
        let mut without = whole.clone();
        (row.without)(&mut without);
        let new: Vec<&str> = without
            .assessed()
            .iter()
            .zip(whole.assessed())
            .filter(|(a, b)| a.is_fault() && !b.is_fault())
            .map(|(a, _)| a.fault.code())
            .collect();
        assert!(new.is_empty(), "without what {} needs: {new:?}", row.fault.code());
    }
}
