//! What goes to the terminal: results to standard output, everything else to standard error.
//!
//! Names of homes and files come from others, so everything is shown with its control characters made visible.

use std::sync::atomic::{AtomicBool, Ordering};

use drawoff_contract::ContractError;
use drawoff_report::text::visible;

mod work;

pub(crate) use work::Work;

/// Whether lines to standard error are JSON objects; set once, before anything is said.
static AS_JSON: AtomicBool = AtomicBool::new(false);

/// From now on every line to standard error is a JSON object.
pub(crate) fn speak_json() {
    AS_JSON.store(true, Ordering::Relaxed);
}

fn is_json() -> bool {
    AS_JSON.load(Ordering::Relaxed)
}

#[expect(clippy::print_stderr, reason = "the binary speaks to the person, or the program, that started it")]
fn log(level: &str, subject: Option<&str>, message: &str, hint: Option<&str>) {
    // JSON escapes control characters itself, but not marks that turn the direction of writing.
    let line = serde_json::json!({
        "level": level,
        "subject": subject.map(visible),
        "message": visible(message),
        "hint": hint.map(visible),
    });
    eprintln!("{line}");
}

/// A line of progress: units of work finished.
#[expect(clippy::print_stderr, reason = "the binary speaks to the person at the terminal")]
pub(crate) fn note(text: &str) {
    if is_json() {
        return log("note", None, text, None);
    }
    work::clear();
    eprintln!("{}", visible(text));
}

/// An error, and what to do about it.
pub(crate) fn error(problem: &ContractError) {
    say("error", problem);
}

/// A warning, and what to do about it: the rest of the fleet is still done.
pub(crate) fn warning(problem: &ContractError) {
    say("warning", problem);
}

#[expect(clippy::print_stderr, reason = "the binary speaks to the person at the terminal")]
fn say(kind: &str, problem: &ContractError) {
    if is_json() {
        return log(kind, Some(&problem.subject), &problem.message, problem.hint.as_deref());
    }
    work::clear();
    eprintln!("{kind}: {}: {}", visible(&problem.subject), visible(&problem.message));
    if let Some(hint) = &problem.hint {
        eprintln!("hint: {}", visible(hint));
    }
}

/// A result, of one line or many.
pub(crate) fn result(text: &str) {
    let lines: Vec<String> = text.split('\n').map(visible).collect();
    to_stdout(&lines.join("\n"));
}

/// A result for machines, to the letter; JSON escapes control characters itself.
pub(crate) fn exact(text: &str) {
    to_stdout(text);
}

/// A reader that has seen enough closes the pipe: that is no error of ours.
fn to_stdout(text: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stdout(), "{text}");
}

/// A number with thousands apart.
pub(crate) fn thousands(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}
