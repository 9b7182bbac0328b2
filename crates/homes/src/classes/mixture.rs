//! Three normal distributions over (logarithm of litres, logarithm of minutes, sine and cosine of the hour), with priors.

use std::f64::consts::PI;

/// One draw-off as the mixture sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    /// Logarithms of litres at 40 degC and of minutes.
    amount: [f64; 2],
    /// Sine and cosine of the hour of the day.
    hour: [f64; 2],
    /// Standard deviation of the logarithm of the litres read about those drawn.
    error: f64,
}

/// How a reading of litres at 40 degC errs as a rule: chosen on the even half of the reference homes, whose probes see the cold front well;
/// the share on one `synth` seed.
#[derive(Clone, Copy, Debug)]
struct Error {
    /// Part of the litres, whatever their size: what interval ends and the feed leave.
    share: f64,
    /// Litres, whatever the size: ripple of the heat balance.
    litres: f64,
    /// Litres read though nobody drew them, on average.
    surplus_litres: f64,
}

const WHILE_IDLE: Error = Error { share: 0.08, litres: 0.4, surplus_litres: 0.0 };
/// While the heater runs, heat that the probes do not see yet passes for drawn.
const WHILE_HEATING: Error = Error { share: 0.08, litres: 1.5, surplus_litres: 1.4 };
/// Share of readings that err far more: a draw-off taken for part of another, or cut in two; and their error, as a part of the litres.
/// (Chosen on one `synth` seed.)
const POOR: (f64, f64) = (0.2, 0.45);
/// What a reading has too much, and how far it errs while the heater runs, is never taken as more than these parts of it.
const MOST_SURPLUS: f64 = 0.12;
const MOST_ERROR_OF_LITRES: f64 = 0.25;

impl Point {
    /// From litres at 40 degC, minutes, the hour of the local day, and whether the heater ran; litres above zero.
    pub(super) fn new(litres: f64, minutes: f64, hour: f64, heating: bool) -> Self {
        let by = if heating { WHILE_HEATING } else { WHILE_IDLE };
        let turn = 2.0 * PI * hour / 24.0;
        let error = by.share.hypot((by.litres / litres).min(MOST_ERROR_OF_LITRES));
        let surplus = (by.surplus_litres / litres).min(MOST_SURPLUS);
        Self {
            amount: [litres.ln() + (1.0 - surplus).ln(), minutes.max(1.0).ln()],
            hour: [turn.sin(), turn.cos()],
            error,
        }
    }

    /// The ways in which it may have been read, each with its probability: as a rule, and poorly.
    pub(super) fn readings(self) -> [(f64, Self); 2] {
        [(1.0 - POOR.0, self), (POOR.0, Self { error: self.error.hypot(POOR.1), ..self })]
    }
}

/// One part: a use of one kind.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Part {
    share: f64,
    mean: [f64; 2],
    /// Variance of litres, covariance, variance of minutes.
    covariance: [f64; 3],
    hour: [f64; 2],
    hour_variance: [f64; 2],
}

/// A mixture of three parts; small, shower-like, bath or several.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Mixture {
    parts: [Part; 3],
    /// Whether the length of a draw-off says anything.
    minutes_count: bool,
}

/// What is believed of uses before any was seen (litres and shares: common practice, no source; wide).
const BEFORE: [(f64, f64, f64, f64); 3] =
    [(2.5, 0.6, 5.0, 0.7), (30.0, 0.5, 8.0, 0.25), (100.0, 0.4, 15.0, 0.05)];
/// Bounds of the middle of each part, l at 40 degC, so that the parts stay what they are called.
const MIDDLES_L: [(f64, f64); 3] = [(0.3, 6.0), (12.0, 60.0), (60.0, 300.0)];
/// Draw-offs that the priors count for: of the fleet's mixture, and of a home's.
const PRIOR_DRAWS: (f64, f64) = (20.0, 40.0);
/// Steps of the fit; the parts settle within a few.
const STEPS: (usize, usize) = (60, 25);
/// Least variances of logarithms and of sines.
const LEAST_VARIANCE: f64 = 0.02;

/// The mixture of a fleet's draw-offs; what is believed beforehand where it has none.
pub(super) fn fleet_mixture(points: &[Point], minutes_count: bool) -> Mixture {
    let parts = BEFORE.map(|(litres, log_sd, minutes, share)| Part {
        share,
        mean: [litres.ln(), minutes.ln()],
        covariance: [log_sd * log_sd, 0.0, 0.36],
        hour: [-0.2, -0.3],
        hour_variance: [0.5, 0.5],
    });
    Mixture { parts, minutes_count }.fitted(points, PRIOR_DRAWS.0, STEPS.0)
}

