//! Whole runs against the decoding of the same columns, which is the limit: `cargo bench -p drawoff-benches --bench whole_run`.
//!
//! The fleet is `WHOLE_RUN_FLEET` (a folder with `readings/` and `register.csv`), else the sample fleet; the mapping
//! `WHOLE_RUN_MAPPING`, else that of drawoff's own fleets. All figures come from one process on the same files, one after another,
//! as often as `WHOLE_RUN_TIMES` says (default 3); the least of each is shown. `benches/peers.py` measures others on the same files.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]
#![expect(clippy::expect_used, reason = "a bench cannot go on without its files")]
#![expect(clippy::disallowed_methods, reason = "the limit is decoding with nothing of the store about it")]

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use drawoff_contract::HomeRows;
use drawoff_daybook::{Machine, Settings, Setup};
use drawoff_store::{Intake, Limits};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder,
};
use rayon::prelude::*;

/// Rows of a batch; the same as the intake's.
const BATCH_ROWS: usize = 32_768;

fn path_of(variable: &str, default: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    std::env::var_os(variable).map_or_else(|| root.join(default), PathBuf::from)
}

/// Decodes the named columns of every file, on as many threads as there are, and drops them.
fn decode(files: &[PathBuf], columns: &[String]) -> u64 {
    let rows = AtomicU64::new(0);
    let groups: Vec<(&PathBuf, usize)> = files
        .iter()
        .flat_map(|path| {
            let file = std::fs::File::open(path).expect("a file");
            let builder = ParquetRecordBatchReaderBuilder::try_new(file).expect("a Parquet file");
            (0..builder.metadata().num_row_groups()).map(move |group| (path, group))
        })
        .collect();
    groups.par_iter().for_each(|(path, group)| {
        let file = std::fs::File::open(path).expect("a file");
        let builder = ParquetRecordBatchReaderBuilder::try_new(file).expect("a Parquet file");
        let mask = ProjectionMask::columns(builder.parquet_schema(), columns.iter().map(String::as_str));
        let reader = builder.with_row_groups(vec![*group]).with_projection(mask).with_batch_size(BATCH_ROWS);
        for batch in reader.build().expect("a reader") {
            rows.fetch_add(batch.expect("a batch").num_rows() as u64, Ordering::Relaxed);
        }
    });
    rows.into_inner()
}

/// What a piece of work took: wall time and time of the processors, s.
#[derive(Clone, Copy)]
struct Took {
    wall: f64,
    cpu: f64,
}

/// Least of several runs. Other work on the machine lengthens the wall time, and that of the processors hardly.
fn least(times: usize, mut work: impl FnMut()) -> Took {
    let mut least = Took { wall: f64::INFINITY, cpu: f64::INFINITY };
    for _ in 0..times {
        let (started, cpu) = (Instant::now(), cpu_s());
        work();
        least.wall = least.wall.min(started.elapsed().as_secs_f64());
        least.cpu = least.cpu.min(cpu_s() - cpu);
    }
    least
}

/// Time that this process has used of all processors, s; NaN where the system does not tell.
fn cpu_s() -> f64 {
    // Fields 14 and 15 of the line, of which the second ends with the last bracket; hundredths of a second (Linux, proc(5)).
    let told = || {
        let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
        let (_, fields) = stat.rsplit_once(')')?;
        let mut ticks = fields.split_whitespace().skip(11).take(2).map(|t| t.parse::<f64>().ok());
        Some((ticks.next()?? + ticks.next()??) / 100.0)
    };
    told().unwrap_or(f64::NAN)
}

/// Most memory of this process so far, MB; `None` where the system does not tell.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    let kb: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kb / 1024.0)
}

fn main() {
    let fleet = path_of("WHOLE_RUN_FLEET", "sample-fleet");
    let times: usize = std::env::var("WHOLE_RUN_TIMES").ok().and_then(|t| t.parse().ok()).unwrap_or(3);
    let mapping = drawoff_store::settings::read_mapping(&path_of(
        "WHOLE_RUN_MAPPING",
        "pipelines/mappings/drawoff.toml",
    ))
    .expect("a mapping");
    let (cylinders, _) =
        drawoff_store::register::read(&fleet.join("register.csv"), &mapping).expect("a register");
    let readings = fleet.join("readings");
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(&readings).expect("readings").flatten().map(|e| e.path()).collect();
    files.retain(|f| f.extension().is_some_and(|e| e == "parquet"));
    files.sort();
    let mut columns = vec![mapping.readings.home.clone(), mapping.readings.time_column.clone()];
    columns.extend(mapping.readings.wide.iter().map(|w| w.column.clone()));

    let mut rows = 0;
    let plain = least(times, || rows = decode(&files, &columns));
    // What is looked at before anything is decoded: the metadata, then the header of every page of the mapped columns.
    let metadata = least(times, || {
        for path in &files {
            let file = std::fs::File::open(path).expect("a file");
            ArrowReaderMetadata::load(&file, ArrowReaderOptions::new()).expect("a Parquet file");
        }
    });
    let limits =
        || Limits { memory_bytes: 256 << 20, aside: std::env::temp_dir().join("drawoff-bench-aside") };
    let looked = least(times, || {
        let _ = Intake::open(&readings, &mapping, &cylinders, &limits());
    });
    let days = AtomicU64::new(0);
    let run = |reduce: &(dyn Fn(&str, HomeRows) -> u64 + Sync)| {
        days.store(0, Ordering::Relaxed);
        let mut intake = Intake::open(&readings, &mapping, &cylinders, &limits());
        let take = &mut |_: String, n: u64| {
            days.fetch_add(n, Ordering::Relaxed);
            Ok(())
        };
        intake.each_home(&|_| {}, reduce, take).expect("rows").expect("sound files");
        intake.shares()
    };
    let reduce = |home: &str, rows: HomeRows, follow_water: bool| {
        let settings = Settings { follow_water, ..Settings::default() };
        let Ok(setup) = Setup::new(&cylinders[home], settings) else { return 0 };
        let mut machine = Machine::new(setup, files.len());
        machine.push(&rows);
        machine.finish().days.len() as u64
    };
    let mut shares = (0, false);
    let intake = least(times, || shares = run(&|_, rows| rows.len() as u64));
    let first_pass = least(times, || {
        run(&|home, rows| reduce(home, rows, false));
    });
    let whole = least(times, || {
        run(&|home, rows| reduce(home, rows, true));
    });
    let threads = rayon::current_num_threads();
    let home_days = days.into_inner();
    println!(
        "{} homes, {home_days} home-days, {rows} rows, {} files, {} shares{}, {threads} threads",
        cylinders.len(),
        files.len(),
        shares.0,
        if shares.1 { " written aside" } else { "" }
    );
    for (name, took) in [
        ("plain decode of the same columns", plain),
        ("metadata of the files", metadata),
        ("looking at them: metadata, page headers", looked),
        ("intake: rows by home with masks", intake),
        ("reduction without following the water", first_pass),
        ("reduction whole", whole),
    ] {
        println!(
            "{name:40} {:8.3} s {:7.2} x decode {:11.0} rows/s   processors {:8.2} s {:7.2} x decode",
            took.wall,
            took.wall / plain.wall,
            rows as f64 / took.wall,
            took.cpu,
            took.cpu / plain.cpu
        );
    }
    let core_ms = (whole.cpu - first_pass.cpu) * 1000.0 / home_days as f64;
    println!("following the water: {core_ms:.3} ms of a processor a home-day");
    if let Some(mb) = peak_mb() {
        println!("peak memory: {mb:.0} MB");
    }
}
