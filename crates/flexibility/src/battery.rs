//! A group of cylinders as one store: the largest that the group can imitate without breaking a home's comfort.
//!
//! All is in electricity beside the undisturbed load. A home's own store: `x(t+1) = kept x(t) + 0.5 h u(t)`, where `u` is the load beside the
//! baseline, between all of the baseline held off and the heater full on, and `x` lies between what may be missing (what is of use in the
//! cylinder beyond the home's P90 of the coming draw) and the room up to the set point, both along the undisturbed run. The group's simulated
//! set is the sum of its homes'. The one store has five constant numbers, is given its shape by the group's sums, and is scaled down until all
//! but one in twenty random signals within it can be shared out over the homes.

mod fit;
mod set;

pub use fit::{Battery, Fitted, LARGEST_MISS, fit, miss_rate, support_share};
pub use set::{Envelope, HORIZON, Store, support};