impl Mixture {
    /// The mixture of one home, drawn towards this one.
    pub(super) fn of_home(&self, points: &[Point]) -> Self {
        self.fitted(points, PRIOR_DRAWS.1, STEPS.1)
    }

    /// Fits to draw-offs, with this mixture as the prior, worth so many draw-offs.
    fn fitted(&self, points: &[Point], prior_draws: f64, steps: usize) -> Self {
        let mut now = self.clone();
        for _ in 0..steps {
            let mut sums = [Sums::default(); 3];
            let laws = now.laws();
            for point in points {
                for (sum, share) in sums.iter_mut().zip(shares(&laws, *point)) {
                    sum.add(*point, share);
                }
            }
            let mut next = now.clone();
            for k in 0..3 {
                next.parts[k] = sums[k].part(&self.parts[k], prior_draws, points.len(), MIDDLES_L[k]);
            }
            now = next;
        }
        now
    }

    /// The densities of the parts, with what is the same for every draw-off.
    pub(super) fn laws(&self) -> [Law; 3] {
        self.parts.map(|part| {
            let (inverse, log_determinant) = part.inverse(self.minutes_count, 0.0);
            Law {
                part,
                log_share: part.share.ln(),
                inverse,
                log_determinant,
                log_hour_variance: part.hour_variance.map(f64::ln),
            }
        })
    }

    /// For each part, with [`laws`](Self::laws): its probability, and mean and standard deviation of the logarithm of the true litres in it.
    pub(super) fn true_log_litres(&self, laws: &[Law; 3], point: Point) -> [(f64, f64, f64); 3] {
        let shares = shares(laws, point);
        std::array::from_fn(|k| {
            let (mean, sd) = self.parts[k].true_log_litres(point, self.minutes_count);
            (shares[k], mean, sd)
        })
    }
}

/// A part as it is asked for many draw-offs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Law {
    part: Part,
    log_share: f64,
    inverse: [f64; 3],
    log_determinant: f64,
    log_hour_variance: [f64; 2],
}

/// Probability of each part for a draw-off.
fn shares(laws: &[Law; 3], point: Point) -> [f64; 3] {
    let logs = [0, 1, 2].map(|k| laws[k].log_share + laws[k].log_density(point));
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights = logs.map(|l| (l - most).exp());
    let sum: f64 = weights.iter().sum();
    weights.map(|w| w / sum)
}

impl Law {
    fn log_density(&self, point: Point) -> f64 {
        let ([a, b, c], part) = (self.inverse, &self.part);
        let r = [point.amount[0] - part.mean[0], point.amount[1] - part.mean[1]];
        let squares = a * r[0] * r[0] + 2.0 * b * r[0] * r[1] + c * r[1] * r[1];
        let mut out = -0.5 * (self.log_determinant + squares);
        for h in 0..2 {
            let from = point.hour[h] - part.hour[h];
            out -= 0.5 * (self.log_hour_variance[h] + from * from / part.hour_variance[h]);
        }
        out
    }
}

impl Part {
    /// Inverse of the covariance of the amounts and the logarithm of its determinant.
    fn inverse(&self, minutes_count: bool, least_variance: f64) -> ([f64; 3], f64) {
        let variance = self.covariance[0].max(least_variance);
        if !minutes_count {
            return ([1.0 / variance, 0.0, 0.0], variance.ln());
        }
        let [_, both, minutes] = self.covariance;
        let determinant = (variance * minutes - both * both).max(1e-6);
        ([minutes / determinant, -both / determinant, variance / determinant], determinant.ln())
    }

    /// Of a normal distribution whose litres are read with a known error: mean and standard deviation of the true ones.
    fn true_log_litres(&self, point: Point, minutes_count: bool) -> (f64, f64) {
        let variance = point.error * point.error;
        // What the part scatters holds the error already, and never less.
        let ([a, b, _], _) = self.inverse(minutes_count, 1.1 * variance);
        let pull = a * (point.amount[0] - self.mean[0]) + b * (point.amount[1] - self.mean[1]);
        let left = (variance - variance * variance * a).max(0.05 * variance);
        (point.amount[0] - variance * pull, left.sqrt())
    }
}

/// Weighted sums of the draw-offs of one part.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    weight: f64,
    amount: [f64; 2],
    squares: [f64; 3],
    hour: [f64; 2],
    hour_squares: [f64; 2],
}

impl Sums {
    fn add(&mut self, point: Point, weight: f64) {
        let [x, y] = point.amount;
        self.weight += weight;
        self.amount = [self.amount[0] + weight * x, self.amount[1] + weight * y];
        for (sum, product) in self.squares.iter_mut().zip([x * x, x * y, y * y]) {
            *sum += weight * product;
        }
        for h in 0..2 {
            self.hour[h] += weight * point.hour[h];
            self.hour_squares[h] += weight * point.hour[h] * point.hour[h];
        }
    }

