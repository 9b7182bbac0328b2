//! Cadence, which end of its interval a stamp names, and whether powers are means.

use crate::sample::{Home, Sample, median, quantile};

/// Timers switch at quarters of an hour (common practice, no source).
const TIMER_MIN: i64 = 15;
/// Fewest starts and stops of heating that say anything.
const FEWEST: usize = 12;
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
    let (mut first_rows, mut partly, mut edges) = (Vec::new(), 0_usize, 0_usize);
    for home in &sample.homes {
        for &column in powers {
            starts(home, column, cadence_min, &mut first_rows, &mut partly, &mut edges);
        }
    }
    let (at_end, at_end_reason) = end_of(&first_rows, cadence_min);
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

fn end_of(starts_min: &[i64], cadence: f64) -> (Option<bool>, String) {
    let cadence = cadence.round() as i64;
    if !(1..TIMER_MIN).contains(&cadence) || starts_min.len() < FEWEST {
        return (None, format!("{} starts of heating at {cadence} min tell nothing", starts_min.len()));
    }
    let at = |rest: i64| {
        starts_min.iter().filter(|m| m.rem_euclid(TIMER_MIN) == rest.rem_euclid(TIMER_MIN)).count()
    };
    let (on_quarter, one_after) = (at(0), at(cadence));
    let expected = starts_min.len() as f64 * cadence as f64 / TIMER_MIN as f64;
    let told = format!(
        "of {} starts of heating {on_quarter} are stamped at a quarter of an hour and {one_after} one interval after",
        starts_min.len()
    );
    let clear = |more: usize, less: usize| {
        more as f64 > 1.3 * expected && more as f64 > 1.3 * less as f64 && more >= FEWEST
    };
    if clear(one_after, on_quarter) {
        (Some(true), format!("{told}, as timers switch at quarters"))
    } else if clear(on_quarter, one_after) {
        (Some(false), format!("{told}, as timers switch at quarters"))
    } else {
        (None, told)
    }
}
