//! Published values, measurements of laboratories and standard profiles, in one binary, as each one links every library anew.

mod column_tracks;
mod discharge;
mod elements;
mod fleet;
mod hygiene;
mod lab_forward_model;
mod lab_tank;
mod label;
mod leaks;
mod loss;
mod metered;
mod norms;
mod rated;
mod rows;
mod settlement;
mod stratification;
mod tapping;
mod tapping_profiles;
mod usable;
mod usable_volume;
mod verification;
mod water;
