//! Homes grouped by the shape of their day: k-means on square-rooted, unit-length draw patterns; level kept apart.
//!
//! The square root keeps one peak from deciding alone, and unit length takes the level out. So many groups are made as can be
//! found again: the homes are resampled with replacement, grouped anew, and both groupings compared over all homes by the
//! adjusted Rand index (L. Hubert and P. Arabie, Journal of Classification 2 (1985) 193-218). That index forgives one group split by
//! chance among several true ones, so each group must be found again by itself too, by its Jaccard index (C. Hennig,
//! Computational Statistics and Data Analysis 52 (2007) 258-271, whose limit 0.75 is taken). Both from memory.

use std::collections::BTreeMap;

use linfa::DatasetBase;
use linfa::traits::Fit;
use linfa_clustering::KMeans;
use ndarray::{Array2, ArrayView1};
use rand_xoshiro::Xoshiro256Plus;
use rand_xoshiro::rand_core::{RngCore, SeedableRng};
use rayon::prelude::*;

/// Homes a group should have on average; fewer make groups of chance.
const HOMES_A_GROUP: usize = 12;
/// A planner can keep this many shapes apart.
const MOST_GROUPS: usize = 10;
/// Fewer groups than this tell a large fleet little.
const WANTED_GROUPS: usize = 4;
/// Groupings of resampled homes agree at least so well where the groups are there: adjusted Rand index.
const STABLE: f64 = 0.8;
/// Each single group is found again at least so well: mean Jaccard index with the likest group of a resampling.
const STABLE_EACH: f64 = 0.75;
/// Resamplings of the homes.
const RESAMPLINGS: usize = 20;
/// After so many resamplings a number of groups that agrees worse than [`HOPELESS`] is given up.
const FIRST_LOOK: usize = 4;
/// About two thirds of the agreement that is asked for.
const HOPELESS: f64 = 0.55;
/// Starts of the grouping that is kept, and of those that are compared.
const STARTS: (usize, usize) = (50, 6);
/// So many homes, evenly taken, are grouped; the others join the nearest group. More would cost time and change nothing.
const MOST_FITTED: usize = 600;

/// Too few homes for two groups.
pub const TOO_FEW_HOMES: &str = "groups.too_few_homes";
/// No number of groups from two on is found again when homes are resampled.
pub const NO_STABLE_SPLIT: &str = "groups.no_stable_split";
/// Only two or three groups are found again, though the homes would do for four.
pub const FEWER_THAN_FOUR: &str = "groups.fewer_than_four";

/// Homes grouped by shape.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Groups {
    /// Group of each home, from 1, largest first; `None` for homes without a full pattern. All 1 where no split is stable.
    pub of_home: Vec<Option<i64>>,
    /// Index of the home in the middle of each group: the one with the least sum of squared distances to the others.
    pub medoids: Vec<usize>,
    /// Mean adjusted Rand index against groupings of resampled homes; `None` of one group.
    pub stability: Option<f64>,
    /// What limits the grouping; empty when nothing does.
    pub verdict: &'static str,
    /// Centre of each group, in the order of their numbers; empty where no split is stable.
    centres: Vec<Vec<f64>>,
}

impl Groups {
    /// The group of any home by its pattern, as for the homes that the groups were made of; `None` without a full pattern.
    #[must_use]
    pub fn group_of(&self, pattern: &[f32]) -> Option<i64> {
        let row = shape(pattern)?;
        let nearest = (0..self.centres.len())
            .min_by(|&a, &b| apart(&row, &self.centres[a]).total_cmp(&apart(&row, &self.centres[b])));
        i64::try_from(nearest.unwrap_or(0) + 1).ok()
    }
}

