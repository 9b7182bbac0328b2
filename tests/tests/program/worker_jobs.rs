//! Savings and flexible load worked out by workers, home by home: the run's own bytes once they are brought together.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::path::PathBuf;
use std::sync::Arc;

use arrow::array::{ArrayRef, RecordBatch, StringArray};
use arrow::compute::concat_batches;
use drawoff_tests::program::{Ended, bytes_of, run};
use drawoff_tests::small_fleet::{FILES, SmallFleet};
use drawoff_tests::streams::{as_engine, batches, fed, sorted, stream};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

/// A job of a pipeline, as a run and by workers.
struct Job {
    small: SmallFleet,
    pipeline: &'static str,
    stage: &'static str,
    /// A table that every home has a row in, but for its ending.
    homes: &'static str,
    set: &'static [&'static str],
}

impl Job {
    fn savings() -> Self {
        // All of it: half-hours, what is still open, and days of use, which only a change asks for.
        let small = SmallFleet::new();
        small.write("changes.csv", "home,changed\nOS-00001,2026-03-17\n");
        let set = &["savings.half_hours=true", "savings.still_open=true"];
        Self { small, pipeline: "pipelines/savings.toml", stage: "savings", homes: "savings", set }
    }

    fn flexible_load() -> Self {
        let set = &[
            "flexible_load.window_days=7",
            "flexible_load.back_test_days=3",
            "flexible_load.fewest_homes=2",
        ];
        let small = SmallFleet::new();
        Self {
            small,
            pipeline: "pipelines/flexible-load.toml",
            stage: "flexible-load",
            homes: "flexible_homes",
            set,
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.small.path(name)
    }

    fn name(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    fn arguments(&self, command: &[&str], more: &[&str]) -> Vec<String> {
        let mut all: Vec<String> = command.iter().map(|a| (*a).to_owned()).collect();
        all.push(self.pipeline.to_owned());
        let mut set = vec![
            format!("inputs.readings={}", self.name("readings")),
            format!("inputs.register={}", self.name("register.csv")),
        ];
        set.extend(self.set.iter().map(|s| (*s).to_owned()));
        if self.stage == "savings" {
            set.push(format!("savings.changes={}", self.name("changes.csv")));
        }
        all.extend(set.into_iter().flat_map(|s| ["--set".to_owned(), s]));
        all.extend(more.iter().map(|m| (*m).to_owned()));
        all
    }

    fn drawoff(&self, command: &str, more: &[&str]) -> Ended {
        let all = self.arguments(&[command], more);
        run(DRAWOFF, &all.iter().map(String::as_str).collect::<Vec<_>>())
    }

    fn worker(&self, stage: &str, more: &[&str], rows: &RecordBatch) -> (Ended, RecordBatch) {
        let all = self.arguments(&["worker", stage], more);
        let input = stream(rows, 1000).0;
        let (ended, output) = fed(DRAWOFF, &all.iter().map(String::as_str).collect::<Vec<_>>(), &input);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        let found = batches(&output);
        (ended, concat_batches(&found[0].schema(), &found).unwrap())
    }

    /// Reduced homes, what is learnt of them, and what workers made of each.
    fn by_workers(&self) -> (RecordBatch, RecordBatch) {
        let (_, reduced) = self.worker("reduce", &[], &sorted(&self.path("readings"), &FILES));
        as_engine(&self.path("reduced"), "part-0.parquet", std::slice::from_ref(&reduced));
        let (parts, learnt) = (self.name("reduced"), self.name("learnt"));
        let ended = self.drawoff("learn", &["--parts", &parts, "--out", &learnt]);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        let (ended, worked) = self.worker(self.stage, &["--learnt", &learnt], &reduced);
        let counts = "{\"rows_in\":4,\"homes_out\":4,\"without_daybook\":0}\n";
        assert!(ended.stderr.ends_with(counts), "{}", ended.stderr);
        (reduced, worked)
    }

    fn merge(&self, into: &str, worked: &RecordBatch, more: &[&str]) -> Ended {
        as_engine(&self.path("worked"), "part-0.parquet", std::slice::from_ref(worked));
        let (out, parts) = (format!("outputs.dir={}", self.name(into)), self.name("reduced"));
        let (worked, learnt) = (self.name("worked"), self.name("learnt"));
        let mut all = vec!["--set", &out, "--parts", &parts, "--assessed", &worked, "--learnt", &learnt];
        all.extend(more);
        self.drawoff("merge", &all)
    }

    fn assert_merged_is_the_run(&self) {
        let out = format!("outputs.dir={}", self.name("direct"));
        let ended = self.drawoff("run", &["--set", &out]);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        let (_, worked) = self.by_workers();
        let ended = self.merge("merged", &worked, &[]);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        // The same without workers for the second stage.
        let (into, parts) = (format!("outputs.dir={}", self.name("here")), self.name("reduced"));
        let ended = self.drawoff("merge", &["--set", &into, "--parts", &parts]);
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        let direct = bytes_of(&self.path("direct"));
        assert!(direct.contains_key(&format!("{}.parquet", self.homes)));
        for merged in ["merged", "here"] {
            let merged = bytes_of(&self.path(merged));
            assert_eq!(direct.keys().collect::<Vec<_>>(), merged.keys().collect::<Vec<_>>());
            // Rows of a stream have no file.
            let own = ["files.parquet", "manifest.json"];
            for (name, bytes) in merged.iter().filter(|(name, _)| !own.contains(&name.as_str())) {
                assert!(direct[name] == *bytes, "{name} differs");
            }
        }
        // Worked out with other settings, or not all of them.
        let ended = self.merge("merged", &worked, &["--set", "run.seed=2"]);
        assert!(ended.code == 1 && ended.stderr.contains("with other settings"), "{}", ended.stderr);
        let ended = self.merge("merged", &worked.slice(0, 3), &[]);
        assert!(ended.code == 1 && ended.stderr.contains("was reduced, not assessed"), "{}", ended.stderr);
    }
}

/// The rows with another text in one column of one home.
fn with_text(rows: &RecordBatch, column: &str, home: usize, text: &str) -> RecordBatch {
    let at = rows.schema().index_of(column).unwrap();
    let old = arrow::array::AsArray::as_string::<i32>(rows.column(at)).clone();
    let texts = (0..rows.num_rows()).map(|i| Some(if i == home { text } else { old.value(i) }));
    let mut columns: Vec<ArrayRef> = rows.columns().to_vec();
    columns[at] = Arc::new(texts.collect::<StringArray>());
    RecordBatch::try_new(rows.schema(), columns).unwrap()
}

#[test]
fn savings_by_workers_are_those_of_the_run() {
    Job::savings().assert_merged_is_the_run();
}

#[test]
fn flexible_load_by_workers_is_that_of_the_run() {
    Job::flexible_load().assert_merged_is_the_run();
}

#[test]
fn a_home_that_failed_in_a_worker_is_named_and_the_others_are_as_they_were() {
    for job in [Job::savings(), Job::flexible_load()] {
        let (_, worked) = job.by_workers();
        assert_eq!(job.merge("whole", &worked, &[]).code, 0);
        let failed =
            with_text(&with_text(&worked, "status", 1, "failed"), "detail", 1, "index out of bounds");
        let ended = job.merge("merged", &failed, &[]);
        assert_eq!(ended.code, 4, "{}", ended.stderr);
        let named = ended
            .stderr
            .lines()
            .any(|l| l.starts_with("warning") && l.contains("OS-00002") && l.contains("index out of bounds"));
        assert!(named, "{}", ended.stderr);
        let lines = |folder: &str| -> Vec<String> {
            let text = String::from_utf8(bytes_of(&job.path(folder))[&format!("{}.csv", job.homes)].clone());
            text.unwrap().lines().map(str::to_owned).collect()
        };
        let (whole, merged) = (lines("whole"), lines("merged"));
        assert_eq!(whole.len(), merged.len(), "the failed home has its row, with nothing in it");
        for (i, (whole, merged)) in whole.iter().zip(&merged).enumerate() {
            assert_eq!(whole == merged, i != 2, "{whole}\n{merged}");
        }
    }
}

#[test]
fn workers_ask_for_the_section_of_their_job_and_print_their_contract() {
    let job = Job::savings();
    let ended = job.drawoff("worker", &["--contract"]);
    assert_eq!(ended.code, 2, "a stage is asked for: {}", ended.stderr);
    for job in [Job::savings(), Job::flexible_load()] {
        let all = job.arguments(&["worker", job.stage], &["--contract"]);
        let ended = run(DRAWOFF, &all.iter().map(String::as_str).collect::<Vec<_>>());
        assert_eq!(ended.code, 0, "{}", ended.stderr);
        let contract: serde_json::Value = serde_json::from_str(&ended.stdout).unwrap();
        assert_eq!(contract["stage"], job.stage);
        assert_eq!(contract["in"][0]["name"], "home");
        assert!(contract["out"].as_array().unwrap().len() >= 8);
        let (reduced, _) = job.by_workers();
        let other = if job.stage == "savings" { "flexible-load" } else { "savings" };
        let learnt = job.name("learnt");
        let all = job.arguments(&["worker", other], &["--learnt", &learnt]);
        let arguments: Vec<&str> = all.iter().map(String::as_str).collect();
        let (ended, output) = fed(DRAWOFF, &arguments, &stream(&reduced, 10).0);
        assert!(ended.code == 2 && ended.stderr.contains("has no section"), "{}", ended.stderr);
        assert!(output.is_empty());
    }
}
