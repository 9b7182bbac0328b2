//! Homes grouped by the shape of their day: k-means on square-rooted, unit-length draw patterns; level kept apart.

use linfa::DatasetBase;
use linfa::traits::{Fit, Predict};
use linfa_clustering::KMeans;
use ndarray::Array2;
use rand_xoshiro::Xoshiro256Plus;
use rand_xoshiro::rand_core::SeedableRng;

/// Homes a group should have on average; fewer make groups of chance.
const HOMES_A_GROUP: usize = 12;
/// A planner can keep this many shapes apart.
const MOST_GROUPS: usize = 6;

/// Group of each home; `None` for homes without a full pattern. Patterns are energies by hour, any length, all the same.
///
/// Groups are numbered by size, largest first, so that the numbers mean the same from run to run.
#[must_use]
pub fn habit_groups(patterns: &[Vec<f32>], seed: u64) -> Vec<Option<i64>> {
    let shapes: Vec<Option<Vec<f64>>> = patterns.iter().map(|p| shape(p)).collect();
    let known: Vec<usize> = (0..shapes.len()).filter(|&i| shapes[i].is_some()).collect();
    let groups = (known.len() / HOMES_A_GROUP).min(MOST_GROUPS);
    let mut out = vec![None; patterns.len()];
    if groups < 2 {
        return out;
    }
    let width = shapes[known[0]].as_ref().map_or(0, Vec::len);
    let flat: Vec<f64> = known.iter().filter_map(|&i| shapes[i].clone()).flatten().collect();
    let Ok(records) = Array2::from_shape_vec((known.len(), width), flat) else { return out };
    let data = DatasetBase::from(records);
    let rng = Xoshiro256Plus::seed_from_u64(seed);
    let Ok(model) = KMeans::params_with_rng(groups, rng).n_runs(20).max_n_iterations(200).fit(&data) else {
        return out;
    };
    let labels = model.predict(data.records());
    let mut sizes: Vec<(usize, usize)> =
        (0..groups).map(|g| (labels.iter().filter(|l| **l == g).count(), g)).collect();
    sizes.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(&b.1)));
    for (row, &home) in known.iter().enumerate() {
        let place = sizes.iter().position(|(_, g)| *g == labels[row]).unwrap_or(0);
        out[home] = i64::try_from(place + 1).ok();
    }
    out
}

fn shape(pattern: &[f32]) -> Option<Vec<f64>> {
    // The larger of NaN and 0 is 0: an hour that was never seen would read as an hour without draws.
    if pattern.iter().any(|v| v.is_nan()) {
        return None;
    }
    let roots: Vec<f64> = pattern.iter().map(|v| f64::from(*v).max(0.0).sqrt()).collect();
    let length = roots.iter().map(|v| v * v).sum::<f64>().sqrt();
    (!roots.is_empty() && length.is_finite() && length > 0.0)
        .then(|| roots.iter().map(|v| v / length).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn morning_and_evening_homes_part() {
        let home = |peak: usize, level: f32| -> Vec<f32> {
            (0_usize..24).map(|h| if h.abs_diff(peak) < 2 { level } else { 0.05 * level }).collect()
        };
        let patterns: Vec<Vec<f32>> =
            (0_u8..30).map(|i| home(if i % 3 == 0 { 7 } else { 19 }, 0.5 + f32::from(i))).collect();
        let groups = habit_groups(&patterns, 1);
        assert_eq!(groups[0], Some(2));
        assert_eq!(groups[1], Some(1));
        assert_eq!(groups[3], groups[0]);
    }
}
