//! A program under bounds of memory and time.
#![expect(clippy::expect_used, reason = "a test cannot go on without the program")]

use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Address space that one file may take, kB. It bounds memory too, which is never more.
pub const MOST_KB: u64 = 2 << 20;
/// Time that one file may take.
pub const LONGEST: Duration = Duration::from_secs(10);
/// How often a running program is looked at.
const LOOK: Duration = Duration::from_millis(5);

/// Standard output of a program on one file, or how it broke its bounds: a signal, an exit code, or too long.
///
/// # Errors
/// When the program did not end well and in time.
///
/// # Panics
/// When it cannot be started.
pub fn confined(program: &str, file: &Path) -> Result<String, String> {
    let mut child = Command::new("sh")
        .args(["-c", &format!("ulimit -v {MOST_KB} && exec \"$@\""), "confined", program])
        .arg(file)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("a shell that starts");
    let started = Instant::now();
    let status = loop {
        match child.try_wait().expect("a child") {
            Some(status) => break status,
            None if started.elapsed() > LONGEST => {
                child.kill().expect("a child that can be ended");
                child.wait().expect("a child that ended");
                return Err(format!("still at work after {LONGEST:?}"));
            }
            None => std::thread::sleep(LOOK),
        }
    };
    let text = |stream: Option<Box<dyn Read>>| {
        let mut bytes = Vec::new();
        stream.expect("a stream").read_to_end(&mut bytes).expect("output");
        String::from_utf8_lossy(&bytes).trim_end().to_owned()
    };
    let out = text(child.stdout.take().map(|s| Box::new(s) as Box<dyn Read>));
    let err = text(child.stderr.take().map(|s| Box::new(s) as Box<dyn Read>));
    if status.success() && err.is_empty() { Ok(out) } else { Err(format!("{status}: {err}")) }
}
