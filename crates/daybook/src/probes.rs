//! What each probe did in a day: range, freezing, disagreement with its neighbours, order.

use crate::frame::Frame;
use crate::setup::Setup;

/// Neighbours this close to each other span water of one temperature.
const FLAT_K: f64 = 1.0;
/// A lower probe may read this much over an upper one without being out of order: calibration and noise.
const INVERSION_SLACK_K: f64 = 0.8;
/// A run of equal values counts from this length.
pub(crate) const FROZEN_HOURS: f64 = 12.0;
/// Water must have moved this far at the probe's height during the run.
pub(crate) const FROZEN_MOVE_K: f64 = 5.0;

/// A run of equal values, and how far the water moved at that height meanwhile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Run {
    pub(crate) value: f64,
    pub(crate) since_ms: i64,
    pub(crate) low_degc: f64,
    pub(crate) high_degc: f64,
}

impl Run {
    fn start(value: f64, since_ms: i64, expected: f64) -> Self {
        Self { value, since_ms, low_degc: expected, high_degc: expected }
    }

    pub(crate) fn hours(&self, until_ms: i64) -> f64 {
        (until_ms - self.since_ms) as f64 / 3_600_000.0
    }

    pub(crate) fn moved_k(&self) -> f64 {
        let moved = self.high_degc - self.low_degc;
        if moved.is_nan() { 0.0 } else { moved }
    }

    pub(crate) fn is_frozen(&self, until_ms: i64) -> bool {
        self.hours(until_ms) >= FROZEN_HOURS && self.moved_k() >= FROZEN_MOVE_K
    }
}

/// Runs of each probe, kept over midnight.
pub(crate) type Runs = Vec<Option<Run>>;

/// A day's statistics, one entry a probe (pairs row-major in `inversion_k`).
#[derive(Clone, Debug, Default)]
pub(crate) struct ProbeDay {
    pub(crate) min: Vec<f32>,
    pub(crate) mean: Vec<f32>,
    pub(crate) max: Vec<f32>,
    pub(crate) flat_residual_k: Vec<f32>,
    pub(crate) flat_count: Vec<f32>,
    pub(crate) flat_scatter_k: Vec<f32>,
    pub(crate) inversion_k: Vec<f32>,
}

/// Follows runs of equal values through the day; gives each probe's longest and leaves the last in `runs`.
pub(crate) fn follow_runs(frame: &Frame, setup: &Setup, runs: &mut Runs) -> (Vec<f32>, Vec<f32>) {
    let width = frame.width;
    runs.resize(width, None);
    let mut hours = vec![0.0_f32; width];
    let mut moved = vec![0.0_f32; width];
    for i in frame.context..frame.len() {
        let row = frame.at(i);
        for p in 0..width {
            if row[p].is_nan() {
                continue;
            }
            let expected = expected_at(row, &setup.heights, p);
            let run = match &mut runs[p] {
                Some(run) if run.value == row[p] => {
                    run.low_degc = run.low_degc.min(expected);
                    run.high_degc = run.high_degc.max(expected);
                    *run
                }
                slot => *slot.insert(Run::start(row[p], frame.time_ms[i], expected)),
            };
            let length = run.hours(frame.time_ms[i]) as f32;
            if run.moved_k() as f32 >= moved[p] && length > 1.0 {
                hours[p] = length;
                moved[p] = run.moved_k() as f32;
            }
        }
    }
    (hours, moved)
}

/// Temperature that the other probes lead one to expect at probe `p`; NaN when none is there.
fn expected_at(row: &[f64], heights: &[f64], p: usize) -> f64 {
    let above = (0..p).rev().find(|&i| !row[i].is_nan());
    let below = (p + 1..row.len()).find(|&i| !row[i].is_nan());
    match (above, below) {
        (Some(a), Some(b)) => {
            let share = (heights[a] - heights[p]) / (heights[a] - heights[b]);
            row[a] + (row[b] - row[a]) * share
        }
        (Some(a), None) => row[a],
        (None, Some(b)) => row[b],
        (None, None) => f64::NAN,
    }
}

