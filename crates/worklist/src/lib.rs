//! Which homes to visit first: the worth of a visit in money, and the ranked service list.
//!
//! Nothing here touches files. Findings, register facts, settings, carbon and the log of visits go in; visits to make, and what
//! was left off and why, come out, in an order that does not depend on the order of the input.

pub mod background;
mod candidate;
pub mod carbon;
pub mod learning;
pub mod parts;
pub mod rank;
pub mod ring;
pub mod rounds;
pub mod settings;
pub mod tariff;
pub mod tariff_table;
pub mod words;

pub use background::Background;
pub use learning::{Label, Learned, learn};
pub use rank::{LeftOff, Worklist, rank};
pub use settings::{Tariff, WorthSettings};
