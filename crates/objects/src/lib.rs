//! Object storage behind addresses such as `s3://bucket/folder`: the only crate that speaks to a network.
//!
//! Calls wait for their answer; a small runtime of its own carries them. Credentials come from the environment, or from what the
//! machine is given by its cloud, and from nowhere else: no setting, address or message of this crate holds one.

mod address;
mod object;
mod problem;
mod secrets;
mod storage;
mod tally;
mod windows;

pub use address::{Address, Place, Scheme};
pub use object::Object;
pub use problem::Trouble;
pub use secrets::names_a_secret;
pub use storage::{Check, Expected, Found, Storage, give_up_after};
pub use tally::{Tally, tally};
pub use windows::{Windows, WindowsReader};
