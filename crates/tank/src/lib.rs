//! Physics of one stratified hot-water cylinder: water, temperature profile, stored heat, usable litres, standing loss.
//!
//! Pure functions of numbers: no files, no clock, no fleet. Temperatures are degC, heights are volume fractions from the
//! base (0 base, 1 top), volumes are litres, powers W, energies Wh unless a name says kWh. NaN means "not known" and comes
//! out as NaN wherever it goes in, except where a function says that it does without the missing value.

pub mod column;
pub mod drip;
pub mod element;
pub mod expansion;
pub mod front;
pub mod hygiene;
pub mod label;
pub mod loss;
pub mod model;
pub mod norms;
pub mod profile;
pub mod replay;
pub mod scald;
pub mod shape;
pub mod stratification;
pub mod usable;
pub mod water;

pub use profile::Profile;
pub use water::Water;
