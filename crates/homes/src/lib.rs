//! Day rows of one home, in; what is known of the cylinder and its use, out.
//!
//! Two passes: the fleet gives what a home cannot measure by itself (surroundings, cold feed), then each home is read alone.

pub mod classes;
mod cold_alone;
mod cooling;
mod crossings;
pub mod days;
pub mod flow_meter;
pub mod groups;
pub mod habits;
pub mod heat_input;
pub mod long_run;
pub mod loss;
mod mean_profile;
mod mixture;
mod over_midnight;
pub mod priors;
mod reading;
pub mod robust;
pub mod shrink;
mod verdicts;
pub mod verification;
mod zone;

pub use priors::{FleetPriors, PriorsBuilder};
pub use reading::{HomeNotes, HomeReading, Settings, read_home};
