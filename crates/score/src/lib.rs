//! Compares a run with a truth table: what was found, what was missed, and how far the figures are off.
//!
//! Nothing here touches files. Truth tables come as record batches, results as contract rows; a [`ScoreCard`] keeps
//! counts and single errors, so that cards of several fleets can be pooled before medians and intervals are taken.

pub mod amounts;
pub mod calls;
pub mod card;
mod column;
pub mod errors;
pub mod groups;
pub mod json;
pub mod list;
pub mod loss;
pub mod part;
mod render;
pub mod truth;
pub mod vacancy;
pub mod wilson;

#[cfg(test)]
mod reference_fleet;

pub use card::{Run, ScoreCard, pool, score};
pub use part::Half;
pub use truth::Truth;
pub use wilson::Share;
