//! The program from without, in one binary, as each one links every library anew. What a file tests stands at its head.

mod bad_files;
mod bad_input;
mod bombs;
mod dependencies;
mod explain;
mod flexible;
mod fuzz_short;
mod hostile;
mod hostile_fleets;
mod killed;
mod malformed;
mod nightly;
mod pages;
mod pages_large;
mod private;
mod propose;
mod propose_fresh;
mod readme;
mod reference;
mod sample;
mod savings;
mod shards;
mod sigkill;
mod synth;
mod worker;
