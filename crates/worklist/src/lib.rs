//! Which homes to visit first: the worth of a visit in money, and the ranked service list.
//!
//! Nothing here touches files. Findings, register facts and settings go in; visits, and what was left off and why, come
//! out, in an order that does not depend on the order of the input.

mod candidate;
pub mod money;
pub mod rank;
pub mod settings;
pub mod tariff;
pub mod words;

pub use rank::{LeftOff, Worklist, rank};
pub use settings::{Tariff, WorthSettings};
