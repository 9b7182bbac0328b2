//! A group of cylinders as one store: the largest that the group can imitate without breaking a home's comfort.
//!
//! All is in electricity beside the undisturbed load. A home's own store: `x(t+1) = kept x(t) + 0.5 h u(t)`, where `u` is the load beside the
//! baseline, between all of the baseline held off and the heater full on, and `x` lies between what may be missing (what is of use in the
//! cylinder beyond the home's P90 of the coming draw) and the room up to the set point, both along the undisturbed run. The group's simulated
//! set is the sum of its homes'. The one store has constant numbers and lies about its resting load, the load at which it keeps what it holds:
//! beside the baseline its room would change from half-hour to half-hour with what the baseline heats. It is the store that reaches farthest on
//! average and in no direction farther than the homes (a shape grown and moved within the simulated set, as in L. Zhao, W. Zhang, H. Hao and
//! K. Kalsi, IEEE Transactions on Power Systems 32 (2017) 4721, from memory), made smaller until all but one in twenty random
//! signals within it can be shared out over the homes as they come.

mod bounds;
mod fit;
mod set;
mod signals;

pub use fit::{Battery, Fitted, LARGEST_MISS, fit};
pub use set::{Envelope, HORIZON, Store, support};
pub use signals::{miss_rate, support_share};