/// Groups homes by their patterns: energies by hour and kind of day, any length, all the same; NaN where an hour was never seen.
///
/// The number of groups is the largest up to 10 (and one for each 12 homes) that is found again in resampled homes; the same
/// seed gives the same groups.
#[must_use]
pub fn habit_groups(patterns: &[Vec<f32>], seed: u64) -> Groups {
    let shapes: Vec<Option<Vec<f64>>> = patterns.iter().map(|p| shape(p)).collect();
    let known: Vec<usize> = (0..shapes.len()).filter(|&i| shapes[i].is_some()).collect();
    let rows: Vec<&[f64]> = shapes.iter().flatten().map(Vec::as_slice).collect();
    let most = (known.len() / HOMES_A_GROUP).min(MOST_GROUPS);
    let mut verdict = if most < 2 { TOO_FEW_HOMES } else { NO_STABLE_SPLIT };
    let (mut labels, mut stability, mut middles) = (vec![0; rows.len()], None, Vec::new());
    let step = rows.len().div_ceil(MOST_FITTED).max(1);
    let fitted: Vec<&[f64]> = rows.iter().step_by(step).copied().collect();
    for groups in (2..=most).rev() {
        let Some(first) = centres(&fitted, groups, STARTS.1, seed) else { continue };
        let agreement = agreement(&fitted, &nearest(&fitted, &first), groups, seed);
        if agreement.overall >= STABLE && agreement.least_of_group >= STABLE_EACH {
            let centres = centres(&fitted, groups, STARTS.0, seed).unwrap_or(first);
            labels = nearest(&rows, &centres);
            middles = centres.outer_iter().map(|c| c.to_vec()).collect();
            stability = Some(agreement.overall);
            verdict = if groups < WANTED_GROUPS && most >= WANTED_GROUPS { FEWER_THAN_FOUR } else { "" };
            break;
        }
    }
    let mut groups = numbered(&known, &rows, &labels, patterns.len(), stability, verdict);
    // Labels count the centres, numbers count the groups from the largest.
    let label_of = |medoid: &usize| known.binary_search(medoid).ok().map(|row| labels[row]);
    groups.centres =
        groups.medoids.iter().filter_map(label_of).filter_map(|l| middles.get(l).cloned()).collect();
    groups
}

/// Groups numbered by size, so that the numbers mean the same from run to run.
fn numbered(
    known: &[usize],
    rows: &[&[f64]],
    labels: &[usize],
    homes: usize,
    stability: Option<f64>,
    verdict: &'static str,
) -> Groups {
    let mut members: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (row, label) in labels.iter().enumerate() {
        members.entry(*label).or_default().push(row);
    }
    let mut by_size: Vec<Vec<usize>> = members.into_values().collect();
    by_size.sort_by(|a, b| b.len().cmp(&a.len()).then(a[0].cmp(&b[0])));
    let mut out =
        Groups { of_home: vec![None; homes], medoids: Vec::new(), stability, verdict, centres: Vec::new() };
    for (place, group) in by_size.iter().enumerate() {
        for &row in group {
            out.of_home[known[row]] = i64::try_from(place + 1).ok();
        }
        // The sum of squared distances to the members is least where that to their mean is.
        let mean: Vec<f64> = (0..rows[group[0]].len())
            .map(|c| group.iter().map(|&r| rows[r][c]).sum::<f64>() / group.len() as f64)
            .collect();
        let middle = group.iter().min_by(|a, b| apart(rows[**a], &mean).total_cmp(&apart(rows[**b], &mean)));
        out.medoids.extend(middle.map(|&row| known[row]));
    }
    out
}

/// Centres of `groups` groups; `None` where k-means fails.
fn centres(rows: &[&[f64]], groups: usize, starts: usize, seed: u64) -> Option<Array2<f64>> {
    let width = rows.first()?.len();
    let records = Array2::from_shape_vec((rows.len(), width), rows.concat()).ok()?;
    let rng = Xoshiro256Plus::seed_from_u64(seed);
    let data = DatasetBase::from(records);
    let model = KMeans::params_with_rng(groups, rng).n_runs(starts).max_n_iterations(100).fit(&data).ok()?;
    Some(model.centroids().clone())
}

fn nearest(rows: &[&[f64]], centres: &Array2<f64>) -> Vec<usize> {
    let distance = |row: &[f64], centre: ArrayView1<'_, f64>| {
        row.iter().zip(centre).map(|(a, b)| (a - b) * (a - b)).sum::<f64>()
    };
    rows.iter()
        .map(|row| {
            let distances: Vec<f64> = centres.outer_iter().map(|c| distance(row, c)).collect();
            (0..distances.len()).min_by(|&a, &b| distances[a].total_cmp(&distances[b])).unwrap_or(0)
        })
        .collect()
}

