//! Mean carbon intensity of the grid over a period.

use drawoff_contract::Utc;
use drawoff_contract::small_tables::CarbonRow;

/// Share of the period that the series must hold, for its mean to be that of the period: a lost hour in a month is no
/// matter, a lost day is.
pub const COVERED: f64 = 0.99;

/// A mean carbon intensity, and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct MeanIntensity {
    /// Greenhouse gases a kWh, g/kWh.
    pub g_per_kwh: f64,
    /// Whether it is the mean over the period; otherwise it is the mean over the whole series.
    pub of_period: bool,
    /// Which mean it is, in a sentence.
    pub note: String,
}

/// Mean over the period from `from` to `to`, weighted by time, if at least [`COVERED`] of it lies in the series; else
/// over the whole series. `None` without rows. Rows must not overlap; their order sets the order of the sum.
#[must_use]
pub fn mean_intensity(rows: &[CarbonRow], from: Utc, to: Utc) -> Option<MeanIntensity> {
    let first = rows.first()?;
    let what = format!("{}, {}", first.kind, first.basis);
    let (inside_ms, inside_mean) = mean_between(rows, from.0, to.0);
    let period_ms = (to.0 - from.0).max(0);
    let share = if period_ms > 0 { inside_ms as f64 / period_ms as f64 } else { 0.0 };
    if let Some(g_per_kwh) = inside_mean.filter(|_| share >= COVERED) {
        let note = format!("carbon: {g_per_kwh:.0} g/kWh, mean over the run's period ({what})");
        return Some(MeanIntensity { g_per_kwh, of_period: true, note });
    }
    let (_, mean) = mean_between(rows, i64::MIN, i64::MAX);
    let g_per_kwh = mean?;
    let note = format!(
        "carbon: {g_per_kwh:.0} g/kWh, mean over the whole series ({what}), which holds only {:.0} % of the run's period",
        // Rounded down, so that too little never reads as enough.
        (share * 100.0).floor()
    );
    Some(MeanIntensity { g_per_kwh, of_period: false, note })
}

/// Time that the rows hold between two instants, ms, and the mean over it.
fn mean_between(rows: &[CarbonRow], from_ms: i64, to_ms: i64) -> (i64, Option<f64>) {
    let mut held_ms = 0_i64;
    let mut sum = 0.0;
    for row in rows {
        let overlap_ms = row.to.0.min(to_ms) - row.from.0.max(from_ms);
        if overlap_ms > 0 {
            held_ms += overlap_ms;
            sum += overlap_ms as f64 * row.g_per_kwh;
        }
    }
    (held_ms, (held_ms > 0).then(|| sum / held_ms as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    const HALF_HOUR: i64 = 1_800_000;

    fn series(values: &[f64]) -> Vec<CarbonRow> {
        let row = |(i, &g_per_kwh): (usize, &f64)| CarbonRow {
            from: Utc(i as i64 * HALF_HOUR),
            to: Utc((i as i64 + 1) * HALF_HOUR),
            g_per_kwh,
            kind: "average".to_owned(),
            basis: "actual".to_owned(),
        };
        values.iter().enumerate().map(row).collect()
    }

    #[test]
    fn the_period_if_covered_else_the_whole_series() {
        let rows = series(&[100.0, 200.0, 300.0, 600.0]);
        // A quarter of an hour of 200 and a half-hour of 300: (200 + 2 x 300) / 3.
        let mean = mean_intensity(&rows, Utc(HALF_HOUR * 3 / 2), Utc(HALF_HOUR * 3)).unwrap();
        assert!((mean.g_per_kwh - 800.0 / 3.0).abs() < 1e-9 && mean.of_period);
        assert_eq!(mean.note, "carbon: 267 g/kWh, mean over the run's period (average, actual)");
        let mean = mean_intensity(&rows, Utc(0), Utc(HALF_HOUR * 8)).unwrap();
        assert_eq!((mean.g_per_kwh, mean.of_period), (300.0, false));
        assert!(mean.note.contains("holds only 50 % of the run's period"), "{}", mean.note);
        assert_eq!(mean_intensity(&[], Utc(0), Utc(1)), None);
    }

    #[test]
    fn gaps_do_not_pull_the_mean() {
        let mut rows = series(&[100.0; 400]);
        rows[7].g_per_kwh = 900.0;
        rows.remove(7);
        let mean = mean_intensity(&rows, Utc(0), Utc(400 * HALF_HOUR)).unwrap();
        assert_eq!((mean.g_per_kwh, mean.of_period), (100.0, true));
    }
}
