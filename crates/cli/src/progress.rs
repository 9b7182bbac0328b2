//! What goes to the terminal: results to standard output, everything else to standard error.

/// A line of progress: units of work finished.
#[expect(clippy::print_stderr, reason = "the binary speaks to the person at the terminal")]
pub(crate) fn note(text: &str) {
    eprintln!("{text}");
}

/// An error, hints included.
#[expect(clippy::print_stderr, reason = "the binary speaks to the person at the terminal")]
pub(crate) fn error(text: &str) {
    for line in text.lines() {
        if line.starts_with("hint:") { eprintln!("{line}") } else { eprintln!("error: {line}") }
    }
}

/// A warning: the rest of the fleet is still done.
#[expect(clippy::print_stderr, reason = "the binary speaks to the person at the terminal")]
pub(crate) fn warning(text: &str) {
    eprintln!("warning: {text}");
}

/// A result.
#[expect(clippy::print_stdout, reason = "the binary speaks to the person at the terminal")]
pub(crate) fn result(text: &str) {
    println!("{text}");
}

/// A number with thousands apart.
pub(crate) fn thousands(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i) % 3 == 0 {
            out.push(',');
        }
        out.push(c);
    }
    out
}
