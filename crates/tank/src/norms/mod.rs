//! Published assumptions about hot-water use, cold feed, storage and safety: what to think before anything is measured.
//!
//! They stand in for what a home does not show, and give results something to be compared with. None is a statement about a
//! particular home.

pub mod discharge;
pub mod feed;
pub mod flexibility;
pub mod household;
pub mod rated;
pub mod storage;
pub mod tapping;
pub mod verification;

/// Days of the months of a common year.
pub const DAYS_OF_MONTH: [f64; 12] = [31.0, 28.0, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0];
