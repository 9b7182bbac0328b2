//! Faults of one home: one function per fault, all of one shape, then one story per home.

pub mod assessment;
pub mod calibration;
pub mod context;
pub mod data;
pub mod elements;
pub mod evidence;
pub mod exchanger;
pub mod losses;
pub mod meter;
pub mod mixing;
pub mod posterior;
pub mod probe_place;
pub mod probes;
pub mod pumps;
pub mod service;
pub mod story;
pub mod switching;
pub mod thermostat;
pub mod timing;

pub use assessment::Assessment;
pub use context::Context;
pub use story::assess;
