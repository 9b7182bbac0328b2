//! Whether columns that look like water are probes of one cylinder: they keep their places above one another, and are as many as the register lists.

use std::collections::BTreeMap;

use crate::sample::{Home, Sample, mean, median};

/// Stored water is nowhere colder than below (but for seconds), so two probes out of their order by more than this are not two heights of one
/// cylinder, K: probes are off by some tenths, and short stirring turns a kelvin.
const OUT_OF_ORDER_K: f64 = 2.5;
/// Share of the stamps at which a column may be out of its order; a mended or swapped probe is so at one home, not at the middle one.
const SELDOM: f64 = 0.1;
/// Fewest stamps of a home that say anything.
const FEWEST: usize = 100;

/// Columns among `probes` that do not keep their places, as one who does not belong there would.
pub(crate) fn out_of_place(sample: &Sample, probes: &[usize], scale: f64) -> Vec<usize> {
    let mut left: Vec<usize> = probes.to_vec();
    let mut out = Vec::new();
    // The worst first: beside it, its neighbours seem to be out of order too.
    while left.len() > 1 {
        let worst = left
            .iter()
            .map(|&c| (share_out(sample, &left, c, scale), c))
            .filter(|(share, _)| *share > SELDOM)
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, column)) = worst else { break };
        left.retain(|c| *c != column);
        out.push(column);
    }
    out
}

/// Share of its stamps at which a column is out of its order with any other, at the middle home.
fn share_out(sample: &Sample, probes: &[usize], column: usize, scale: f64) -> f64 {
    let shares: Vec<f64> =
        sample.homes.iter().filter_map(|home| share_of_home(home, probes, column, scale)).collect();
    median(&shares)
}

fn share_of_home(home: &Home, probes: &[usize], column: usize, scale: f64) -> Option<f64> {
    let own = &home.values[column];
    let own_mean = mean(own.iter().copied());
    let others: Vec<(&Vec<f64>, bool)> = probes
        .iter()
        .filter(|&&c| c != column)
        .map(|&c| (&home.values[c], mean(home.values[c].iter().copied()) > own_mean))
        .collect();
    let (mut all, mut out) = (0_usize, 0_usize);
    for (i, value) in own.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        all += 1;
        let apart = |(values, is_above): &(&Vec<f64>, bool)| {
            let over = (value - values[i]) * scale;
            if *is_above { over > OUT_OF_ORDER_K } else { -over > OUT_OF_ORDER_K }
        };
        out += usize::from(others.iter().any(apart));
    }
    (all >= FEWEST).then(|| out as f64 / all as f64)
}

/// Columns of water and heights of the register at the homes that have both, where most of them differ.
pub(crate) fn not_as_listed(
    sample: &Sample,
    probes: &[usize],
    heights: &BTreeMap<String, usize>,
) -> Option<(usize, usize)> {
    let here = |home: &Home| {
        probes.iter().filter(|&&c| home.values[c].iter().filter(|v| v.is_finite()).count() >= FEWEST).count()
    };
    let counts: Vec<(usize, usize)> =
        sample.homes.iter().filter_map(|home| Some((here(home), *heights.get(&home.name)?))).collect();
    let differ: Vec<&(usize, usize)> = counts.iter().filter(|(a, b)| a != b).collect();
    (2 * differ.len() > counts.len()).then(|| *differ[0])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A cylinder of three probes whose middle is hot half of the time, and a humidity between them.
    fn sample() -> Sample {
        let rows = 400;
        let hot = |i: usize| if (i / 40_usize).is_multiple_of(2) { 58.0 } else { 30.0 };
        let values = vec![
            (0..rows).map(|_| 60.0).collect(),
            (0..rows).map(hot).collect(),
            (0..rows).map(|_| 20.0).collect(),
            (0..rows).map(|i| 40.0 + (i % 23) as f64).collect(),
        ];
        let columns = ["a", "b", "c", "humid"].map(str::to_owned).to_vec();
        let home =
            Home { name: "x".to_owned(), time_ms: (0..rows as i64).map(|i| i * 300_000).collect(), values };
        Sample { columns, homes: vec![home] }
    }

    #[test]
    fn what_is_no_water_does_not_keep_its_place() {
        let sample = sample();
        assert_eq!(out_of_place(&sample, &[0, 1, 2], 1.0), Vec::<usize>::new());
        assert_eq!(out_of_place(&sample, &[0, 1, 2, 3], 1.0), [3]);
    }

    #[test]
    fn the_register_counts_the_probes() {
        let sample = sample();
        let heights = BTreeMap::from([("x".to_owned(), 3)]);
        assert_eq!(not_as_listed(&sample, &[0, 1, 2], &heights), None);
        assert_eq!(not_as_listed(&sample, &[0, 1, 2, 3], &heights), Some((4, 3)));
        assert_eq!(not_as_listed(&sample, &[0, 1, 2, 3], &BTreeMap::new()), None);
    }
}
