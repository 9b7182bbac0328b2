//! The tapping profiles of this crate are those of Commission Regulation (EU) No 814/2013, Annex III, table 1.
#![expect(clippy::disallowed_methods, reason = "a test reads published data without the store")]
#![expect(clippy::print_stderr, reason = "a test that is passed over says so")]

use std::path::{Path, PathBuf};

use drawoff_synth::{TappingDraw, TappingProfile};

/// A line: profile, number, time, kWh, l/min, useful and peak temperature (empty where there is none).
fn draw(line: &str) -> Option<TappingDraw> {
    let cells: Vec<&str> = line.split(',').collect();
    let (hour, minute) = cells.get(2)?.split_once(':')?;
    Some(TappingDraw {
        minute: hour.parse::<u32>().ok()? * 60 + minute.parse::<u32>().ok()?,
        kwh: cells.get(3)?.parse().ok()?,
        l_per_min: cells.get(4)?.parse().ok()?,
        useful_degc: cells.get(5)?.parse().ok()?,
        peak_degc: cells.get(6)?.parse().ok(),
    })
}

#[test]
fn profiles_are_those_of_the_regulation() {
    let shared = std::env::var_os("DRAWOFF_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared"), PathBuf::from);
    let path = shared.join("reference/tapping_profiles.csv");
    if !path.is_file() {
        eprintln!("passed over: {} is absent", path.display());
        return;
    }
    let text = std::fs::read_to_string(path).unwrap_or_default();
    for profile in TappingProfile::ALL {
        let lines = text.lines().filter(|line| line.split(',').next() == Some(profile.code()));
        let table: Vec<TappingDraw> = lines.filter_map(draw).collect();
        assert_eq!(profile.draws(), table, "{profile:?}");
    }
}
