//! Decoders of damaged files have been known to panic; such a panic is damage of the file, not of the run.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Once;

use crate::failing;

thread_local! {
    static DECODING: Cell<bool> = const { Cell::new(false) };
}

/// Runs `work`; a panic becomes its message, and is not printed after [`quiet_decoders`].
///
/// # Errors
/// The message of the panic.
pub fn caught<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    let outer = DECODING.replace(true);
    let result = catch_unwind(AssertUnwindSafe(work));
    DECODING.set(outer);
    result.map_err(|panic| {
        let text = panic.downcast_ref::<String>().map(String::as_str);
        let text = text.or_else(|| panic.downcast_ref::<&str>().copied());
        text.unwrap_or("the decoder gave up").to_owned()
    })
}

/// As [`caught`], of work on one home.
///
/// # Errors
/// The message of the panic.
pub fn caught_home<T>(home: &str, work: impl FnOnce() -> T) -> Result<T, String> {
    caught(|| {
        failing::home(home);
        work()
    })
}

/// Keeps panics of decoders, which end as errors of their files, from being printed as well.
///
/// For programs; call it once at the start. All other panics are printed as before.
pub fn quiet_decoders() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            if !DECODING.get() {
                before(info);
            }
        }));
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_becomes_its_message() {
        quiet_decoders();
        assert_eq!(caught(|| 1), Ok(1));
        assert_eq!(caught(|| -> u8 { panic!("bad page {}", 3) }), Err("bad page 3".to_owned()));
    }
}
