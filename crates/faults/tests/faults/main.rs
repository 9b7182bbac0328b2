//! Faults of whole homes of the generator: found where they are, not found on the sound twin, not assessed without inputs.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::print_stderr, reason = "tables for whoever runs the tests by hand")]

mod by_hand;
mod few_days;
mod found;
mod homes;
#[path = "../../../daybook/tests/daybook/made.rs"]
mod made;
mod matrix;
mod matrix_rows;
mod missing;
#[path = "../../../homes/tests/homes/noted.rs"]
mod noted;
mod rivals;
