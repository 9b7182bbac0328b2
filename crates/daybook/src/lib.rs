//! Readings of one home, in; the daybook of that home, out.
//!
//! A pure state machine: it may stop after any row and go on later with the same result. Each local day is reduced
//! from its own rows and a short tail of the day before, so that a night's batch touches one night.

mod balance;
mod day;
mod draws;
mod frame;
mod half_hours;
mod machine;
mod masks;
mod metered;
mod probes;
mod setup;
mod signs;
mod spells;
mod state;
mod track;

pub use machine::{DayAccount, Machine, Notes, only_counted};
pub use setup::{Settings, Setup};
pub use state::State;
