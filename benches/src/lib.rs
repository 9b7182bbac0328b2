//! Benches of the kernels; run with `cargo bench -p drawoff-benches`. Never tests: machines are noisy.
