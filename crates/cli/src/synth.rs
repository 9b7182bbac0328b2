//! `drawoff synth`: fleets of invented homes with known truth.

use crate::args::SynthArgs;
use crate::exit::{Exit, Failure};

pub(crate) fn synth(_args: &SynthArgs) -> Result<Exit, Failure> {
    Err(Failure::new(Exit::Failed, "pending"))
}
