//! Two states that take turns, each lasting a log-normal number of days: most likely path, and probability by day.
//!
//! Explicit-duration hidden Markov model; S.-Z. Yu, Hidden semi-Markov models, Artificial Intelligence 174 (2010) 215-243,
//! from memory. With two states the next state is always the other one, so only durations and evidence decide.

/// Durations of one state, days.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Durations {
    /// Median duration, d.
    pub(crate) median_d: f64,
    /// Standard deviation of the logarithm of the duration.
    pub(crate) log_sd: f64,
}

/// Durations with their mean, which is a sum over thousands of days: made once, not for each home.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Lasting {
    durations: Durations,
    mean_d: f64,
}

impl Lasting {
    pub(crate) fn new(durations: Durations) -> Self {
        Self { durations, mean_d: mean_d(durations) }
    }
}

/// What was read of a series of days.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Path {
    /// State 1 on each day of the most likely path.
    pub(crate) second: Vec<bool>,
    /// Probability of state 1 on each day.
    pub(crate) probability: Vec<f64>,
}

struct Model {
    days: usize,
    /// Running sum of the evidence for each state.
    evidence: [Vec<f64>; 2],
    /// Log-probability that a state lasts exactly so many days.
    exact: [Vec<f64>; 2],
    /// Log-probability that a state lasts at least so many days.
    at_least: [Vec<f64>; 2],
    /// Log-probability that a state met at any of its days lasts exactly so many more, that day among them.
    left: [Vec<f64>; 2],
    /// The same for at least so many.
    left_at_least: [Vec<f64>; 2],
    /// Log-probability of either state on the first day.
    start: [f64; 2],
}

impl Model {
    /// Log-probability of a state over the days `from..to`, without the way into it.
    ///
    /// A state cut by the end of the series lasts at least so long; one that runs already at its start was met at any of its days.
    fn segment(&self, state: usize, from: usize, to: usize) -> f64 {
        let lasting = match (from == 0, to == self.days) {
            (false, false) => &self.exact,
            (false, true) => &self.at_least,
            (true, false) => &self.left,
            (true, true) => &self.left_at_least,
        };
        lasting[state][to - from] + self.evidence[state][to] - self.evidence[state][from]
    }
}

/// Reads the states from the log-likelihoods of each day under state 0 and 1.
///
/// `second_share` is the probability of state 1 on the first day. Equal likelihoods on a day say nothing of it. Work grows
/// with the square of the number of days.
pub(crate) fn read_states(days: &[[f64; 2]], lasting: [Lasting; 2], second_share: f64) -> Path {
    let n = days.len();
    let running = |state: usize| {
        let mut sum = 0.0;
        let mut out = vec![0.0];
        for day in days {
            sum += day[state];
            out.push(sum);
        }
        out
    };
    let durations = lasting.map(|l| l.durations);
    let model = Model {
        days: n,
        evidence: [running(0), running(1)],
        exact: durations.map(|d| (0..=n).map(|k| log_exact(d, k)).collect()),
        at_least: durations.map(|d| (0..=n).map(|k| log_at_least(d, k)).collect()),
        left: lasting.map(|l| {
            let log_mean = l.mean_d.ln();
            (0..=n).map(|k| log_at_least(l.durations, k) - log_mean).collect()
        }),
        left_at_least: lasting.map(|l| log_left_at_least(l, n)),
        start: [(1.0 - second_share).ln(), second_share.ln()],
    };
    Path { second: most_likely(&model), probability: probabilities(&model) }
}

fn most_likely(model: &Model) -> Vec<bool> {
    let n = model.days;
    // Best log-probability that a segment of each state ends before day t, and where it began.
    let mut best = vec![[f64::NEG_INFINITY; 2]; n + 1];
    let mut began = vec![[0_usize; 2]; n + 1];
    for to in 1..=n {
        for state in 0..2 {
            for from in 0..to {
                let before = if from == 0 { model.start[state] } else { best[from][1 - state] };
                let total = before + model.segment(state, from, to);
                if total > best[to][state] {
                    best[to][state] = total;
                    began[to][state] = from;
                }
            }
        }
    }
    let mut second = vec![false; n];
    let mut state = usize::from(best[n][1] > best[n][0]);
    let mut to = n;
    while to > 0 {
        let from = began[to][state];
        second[from..to].fill(state == 1);
        to = from;
        state = 1 - state;
    }
    second
}

fn probabilities(model: &Model) -> Vec<f64> {
    let n = model.days;
    // ways_in[t][s]: everything before day t, given that a segment of s begins there. ways_out[t][s]: everything from t on.
    let mut ways_in = vec![[f64::NEG_INFINITY; 2]; n + 1];
    ways_in[0] = model.start;
    for to in 1..=n {
        for state in 0..2 {
            let total = log_sum((0..to).map(|from| ways_in[from][state] + model.segment(state, from, to)));
            ways_in[to][1 - state] = total;
        }
    }
    let mut ways_out = vec![[f64::NEG_INFINITY; 2]; n + 1];
    ways_out[n] = [0.0; 2];
    for from in (0..n).rev() {
        for state in 0..2 {
            let total =
                log_sum((from + 1..=n).map(|to| model.segment(state, from, to) + ways_out[to][1 - state]));
            ways_out[from][state] = total;
        }
    }
    let all = log_sum([0, 1].into_iter().map(|s| model.start[s] + ways_out[0][s]));
    // Each segment of state 1 adds its probability at its first day and takes it back after its last.
    let mut steps = vec![0.0; n + 1];
    for from in 0..n {
        for to in from + 1..=n {
            let log = ways_in[from][1] + model.segment(1, from, to) + ways_out[to][0] - all;
            let probability = log.exp();
            steps[from] += probability;
            steps[to] -= probability;
        }
    }
    let mut sum: f64 = 0.0;
    steps[..n]
        .iter()
        .map(|step| {
            sum += step;
            sum.clamp(0.0, 1.0)
        })
        .collect()
}

