//! Running the program as its users do, and looking at what it leaves behind.
#![expect(clippy::disallowed_methods, reason = "tests look at files without the store that wrote them")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

/// How a run of the program ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ended {
    /// Exit code; -1 when a signal ended it.
    pub code: i32,
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

impl Ended {
    /// Exit code, then both outputs, with `dir` as `DIR` and every time taken as `TIME`: the same on every machine.
    #[must_use]
    pub fn snapshot(&self, dir: &Path) -> String {
        let plain = |text: &str| without_times(&text.replace(&dir.display().to_string(), "DIR"));
        format!("exit {}\n-- stdout\n{}-- stderr\n{}", self.code, plain(&self.stdout), plain(&self.stderr))
    }
}

/// `in 0.3 s` becomes `in TIME`.
fn without_times(text: &str) -> String {
    let mut parts = text.split(" in ");
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        out.push_str(" in ");
        let time = part.split_once(" s").filter(|(number, _)| number.parse::<f64>().is_ok());
        out.push_str(&time.map_or(part.to_owned(), |(_, rest)| format!("TIME{rest}")));
    }
    out
}

/// The root of the repository.
#[must_use]
pub fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap_or(Path::new(".")).to_owned()
}

/// The program that a test of bounds tries: where `DRAWOFF_RELEASE` names a release build of `drawoff`, that one or the program `beside` it, else the
/// test's own.
#[must_use]
pub fn tried(own: &str, beside: Option<&str>) -> String {
    let release = std::env::var_os("DRAWOFF_RELEASE").map(PathBuf::from);
    let path = release.map(|path| beside.map_or_else(|| path.clone(), |name| path.with_file_name(name)));
    path.map_or_else(|| own.to_owned(), |path| path.display().to_string())
}

/// Runs the program from the root of the repository, as the README says.
///
/// # Panics
/// When it cannot be started.
#[must_use]
pub fn run(program: &str, arguments: &[&str]) -> Ended {
    let output = Command::new(program).args(arguments).current_dir(repository()).output();
    #[expect(clippy::expect_used, reason = "a test cannot go on without the program")]
    let output = output.expect("the program starts");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    Ended {
        code: output.status.code().unwrap_or(-1),
        stdout: text(&output.stdout),
        stderr: text(&output.stderr),
    }
}

/// Runs a pipeline with `key=value` overrides.
#[must_use]
pub fn run_pipeline(program: &str, command: &str, pipeline: &str, set: &[String]) -> Ended {
    let mut arguments = vec![command, pipeline];
    for item in set {
        arguments.extend(["--set", item]);
    }
    run(program, &arguments)
}

/// Every file of a folder and its folders that is not hidden, by name, with its bytes.
///
/// # Panics
/// When the folder cannot be read.
#[must_use]
pub fn bytes_of(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    #[expect(clippy::expect_used, reason = "a test cannot go on without the files")]
    for entry in std::fs::read_dir(folder).expect("a folder that can be listed").flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.starts_with('.') {
            continue;
        }
        if entry.path().is_dir() {
            let below = bytes_of(&entry.path());
            found.extend(below.into_iter().map(|(file, bytes)| (format!("{name}/{file}"), bytes)));
        } else {
            found.insert(name, std::fs::read(entry.path()).expect("a file that can be read"));
        }
    }
    found
}

/// Text of a file.
///
/// # Panics
/// When it cannot be read.
#[must_use]
#[expect(clippy::expect_used, reason = "a test cannot go on without the file")]
pub fn text_of(path: &Path) -> String {
    std::fs::read_to_string(path).expect("a text that can be read")
}
