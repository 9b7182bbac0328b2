//! A line of progress on a terminal: work done, how fast, and how long it may take. Nothing is said where nobody looks.

use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::{is_json, thousands};

/// Time between two lines: often enough to see that it goes on.
const EVERY: Duration = Duration::from_millis(500);
/// Before this the rate says nothing of the time left.
const RATE_AFTER_S: f64 = 2.0;

/// Whether a line of progress stands on the terminal.
static STANDS: AtomicBool = AtomicBool::new(false);

/// Work that goes on by homes.
pub(crate) struct Work {
    what: &'static str,
    of: usize,
    started: Instant,
    is_shown: bool,
    done: Mutex<Done>,
}

struct Done {
    homes: usize,
    home_days: usize,
    said: Instant,
}

impl Work {
    /// Begins work on `of` homes; shown only where standard error is a terminal.
    pub(crate) fn begin(what: &'static str, of: usize) -> Self {
        let started = Instant::now();
        let is_shown = std::io::stderr().is_terminal() && !is_json();
        Self { what, of, started, is_shown, done: Mutex::new(Done { homes: 0, home_days: 0, said: started }) }
    }

    /// One more home with so many days is done.
    pub(crate) fn home(&self, days: usize) {
        if !self.is_shown {
            return;
        }
        let mut done = self.done.lock().unwrap_or_else(PoisonError::into_inner);
        done.homes += 1;
        done.home_days += days;
        if done.said.elapsed() >= EVERY {
            done.said = Instant::now();
            show(&line(self.what, self.of, done.homes, done.home_days, self.started.elapsed().as_secs_f64()));
        }
    }
}

impl Drop for Work {
    fn drop(&mut self) {
        if self.is_shown {
            clear();
        }
    }
}

/// "assessed 1,200 of 10,000 homes, 108,000 home-days, 3,400 a second, about 40 s left".
fn line(what: &str, of: usize, homes: usize, home_days: usize, seconds: f64) -> String {
    let count = |n: usize| thousands(n as u64);
    let mut out = format!("{what} {} of {} homes, {} home-days", count(homes), count(of), count(home_days));
    if seconds >= RATE_AFTER_S && homes > 0 {
        let left = seconds / homes as f64 * of.saturating_sub(homes) as f64;
        let left = if left < 90.0 { format!("{left:.0} s") } else { format!("{:.0} min", left / 60.0) };
        out.push_str(&format!(
            ", {} a second, about {left} left",
            count((home_days as f64 / seconds) as usize)
        ));
    }
    out
}

/// Writes over the line that stands there. Two signs steer the terminal: back to its first column, and clear to its end (ECMA-48).
fn show(line: &str) {
    STANDS.store(true, Ordering::Relaxed);
    let mut out = std::io::stderr();
    // A terminal that is gone needs no line.
    let _ = write!(out, "\r{line}\u{1b}[K").and_then(|()| out.flush());
}

/// Takes the line away, so that what is said next stands alone.
pub(super) fn clear() {
    if STANDS.swap(false, Ordering::Relaxed) {
        let mut out = std::io::stderr();
        let _ = write!(out, "\r\u{1b}[K").and_then(|()| out.flush());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn progress_is_told_by_homes_days_rate_and_time_left() {
        assert_eq!(line("assessed", 10_000, 0, 0, 9.0), "assessed 0 of 10,000 homes, 0 home-days");
        assert_eq!(
            line("assessed", 10_000, 1_000, 90_000, 1.0),
            "assessed 1,000 of 10,000 homes, 90,000 home-days"
        );
        let told = line("assessed", 10_000, 1_000, 90_000, 10.0);
        assert_eq!(
            told,
            "assessed 1,000 of 10,000 homes, 90,000 home-days, 9,000 a second, about 90 s left"
                .replace("90 s", "2 min")
        );
        assert!(line("read", 1_000, 900, 9_000, 90.0).ends_with("100 a second, about 10 s left"));
    }
}
