//! Pages of 10,000 homes: their sizes and the time that they take. The homes are those of the sample fleet, many times over.
#![expect(clippy::unwrap_used, reason = "the helpers of tests are tests too")]
#![expect(clippy::print_stdout, reason = "the figures are what is looked for")]

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use arrow::array::{ArrayRef, AsArray, Int64Array, RecordBatch, StringArray};
use drawoff_contract::Table;
use drawoff_contract::daybook::PowerNote;
use drawoff_store::output::export::{ColumnCode, ExportFile};
use drawoff_store::output::read_batches;
use drawoff_tests::program::{bytes_of, repository, run, text_of};

const DRAWOFF: &str = env!("CARGO_BIN_EXE_drawoff-under-test");

/// Times 46 homes of the sample fleet.
const COPIES: usize = 218;
/// Tables with a row for each home, day or draw-off.
const OF_ALL: [&str; 17] = [
    "service_list",
    "left_off",
    "homes",
    "quality",
    "findings",
    "ring_first",
    "rounds",
    "days",
    "draw_offs",
    "cylinders",
    "cooling",
    "daybook_days",
    "vacancy",
    "rates",
    "habits",
    "changes",
    "hour_changes",
];
/// Tables that hold no more in a large run: readings of the first homes, and the van.
const AS_THEY_ARE: [&str; 2] = ["evidence", "van"];

const MOST_INDEX_BYTES: usize = 500_000;
const MOST_HOME_BYTES: usize = 150_000;
/// The bar, for a release build; `.ci/run` names one in `DRAWOFF_RELEASE`.
const MOST_SECONDS: f64 = 30.0;
/// For a build that is not optimised, beside other tests on few cores: a guard against work that grows with the square of the homes.
const MOST_SECONDS_IN_DEV: f64 = 180.0;

/// The columns that pages read; the whole daybook of so many homes would fill the disk of a test.
fn read_by_pages(table: &str, batch: &RecordBatch) -> RecordBatch {
    if table != PowerNote::NAME {
        return batch.clone();
    }
    let columns = PowerNote::columns();
    let wanted: Vec<usize> = columns.iter().map(|c| batch.schema().index_of(c.name).unwrap()).collect();
    batch.project(&wanted).unwrap()
}

/// The rows with another home in front, and ranks counted on.
fn copy(batch: &RecordBatch, number: usize, rows_before: usize) -> RecordBatch {
    let mut columns: Vec<ArrayRef> = batch.columns().to_vec();
    for (at, field) in batch.schema().fields().iter().enumerate() {
        if field.name() == "home" && number > 0 {
            let homes = columns[at].as_string::<i32>();
            let homes: StringArray = homes.iter().map(|h| h.map(|h| format!("{number:03}-{h}"))).collect();
            columns[at] = Arc::new(homes);
        } else if field.name() == "rank" {
            let ranks = (rows_before..rows_before + batch.num_rows()).map(|r| r as i64 + 1);
            columns[at] = Arc::new(Int64Array::from_iter_values(ranks));
        }
    }
    RecordBatch::try_new(batch.schema(), columns).unwrap()
}

fn many(from: &Path, to: &Path, table: &str, copies: usize) {
    let name = format!("{table}.parquet");
    let batches: Vec<RecordBatch> =
        read_batches(&from.join(&name)).unwrap().iter().map(|b| read_by_pages(table, b)).collect();
    let Some(first) = batches.first() else {
        std::fs::copy(from.join(&name), to.join(&name)).unwrap();
        return;
    };
    let mut file = ExportFile::begin(&to.join(&name), &first.schema(), 1, |_| ColumnCode::Distinct).unwrap();
    let mut rows = 0;
    // Homes of copy 0 begin with a letter: they come after all digits.
    for number in (1..copies).chain([0]) {
        for batch in &batches {
            file.group(&copy(batch, number, rows)).unwrap();
            rows += batch.num_rows();
        }
    }
    file.finish().unwrap();
}

#[test]
fn pages_of_ten_thousand_homes_are_small_and_soon_made() {
    let dir = tempfile::tempdir().unwrap();
    let (sample, large, pages) =
        (dir.path().join("sample"), dir.path().join("large"), dir.path().join("pages"));
    let set = format!("outputs.dir={}", sample.display());
    let ended = run(
        DRAWOFF,
        &["run", &repository().join("pipelines/service-list.toml").display().to_string(), "--set", &set],
    );
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    std::fs::create_dir_all(&large).unwrap();
    OF_ALL.iter().for_each(|table| many(&sample, &large, table, COPIES));
    AS_THEY_ARE.iter().for_each(|table| many(&sample, &large, table, 1));
    std::fs::copy(sample.join("manifest.json"), large.join("manifest.json")).unwrap();

    let release = std::env::var("DRAWOFF_RELEASE").ok();
    let (program, most_seconds) =
        release.as_deref().map_or((DRAWOFF, MOST_SECONDS_IN_DEV), |program| (program, MOST_SECONDS));
    let started = Instant::now();
    let (from, to) = (large.display().to_string(), pages.display().to_string());
    let ended = run(program, &["pages", &from, "--out", &to, "--since", &sample.display().to_string()]);
    let seconds = started.elapsed().as_secs_f64();
    assert_eq!(ended.code, 0, "{}", ended.stderr);
    let site = bytes_of(&pages);
    let largest = |part: &str| {
        let named = site.iter().filter(|(name, _)| name.starts_with(part));
        named.map(|(_, bytes)| bytes.len()).max().unwrap_or(0)
    };
    let homes = site.keys().filter(|name| name.starts_with("homes/")).count();
    println!(
        "pages of {} homes: {} pages in {seconds:.1} s (at most {most_seconds:.0} s); overview {} kB, largest list {} kB, largest of {homes} homes {} kB",
        46 * COPIES,
        site.len(),
        largest("index.html") / 1000,
        largest("list") / 1000,
        largest("homes/") / 1000,
    );
    assert!(homes > 3_000, "{homes} homes have a page");
    assert!(text_of(&pages.join("index.html")).contains("New on the list"));
    assert!(largest("index.html") > 0 && largest("index.html") <= MOST_INDEX_BYTES);
    assert!(largest("list") > 0 && largest("list") <= MOST_INDEX_BYTES);
    assert!(["plan", "quality", "method", "columns"].iter().all(|p| largest(p) <= MOST_INDEX_BYTES));
    assert!(largest("homes/") <= MOST_HOME_BYTES);
    assert!(seconds <= most_seconds, "{seconds:.1} s");
}
