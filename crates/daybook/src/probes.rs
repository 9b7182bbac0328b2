//! What each probe did in a day: range, freezing, disagreement with its neighbours, order.

use drawoff_tank::profile::MOST_PROBES;

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

/// An hour: a shorter run tells nothing.
const HOUR_MS: i64 = 3_600_000;

/// Follows runs of equal values through the day; gives each probe's longest and leaves the last in `runs`.
pub(crate) fn follow_runs(frame: &Frame, setup: &Setup, runs: &mut Runs) -> (Vec<f32>, Vec<f32>) {
    let width = frame.width;
    runs.resize(width, None);
    let mut hours = vec![0.0_f32; width];
    let mut moved = vec![0.0_f32; width];
    let rows = &frame.probes[frame.context * width..];
    let times = &frame.time_ms[frame.context..];
    for p in 0..width {
        // Share of the way from the probe above to the one below, where both are there.
        let inner = p > 0 && p + 1 < width;
        let share = if inner { share_of_way(&setup.heights, p - 1, p, p + 1) } else { f64::NAN };
        let mut run = runs[p];
        for (row, &time_ms) in rows.chunks_exact(width).zip(times) {
            let value = row[p];
            if value.is_nan() {
                continue;
            }
            let straight = if inner { row[p - 1] + (row[p + 1] - row[p - 1]) * share } else { f64::NAN };
            let expected = if straight.is_nan() { expected_at(row, &setup.heights, p) } else { straight };
            match &mut run {
                Some(run) if run.value == value => {
                    run.low_degc = run.low_degc.min(expected);
                    run.high_degc = run.high_degc.max(expected);
                    if time_ms - run.since_ms > HOUR_MS && run.moved_k() as f32 >= moved[p] {
                        hours[p] = run.hours(time_ms) as f32;
                        moved[p] = run.moved_k() as f32;
                    }
                }
                slot => *slot = Some(Run::start(value, time_ms, expected)),
            }
        }
        runs[p] = run;
    }
    (hours, moved)
}

/// How far probe `p` lies on the way from the one above to the one below, 0 to 1.
fn share_of_way(heights: &[f64], above: usize, p: usize, below: usize) -> f64 {
    (heights[above] - heights[p]) / (heights[above] - heights[below])
}

/// Temperature that the other probes lead one to expect at probe `p`; NaN when none is there.
fn expected_at(row: &[f64], heights: &[f64], p: usize) -> f64 {
    let above = (0..p).rev().find(|&i| !row[i].is_nan());
    let below = (p + 1..row.len()).find(|&i| !row[i].is_nan());
    match (above, below) {
        (Some(a), Some(b)) => row[a] + (row[b] - row[a]) * share_of_way(heights, a, p, b),
        (Some(a), None) => row[a],
        (None, Some(b)) => row[b],
        (None, None) => f64::NAN,
    }
}

/// Sums of a day, one entry a probe; pairs row-major.
struct Sums {
    /// Number of instants at which all probes were there: these are counted here alone.
    whole: f64,
    sum: [f64; MOST_PROBES],
    count: [f64; MOST_PROBES],
    min: [f64; MOST_PROBES],
    max: [f64; MOST_PROBES],
    flat_sum: [f64; MOST_PROBES],
    flat_squares: [f64; MOST_PROBES],
    flat_count: [f64; MOST_PROBES],
    inversion: [[f64; MOST_PROBES]; MOST_PROBES],
    pairs: [[f64; MOST_PROBES]; MOST_PROBES],
}

impl Sums {
    fn new() -> Self {
        let zero = [0.0; MOST_PROBES];
        Self {
            whole: 0.0,
            sum: zero,
            count: zero,
            min: [f64::INFINITY; MOST_PROBES],
            max: [f64::NEG_INFINITY; MOST_PROBES],
            flat_sum: zero,
            flat_squares: zero,
            flat_count: zero,
            inversion: [zero; MOST_PROBES],
            pairs: [zero; MOST_PROBES],
        }
    }

    fn flat(&mut self, p: usize, residual: f64) {
        self.flat_sum[p] += residual;
        self.flat_squares[p] += residual * residual;
        self.flat_count[p] += 1.0;
    }