    /// The part after these draw-offs and a prior worth `draws` of them.
    fn part(&self, prior: &Part, draws: f64, all: usize, middles_l: (f64, f64)) -> Part {
        // A rare part is known less well than a common one, but never by less than a few draw-offs.
        let own = (draws * prior.share).max(4.0);
        let n = self.weight + own;
        let mut mean: [f64; 2] = std::array::from_fn(|i| (self.amount[i] + own * prior.mean[i]) / n);
        mean[0] = mean[0].clamp(middles_l.0.ln(), middles_l.1.ln());
        let about = |i: usize, j: usize, squares: f64| {
            squares - mean[i] * self.amount[j] - mean[j] * self.amount[i] + self.weight * mean[i] * mean[j]
        };
        let shift: [f64; 2] = std::array::from_fn(|i| prior.mean[i] - mean[i]);
        let covariance = [(0, 0, 0), (0, 1, 1), (1, 1, 2)].map(|(i, j, k)| {
            (about(i, j, self.squares[k]) + own * (prior.covariance[k] + shift[i] * shift[j])) / n
        });
        let hour: [f64; 2] = std::array::from_fn(|h| (self.hour[h] + own * prior.hour[h]) / n);
        let hour_variance = std::array::from_fn(|h| {
            let spread =
                self.hour_squares[h] - 2.0 * hour[h] * self.hour[h] + self.weight * hour[h] * hour[h];
            let shift = prior.hour[h] - hour[h];
            ((spread + own * (prior.hour_variance[h] + shift * shift)) / n).max(LEAST_VARIANCE)
        });
        Part {
            share: (self.weight + draws * prior.share) / (all as f64 + draws),
            mean,
            covariance: [covariance[0].max(LEAST_VARIANCE), covariance[1], covariance[2].max(LEAST_VARIANCE)],
            hour,
            hour_variance,
        }
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    /// Draw-offs of about 2, 35 and 110 l, in shares of 6, 3 and 1.
    fn draws(count: usize, seed: u64) -> Vec<Point> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..count)
            .map(|i| {
                let (litres, hour) = match i % 10 {
                    0..6 => (2.0, 13.0),
                    6..9 => (35.0, 7.0),
                    _ => (110.0, 20.0),
                };
                let times = (0.5 * (rng.random::<f64>() - 0.5)).exp();
                Point::new(litres * times, 5.0 + litres * times / 8.0, hour + rng.random::<f64>(), false)
            })
            .collect()
    }

    #[test]
    fn parts_are_found_with_their_shares() {
        let found = fleet_mixture(&draws(2000, 1), true);
        for (part, (litres, share)) in found.parts.iter().zip([(2.0, 0.6), (35.0, 0.3), (110.0, 0.1)]) {
            assert!((part.mean[0].exp() / litres - 1.0).abs() < 0.1, "{part:?}");
            assert!((part.share - share).abs() < 0.03, "{part:?}");
        }
    }

    #[test]
    fn a_home_of_few_draws_is_its_fleet_and_one_of_many_its_own() {
        let fleet = fleet_mixture(&draws(2000, 1), true);
        for (own, of_fleet) in fleet.of_home(&[]).parts.iter().zip(&fleet.parts) {
            assert!(
                (own.mean[0] - of_fleet.mean[0]).abs() < 1e-9 && (own.share - of_fleet.share).abs() < 1e-9
            );
        }
        let large: Vec<Point> = (0..600).map(|i| Point::new(50.0, 10.0, f64::from(i % 24), false)).collect();
        let home = fleet.of_home(&large);
        // The parts may share such draw-offs among them; what they say of the litres stays.
        let true_litres = |m: &Mixture| {
            m.true_log_litres(&m.laws(), Point::new(40.0, 10.0, 9.0, true))
                .map(|(share, mean, _)| share * mean)
                .iter()
                .sum::<f64>()
        };
        assert!(true_litres(&home) > true_litres(&fleet) + 0.01, "{home:?}");
    }

    #[test]
    fn an_error_free_reading_is_its_own_truth() {
        let fleet = fleet_mixture(&draws(500, 2), true);
        let mut point = Point::new(30.0, 8.0, 7.0, false);
        point.error = 1e-6;
        for (_, mean, sd) in fleet.true_log_litres(&fleet.laws(), point) {
            assert!((mean.exp() - 30.0).abs() < 1e-3 && sd < 1e-5);
        }
    }
}