/// All statistics but the runs. `heated` says at which instants the water is being mixed by heating from below.
pub(crate) fn probe_day(frame: &Frame, heated_from: &[Option<f64>], setup: &Setup) -> ProbeDay {
    let n = frame.width;
    let mut day = ProbeDay {
        min: vec![f32::NAN; n],
        mean: vec![f32::NAN; n],
        max: vec![f32::NAN; n],
        ..ProbeDay::default()
    };
    let mut sum = vec![0.0; n];
    let mut count = vec![0.0; n];
    let mut flat_sum = vec![0.0; n];
    let mut flat_squares = vec![0.0; n];
    let mut flat_count = vec![0.0_f32; n];
    let mut inversion = vec![0.0; n * n];
    let mut pairs = vec![0.0; n * n];
    for (i, below) in heated_from.iter().enumerate().skip(frame.context) {
        let row = frame.at(i);
        for p in 0..n {
            if row[p].is_nan() {
                continue;
            }
            sum[p] += row[p];
            count[p] += 1.0;
            day.min[p] = day.min[p].min(row[p] as f32);
            day.max[p] = day.max[p].max(row[p] as f32);
            if let Some(residual) = flat_residual(row, &setup.heights, p, *below) {
                flat_sum[p] += residual;
                flat_squares[p] += residual * residual;
                flat_count[p] += 1.0;
            }
            for q in p + 1..n {
                if !row[q].is_nan() {
                    inversion[p * n + q] += (row[q] - row[p] - INVERSION_SLACK_K).max(0.0);
                    inversion[q * n + p] += (row[p] - row[q] - INVERSION_SLACK_K).max(0.0);
                    pairs[p * n + q] += 1.0;
                    pairs[q * n + p] += 1.0;
                }
            }
        }
    }
    for p in 0..n {
        day.mean[p] = (sum[p] / count[p]) as f32;
    }
    day.flat_residual_k = (0..n).map(|p| (flat_sum[p] / f64::from(flat_count[p])) as f32).collect();
    day.flat_scatter_k = (0..n)
        .map(|p| {
            let mean = flat_sum[p] / f64::from(flat_count[p]);
            (flat_squares[p] / f64::from(flat_count[p]) - mean * mean).max(0.0).sqrt() as f32
        })
        .collect();
    day.flat_count = flat_count;
    // Both triangles: what stands above the diagonal is the order as declared, below it the order reversed.
    day.inversion_k = inversion.iter().zip(&pairs).map(|(s, c)| (s / c) as f32).collect();
    day
}

/// Difference from neighbours where the water around the probe must be at one temperature.
fn flat_residual(row: &[f64], heights: &[f64], p: usize, heated_from: Option<f64>) -> Option<f64> {
    let n = row.len();
    let within = |a: f64, b: f64| (a - b).abs() < FLAT_K;
    if p > 0 && p + 1 < n {
        let (a, b) = (row[p - 1], row[p + 1]);
        // Neighbours that agree can only span one temperature: water lies in layers, warm over cold.
        return within(a, b).then(|| row[p] - f64::midpoint(a, b));
    }
    if n < 3 {
        return None;
    }
    if p == 0 {
        // Under a colder top probe lies no warmer water; a hotter one is out of order only while all is being mixed.
        let mixed = heated_from.is_some_and(|h| h < heights[2]) && within(row[1], row[2]);
        let residual = row[0] - row[1];
        if residual.is_nan() {
            return None;
        }
        return if mixed { Some(row[0] - f64::midpoint(row[1], row[2])) } else { Some(residual.min(0.0)) };
    }
    // The lowest probe is never warmer than the one above; it may be much colder.
    let mixed = heated_from.is_some_and(|h| h < heights[n - 1]) && within(row[n - 2], row[n - 3]);
    let residual = row[n - 1] - row[n - 2];
    if residual.is_nan() {
        return None;
    }
    if mixed { Some(row[n - 1] - f64::midpoint(row[n - 2], row[n - 3])) } else { Some(residual.max(0.0)) }
}
