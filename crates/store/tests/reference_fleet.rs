//! Both reference fleets in, every row and value accounted for against the files' own metadata.
#![expect(
    clippy::unwrap_used,
    clippy::print_stderr,
    reason = "a test fails by unwrapping, and says what it passed over"
)]

use std::path::{Path, PathBuf};
use std::time::Instant;

use drawoff_contract::account::count_home;
use drawoff_contract::{Account, Channel, Mapping};
use drawoff_store::{Gathered, gather, register, settings};
use parquet::file::reader::{FileReader, SerializedFileReader};

fn repository() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// The reference fleets, or nothing when they are not on this machine.
fn fleet(name: &str) -> Option<PathBuf> {
    let shared =
        std::env::var_os("DRAWOFF_SHARED").map_or_else(|| repository().join("../shared"), PathBuf::from);
    let fleet = shared.join("reference-fleet").join(name);
    if fleet.exists() {
        return Some(fleet);
    }
    eprintln!("passed over: the reference fleet {name} is not here (set DRAWOFF_SHARED)");
    None
}

fn mapping(name: &str) -> Mapping {
    settings::read_mapping(&repository().join("pipelines/mappings").join(name)).unwrap()
}

fn accounts(gathered: &Gathered) -> Vec<Account> {
    let mut accounts: Vec<Account> = gathered.files.iter().map(|f| f.account.clone()).collect();
    for rows in gathered.homes.values() {
        count_home(rows, &mut accounts);
    }
    accounts
}

#[expect(clippy::disallowed_methods, reason = "reads the metadata past the crate under test")]
fn rows_promised(path: &Path) -> u64 {
    let file = std::fs::File::open(path).unwrap();
    let metadata = SerializedFileReader::new(file).unwrap().metadata().clone();
    metadata.file_metadata().num_rows().unsigned_abs()
}

fn check(
    fleet: &Path,
    folder: &str,
    register_file: &str,
    mapping: &Mapping,
    values_per_row: u64,
) -> Gathered {
    let (cylinders, problems) = register::read(&fleet.join(register_file), mapping).unwrap();
    assert_eq!(problems, Vec::new());
    assert_eq!(cylinders.len(), 132);
    let readings = fleet.join(folder);
    let began = Instant::now();
    let gathered = gather(&readings, mapping, &cylinders, &|_| {});
    eprintln!("{} gathered in {:.1} s", fleet.display(), began.elapsed().as_secs_f64());
    assert_eq!(gathered.homes.len(), 132);
    assert!(gathered.unknown_homes.is_empty());
    for (report, account) in gathered.files.iter().zip(accounts(&gathered)) {
        assert_eq!(report.status, Ok(()), "{}", report.path);
        let promised = rows_promised(&readings.join(&report.path));
        assert!(account.is_balanced(), "{}: {account:?}", report.path);
        assert_eq!(account.rows_in, promised, "{}", report.path);
        assert_eq!(account.values_in, promised * values_per_row, "{}", report.path);
        eprintln!("{}: {} rows, {}", report.path, account.rows_in, account.by_reason());
    }
    assert!(gathered.homes.values().all(|rows| rows.time_ms.is_sorted()));
    gathered
}

#[test]
fn wide_fleet_is_accounted_for_to_the_row() {
    let Some(fleet) = fleet("wide") else { return };
    let gathered = check(&fleet, "readings", "assets.csv", &mapping("reference-wide.toml"), 14);
    let late: u64 = gathered.homes.values().map(|r| r.out_of_order).sum();
    eprintln!("late rows {late}");
    let rows = &gathered.homes["K-1051"];
    assert_eq!(rows.time_ms[0], 1_761_955_500_000, "2025-11-01T00:05Z");
    assert!(rows.get(Channel::Probe(5)).is_some() && rows.get(Channel::Probe(6)).is_none());
}

#[test]
fn tall_fleet_is_accounted_for_to_the_row() {
    let Some(fleet) = fleet("tall") else { return };
    let mapping = mapping("reference-tall.toml");
    let gathered = check(&fleet, "points", "register.csv", &mapping, 1);
    let late: u64 = gathered.homes.values().map(|r| r.out_of_order).sum();
    eprintln!("late rows {late}");
    let (cylinders, _) = register::read(&fleet.join("register.csv"), &mapping).unwrap();
    for (home, rows) in &gathered.homes {
        let probes = (0..12).filter(|&i| rows.get(Channel::Probe(i)).is_some()).count();
        assert_eq!(probes, cylinders[home].probe_heights.len(), "{home}");
        assert!(
            cylinders[home].elements.iter().all(|e| rows.get(Channel::Power(e.index)).is_some()),
            "{home}"
        );
    }
    // Water stands hot above cold: the mean top is the warmest, which shows that the order was turned.
    let warmer = gathered.homes.values().filter(|rows| {
        let mean = |i| {
            let used: Vec<f64> =
                (0..rows.len()).map(|r| rows.at(Channel::Probe(i), r)).filter(|v| !v.is_nan()).collect();
            used.iter().sum::<f64>() / used.len() as f64
        };
        mean(0) > mean(4)
    });
    assert!(warmer.count() > 100);
}

#[test]
fn every_mapping_of_the_project_is_valid() {
    for name in ["reference-wide.toml", "reference-tall.toml", "drawoff.toml"] {
        mapping(name);
    }
}
