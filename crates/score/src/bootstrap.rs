//! Intervals by resampling homes: what the figure would be on other homes of the same kind.
//!
//! Percentile bootstrap, Efron, Ann. Stat. 7 (1979) 1-26, from memory. Homes are drawn whole, since the readings of one home
//! share its errors.

use drawoff_contract::seed::seed;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::errors::{median, quantile};

/// Replicates: the 2.5 % and 97.5 % points need a thousand.
const REPLICATES: usize = 1000;
/// Fewer homes than this give no interval: their resamples hardly differ.
pub const LEAST_HOMES: usize = 5;

/// 95 % interval of a figure of `homes` homes; `figure` is given the positions that were drawn.
///
/// `None` with fewer than [`LEAST_HOMES`] homes, or where fewer than half of the replicates have the figure. The same
/// `purpose` and number of homes draw the same positions.
#[must_use]
pub fn interval(homes: usize, purpose: &str, figure: impl Fn(&[usize]) -> Option<f64>) -> Option<(f64, f64)> {
    if homes < LEAST_HOMES {
        return None;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(seed(homes as u64, purpose, "bootstrap"));
    let mut drawn = vec![0_usize; homes];
    let mut figures = Vec::with_capacity(REPLICATES);
    for _ in 0..REPLICATES {
        drawn.iter_mut().for_each(|position| *position = rng.random_range(0..homes));
        figures.extend(figure(&drawn).filter(|f| f.is_finite()));
    }
    if figures.len() < REPLICATES / 2 {
        return None;
    }
    quantile(&figures, 0.025).zip(quantile(&figures, 0.975))
}

/// 95 % interval of the median of one value a home.
#[must_use]
pub fn median_interval(values: &[f64], purpose: &str) -> Option<(f64, f64)> {
    interval(values.len(), purpose, |drawn| median(&drawn.iter().map(|&i| values[i]).collect::<Vec<_>>()))
}

/// 95 % interval of the mean of one value a home.
#[must_use]
pub fn mean_interval(values: &[f64], purpose: &str) -> Option<(f64, f64)> {
    let n = values.len() as f64;
    interval(values.len(), purpose, |drawn| Some(drawn.iter().map(|&i| values[i]).sum::<f64>() / n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_homes_have_no_interval() {
        assert_eq!(median_interval(&[0.1, 0.2, 0.3, 0.4], "loss"), None);
        assert_eq!(interval(50, "nothing", |_| None), None);
    }

    #[test]
    fn equal_homes_leave_no_doubt() {
        assert_eq!(median_interval(&[0.2; 30], "loss"), Some((0.2, 0.2)));
    }

    #[test]
    fn the_mean_of_many_homes_is_as_sure_as_theory_says() {
        // 0, 1, ..., 399: standard error of the mean is 115.47 / 20 = 5.77, so the interval is 199.5 -+ 11.3.
        let values: Vec<f64> = (0..400).map(f64::from).collect();
        let (low, high) = mean_interval(&values, "mean").unwrap();
        assert!((low - 188.2).abs() < 1.5 && (high - 210.8).abs() < 1.5, "{low} {high}");
    }

    #[test]
    fn the_interval_holds_the_truth_about_as_often_as_it_says() {
        // 300 sets of 40 values of a flat distribution whose median is 0.5.
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let holds = (0..300)
            .filter(|set| {
                let values: Vec<f64> = (0..40).map(|_| rng.random::<f64>()).collect();
                let (low, high) = median_interval(&values, &set.to_string()).unwrap();
                (low..=high).contains(&0.5)
            })
            .count();
        assert!((270..=298).contains(&holds), "{holds} of 300");
    }
}
