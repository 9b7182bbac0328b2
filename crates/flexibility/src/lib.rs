//! What a fleet of cylinders can move: how much heating can be held off or taken on in each settlement period, for how long, how
//! surely, and what comes back afterwards.
//!
//! Every past day of the record is a trial. Its metered heating says what would have run; its stored heat and its own draw-offs say,
//! through [`drawoff_tank::replay`], what an event would have done to the water and to the users. A trial day is the same day for
//! all homes, so weather, weekends and lost connections act on the whole fleet at once, and what is firm is a quantile of the
//! fleet's sum, never a sum of the homes' quantiles.
//!
//! Pure functions: homes in, sums and quantiles out.

pub mod back_test;
pub mod battery;
mod bytes;
pub mod calendar;
pub mod fleet;
pub mod gather;
pub mod home;
pub mod quantile;
pub mod rebound;
pub mod rows;
pub mod trial;
pub mod worth;
