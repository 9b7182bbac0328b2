//! Usable water against truth, half-hour by half-hour.

use std::collections::BTreeMap;

use drawoff_contract::daybook::DayNote;

use crate::truth::TruthHome;

const HALF_HOUR_MS: i64 = 1_800_000;
/// Fewer half-hours than two days' worth say nothing of a home.
const LEAST_HALF_HOURS: usize = 96;

/// Root mean square error of usable water (at 40 degC from a feed of 10 degC) as a part of the stored volume.
///
/// `None` without truth, without a volume, or with fewer than two days of half-hours known on both sides.
#[must_use]
pub fn usable_error(days: &[DayNote], volume_l: Option<f64>, truth: &TruthHome) -> Option<f64> {
    let volume_l = volume_l.filter(|v| *v > 0.0)?;
    let known: BTreeMap<i64, f64> = truth.usable_litres.iter().copied().collect();
    let squares: Vec<f64> = days
        .iter()
        .flat_map(|day| {
            day.v40_by_half_hour
                .iter()
                .enumerate()
                .map(|(slot, litres)| (day.day_start_utc.0 + (slot as i64 + 1) * HALF_HOUR_MS, *litres))
        })
        .filter_map(|(end_ms, litres)| {
            let error = f64::from(litres) - known.get(&end_ms)?;
            error.is_finite().then_some(error * error)
        })
        .collect();
    (squares.len() >= LEAST_HALF_HOURS)
        .then(|| (squares.iter().sum::<f64>() / squares.len() as f64).sqrt() / volume_l)
}
