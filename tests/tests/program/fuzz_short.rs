//! A short run of every fuzz target; `fuzz` and cargo-fuzz run one as long as you like.

use drawoff_tests::fuzz::{Dice, TARGETS, changed};
use drawoff_tests::program::{repository, text_of};

/// Changed inputs a target: some seconds in all.
const INPUTS: usize = 150;

#[test]
fn every_target_takes_good_and_changed_bytes() {
    drawoff_store::quiet_decoders();
    for target in &TARGETS {
        let scratch = tempfile::tempdir().unwrap();
        let inputs = target.inputs();
        assert!(!inputs.is_empty(), "{}", target.name);
        let mut dice = Dice::new(7);
        for i in 0..inputs.len() + INPUTS {
            let good = &inputs[i % inputs.len()];
            let bytes = if i < inputs.len() {
                good.clone()
            } else {
                changed(good, &inputs[(i / 2) % inputs.len()], &mut dice)
            };
            let ended = std::panic::catch_unwind(|| (target.run)(&bytes, scratch.path()));
            assert!(ended.is_ok(), "{} at input {i}", target.name);
        }
    }
}

#[test]
fn cargo_fuzz_has_every_target_and_no_other() {
    let fuzz = repository().join("fuzz");
    let mut files: Vec<String> =
        drawoff_tests::program::bytes_of(&fuzz.join("fuzz_targets")).into_keys().collect();
    let mut expected: Vec<String> = TARGETS.iter().map(|t| format!("{}.rs", t.name)).collect();
    files.sort_unstable();
    expected.sort_unstable();
    assert_eq!(files, expected);
    let manifest = text_of(&fuzz.join("Cargo.toml"));
    for target in &TARGETS {
        let name = target.name;
        assert!(
            manifest.contains(&format!("name = \"{name}\"\npath = \"fuzz_targets/{name}.rs\"")),
            "{name}"
        );
        let text = text_of(&fuzz.join(format!("fuzz_targets/{name}.rs")));
        assert!(text.contains(&format!("target!(\"{name}\")")), "{name}");
    }
}
