//! Faults of one home: one function per fault, all of one shape, then one story per home.

pub mod assessment;
pub mod calibration;
pub mod context;
pub mod data;
pub mod elements;
pub mod losses;
pub mod mixing;
pub mod posterior;
pub mod probes;
pub mod story;
pub mod thermostat;

pub use assessment::Assessment;
pub use context::Context;
pub use story::assess;
