//! From which end the probes are numbered, and which element is the lower one.

use std::collections::BTreeMap;

use drawoff_contract::mapping::{ProbeOrder, Unit};

use crate::channel::celsius;
use crate::sample::{Home, Sample, mean};

/// Means closer than this say nothing of what lies higher, K: probes are off by some tenths.
const APART_K: f64 = 1.0;
/// Share of neighbours that must agree.
const AGREE: f64 = 0.9;
/// A draw-off that takes this much from the mean of all probes in two stamps, K.
const DRAW_K: f64 = 1.5;

/// The order of probes, and what it stands on.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Order {
    pub(crate) order: ProbeOrder,
    pub(crate) sure: bool,
    pub(crate) reason: String,
}

/// Columns with numbers in their names in the order of these, others as they come.
pub(crate) fn by_number(columns: &[String], wanted: &[usize]) -> Vec<usize> {
    let number = |c: &usize| {
        let digits: String = columns[*c].chars().filter(char::is_ascii_digit).collect();
        digits.parse::<u64>().unwrap_or(u64::MAX)
    };
    let mut sorted = wanted.to_vec();
    sorted.sort_by_key(number);
    sorted
}

/// Reads the order of the probes `columns`, which are numbered as they stand.
pub(crate) fn read_order(sample: &Sample, columns: &[usize], unit: Unit) -> Order {
    let scale = (celsius(unit, 1.0) - celsius(unit, 0.0)).abs();
    let (mut falling, mut rising, mut drawn_last, mut drawn_first) = (0_usize, 0_usize, 0_usize, 0_usize);
    // Homes by neighbours: a single pair the wrong way round must not drown among many.
    let mut pairs: BTreeMap<(usize, usize), i64> = BTreeMap::new();
    for home in &sample.homes {
        let here: Vec<usize> = columns.iter().copied().filter(|&c| has(home, c)).collect();
        let means: Vec<f64> = here.iter().map(|&c| mean(home.values[c].iter().copied()) * scale).collect();
        falling += means.windows(2).filter(|w| w[0] - w[1] > APART_K).count();
        rising += means.windows(2).filter(|w| w[1] - w[0] > APART_K).count();
        for (pair, w) in here.windows(2).zip(means.windows(2)).filter(|(_, w)| (w[0] - w[1]).abs() > APART_K)
        {
            *pairs.entry((pair[0], pair[1])).or_default() += if w[0] > w[1] { 1 } else { -1 };
        }
        let (Some(&first), Some(&last)) = (here.first(), here.last()) else { continue };
        if first == last {
            continue;
        }
        for i in 2..home.time_ms.len() {
            let fall = |c: usize| (home.values[c][i - 2] - home.values[c][i]) * scale;
            if mean(here.iter().map(|&c| fall(c))) > DRAW_K {
                drawn_last += usize::from(fall(last) > fall(first));
                drawn_first += usize::from(fall(first) > fall(last));
            }
        }
    }
    let share = |a: usize, b: usize| a as f64 / (a + b).max(1) as f64;
    let (top_first, last_falls) = (share(falling, rising), share(drawn_last, drawn_first));
    let order = if falling >= rising { ProbeOrder::TopFirst } else { ProbeOrder::BaseFirst };
    let agrees = if falling >= rising { top_first } else { 1.0 - top_first };
    let falls = if falling >= rising { last_falls } else { 1.0 - last_falls };
    let against = pairs.values().filter(|n| **n != 0 && (**n > 0) != (falling >= rising)).count();
    let only_one = columns.len() < 2;
    Order {
        order,
        sure: only_one
            || (against == 0
                && agrees >= AGREE
                && falling + rising > 0
                && (drawn_last + drawn_first < 10 || falls > 0.5)),
        reason: if only_one {
            "there is one probe".to_owned()
        } else {
            format!(
                "{:.0} % of neighbouring probes are colder towards the {}, {against} pairs of columns the other way round at most homes, and cold water reaches that end first in {:.0} % of {} draw-offs",
                100.0 * agrees,
                if falling >= rising { "last" } else { "first" },
                100.0 * falls,
                drawn_last + drawn_first
            )
        },
    }
}

fn has(home: &Home, column: usize) -> bool {
    let there = home.values[column].iter().filter(|v| v.is_finite()).count();
    there * 4 > home.time_ms.len()
}

/// How much of the rise of all probes the lowest third of them takes while only `power` is on; NaN when that was never so.
pub(crate) fn base_share(sample: &Sample, probes_from_base: &[usize], power: usize, others: &[usize]) -> f64 {
    let mut shares = Vec::new();
    for home in &sample.homes {
        let here: Vec<usize> = probes_from_base.iter().copied().filter(|&c| has(home, c)).collect();
        if here.len() < 2 {
            continue;
        }
        let low = &here[..here.len().div_ceil(3)];
        let alone =
            |i: usize| home.values[power][i] > 0.0 && !others.iter().any(|&o| home.values[o][i] > 0.0);
        let rise =
            |of: &[usize], i: usize| mean(of.iter().map(|&c| home.values[c][i] - home.values[c][i - 1]));
        let rows: Vec<usize> =
            (1..home.time_ms.len()).filter(|&i| alone(i) && rise(&here, i) > 0.0).collect();
        let (base, all) =
            (mean(rows.iter().map(|&i| rise(low, i))), mean(rows.iter().map(|&i| rise(&here, i))));
        if all > 0.0 {
            shares.push(base / all);
        }
    }
    crate::sample::median(&shares)
}

/// Of the stamps at which `power` is more than half of full, the share at which `switch` is on; and of those at which the switch is on, the
/// share at which the power is. Over homes that have both.
pub(crate) fn agreement(sample: &Sample, power: usize, switch: usize) -> (f64, f64) {
    let (mut both, mut powered, mut called) = (0_usize, 0_usize, 0_usize);
    for home in &sample.homes {
        let mut on: Vec<f64> = home.values[power].iter().copied().filter(|v| *v > 0.0).collect();
        on.sort_by(f64::total_cmp);
        let half = 0.5 * crate::sample::quantile(&on, 0.8);
        for (p, s) in home.values[power].iter().zip(&home.values[switch]) {
            if p.is_finite() && s.is_finite() {
                let (is_powered, is_called) = (*p > half, *s > 0.0);
                powered += usize::from(is_powered);
                called += usize::from(is_called);
                both += usize::from(is_powered && is_called);
            }
        }
    }
    let share = |of: usize| if of == 0 { 0.0 } else { both as f64 / of as f64 };
    (share(powered), share(called))
}
