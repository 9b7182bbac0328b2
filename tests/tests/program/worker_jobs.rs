//! Savings and flexible load worked out by workers, home by home: the run's own bytes once they are brought together.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]

use std::path::PathBuf;
use std::sync::Arc;

use arrow::array::{ArrayRef, AsArray, BinaryArray, RecordBatch};
use arrow::compute::concat_batches;
use drawoff_contract::results::QualityRow;
use drawoff_store::output::read_table;
use drawoff_tests::invented::{FILES, HOMES, Invented};
use drawoff_tests::program::{Ended, bytes_of, run, text_of};
use drawoff_tests::streams::{as_engine, batches, fed, sorted, stream};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");
/// What a worker counts that has seen all homes.
const ALL: &str = "{\"rows_in\":6,\"homes_out\":6,\"without_daybook\":0}\n";

/// A job of a pipeline, as a run and by workers.
struct Job {
    fleet: Invented,
    pipeline: &'static str,
    stage: &'static str,
    /// A table that every home has a row in, but for its ending.
    homes: &'static str,
    set: &'static [&'static str],
    /// Small tables that the pipeline names, with their keys.
    tables: &'static [(&'static str, &'static str)],
}

impl Job {
    fn savings() -> Self {
        Self {
            fleet: Invented::by(DRAWOFF),
            pipeline: "pipelines/savings.toml",
            stage: "savings",
            homes: "savings",
            // All of it: half-hours, what is still open, and days of use, which only a change asks for.
            set: &["savings.half_hours=true", "savings.still_open=true", "savings.members=4"],
            tables: &[("inputs.carbon", "carbon.csv"), ("savings.changes", "changes.csv")],
        }
    }

    fn flexible_load() -> Self {
        Self {
            fleet: Invented::by(DRAWOFF),
            pipeline: "pipelines/flexible-load.toml",
            stage: "flexible-load",
            homes: "flexible_homes",
            set: &["flexible_load.back_test_days=3", "flexible_load.fewest_homes=2"],
            tables: &[("inputs.carbon", "carbon.csv")],
        }
    }

