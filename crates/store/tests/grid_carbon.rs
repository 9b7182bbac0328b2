//! Five years of a real grid's carbon intensity, hourly, in a foreign layout.
#![expect(clippy::print_stderr, reason = "a test says what it passed over")]

use std::path::{Path, PathBuf};

use drawoff_contract::mapping::{CarbonMapping, UnitColumn};
use drawoff_store::small::read_carbon;

#[test]
fn hourly_intensities_of_great_britain_are_read_without_a_gap() {
    let repository = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let shared =
        std::env::var_os("DRAWOFF_SHARED").map_or_else(|| repository.join("../shared"), PathBuf::from);
    let path = shared.join("grid/gb_carbon_intensity_actual_and_predicted_hourly.parquet");
    if !path.exists() {
        eprintln!("passed over: the series of the British grid is not here (set DRAWOFF_SHARED)");
        return;
    }
    let mapping = CarbonMapping {
        time_column: "DATETIME".to_owned(),
        interval_min: 60.0,
        intensity: UnitColumn { column: "CI_actual".to_owned(), factor: 1.0, offset: 0.0 },
        ..CarbonMapping::default()
    };
    let small = read_carbon(&path, &mapping).unwrap();
    assert_eq!((small.problems, small.remarks), (Vec::new(), Vec::new()));
    // Rows, first hour and first value as the source's own listing has them.
    assert_eq!(small.rows.len(), 50_232);
    assert_eq!((small.rows[0].from.0, small.rows[0].g_per_kwh), (1_578_441_600_000, 87.0));
    assert!(small.rows.windows(2).all(|pair| pair[0].to == pair[1].from));
}
