//! The daybook on whole homes of the generator and on odd rows.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

mod accounting;
mod balance;
mod late;
mod made;
mod nights;
mod odd;
mod portions;
