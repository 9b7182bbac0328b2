//! A short run of every fuzz target; `fuzz` runs one as long as you like.

use drawoff_tests::fuzz::{Dice, TARGETS, changed};

/// Inputs a target: some seconds in all.
const INPUTS: usize = 150;

#[test]
fn every_target_takes_good_and_changed_bytes() {
    drawoff_store::quiet_decoders();
    for target in &TARGETS {
        let scratch = tempfile::tempdir().unwrap();
        let corpus = (target.corpus)();
        assert!(!corpus.is_empty(), "{}", target.name);
        let mut dice = Dice::new(7);
        for i in 0..INPUTS {
            let good = &corpus[i % corpus.len()];
            let bytes = if i < corpus.len() {
                good.clone()
            } else {
                changed(good, &corpus[(i / 2) % corpus.len()], &mut dice)
            };
            let ended = std::panic::catch_unwind(|| (target.run)(&bytes, scratch.path()));
            assert!(ended.is_ok(), "{} at input {i}", target.name);
        }
    }
}
