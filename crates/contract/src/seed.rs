//! Seeds from (run seed, home, purpose): the same numbers for any thread count and order of homes.

/// FNV-1a over the run seed, the home and the purpose (Fowler, Noll and Vo's public-domain hash).
///
/// ```
/// use drawoff_contract::seed::seed;
/// assert_ne!(seed(1, "a", "loss"), seed(1, "b", "loss"));
/// assert_eq!(seed(1, "a", "loss"), seed(1, "a", "loss"));
/// ```
#[must_use]
pub fn seed(run: u64, home: &str, purpose: &str) -> u64 {
    let bytes = run.to_le_bytes();
    let parts = bytes.iter().chain(home.as_bytes()).chain([&0xff_u8]).chain(purpose.as_bytes());
    parts.fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3))
}
