//! Whole-program tests and published check values, and what they share.

pub mod accounts;
pub mod confined;
pub mod floors;
pub mod fresh;
pub mod fuzz;
pub mod invented;
pub mod lone_home;
pub mod nights;
pub mod program;
pub mod small_fleet;
pub mod streams;
pub mod variants;

use std::path::{Path, PathBuf};

/// A file or folder of the reference material, below `DRAWOFF_SHARED` or else `../shared` beside the repository.
///
/// When it is absent, says so on standard error and gives `None`: the test that asked passes over that part.
#[must_use]
pub fn shared(path: &str) -> Option<PathBuf> {
    let beside = || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared");
    let root = std::env::var_os("DRAWOFF_SHARED").map_or_else(beside, PathBuf::from);
    let found = root.join(path);
    if found.exists() {
        return Some(found);
    }
    pass_over(path);
    None
}

/// Text of a reference file; `None` when it is absent or unreadable, which is said on standard error.
#[must_use]
pub fn shared_text(path: &str) -> Option<String> {
    let found = shared(path)?;
    #[expect(clippy::disallowed_methods, reason = "tests read reference files")]
    let text = std::fs::read_to_string(found).ok();
    if text.is_none() {
        pass_over(path);
    }
    text
}

/// Asserts that `got` lies within `tolerance` of the published value.
///
/// # Panics
/// When it does not, or is NaN.
pub fn assert_near(what: &str, got: f64, published: f64, tolerance: f64) {
    let off = (got - published).abs();
    assert!(off <= tolerance, "{what}: got {got}, published {published}, off by {off} (allowed {tolerance})");
}

#[expect(clippy::print_stderr, reason = "a test that passes over something says so")]
fn pass_over(path: &str) {
    eprintln!("passed over: reference file {path} absent");
}
