//! Proposes a mapping for an export that nobody has described yet: a line a decision, each with its reason, the unsure ones marked.
//!
//! Pure: numbers of a few homes in, text of a mapping out. Names of columns never decide what the readings are; they number probes of
//! one kind, and help with the register, whose facts no physics can tell.

mod balance;
mod channel;
mod line;
mod order;
mod places;
mod register;
mod sample;
mod skipped;
mod stamps;
mod written;

pub use balance::{Balance, balance};
pub use channel::{Kind, Read, read_channels};
pub use line::Line;
pub use register::{Facts, RegisterTable, read_register};
pub use sample::{Home, Sample, median, quantile};
pub use stamps::{Stamps, read_stamps};
pub use written::{Export, Proposal, propose};
