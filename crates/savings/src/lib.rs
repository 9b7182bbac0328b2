//! What cylinders saved against stated counterfactuals, and what they still could: energy, money and carbon, with intervals.
//!
//! Pure: daybook notes, readings of homes, prices and carbon go in; rows come out.

pub mod before_after;
pub mod fit;
pub mod fleet;
pub mod history;
pub mod home;
pub mod learn;
pub mod plan;
pub mod pricing;
pub mod reference;
pub mod replay;
pub mod rule;
pub mod saving;
pub mod series;
pub mod still_open;
pub mod tariff;
#[cfg(test)]
mod testing;
