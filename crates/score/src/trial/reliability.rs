//! Whether probabilities mean what they say.

use drawoff_contract::Fault;

use crate::bootstrap;
use crate::wilson::Share;

/// Predictions at or below this are left out of reliability: nearly all of them are sure and right, and would hide the rest.
pub const LEAST_P: f64 = 0.02;
/// Bins, each with the same number of predictions.
pub const BINS: usize = 10;

/// One probability that was said, and whether it was so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prediction {
    /// Number of the home: those of one home are resampled together.
    pub home: usize,
    /// Of which fault.
    pub fault: Fault,
    /// Probability that it is present.
    pub p: f64,
    /// Whether it is.
    pub present: bool,
}

/// One bin of the reliability table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bin {
    /// Lowest and highest probability in it.
    pub from_to: (f64, f64),
    /// Their mean.
    pub said: f64,
    /// How many were so.
    pub present: Share,
}

/// Equal-count bins of the predictions above [`LEAST_P`], lowest first; none without predictions. What was said alike stays
/// in one bin, which may make it larger.
#[must_use]
pub fn bins(predictions: &[Prediction]) -> Vec<Bin> {
    let mut sorted: Vec<(f64, bool)> =
        predictions.iter().filter(|p| p.p > LEAST_P).map(|p| (p.p, p.present)).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let at_least = sorted.len().div_ceil(BINS).max(1);
    let mut out: Vec<Bin> = Vec::new();
    let mut sum = 0.0;
    for (p, present) in sorted {
        let open =
            out.last().filter(|b| (b.present.of as usize) < at_least || b.from_to.1.total_cmp(&p).is_eq());
        if open.is_none() {
            sum = 0.0;
            out.push(Bin { from_to: (p, p), said: p, present: Share::default() });
        }
        if let Some(bin) = out.last_mut() {
            sum += p;
            bin.present.count(present);
            bin.from_to.1 = p;
            bin.said = sum / bin.present.of as f64;
        }
    }
    out
}

fn error_of(bins: &[Bin]) -> Option<f64> {
    let all: u64 = bins.iter().map(|b| b.present.of).sum();
    let off = |b: &Bin| (b.said - b.present.value().unwrap_or(b.said)).abs() * b.present.of as f64;
    (all > 0).then(|| bins.iter().map(off).sum::<f64>() / all as f64)
}

/// Expected calibration error: mean distance of said and found over the bins, and its 95 % interval, homes resampled whole.
///
/// Chance alone makes it larger than 0: with 200 predictions a bin, about 0.02.
#[must_use]
pub fn ece(predictions: &[Prediction]) -> (Option<f64>, Option<(f64, f64)>) {
    let mut by_home: Vec<Vec<Prediction>> = Vec::new();
    for p in predictions.iter().filter(|p| p.p > LEAST_P) {
        match by_home.last_mut().filter(|last| last.last().is_some_and(|l| l.home == p.home)) {
            Some(last) => last.push(*p),
            None => by_home.push(vec![*p]),
        }
    }
    let interval = bootstrap::interval(by_home.len(), "calibration error", |drawn| {
        let again: Vec<Prediction> = drawn.iter().flat_map(|&i| by_home[i].iter().copied()).collect();
        error_of(&bins(&again))
    });
    (error_of(&bins(predictions)), interval)
}

/// Mean squared distance of probability and what was so (Brier, Mon. Weather Rev. 78, 1950, from memory); `None` without predictions.
#[must_use]
pub fn brier(predictions: &[Prediction]) -> Option<f64> {
    let square = |p: &Prediction| (p.p - f64::from(u8::from(p.present))).powi(2);
    (!predictions.is_empty()).then(|| predictions.iter().map(square).sum::<f64>() / predictions.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(p: f64, there: usize, all: usize) -> Vec<Prediction> {
        (0..all).map(|i| Prediction { home: i, fault: Fault::StuckOn, p, present: i < there }).collect()
    }

    #[test]
    fn what_is_said_and_found_by_hand() {
        // 100 at 0.9 of which 80 are so, 100 at 0.1 of which 10 are: errors 0.1 and 0, so 0.05.
        let all = [said(0.9, 80, 100), said(0.1, 10, 100)].concat();
        assert!((error_of(&bins(&all)).unwrap() - 0.05).abs() < 1e-9, "{:?}", bins(&all));
        assert_eq!(bins(&all).len(), 2, "what was said alike stays together");
        // Brier: (80 x 0.01 + 20 x 0.81 + 10 x 0.81 + 90 x 0.01) / 200 = 0.13.
        assert!((brier(&all).unwrap() - 0.13).abs() < 1e-12);
    }

    #[test]
    fn what_is_all_but_sure_to_be_absent_does_not_count() {
        let all = [said(0.01, 0, 5000), said(0.5, 50, 100)].concat();
        assert_eq!(bins(&all).iter().map(|b| b.present.of).sum::<u64>(), 100);
        assert_eq!(ece(&said(0.01, 0, 50)), (None, None));
    }
}