fn apart(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum()
}

/// How well groups are found again in resampled homes, means over the resamplings.
#[derive(Clone, Debug)]
struct Agreement {
    /// Adjusted Rand index over all homes.
    overall: f64,
    /// The group that is found again worst: Jaccard index with the likest group.
    least_of_group: f64,
}

fn agreement(rows: &[&[f64]], labels: &[usize], groups: usize, seed: u64) -> Agreement {
    let of_one = |number: usize| -> (f64, Vec<f64>) {
        let mut rng =
            Xoshiro256Plus::seed_from_u64(seed ^ (number as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        let drawn: Vec<&[f64]> =
            (0..rows.len()).map(|_| rows[(rng.next_u64() % rows.len() as u64) as usize]).collect();
        match centres(&drawn, groups, STARTS.1, rng.next_u64()) {
            Some(c) => {
                let again = nearest(rows, &c);
                (adjusted_rand(labels, &again), jaccard(labels, &again, groups))
            }
            None => (0.0, vec![0.0; groups]),
        }
    };
    let run = |range: std::ops::Range<usize>| range.into_par_iter().map(of_one).collect::<Vec<_>>();
    let mean = |found: &[(f64, Vec<f64>)]| {
        let n = found.len() as f64;
        let of_group = |g: usize| found.iter().map(|f| f.1[g]).sum::<f64>() / n;
        Agreement {
            overall: found.iter().map(|f| f.0).sum::<f64>() / n,
            least_of_group: (0..groups).map(of_group).fold(1.0, f64::min),
        }
    };
    let mut found = run(0..FIRST_LOOK);
    let first = mean(&found);
    if first.overall >= HOPELESS && first.least_of_group >= HOPELESS {
        found.extend(run(FIRST_LOOK..RESAMPLINGS));
    }
    mean(&found)
}

/// For each group of `a`: homes shared with the likest group of `b`, over the homes in either.
fn jaccard(a: &[usize], b: &[usize], groups: usize) -> Vec<f64> {
    let mut both = vec![vec![0_u32; groups]; groups];
    a.iter().zip(b).for_each(|(&x, &y)| both[x][y] += 1);
    let in_b: Vec<u32> = (0..groups).map(|y| both.iter().map(|row| row[y]).sum()).collect();
    let likest = |row: &Vec<u32>| {
        let in_a: u32 = row.iter().sum();
        let share = |(y, n): (usize, &u32)| f64::from(*n) / f64::from((in_a + in_b[y] - n).max(1));
        row.iter().enumerate().map(share).fold(0.0, f64::max)
    };
    both.iter().map(likest).collect()
}

/// Agreement of two groupings of the same homes beyond chance: 1 when they are the same, 0 on average by chance.
fn adjusted_rand(a: &[usize], b: &[usize]) -> f64 {
    let mut cells: BTreeMap<(usize, usize), f64> = BTreeMap::new();
    let (mut rows, mut columns) = (BTreeMap::<usize, f64>::new(), BTreeMap::<usize, f64>::new());
    for (&x, &y) in a.iter().zip(b) {
        *cells.entry((x, y)).or_default() += 1.0;
        *rows.entry(x).or_default() += 1.0;
        *columns.entry(y).or_default() += 1.0;
    }
    let pairs = |n: f64| n * (n - 1.0) / 2.0;
    let both: f64 = cells.values().map(|n| pairs(*n)).sum();
    let (in_a, in_b): (f64, f64) =
        (rows.values().map(|n| pairs(*n)).sum(), columns.values().map(|n| pairs(*n)).sum());
    let by_chance = in_a * in_b / pairs(a.len() as f64);
    let most = 0.5 * (in_a + in_b);
    if (most - by_chance).abs() < 1e-12 { 1.0 } else { (both - by_chance) / (most - by_chance) }
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
    use rand::{RngExt, SeedableRng as _};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    /// Homes that draw at one of the hours given, each with a scatter of its own by hour, at any level.
    fn homes(peaks: &[usize], each: usize, scatter: f64, seed: u64) -> Vec<Vec<f32>> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..each * peaks.len())
            .map(|i| {
                let level = 0.5 + 4.0 * rng.random::<f64>();
                let hours = 0..72_usize;
                hours
                    .map(|h| {
                        let near = (h % 24).abs_diff(peaks[i % peaks.len()]);
                        let usual = if near < 2 { 1.0 } else { 0.08 };
                        (level * usual * (1.0 + scatter * (2.0 * rng.random::<f64>() - 1.0))) as f32
                    })
                    .collect()
            })
            .collect()
    }

    #[test]
    fn known_groups_are_found_whatever_their_level() {
        let found = habit_groups(&homes(&[6, 9, 13, 17, 21], 30, 0.6, 1), 1);
        assert_eq!(found.medoids.len(), 5);
        assert_eq!(found.verdict, "");
        assert!(found.stability.unwrap() > 0.95);
        for i in 0..150 {
            assert_eq!(found.of_home[i], found.of_home[i % 5], "home {i}");
            // Each group is shown by one of its own homes.
            let group = usize::try_from(found.of_home[i].unwrap()).unwrap();
            assert_eq!(found.medoids[group - 1] % 5, i % 5);
        }
    }

    #[test]
    fn two_groups_of_a_large_fleet_are_two_and_said_to_be_few() {
        let found = habit_groups(&homes(&[7, 19], 60, 0.5, 2), 1);
        assert_eq!((found.medoids.len(), found.verdict), (2, FEWER_THAN_FOUR));
    }

    #[test]
    fn noise_has_no_groups() {
        for seed in 0..4 {
            let found = habit_groups(&homes(&[12], 120, 1.0, seed), seed);
            assert!(found.medoids.len() <= 2, "{} groups of noise", found.medoids.len());
            assert!(found.verdict == NO_STABLE_SPLIT || found.verdict == FEWER_THAN_FOUR);
        }
    }

    #[test]
    fn a_few_homes_are_one_group_and_an_unseen_hour_is_none() {
        let mut patterns = homes(&[7, 19], 8, 0.3, 3);
        patterns[4][20] = f32::NAN;
        let found = habit_groups(&patterns, 1);
        assert_eq!((found.medoids.len(), found.verdict, found.stability), (1, TOO_FEW_HOMES, None));
        assert_eq!((found.of_home[4], found.of_home[0]), (None, Some(1)));
        assert_eq!(habit_groups(&[], 1).of_home, []);
    }

    #[test]
    fn the_order_of_other_seeds_gives_the_same_groups() {
        let patterns = homes(&[6, 12, 18], 30, 0.5, 4);
        assert_eq!(habit_groups(&patterns, 1), habit_groups(&patterns, 1));
        let (a, b) = (habit_groups(&patterns, 1), habit_groups(&patterns, 2));
        assert_eq!(a.of_home, b.of_home);
    }

    #[test]
    fn a_group_split_by_chance_is_seen_where_the_overall_index_forgives_it() {
        let a: Vec<usize> = (0..120).map(|i| if i % 4 == 3 && i < 60 { 3 } else { i % 3 }).collect();
        let b: Vec<usize> = (0..120).map(|i| if i % 4 == 1 && i < 60 { 3 } else { i % 3 }).collect();
        assert!(jaccard(&a, &b, 4).into_iter().fold(1.0, f64::min) < 0.3);
        assert_eq!(jaccard(&a, &a, 4), [1.0; 4]);
    }

    #[test]
    fn the_index_is_that_of_the_textbook() {
        assert!((adjusted_rand(&[0, 0, 1, 1], &[5, 5, 2, 2]) - 1.0).abs() < 1e-12);
        // By hand: cells (2, 1, 1), 1 pair together in both; rows 2 and 2: 2 pairs; columns 3 and 1: 3 pairs; 6 pairs in all:
        // (1 - 2 * 3 / 6) / (2.5 - 1) = 0.
        assert!(adjusted_rand(&[0, 0, 1, 1], &[0, 0, 0, 1]).abs() < 1e-12);
    }
}
