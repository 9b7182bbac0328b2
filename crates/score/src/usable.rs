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
    let half_hours = days.iter().flat_map(|day| {
        let slots = day.v40_by_half_hour.iter().enumerate();
        slots.map(|(slot, litres)| {
            (day.day_start_utc.0 + (slot as i64 + 1) * HALF_HOUR_MS, f64::from(*litres))
        })
    });
    error(half_hours, volume_l.filter(|v| *v > 0.0)?, truth)
}

/// The error of estimates at the ends of half-hours, UTC milliseconds; NaN is no estimate.
fn error(half_hours: impl Iterator<Item = (i64, f64)>, volume_l: f64, truth: &TruthHome) -> Option<f64> {
    let known: BTreeMap<i64, f64> = truth.usable_litres.iter().copied().collect();
    let squares: Vec<f64> = half_hours
        .filter_map(|(end_ms, litres)| Some((litres - known.get(&end_ms)?).powi(2)))
        .filter(|square| square.is_finite())
        .collect();
    (squares.len() >= LEAST_HALF_HOURS)
        .then(|| (squares.iter().sum::<f64>() / squares.len() as f64).sqrt() / volume_l)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::card::made_up::truth_home;

    #[test]
    fn only_half_hours_known_on_both_sides_count() {
        let at = |i: i64| i * HALF_HOUR_MS;
        let truth = TruthHome { usable_litres: (0..120).map(|i| (at(i), 200.0)).collect(), ..truth_home() };
        // Six and eight litres off in turn: by hand, the square root of (36 + 64) / 2 over 180 l.
        let off = |i: i64| if i % 2 == 0 { 6.0 } else { -8.0 };
        let estimates = |count: i64| (0..count).map(move |i| (at(i), 200.0 + off(i)));
        let not_known = [(at(500), 0.0), (at(3), f64::NAN)];
        let found = error(estimates(100).chain(not_known), 180.0, &truth).unwrap();
        assert!((found - 50.0_f64.sqrt() / 180.0).abs() < 1e-12, "{found}");
        assert_eq!(error(estimates(95), 180.0, &truth), None);
        assert_eq!(error(estimates(100), 180.0, &truth_home()), None);
    }
}
