//! What the targets have in common.

use std::path::PathBuf;
use std::sync::OnceLock;

use drawoff_tests::fuzz::TARGETS;

/// Gives bytes to a target of `drawoff_tests::fuzz`, which panics when a promise of `THREATS.md` is broken.
///
/// # Panics
/// When there is no such target, or no folder for its files.
pub fn feed(name: &str, bytes: &[u8]) {
    let target = TARGETS.iter().find(|t| t.name == name).expect("a target of this name");
    (target.run)(bytes, scratch());
}

/// A folder for the files of this program, below `TMPDIR`; it stays when the loop ends.
fn scratch() -> &'static PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        // The loop ends the program at every panic, by its hook; this one goes before it and lets pass what the store catches of decoders.
        drawoff_store::quiet_decoders();
        tempfile::tempdir().expect("a folder").keep()
    })
}

/// The entry of a target.
#[macro_export]
macro_rules! target {
    ($name:literal) => {
        libfuzzer_sys::fuzz_target!(|bytes: &[u8]| $crate::feed($name, bytes));
    };
}