    /// An instant at which all probes are there: the usual one, without a test for each value.
    fn add_whole(&mut self, row: &[f64], heights: &[f64], heated_from: Option<f64>) {
        let n = row.len();
        self.whole += 1.0;
        for (p, &degc) in row.iter().enumerate() {
            self.sum[p] += degc;
            self.min[p] = if degc < self.min[p] { degc } else { self.min[p] };
            self.max[p] = if degc > self.max[p] { degc } else { self.max[p] };
        }
        for p in 1..n.saturating_sub(1) {
            if (row[p - 1] - row[p + 1]).abs() < FLAT_K {
                self.flat(p, row[p] - f64::midpoint(row[p - 1], row[p + 1]));
            }
        }
        if n >= 3 {
            for p in [0, n - 1] {
                if let Some(residual) = flat_residual(row, heights, p, heated_from) {
                    self.flat(p, residual);
                }
            }
        }
        let mut warmest_below = f64::NEG_INFINITY;
        for (p, &degc) in row.iter().enumerate().rev() {
            // Where no lower probe is over this one, only the order reversed has something to add.
            let until = if warmest_below - degc - INVERSION_SLACK_K > 0.0 { n } else { p };
            for (sum, &other) in self.inversion[p][..until].iter_mut().zip(row) {
                let over = other - degc - INVERSION_SLACK_K;
                *sum += if over > 0.0 { over } else { 0.0 };
            }
            warmest_below = warmest_below.max(degc);
        }
    }

    /// An instant at which probes are missing.
    fn add_part(&mut self, row: &[f64], heights: &[f64], heated_from: Option<f64>) {
        let n = row.len();
        for p in 0..n {
            if row[p].is_nan() {
                continue;
            }
            self.sum[p] += row[p];
            self.count[p] += 1.0;
            self.min[p] = self.min[p].min(row[p]);
            self.max[p] = self.max[p].max(row[p]);
            if let Some(residual) = flat_residual(row, heights, p, heated_from) {
                self.flat(p, residual);
            }
            for q in (0..n).filter(|&q| q != p && !row[q].is_nan()) {
                self.inversion[p][q] += (row[q] - row[p] - INVERSION_SLACK_K).max(0.0);
                self.pairs[p][q] += 1.0;
            }
        }
    }
}

/// All statistics but the runs. `heated` says at which instants the water is being mixed by heating from below.
pub(crate) fn probe_day(frame: &Frame, heated_from: &[Option<f64>], setup: &Setup) -> ProbeDay {
    let n = frame.width;
    let mut s = Sums::new();
    for (i, below) in heated_from.iter().enumerate().skip(frame.context) {
        let row = frame.at(i);
        let is_whole = !row.iter().sum::<f64>().is_nan();
        if is_whole {
            s.add_whole(row, &setup.heights, *below);
        } else {
            s.add_part(row, &setup.heights, *below);
        }
    }
    let f32s = |value: &dyn Fn(usize) -> f64| (0..n).map(|p| value(p) as f32).collect::<Vec<f32>>();
    // Nothing seen is infinite so far.
    let seen = |value: f64| if value.is_finite() { value } else { f64::NAN };
    let pairs = (0..n).flat_map(|p| (0..n).map(move |q| (p, q)));
    // A probe is no pair with itself.
    let mean_inversion =
        |p: usize, q: usize| if p == q { f64::NAN } else { s.inversion[p][q] / (s.pairs[p][q] + s.whole) };
    ProbeDay {
        min: f32s(&|p| seen(s.min[p])),
        mean: f32s(&|p| s.sum[p] / (s.count[p] + s.whole)),
        max: f32s(&|p| seen(s.max[p])),
        flat_residual_k: f32s(&|p| s.flat_sum[p] / s.flat_count[p]),
        flat_scatter_k: f32s(&|p| {
            let mean = s.flat_sum[p] / s.flat_count[p];
            (s.flat_squares[p] / s.flat_count[p] - mean * mean).max(0.0).sqrt()
        }),
        flat_count: f32s(&|p| s.flat_count[p]),
        // Both triangles: what stands above the diagonal is the order as declared, below it the order reversed.
        inversion_k: pairs.map(|(p, q)| mean_inversion(p, q) as f32).collect(),
    }
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
