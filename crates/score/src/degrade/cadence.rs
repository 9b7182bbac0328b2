//! Longer intervals, as a slower logger would have stored them.

use drawoff_contract::{Channel, HomeRows, Mask, Series};

/// Channels whose value is a mean over the interval.
const MEANS: [Channel; 4] = [Channel::Power(0), Channel::Power(1), Channel::Flow, Channel::Export];
const MINUTE_MS: i64 = 60_000;

/// Rows `minutes` apart, stamps at whole multiples of that.
///
/// Temperatures, switches and the register are those of the row at the stamp; a stamp whose row was lost is lost. Powers and
/// flows are the mean over the interval, null where less than half of it is known. Masked values are left out.
#[must_use]
pub fn coarser(rows: &HomeRows, minutes: u32) -> HomeRows {
    let interval_ms = i64::from(minutes.max(1)) * MINUTE_MS;
    let own_ms = usual_interval_ms(&rows.time_ms).unwrap_or(interval_ms).min(interval_ms);
    let least_known = (interval_ms / own_ms) as usize;
    let mut out = HomeRows { out_of_order: 0, null_columns: rows.null_columns, ..HomeRows::new(rows.shape) };
    let mut series: Vec<Option<Series>> =
        rows.series.iter().map(|s| s.as_ref().map(|_| Series::default())).collect();
    let mut start = 0;
    while start < rows.len() {
        let end_ms = -(-rows.time_ms[start]).div_euclid(interval_ms) * interval_ms;
        let end = start + rows.time_ms[start..].partition_point(|&t| t <= end_ms);
        let stamp_ms = rows.time_ms[end - 1];
        if end_ms - stamp_ms < own_ms {
            let first_at_stamp = start + rows.time_ms[start..end].partition_point(|&t| t < stamp_ms);
            for (slot, (from, to)) in rows.series.iter().zip(&mut series).enumerate() {
                let (Some(from), Some(to)) = (from, to) else { continue };
                let value = if MEANS.iter().any(|c| c.slot() == slot) {
                    mean(from, start..end, least_known)
                } else {
                    (first_at_stamp..end).rev().map(|i| from.used(i)).find(|v| !v.is_nan())
                };
                to.value.push(value.unwrap_or(f64::NAN));
                to.mask.push(if value.is_some() { Mask::Used } else { Mask::Absent });
            }
            out.time_ms.push(stamp_ms);
            out.file.push(rows.file[end - 1]);
        }
        start = end;
    }
    out.series = series;
    out
}

/// Mean of the used values; `None` where they are less than half of what the interval should hold.
fn mean(series: &Series, range: std::ops::Range<usize>, should_be: usize) -> Option<f64> {
    let known: Vec<f64> = range.map(|i| series.used(i)).filter(|v| !v.is_nan()).collect();
    (!known.is_empty() && 2 * known.len() >= should_be)
        .then(|| known.iter().sum::<f64>() / known.len() as f64)
}

/// Median distance of neighbouring stamps.
fn usual_interval_ms(times: &[i64]) -> Option<i64> {
    let mut steps: Vec<i64> = times.windows(2).map(|w| w[1] - w[0]).filter(|&d| d > 0).collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::degrade::made_up::{FIVE_MS, rows};
    use crate::degrade::only;

    #[test]
    fn stamps_are_sampled_and_powers_averaged() {
        let rows = rows(
            7,
            &[
                (Channel::Probe(0), 1.0, 1.0),
                (Channel::Power(0), 100.0, 100.0),
                (Channel::Register, 5.0, 5.0),
            ],
        );
        let poorer = coarser(&rows, 15);
        assert_eq!(poorer.time_ms, [3 * FIVE_MS, 6 * FIVE_MS]);
        assert_eq!((poorer.at(Channel::Probe(0), 0), poorer.at(Channel::Probe(0), 1)), (3.0, 6.0));
        // By hand: (100 + 200 + 300) / 3 and (400 + 500 + 600) / 3.
        assert_eq!((poorer.at(Channel::Power(0), 0), poorer.at(Channel::Power(0), 1)), (200.0, 500.0));
        assert_eq!(poorer.at(Channel::Register, 1), 30.0);
    }

    #[test]
    fn a_lost_stamp_is_lost_and_a_short_mean_is_null() {
        let rows = rows(9, &[(Channel::Probe(0), 1.0, 1.0), (Channel::Power(0), 100.0, 0.0)]);
        // The row at 15 min is lost; of the second interval only the row at its stamp is left.
        let poorer = coarser(&only(&rows, |i| ![2, 3, 4].contains(&i)), 15);
        assert_eq!(poorer.time_ms, [6 * FIVE_MS, 9 * FIVE_MS]);
        assert!(poorer.at(Channel::Power(0), 0).is_nan());
        assert_eq!((poorer.at(Channel::Probe(0), 0), poorer.at(Channel::Power(0), 1)), (6.0, 100.0));
    }

    #[test]
    fn of_doubled_stamps_the_one_that_counts_is_taken() {
        let mut rows = rows(4, &[(Channel::Probe(0), 1.0, 1.0)]);
        rows.time_ms = vec![FIVE_MS, 2 * FIVE_MS, 3 * FIVE_MS, 3 * FIVE_MS];
        if let Some(s) = rows.series[0].as_mut() {
            s.mask[2] = Mask::Duplicate;
        }
        let poorer = coarser(&rows, 15);
        assert_eq!((poorer.len(), poorer.at(Channel::Probe(0), 0)), (1, 4.0));
    }

    #[test]
    fn its_own_interval_changes_nothing() {
        let rows = rows(20, &[(Channel::Probe(0), 1.0, 1.0), (Channel::Power(0), 1.0, 1.0)]);
        assert_eq!(coarser(&rows, 5), rows);
    }
}