    fn service_list() -> Self {
        Self {
            fleet: Invented::by(DRAWOFF),
            pipeline: "pipelines/service-list.toml",
            stage: "assess",
            homes: "homes",
            set: &["inputs.visits="],
            tables: &[("inputs.carbon", "carbon.csv")],
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.fleet.path(name)
    }

    fn name(&self, name: &str) -> String {
        self.path(name).display().to_string()
    }

    fn arguments(&self, command: &[&str], more: &[&str]) -> Vec<String> {
        let mut all: Vec<String> = command.iter().map(|a| (*a).to_owned()).collect();
        all.push(self.pipeline.to_owned());
        let tables = [("inputs.readings", "readings"), ("inputs.register", "register.csv")];
        let tables = tables.iter().chain(self.tables).map(|(key, name)| format!("{key}={}", self.name(name)));
        let set: Vec<String> = self.set.iter().map(|s| (*s).to_owned()).chain(tables).collect();
        all.extend(set.into_iter().flat_map(|s| ["--set".to_owned(), s]));
        all.extend(more.iter().map(|m| (*m).to_owned()));
        all
    }

    fn drawoff(&self, command: &str, more: &[&str]) -> Ended {
        let all = self.arguments(&[command], more);
        run(DRAWOFF, &all.iter().map(String::as_str).collect::<Vec<_>>())
    }

    fn worker(&self, stage: &str, more: &[&str], rows: &RecordBatch) -> (Ended, RecordBatch) {
        self.worker_under(&[], stage, more, rows)
    }

    /// A worker in whose environment some variables stand.
    fn worker_under(
        &self,
        variables: &[&str],
        stage: &str,
        more: &[&str],
        rows: &RecordBatch,
    ) -> (Ended, RecordBatch) {
        let all = self.arguments(&["worker", stage], more);
        let all = variables.iter().copied().chain([DRAWOFF]).chain(all.iter().map(String::as_str));
        let (ended, output) = fed("env", &all.collect::<Vec<_>>(), &stream(rows, 1000).0);
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
        assert!(ended.stderr.ends_with(ALL), "{}", ended.stderr);
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

    /// Lines of a table of a run.
    fn lines(&self, folder: &str, table: &str) -> Vec<String> {
        text_of(&self.path(folder).join(format!("{table}.csv"))).lines().map(str::to_owned).collect()
    }

    /// Of the run, `worked_out` tells whether a line is of a home on which the job did its work: else nothing would be compared.
    fn assert_merged_is_the_run(&self, worked_out: &dyn Fn(&str) -> bool) {
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
        let homes = self.lines("direct", self.homes);
        assert_eq!(homes.len(), HOMES + 1);
        homes[1..].iter().for_each(|line| assert!(worked_out(line), "{line}"));
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

/// The rows, with half of the bytes that a column holds of one home.
fn with_half(rows: &RecordBatch, column: &str, home: usize) -> RecordBatch {
    let at = rows.schema().index_of(column).unwrap();
    let old = rows.column(at).as_binary::<i32>();
    let bytes = |i: usize| if i == home { &old.value(i)[..old.value(i).len() / 2] } else { old.value(i) };
    let mut columns: Vec<ArrayRef> = rows.columns().to_vec();
    columns[at] = Arc::new(BinaryArray::from_iter_values((0..rows.num_rows()).map(bytes)));
    RecordBatch::try_new(rows.schema(), columns).unwrap()
}

/// Status and detail of each home.
fn statuses(rows: &RecordBatch) -> Vec<(&str, &str)> {
    let text = |name: &str| rows.column_by_name(name).unwrap().as_string::<i32>();
    text("status").iter().zip(text("detail")).map(|(s, d)| (s.unwrap(), d.unwrap())).collect()
}

/// One home failed for this reason, the second; all others are as in `whole`.
fn assert_second_failed(rows: &RecordBatch, whole: &RecordBatch, why: &str) {
    assert_eq!(rows.num_rows(), whole.num_rows());
    for (i, (status, detail)) in statuses(rows).into_iter().enumerate() {
        if i == 1 {
            assert!(status == "failed" && detail.contains(why), "{status}: {detail}");
        } else {
            assert_eq!(status, "ok", "{detail}");
            assert!(rows.slice(i, 1) == whole.slice(i, 1), "home {i} differs");
        }
    }
}

fn warned(ended: &Ended, words: &str) -> bool {
    ended.stderr.lines().any(|l| l.starts_with("warning") && l.contains("OS-00002") && l.contains(words))
}

#[test]
fn savings_by_workers_are_those_of_the_run() {
    let job = Job::savings();
    job.assert_merged_is_the_run(&|line| line.contains(",assessed,"));
    // The days before and after a change came through, too.
    let changed = job.lines("merged", "savings_before_after");
    assert!(changed[1].starts_with("OS-00001,assessed,"), "{changed:?}");
    assert!(job.lines("merged", "savings_parts").len() > HOMES, "savings have parts");
}

#[test]
fn flexible_load_by_workers_is_that_of_the_run() {
    Job::flexible_load().assert_merged_is_the_run(&|line| line.contains(",true,,"));
}

/// Work on a home that panics, and a home whose daybook was damaged on its way to the worker.
#[test]
fn a_home_that_failed_in_a_worker_is_named_and_the_others_are_as_they_were() {
    for job in [Job::service_list(), Job::savings(), Job::flexible_load()] {
        let (reduced, worked) = job.by_workers();
        assert_eq!(job.merge("whole", &worked, &[]).code, 0);
        let learnt = ["--learnt", &job.name("learnt")];
        for (variables, rows, why) in [
            (&["PANIC_AT=OS-00002"][..], reduced.clone(), "a defect made on purpose"),
            (&[][..], with_half(&reduced, "days", 1), "cannot be read"),
        ] {
            let (ended, failed) = job.worker_under(variables, job.stage, &learnt, &rows);
            assert!(ended.stderr.ends_with(ALL), "{}", ended.stderr);
            assert_second_failed(&failed, &worked, why);
            let ended = job.merge("merged", &failed, &[]);
            assert_eq!(ended.code, 4, "{}", ended.stderr);
            assert!(warned(&ended, why), "{}", ended.stderr);
            let (whole, merged) = (job.lines("whole", job.homes), job.lines("merged", job.homes));
            assert_eq!(whole.len(), merged.len(), "the failed home has its row, with nothing in it");
            for (i, (whole, merged)) in whole.iter().zip(&merged).enumerate() {
                assert_eq!(whole == merged, i != 2, "{whole}\n{merged}");
            }
        }
    }
}

/// The same of the reduction: merged it is a run on an export that lacks the home, but that its rows are counted.
#[test]
fn a_home_whose_reduction_failed_is_one_without_rows_and_its_rows_are_counted() {
    let job = Job::service_list();
    let rows = sorted(&job.path("readings"), &FILES);
    let (whole, _) = job.by_workers();
    let (ended, failed) = job.worker_under(&["PANIC_AT=OS-00002"], "reduce", &[], &rows);
    let counts = format!("{{\"rows_in\":{},\"homes_out\":6,\"without_daybook\":1}}\n", rows.num_rows());
    assert!(ended.stderr.ends_with(&counts), "{}", ended.stderr);
    assert_second_failed(&failed, &whole, "a defect made on purpose");
    // Learnt and assessed without it, and all in one process.
    let direct = job.drawoff("run", &["--set", &format!("outputs.dir={}", job.name("direct"))]);
    assert_eq!(direct.code, 0, "{}", direct.stderr);
    as_engine(&job.path("reduced"), "part-0.parquet", std::slice::from_ref(&failed));
    std::fs::remove_dir_all(job.path("learnt")).unwrap();
    let learn = job.drawoff("learn", &["--parts", &job.name("reduced"), "--out", &job.name("learnt")]);
    assert_eq!(learn.code, 0, "{}", learn.stderr);
    let (_, worked) = job.worker("assess", &["--learnt", &job.name("learnt")], &failed);
    assert_eq!(worked.num_rows(), HOMES - 1);
    let merged = job.merge("merged", &worked, &[]);
    let out = format!("outputs.dir={}", job.name("here"));
    let here = job.drawoff("merge", &["--set", &out, "--parts", &job.name("reduced")]);
    for ended in [&merged, &here] {
        assert_eq!(ended.code, 4, "{}", ended.stderr);
        assert!(warned(ended, "a defect made on purpose"), "{}", ended.stderr);
    }
    let quality =
        |folder: &str| -> Vec<QualityRow> { read_table(&job.path(folder).join("quality.parquet")).unwrap() };
    let counted = |row: &QualityRow| [row.rows_in, row.rows_used, row.rows_masked, row.rows_rejected];
    let direct = quality("direct");
    for folder in ["merged", "here"] {
        let lost = &quality(folder)[1];
        assert!(
            lost.home == "OS-00002" && lost.rows_in == direct[1].rows_in && lost.rows_in > 3000,
            "{lost:?}"
        );
        let [all, rest @ ..] = counted(lost);
        assert_eq!(all, rest.iter().sum::<i64>(), "every row is counted: {lost:?}");
    }
    // The export without the home, which the register still lists.
    let others = arrow::compute::filter_record_batch(
        &rows,
        &rows["home"].as_string::<i32>().iter().map(|home| Some(home != Some("OS-00002"))).collect(),
    );
    let without = format!("inputs.readings={}", job.name("without"));
    as_engine(&job.path("without"), "all.parquet", &[others.unwrap()]);
    let out = format!("outputs.dir={}", job.name("direct"));
    let direct = job.drawoff("run", &["--set", &out, "--set", &without]);
    assert_eq!(direct.code, 0, "{}", direct.stderr);
    for table in ["homes", "findings", "service_list", "left_off"] {
        for folder in ["merged", "here"] {
            assert!(job.lines("direct", table) == job.lines(folder, table), "{table} of {folder}");
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
