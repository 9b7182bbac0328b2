//! Cadence, which end of its interval a stamp names, and whether powers are means.

use crate::sample::{Home, Sample, median, quantile};

/// Timers switch at quarters of an hour (common practice, no source).
const TIMER_MIN: i64 = 15;
/// Fewest starts and stops of heating that say anything.
const FEWEST: usize = 12;
/// Days on which a heater must start at the same minute to be on a timer, and timers that must agree.
const TIMER_DAYS: usize = 5;
const TIMERS: usize = 3;
/// A power between these shares of full is neither on nor off.
const PARTLY: std::ops::Range<f64> = 0.05..0.95;

/// What the stamps mean.
#[derive(Clone, Debug, PartialEq)]
pub struct Stamps {
    /// Minutes between stamps; NaN when there are none.
    pub cadence_min: f64,
    /// Share of the steps that are one cadence.
    pub cadence_share: f64,
    /// Whether stamps end their interval; `None` when nothing tells.
    pub at_end: Option<bool>,
    /// Why.
    pub at_end_reason: String,
    /// Whether powers are means; `None` when nothing tells.
    pub mean: Option<bool>,
    /// Why.
    pub mean_reason: String,
}

/// Reads what stamps mean from the powers of `columns`.
#[must_use]
pub fn read_stamps(sample: &Sample, powers: &[usize]) -> Stamps {
    let steps: Vec<f64> = sample
        .homes
        .iter()
        .flat_map(|h| h.time_ms.windows(2).map(|w| (w[1] - w[0]) as f64 / 60_000.0))
        .filter(|m| *m > 0.0)
        .collect();
    let cadence_min = median(&steps);
    let same = steps.iter().filter(|m| (**m - cadence_min).abs() < 0.02 * cadence_min).count();
    let (mut timers, mut partly, mut edges) = (Vec::new(), 0_usize, 0_usize);
    for home in &sample.homes {
        for &column in powers {
            let mut first_rows = Vec::new();
            starts(home, column, cadence_min, &mut first_rows, &mut partly, &mut edges);
            timers.extend(usual_start(&first_rows));
        }
    }
    let (at_end, at_end_reason) = end_of(&timers, cadence_min);
    let share = partly as f64 / edges.max(1) as f64;
    let (mean, mean_reason) = if edges < FEWEST {
        (None, format!("only {edges} starts of heating seen"))
    } else {
        let told = format!(
            "{:.0} % of {edges} first and last stamps of heating show part of the full power",
            100.0 * share
        );
        (
            if share > 0.35 {
                Some(true)
            } else if share < 0.1 {
                Some(false)
            } else {
                None
            },
            told,
        )
    };
    Stamps {
        cadence_min,
        cadence_share: same as f64 / steps.len().max(1) as f64,
        at_end,
        at_end_reason,
        mean,
        mean_reason,
    }
}

/// Minutes of the hour of the first stamps of runs of heating, and whether edges are partly on.
fn starts(
    home: &Home,
    column: usize,
    cadence: f64,
    first: &mut Vec<i64>,
    partly: &mut usize,
    edges: &mut usize,
) {
    let values = &home.values[column];
    let mut on: Vec<f64> = values.iter().copied().filter(|v| *v > 0.0).collect();
    on.sort_by(f64::total_cmp);
    let full = quantile(&on, 0.75);
    let is_on = |i: usize| values[i] > PARTLY.start * full;
    let joined = |i: usize| (home.time_ms[i] - home.time_ms[i - 1]) as f64 <= 1.5 * cadence * 60_000.0;
    let mut run = 0;
    for i in 1..values.len() {
        if is_on(i) && joined(i) && values[i - 1].is_finite() {
            if !is_on(i - 1) {
                first.push(home.time_ms[i] / 60_000);
                run = i;
            }
        } else {
            // Runs of at least three stamps: shorter ones may be part of one interval.
            if run > 0 && i - run >= 3 {
                *edges += 2;
                *partly += [run, i - 1].iter().filter(|&&e| PARTLY.contains(&(values[e] / full))).count();
            }
            run = 0;
        }
    }
}

/// The minute of the day at which heating starts again and again, as a timer makes it; `None` where no minute stands out.
fn usual_start(starts_min: &[i64]) -> Option<i64> {
    let mut minutes: Vec<i64> = starts_min.iter().map(|m| m.rem_euclid(24 * 60)).collect();
    minutes.sort_unstable();
    let runs = minutes.chunk_by(|a, b| a == b);
    let best = runs.max_by_key(|run| run.len())?;
    (best.len() >= TIMER_DAYS && 5 * best.len() >= minutes.len()).then_some(best[0])
}

fn end_of(timers: &[i64], cadence: f64) -> (Option<bool>, String) {
    let cadence = cadence.round() as i64;
    if !(1..TIMER_MIN).contains(&cadence) {
        return (None, format!("at {cadence} min the starts of timers tell nothing"));
    }
    let at =
        |rest: i64| timers.iter().filter(|m| m.rem_euclid(TIMER_MIN) == rest.rem_euclid(TIMER_MIN)).count();
    let (on_quarter, one_after) = (at(0), at(cadence));
    let told = format!(
        "of {} heaters that start at the same minute day by day {on_quarter} are first on in the row stamped at a quarter of an hour, when timers \
         switch, and {one_after} in the next row",
        timers.len()
    );
    let clear = |more: usize| more >= TIMERS && 5 * more >= 4 * timers.len();
    if clear(one_after) {
        (Some(true), told)
    } else if clear(on_quarter) {
        (Some(false), told)
    } else {
        (None, told)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three homes whose timer switches at 01:00, first seen in the row stamped `first_min` minutes later.
    fn timers(first_min: i64) -> Sample {
        let home = |n: i64| {
            let stamps: Vec<i64> = (0..288 * 8).map(|i| i * 5).collect();
            let power = |m: &i64| {
                let since = (m - 60 - first_min).rem_euclid(24 * 60);
                // The last interval is heated for half of it.
                if since < 90 + 5 * n {
                    3000.0
                } else if since == 90 + 5 * n {
                    1500.0
                } else {
                    0.0
                }
            };
            let values = stamps.iter().map(power).collect();
            Home {
                name: n.to_string(),
                time_ms: stamps.iter().map(|m| m * 60_000).collect(),
                values: vec![values],
            }
        };
        Sample { columns: vec!["x".to_owned()], homes: (0..3).map(home).collect() }
    }

    #[test]
    fn timers_tell_which_end_of_its_interval_a_stamp_names() {
        let read = read_stamps(&timers(5), &[0]);
        assert_eq!((read.cadence_min, read.at_end, read.mean), (5.0, Some(true), Some(true)), "{read:?}");
        assert_eq!(read_stamps(&timers(0), &[0]).at_end, Some(false));
        // Timers off the quarter tell nothing.
        assert_eq!(read_stamps(&timers(10), &[0]).at_end, None);
        assert_eq!(read_stamps(&timers(5), &[]).at_end, None);
    }
}
