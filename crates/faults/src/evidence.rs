//! Evidence that adds up: log-likelihood ratios over independent windows, and when it began.
//!
//! One window is one day or one heat, whatever repeats by itself. Its value is weighed between two normal laws of the same
//! scatter: a sound home's, and one as far over the limit as the sound home is under it. No window counts for more than
//! [`MOST_A_WINDOW`], so that one odd day can never call a visit.

use drawoff_homes::robust::scatter;

/// Most that one window may add or take away, natural log of the odds.
pub const MOST_A_WINDOW: f64 = 1.6;
/// What has been shown before is forgotten beyond this: a mended fault is cleared within a week.
const MOST_REMEMBERED: f64 = 10.0;
/// Windows that must speak for a fault that is no matter of safety.
pub const LEAST_WINDOWS: usize = 3;
/// Fall of the log-likelihood at the ends of a 95 % interval (half the 95 % point of chi-square with one degree of freedom).
const INTERVAL_FALL: f64 = 1.92;

/// What a series of windows shows at its end.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sequence {
    /// Windows since the earliest onset that speak for the fault.
    pub windows: usize,
    /// Sum of the log-likelihood ratios since the onset, never below 0.
    pub log_odds: f64,
    /// Standard error of the mean of the windows since the onset, in the values' unit.
    pub standard_error: f64,
    /// Chance of a mean so high if the true one were at the limit.
    pub p_value: f64,
    /// Most likely first window of the fault.
    pub onset: Option<usize>,
    /// Earliest and latest first window that the likelihood allows.
    pub onset_range: Option<(usize, usize)>,
}

/// Weighs the windows in order, NaN where one says nothing. Larger is worse; `sound` is what a sound home shows, `limit`
/// the least fault, `noise` the least scatter of one window, all in the values' unit.
///
/// ```
/// use drawoff_faults::evidence::sequence;
/// let mut days = vec![0.1; 10];
/// days.extend([1.0; 5]);
/// let shown = sequence(&days, 0.0, 0.6, 0.2);
/// assert_eq!((shown.onset, shown.windows), (Some(10), 5));
/// assert!(shown.log_odds > 4.6); // odds of a hundred
/// ```
#[must_use]
pub fn sequence(values: &[f64], sound: f64, limit: f64, noise: f64) -> Sequence {
    let known: Vec<usize> = (0..values.len()).filter(|&i| !values[i].is_nan()).collect();
    // Differences of neighbours keep a step out of the scatter.
    let differences: Vec<f64> = known.windows(2).map(|w| values[w[1]] - values[w[0]]).collect();
    let spread = (scatter(&differences) / std::f64::consts::SQRT_2).max(noise);
    let spread = if spread.is_nan() { noise } else { spread };
    let ratio = |i: usize| {
        (2.0 * (limit - sound) * (values[i] - limit) / (spread * spread)).clamp(-MOST_A_WINDOW, MOST_A_WINDOW)
    };
    let (mut sum, mut start) = (0.0, known.len());
    for (place, &i) in known.iter().enumerate() {
        if sum <= 0.0 {
            start = place;
        }
        sum = (sum + ratio(i)).clamp(0.0, MOST_REMEMBERED);
    }
    if sum <= 0.0 {
        return Sequence { p_value: 1.0, standard_error: f64::NAN, ..Sequence::default() };
    }
    // The likelihood of a start at each place: what all windows from there on add up to.
    let mut after = 0.0;
    let mut at_place = vec![0.0; known.len()];
    for place in (start..known.len()).rev() {
        after += ratio(known[place]);
        at_place[place] = after;
    }
    let places = start..known.len();
    let best =
        places.clone().max_by(|a, b| at_place[*a].total_cmp(&at_place[*b]).then(b.cmp(a))).unwrap_or(start);
    let allowed = |place: &usize| at_place[*place] >= at_place[best] - INTERVAL_FALL;
    let first = places.clone().find(allowed).unwrap_or(best);
    let last = places.rev().find(allowed).unwrap_or(best);
    let since = &known[best..];
    let n = since.len() as f64;
    let mean = since.iter().map(|&i| values[i]).sum::<f64>() / n;
    let standard_error = spread / n.sqrt();
    Sequence {
        windows: known[first..].iter().filter(|&&i| ratio(i) > 0.0).count(),
        log_odds: sum,
        standard_error,
        p_value: upper_tail((mean - limit) / standard_error),
        onset: Some(known[best]),
        onset_range: Some((known[first], known[last])),
    }
}

/// Chance of a standard normal value above `z`.
fn upper_tail(z: f64) -> f64 {
    0.5 * libm::erfc(z / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_odd_day_is_never_enough() {
        let mut days = vec![0.0; 30];
        days[29] = 1e6;
        let shown = sequence(&days, 0.0, 1.0, 0.3);
        assert!(shown.windows < LEAST_WINDOWS && shown.log_odds <= MOST_A_WINDOW);
    }

    #[test]
    fn a_mended_fault_is_forgotten() {
        let mut days = vec![2.0; 30];
        days.extend([0.0; 7]);
        assert_eq!(sequence(&days, 0.0, 1.0, 0.3).windows, 0);
    }

    #[test]
    fn nothing_known_shows_nothing() {
        let shown = sequence(&[f64::NAN; 5], 0.0, 1.0, 0.3);
        assert_eq!((shown.windows, shown.onset, shown.p_value), (0, None, 1.0));
        assert_eq!(sequence(&[], 0.0, 1.0, 0.3).windows, 0);
    }

    #[test]
    fn an_onset_among_scatter_lies_in_its_range() {
        let days: Vec<f64> =
            (0..40).map(|i| f64::from((i * 7919) % 13) / 13.0 + if i >= 22 { 1.2 } else { 0.0 }).collect();
        let (from, to) = sequence(&days, 0.5, 1.1, 0.2).onset_range.unwrap();
        assert!(from <= 22 && 22 <= to, "{from} {to}");
    }
}
