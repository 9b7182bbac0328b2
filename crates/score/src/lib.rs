//! Compares a run with a truth table: what was found, what was missed, and how far the figures are off.
//!
//! Nothing here touches files. Truth tables come as record batches, results as contract rows; a [`ScoreCard`] keeps
//! counts and single errors, so that cards of several fleets can be pooled before medians and intervals are taken.

pub mod accuracy;
mod accuracy_json;
mod accuracy_page;
pub mod amounts;
pub mod bar;
pub mod bootstrap;
pub mod calls;
pub mod card;
mod column;
pub mod degrade;
pub mod errors;
pub mod groups;
pub mod home_score;
pub mod json;
pub mod list;
pub mod local_days;
pub mod loss;
pub mod part;
pub mod quantiles;
mod render;
pub mod trial;
pub mod truth;
pub mod usable;
pub mod vacancy;
pub mod wilson;

#[cfg(test)]
mod reference_fleet;

pub use accuracy::{Accuracy, Condition, Heating};
pub use card::{Run, ScoreCard, pool, score};
pub use degrade::Degradation;
pub use home_score::{HomeRead, HomeScore, score_home};
pub use part::Half;
pub use trial::Trial;
pub use truth::Truth;
pub use wilson::Share;
