//! The only crate that touches files: reads settings, registers, small tables and exports, writes runs.
//!
//! Everything read ends in the contract's types; everything written is complete or not there.

mod alias;
mod blob;
pub mod buckets;
mod disk;
pub mod failing;
mod guard;
mod in_turn;
pub mod intake;
mod kept;
pub mod output;
pub mod pipe;
pub mod places;
pub mod register;
pub mod settings;
pub mod small;

pub use alias::keyed_hash;
pub use disk::owner_only;
pub use guard::{caught, caught_home, quiet_decoders};
pub use in_turn::in_turn;
pub use intake::OTHER_HOMES;
pub use intake::{
    FileLost, FileReport, Gathered, Grouped, GroupedHome, Input, Intake, Limits, Streamed, gather, inputs,
    inspect,
};
pub use kept::KeptFolder;
pub use output::{RunFolder, fingerprint};