fn log_sum(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = values.clone().fold(f64::NEG_INFINITY, f64::max);
    if most == f64::NEG_INFINITY {
        return most;
    }
    most + values.map(|v| (v - most).exp()).sum::<f64>().ln()
}

/// Probability that a log-normal duration, rounded to whole days and at least one, exceeds `days`.
fn exceeds(d: Durations, days: usize) -> f64 {
    if days == 0 {
        return 1.0;
    }
    let z = ((days as f64 + 0.5) / d.median_d).ln() / d.log_sd;
    0.5 * libm::erfc(z / std::f64::consts::SQRT_2)
}

/// Never quite impossible, so that a very long record has a path.
const LEAST_PROBABILITY: f64 = 1e-300;

fn log_exact(d: Durations, days: usize) -> f64 {
    if days == 0 {
        return f64::NEG_INFINITY;
    }
    (exceeds(d, days - 1) - exceeds(d, days)).max(LEAST_PROBABILITY).ln()
}

fn log_at_least(d: Durations, days: usize) -> f64 {
    if days == 0 {
        return f64::NEG_INFINITY;
    }
    exceeds(d, days - 1).max(LEAST_PROBABILITY).ln()
}

/// Days after which a log-normal duration of weeks has ended.
const LONGEST_D: usize = 4000;

/// Mean duration, d.
fn mean_d(d: Durations) -> f64 {
    (0..LONGEST_D).map(|k| exceeds(d, k)).sum()
}

fn log_left_at_least(lasting: Lasting, n: usize) -> Vec<f64> {
    let (d, mean) = (lasting.durations, lasting.mean_d);
    let mut left: f64 = 1.0;
    let mut out = vec![f64::NEG_INFINITY];
    for k in 1..=n {
        out.push(left.max(LEAST_PROBABILITY).ln());
        left -= exceeds(d, k - 1) / mean;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const DURATIONS: [Durations; 2] =
        [Durations { median_d: 20.0, log_sd: 1.0 }, Durations { median_d: 4.0, log_sd: 1.0 }];

    /// All paths of a short series, by hand.
    fn by_enumeration(days: &[[f64; 2]], share: f64) -> Vec<f64> {
        let n = days.len();
        let mut of_day = vec![0.0; n];
        let mut all = 0.0;
        for path in 0..1_u32 << n {
            let state = |i: usize| ((path >> i) & 1) as usize;
            let mut log = if state(0) == 1 { share.ln() } else { (1.0 - share).ln() };
            let mut from = 0;
            for to in 1..=n {
                log += days[to - 1][state(to - 1)];
                if to == n || state(to) != state(to - 1) {
                    let d = DURATIONS[state(from)];
                    let k = to - from;
                    log += match (from == 0, to == n) {
                        (false, false) => log_exact(d, k),
                        (false, true) => log_at_least(d, k),
                        (true, false) => log_at_least(d, k) - mean_d(d).ln(),
                        (true, true) => log_left_at_least(Lasting::new(d), k)[k],
                    };
                    from = to;
                }
            }
            all += log.exp();
            for (i, sum) in of_day.iter_mut().enumerate().filter(|(i, _)| state(*i) == 1) {
                debug_assert!(i < n);
                *sum += log.exp();
            }
        }
        of_day.iter().map(|v| v / all).collect()
    }

    #[test]
    fn probabilities_agree_with_all_paths_counted() {
        let days = [[-0.1, -2.0], [-1.0, -0.9], [-3.0, -0.2], [-2.0, -0.4], [0.0, 0.0], [-0.3, -1.5]];
        let read = read_states(&days, DURATIONS.map(Lasting::new), 0.1);
        for (found, wanted) in read.probability.iter().zip(by_enumeration(&days, 0.1)) {
            assert!((found - wanted).abs() < 1e-12, "{found} {wanted}");
        }
    }

    #[test]
    fn a_day_that_says_nothing_goes_with_its_neighbours() {
        let mut days = vec![[0.0, -8.0]; 30];
        days[10..20].fill([-8.0, 0.0]);
        days[14] = [0.0, 0.0];
        let read = read_states(&days, DURATIONS.map(Lasting::new), 0.05);
        assert_eq!(read.second, (0..30).map(|i| (10..20).contains(&i)).collect::<Vec<_>>());
        assert!(read.probability[14] > 0.99);
    }

    #[test]
    fn durations_sum_to_one() {
        let sum: f64 = (1..4000).map(|k| log_exact(DURATIONS[1], k).exp()).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{sum}");
        assert!((log_at_least(DURATIONS[1], 1)).abs() < 1e-12);
        let left: f64 = (1..4000).map(|k| (log_at_least(DURATIONS[1], k).exp()) / mean_d(DURATIONS[1])).sum();
        assert!((left - 1.0).abs() < 1e-9, "{left}");
    }

    #[test]
    fn no_days_give_no_path() {
        let read = read_states(&[], DURATIONS.map(Lasting::new), 0.05);
        assert!(read.second.is_empty() && read.probability.is_empty());
    }
}
