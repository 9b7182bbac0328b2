//! A fleet cut into shards and brought together again is the fleet read at once, to the byte.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::path::{Path, PathBuf};

use drawoff_tests::program::{Ended, bytes_of, run};
use drawoff_tests::small_fleet::SmallFleet;
use tempfile::TempDir;

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
const PIPELINE: &str = "pipelines/service-list.toml";

/// The sample fleet, rewritten into five buckets.
struct Cut {
    dir: TempDir,
}

impl Cut {
    fn new() -> Self {
        let cut = Self { dir: tempfile::tempdir().unwrap() };
        let ended = cut.drawoff("bucket", &["--buckets", "5", "--out", &cut.name("by-home")], None);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        assert!(ended.stderr.contains("lie in 5 buckets"), "{}", ended.stderr);
        cut
    }

    fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    fn name(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    /// Runs a command on the sample fleet, read from its buckets where `into` is given.
    fn drawoff(&self, command: &str, more: &[&str], into: Option<&str>) -> Ended {
        let mut arguments = vec![command.to_owned(), PIPELINE.to_owned()];
        arguments.extend(more.iter().map(|m| (*m).to_owned()));
        if let Some(into) = into {
            for set in [
                format!("inputs.readings={}", self.name("by-home")),
                format!("outputs.dir={}", self.name(into)),
            ] {
                arguments.extend(["--set".to_owned(), set]);
            }
        }
        run(DRAWOFF, &arguments.iter().map(String::as_str).collect::<Vec<_>>())
    }

    fn shard(&self, shard: &str) -> Ended {
        let out = self.name(&format!("part-{}", shard.replace('/', "-of-")));
        self.drawoff("reduce", &["--shard", shard, "--out", &out], Some("unused"))
    }

    fn merge(&self, into: &str, parts: &[&str]) -> Ended {
        let parts: Vec<String> = parts.iter().map(|p| self.name(&format!("part-{p}"))).collect();
        let mut more = vec!["--parts"];
        more.extend(parts.iter().map(String::as_str));
        self.drawoff("merge", &more, Some(into))
    }
}

fn assert_same(a: &Path, b: &Path, but: &[&str]) {
    let (a, b) = (bytes_of(a), bytes_of(b));
    assert_eq!(a.keys().collect::<Vec<_>>(), b.keys().collect::<Vec<_>>());
    for (name, bytes) in a.iter().filter(|(name, _)| !but.contains(&name.as_str())) {
        assert!(b[name] == *bytes, "{name} differs");
    }
}

#[test]
fn shards_brought_together_are_the_direct_run_to_the_byte() {
    let cut = Cut::new();
    let original = cut.name("original");
    let ended = cut.drawoff("run", &["--set", &format!("outputs.dir={original}")], None);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert_eq!(cut.drawoff("run", &[], Some("direct")).code, 0);
    // The export and its buckets differ in their files only.
    assert_same(&cut.path("original"), &cut.path("direct"), &["files.parquet", "manifest.json"]);
    for shard in ["1/3", "2/3", "3/3"] {
        let ended = cut.shard(shard);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
    }
    let ended = cut.merge("merged", &["3-of-3", "1-of-3", "2-of-3"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    assert_same(&cut.path("direct"), &cut.path("merged"), &[]);
    // What does not fit together.
    let ended = cut.merge("other", &["1-of-3", "3-of-3"]);
    assert!(ended.code == 3 && ended.stderr.contains("shards 2 of 3 are missing"), "{}", ended.stderr);
    let ended = cut.merge("other", &["1-of-3", "2-of-3", "2-of-3", "3-of-3"]);
    assert!(ended.code == 3 && ended.stderr.contains("there twice"), "{}", ended.stderr);
    assert_eq!(cut.shard("1/2").code, 0);
    let ended = cut.merge("other", &["1-of-2", "2-of-3"]);
    assert!(ended.code == 3 && ended.stderr.contains("others are of"), "{}", ended.stderr);
    let water =
        ["--set", "water.density_kg_per_l=1.0", "--set", "water.heat_capacity_kj_per_kg_k=4.183", "--parts"];
    let parts = ["1-of-3", "2-of-3", "3-of-3"].map(|p| cut.name(&format!("part-{p}")));
    let mut more = water.to_vec();
    more.extend(parts.iter().map(String::as_str));
    let ended = cut.drawoff("merge", &more, Some("other"));
    assert!(ended.code == 2 && ended.stderr.contains("another version"), "{}", ended.stderr);
    assert!(!cut.path("other/manifest.json").exists());
}

#[test]
fn a_shard_reads_its_own_buckets_only() {
    let cut = Cut::new();
    // Whatever lies in the others is not even looked at.
    for bucket in ["bucket=0001", "bucket=0002", "bucket=0004"] {
        std::fs::remove_dir_all(cut.path("by-home").join(bucket)).unwrap();
    }
    let ended = cut.shard("1/3");
    assert_eq!(ended.code, 0, "{}", ended.stderr);
}

#[test]
fn shards_that_would_each_read_everything_are_refused() {
    let cut = Cut::new();
    let out = cut.name("part");
    let ended = cut.drawoff("reduce", &["--shard", "1/3", "--out", &out], None);
    assert_eq!(ended.code, 2, "{}", ended.stderr);
    assert!(
        ended.stderr.contains("each of the 3 shards would read and decode all of it"),
        "{}",
        ended.stderr
    );
    assert!(ended.stderr.contains("hint: rewrite it once with `drawoff bucket`"), "{}", ended.stderr);
    let ended = cut.drawoff("reduce", &["--shard", "1/6", "--out", &out], Some("unused"));
    assert!(ended.code == 2 && ended.stderr.contains("has 5 buckets only"), "{}", ended.stderr);
    for shard in ["0/3", "4/3", "x/3", "3"] {
        let ended = cut.drawoff("reduce", &["--shard", shard, "--out", &out], Some("unused"));
        assert!(ended.code == 2 && ended.stderr.contains("give i/N"), "{}", ended.stderr);
    }
    assert!(!cut.path("part").exists());
}

#[test]
fn a_damaged_file_is_named_by_every_shard_and_by_the_merge() {
    let fleet = SmallFleet::new();
    fleet.cut("readings/week-2.parquet", 5_000);
    let out = tempfile::tempdir().unwrap();
    let buckets = out.path().join("by-home").display().to_string();
    let pipeline = fleet.path("pipeline.toml").display().to_string();
    let set = |key: &str, name: &str| format!("{key}={}", fleet.path(name).display());
    let (readings, register) = (set("inputs.readings", "readings"), set("inputs.register", "register.csv"));
    let ended = run(
        DRAWOFF,
        &["bucket", &pipeline, "--set", &readings, "--set", &register, "--buckets", "2", "--out", &buckets],
    );
    assert_eq!(ended.code, 4, "{}", ended.stderr);
    assert!(ended.stderr.contains("warning: week-2.parquet"), "{}", ended.stderr);
    let files: Vec<String> = bytes_of(&out.path().join("by-home")).into_keys().collect();
    assert!(files.iter().all(|f| f.ends_with("00000.parquet") || f == "manifest.json"), "{files:?}");
    // Whoever reads the buckets says what is not in them, as whoever reads the export does.
    let name = |name: &str| out.path().join(name).display().to_string();
    let on_buckets = |command: &str, into: &str, more: &[&str]| {
        let (readings, dir) = (format!("inputs.readings={buckets}"), format!("outputs.dir={}", name(into)));
        let mut all = vec![command, &pipeline, "--set", &readings, "--set", &register, "--set", &dir];
        all.extend(more);
        let ended = run(DRAWOFF, &all);
        assert_eq!(ended.code, 4, "{command}: {}", ended.stderr);
        assert!(ended.stderr.contains("warning: week-2.parquet"), "{command}: {}", ended.stderr);
        assert!(ended.stderr.contains("hint: the file may be cut short"), "{command}: {}", ended.stderr);
    };
    on_buckets("run", "direct", &[]);
    on_buckets("reduce", "unused", &["--shard", "1/2", "--out", &name("part-1")]);
    on_buckets("reduce", "unused", &["--shard", "2/2", "--out", &name("part-2")]);
    on_buckets("merge", "merged", &["--parts", &name("part-1"), &name("part-2")]);
    assert_same(&out.path().join("direct"), &out.path().join("merged"), &[]);
}

/// A small fleet reduced as one part, and what merging it says.
struct OnePart {
    fleet: SmallFleet,
}

impl OnePart {
    fn of(fleet: SmallFleet) -> Self {
        let part = Self { fleet };
        let ended = part.drawoff("reduce", "readings", &["--out", &part.name("part")]);
        assert!([0, 4].contains(&ended.code), "{}", ended.stderr);
        part
    }

    fn name(&self, name: &str) -> String {
        self.fleet.path(name).display().to_string()
    }

    fn drawoff(&self, command: &str, readings: &str, more: &[&str]) -> Ended {
        let set = [
            format!("inputs.readings={}", self.name(readings)),
            format!("inputs.register={}", self.name("register.csv")),
            format!("outputs.dir={}", self.name("out")),
        ];
        let pipeline = self.name("pipeline.toml");
        let mut all = vec![command, pipeline.as_str()];
        set.iter().for_each(|item| all.extend(["--set", item]));
        all.extend(more);
        run(DRAWOFF, &all)
    }

    fn merge(&self, readings: &str, more: &[&str]) -> Ended {
        let part = self.name("part");
        let mut all = vec!["--parts", part.as_str()];
        all.extend(more);
        self.drawoff("merge", readings, &all)
    }
}

#[test]
fn a_register_that_gained_homes_since_the_parts_were_made_is_noticed() {
    let fleet = SmallFleet::new();
    let whole = drawoff_tests::program::text_of(&fleet.path("register.csv"));
    let fewer: Vec<&str> = whole.lines().filter(|l| !l.contains("OS-00002")).collect();
    fleet.write("register.csv", &(fewer.join("\n") + "\n"));
    let part = OnePart::of(fleet);
    let ended = part.merge("readings", &[]);
    assert!([0, 4].contains(&ended.code), "{}", ended.stderr);
    part.fleet.write("register.csv", &whole);
    let ended = part.merge("readings", &[]);
    assert!(ended.code == 2 && ended.stderr.contains("home OS-00002: was reduced"), "{}", ended.stderr);
}

#[test]
fn a_merge_that_cannot_look_readings_up_says_so() {
    let part = OnePart::of(SmallFleet::new());
    let ended = part.merge("readings", &[]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let whole = bytes_of(&part.fleet.path("out"));
    // No such folder: nothing is written, unless no plot is asked for.
    let ended = part.merge("no-such-folder", &[]);
    assert!(
        ended.code == 3 && ended.stderr.contains("need some of them for their plots"),
        "{}",
        ended.stderr
    );
    assert_eq!(bytes_of(&part.fleet.path("out")), whole);
    let ended = part.merge("no-such-folder", &["--set", "run.cards=0"]);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    // A folder without files, and a file that was damaged after it was reduced.
    std::fs::create_dir(part.fleet.path("empty")).unwrap();
    let ended = part.merge("empty", &[]);
    assert!(ended.code == 4 && ended.stderr.contains("no file of readings"), "{}", ended.stderr);
    part.fleet.cut("readings/week-2.parquet", 5_000);
    let ended = part.merge("readings", &[]);
    assert!(ended.code == 4 && ended.stderr.contains("warning: week-2.parquet"), "{}", ended.stderr);
}

#[test]
fn buckets_are_never_written_into_their_own_export() {
    let part = OnePart::of(SmallFleet::new());
    for (out, expected) in [
        ("readings/by-home", "lies within inputs.readings"),
        ("part/../readings/by-home", "lies within inputs.readings"),
        (".", "holds inputs.readings"),
    ] {
        let ended = part.drawoff("bucket", "readings", &["--buckets", "2", "--out", &part.name(out)]);
        assert!(ended.code == 2 && ended.stderr.contains(expected), "{out}: {}", ended.stderr);
    }
}
