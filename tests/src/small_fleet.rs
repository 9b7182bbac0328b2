//! A few homes of the sample fleet in a folder of their own, to be spoilt by tests.
#![expect(clippy::disallowed_methods, reason = "tests make broken files, which the store would not write")]
#![expect(clippy::expect_used, reason = "a test cannot go on without the files")]

use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow::array::{AsArray, BooleanArray, RecordBatch, StringArray};
use arrow::compute::{concat_batches, filter_record_batch};
use drawoff_store::output::export::{ColumnCode, ExportFile};
use drawoff_store::output::read_batches;
use tempfile::TempDir;

use crate::program::{Ended, repository, run_pipeline, text_of};

/// Homes of the sample fleet that are taken when a test names none: three sound ones, and one whose element fails.
pub const HOMES: [&str; 4] = ["OS-00001", "OS-00002", "OS-00003", "OS-00010"];
/// Files that hold their readings.
pub const FILES: [&str; 2] = ["week-1.parquet", "week-2.parquet"];

/// `readings/`, `register.csv`, `mapping.toml`, `pipeline.toml`, and `out/` once it was run.
pub struct SmallFleet {
    dir: TempDir,
}

impl SmallFleet {
    /// The four homes under their own names.
    #[must_use]
    pub fn new() -> Self {
        Self::named(&HOMES.map(|home| (home, home)))
    }

    /// Homes of the sample fleet, each with the name it gets here.
    ///
    /// # Panics
    /// When the files cannot be written.
    #[must_use]
    pub fn named(names: &[(&str, &str)]) -> Self {
        let fleet = Self { dir: tempfile::tempdir().expect("a folder") };
        for file in FILES {
            fleet.write_readings(file, names);
        }
        let register = text_of(&repository().join("sample-fleet/register.csv"));
        let mut lines: Vec<String> = register.lines().take(1).map(str::to_owned).collect();
        for (old, new) in names {
            let line = register.lines().find(|l| l.starts_with(&format!("{old},"))).expect("a home");
            lines.push(line.replacen(old, &quoted(new), 1));
        }
        fleet.write("register.csv", &(lines.join("\n") + "\n"));
        for (from, to) in [
            ("pipelines/mappings/drawoff.toml", "mapping.toml"),
            ("pipelines/service-list.toml", "pipeline.toml"),
        ] {
            fleet.write(to, &text_of(&repository().join(from)));
        }
        fleet
    }

    fn write_readings(&self, file: &str, names: &[(&str, &str)]) {
        let week = read_batches(&repository().join("sample-fleet/readings").join(file)).expect("a week");
        let week = concat_batches(&week[0].schema(), &week).expect("one batch");
        let mut homes = Vec::new();
        for (old, new) in names {
            let column = week.column(0).as_string::<i32>();
            let here: BooleanArray = column.iter().map(|home| Some(home == Some(*old))).collect();
            let rows = filter_record_batch(&week, &here).expect("rows of a home");
            let mut columns = rows.columns().to_vec();
            columns[0] = Arc::new(StringArray::from(vec![*new; rows.num_rows()]));
            homes.push(RecordBatch::try_new(rows.schema(), columns).expect("the same columns"));
        }
        let rows = concat_batches(&week.schema(), &homes).expect("one batch");
        self.write_batch(&format!("readings/{file}"), &rows);
    }

    /// Writes a Parquet file.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn write_batch(&self, name: &str, rows: &RecordBatch) {
        let path = self.path(name);
        let mut file =
            ExportFile::begin(&path, &rows.schema(), 1, |_| ColumnCode::Distinct).expect("a new file");
        file.group(rows).and_then(|()| file.finish()).expect("a written file");
    }

    /// The folder.
    #[must_use]
    pub fn dir(&self) -> &Path {
        self.dir.path()
    }

    /// A file of the fleet.
    #[must_use]
    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Writes a text file.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).expect("a written file");
    }

    /// Replaces a part of a text file that must be there.
    ///
    /// # Panics
    /// When it is not.
    pub fn edit(&self, name: &str, old: &str, new: &str) {
        let text = text_of(&self.path(name));
        assert!(text.contains(old), "{name} has no {old}");
        self.write(name, &text.replacen(old, new, 1));
    }

    /// Cuts a file short.
    ///
    /// # Panics
    /// When it cannot be read or written.
    pub fn cut(&self, name: &str, bytes: usize) {
        let whole = std::fs::read(self.path(name)).expect("a file");
        assert!(whole.len() > bytes);
        std::fs::write(self.path(name), &whole[..bytes]).expect("a written file");
    }

    /// Runs a command on the fleet's own pipeline, with further overrides.
    #[must_use]
    pub fn drawoff(&self, program: &str, command: &str, set: &[&str]) -> Ended {
        let mut all: Vec<String> = [
            ("inputs.readings", "readings"),
            ("inputs.register", "register.csv"),
            ("inputs.mapping", "mapping.toml"),
            ("outputs.dir", "out"),
        ]
        .map(|(key, name)| format!("{key}={}", self.path(name).display()))
        .to_vec();
        all.extend(set.iter().map(|item| (*item).to_owned()));
        run_pipeline(program, command, &self.path("pipeline.toml").display().to_string(), &all)
    }
}

impl Default for SmallFleet {
    fn default() -> Self {
        Self::new()
    }
}

/// A field of a CSV line (RFC 4180).
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\"\""))
}
