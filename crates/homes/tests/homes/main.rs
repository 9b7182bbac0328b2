//! What is read of whole homes of the generator, against their truth.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::print_stderr, reason = "figures for whoever runs the tests by hand")]

mod by_hand;
mod degenerate;
mod fleet;
mod flow_meter;
mod known_loss;
mod losses;
#[path = "../../../daybook/tests/daybook/made.rs"]
mod made;
mod noted;
mod odd;
mod priors;
mod small_draws;
