//! A few invented homes with days enough for every job, and the small tables that the jobs ask for.
#![expect(clippy::disallowed_methods, reason = "tests write small tables")]
#![expect(clippy::expect_used, reason = "a test cannot go on without the files")]

use std::fmt::Write;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::program::run;

/// Files of the readings: 46 days.
pub const FILES: [&str; 7] = [
    "week-1.parquet",
    "week-2.parquet",
    "week-3.parquet",
    "week-4.parquet",
    "week-5.parquet",
    "week-6.parquet",
    "week-7.parquet",
];
/// Homes, all sound.
pub const HOMES: usize = 6;
/// The days of March and April 2026, which hold all readings.
const MONTHS: [(u32, u32); 2] = [(3, 31), (4, 30)];

/// `readings/`, `register.csv`, `prices.csv`, `carbon.csv`, and `changes.csv` with the first home.
pub struct Invented {
    dir: TempDir,
}

impl Invented {
    /// Lets a program make the homes; a change is laid where 28 days lie before it and 14 after it.
    ///
    /// # Panics
    /// When it does not, or the disk refuses.
    #[must_use]
    pub fn by(program: &str) -> Self {
        let dir = tempfile::tempdir().expect("a folder");
        let (folder, homes) = (dir.path().display().to_string(), HOMES.to_string());
        let of_all = ["--days", "46", "--seed", "5", "--cadence-min", "15", "--faults", "none"];
        let ended = run(program, &[&["synth", &folder, "--homes", &homes], &of_all[..]].concat());
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        let fleet = Self { dir };
        fleet.write("changes.csv", "home,changed\nOS-00001,2026-04-08\n");
        fleet.write("carbon.csv", &series("g_per_kwh", 240, 130));
        fleet.write_prices(41);
        fleet
    }

    /// Prices by the half-hour, in hundredths, with this one in the evening.
    ///
    /// # Panics
    /// When the disk refuses.
    pub fn write_prices(&self, evening: u32) {
        self.write("prices.csv", &series("price", evening, 19));
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).expect("a written file");
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
}

/// A line a half-hour, UTC: one number from five to eight in the evening, another at all other times.
fn series(column: &str, evening: u32, otherwise: u32) -> String {
    let mut text = format!("from,{column}\n");
    for (month, days) in MONTHS {
        for (day, slot) in (1..=days).flat_map(|day| (0..48).map(move |slot| (day, slot))) {
            let number = if (34..40).contains(&slot) { evening } else { otherwise };
            writeln!(text, "2026-{month:02}-{day:02}T{:02}:{:02}Z,{number}", slot / 2, slot % 2 * 30)
                .expect("a text in memory");
        }
    }
    text
}
