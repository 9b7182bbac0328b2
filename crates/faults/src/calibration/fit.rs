//! Curves from cases whose truth is known.
//!
//! Faults that exclude each other are fitted together: given that at most one of a set is there, log-odds against "none of
//! them" are linear in the features (multinomial logistic regression), so that probabilities of a set never sum above 1. Each
//! curve is drawn towards that of all kinds pooled by a Gaussian prior: a kind with few cases stays near it.
//! Newton's method; the likelihood is concave, the prior makes the maximum unique.

use std::collections::BTreeMap;

use drawoff_contract::Fault;

use super::{Curve, FEATURES, features};

/// One home and one set of faults: what was measured of each, and which of them was really there.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Case {
    /// Kinds of the set that were assessed and not folded: margin and days of evidence.
    pub margins: Vec<(Fault, f64, i64)>,
    /// The kind of the set that is there; `None` of none.
    pub present: Option<Fault>,
}

/// Standard deviations of the prior of a kind's coefficients about the pooled ones: as widely as those of 28 kinds lay about their
/// mean on the fitting seed (21), 1150 homes. Limits are not equally tight, so intercepts differ most.
const SPREAD: [f64; FEATURES] = [1.3, 1.0, 0.7, 0.15];
/// The same of the pooled curve about [`START`]: hardly a prior at all.
const POOLED_SPREAD: [f64; FEATURES] = [5.0, 3.0, 3.0, 1.0];
/// Where the search begins, and what no case at all leaves: the odds rise by e^2 for each scale beyond the limit.
const START: [f64; FEATURES] = [0.0, 2.0, 2.0, 0.0];
/// Places of the slopes along the margin among the features.
const SLOPES: [usize; 2] = [1, 2];
const ROUNDS: usize = 60;
const CLOSE_ENOUGH: f64 = 1e-9;

/// The curve of all kinds as one: every kind of every case stands for itself.
#[must_use]
pub fn pooled(cases: &[&Case]) -> Curve {
    let single: Vec<Row> = cases
        .iter()
        .flat_map(|case| case.margins.iter().map(move |m| (case, m)))
        .filter_map(|(case, (fault, margin, days))| {
            let row = vec![(0, features(*margin, *days)?)];
            Some(Row { kinds: row, present: (case.present == Some(*fault)).then_some(0) })
        })
        .collect();
    let fitted = newton(&single, 1, START, POOLED_SPREAD);
    curve(&fitted[0], &single, 0)
}

/// The curves of one set; kinds without a case are left out.
#[must_use]
pub fn set(cases: &[&Case], kinds: &[Fault], pooled: &Curve) -> BTreeMap<Fault, Curve> {
    let place = |fault: Fault| kinds.iter().position(|&k| k == fault);
    let rows: Vec<Row> = cases
        .iter()
        .map(|case| Row {
            kinds: case
                .margins
                .iter()
                .filter_map(|(fault, margin, days)| Some((place(*fault)?, features(*margin, *days)?)))
                .collect(),
            present: case.present.and_then(place),
        })
        // What is there without having been assessed teaches nothing of the others either.
        .filter(|row| !row.kinds.is_empty() && row.present.is_none_or(|p| row.kinds.iter().any(|k| k.0 == p)))
        .collect();
    let fitted = newton(&rows, kinds.len(), pooled.coefficients(), SPREAD);
    let seen = |k: &usize| rows.iter().any(|r| r.kinds.iter().any(|(kind, _)| kind == k));
    (0..kinds.len()).filter(seen).map(|k| (kinds[k], curve(&fitted[k], &rows, k))).collect()
}

struct Row {
    kinds: Vec<(usize, [f64; FEATURES])>,
    present: Option<usize>,
}

fn curve(coefficients: &[f64; FEATURES], rows: &[Row], kind: usize) -> Curve {
    let [intercept, below, beyond, days] = *coefficients;
    Curve {
        intercept,
        below,
        beyond,
        days,
        homes: rows.iter().filter(|r| r.kinds.iter().any(|(k, _)| *k == kind)).count(),
        present: rows.iter().filter(|r| r.present == Some(kind)).count(),
    }
}

/// Probability of each kind of a row.
fn shares(row: &Row, at: &[[f64; FEATURES]]) -> Vec<f64> {
    let scores: Vec<f64> =
        row.kinds.iter().map(|(k, f)| at[*k].iter().zip(f).map(|(c, x)| c * x).sum()).collect();
    softmax_with_none(&scores)
}

/// Probabilities of alternatives with these log-odds against none of them.
pub(crate) fn softmax_with_none(scores: &[f64]) -> Vec<f64> {
    let largest = scores.iter().copied().fold(0.0, f64::max);
    let all = libm::exp(-largest) + scores.iter().map(|s| libm::exp(s - largest)).sum::<f64>();
    scores.iter().map(|s| libm::exp(s - largest) / all).collect()
}

/// Penalised maximum likelihood; slopes along the margin are held at 0 or above, so that more effect never says less.
fn newton(
    rows: &[Row],
    kinds: usize,
    prior: [f64; FEATURES],
    spread: [f64; FEATURES],
) -> Vec<[f64; FEATURES]> {
    let n = kinds * FEATURES;
    let mut at = vec![prior; kinds];
    for _ in 0..ROUNDS {
        let mut gradient = vec![0.0; n];
        let mut curvature = vec![vec![0.0; n]; n];
        for (i, coefficients) in at.iter().enumerate() {
            for f in 0..FEATURES {
                let weight = 1.0 / (spread[f] * spread[f]);
                gradient[i * FEATURES + f] = (prior[f] - coefficients[f]) * weight;
                curvature[i * FEATURES + f][i * FEATURES + f] = weight;
            }
        }
        for row in rows {
            let shares = shares(row, &at);
            for (a, (kind_a, f_a)) in row.kinds.iter().enumerate() {
                let there = f64::from(u8::from(row.present == Some(*kind_a)));
                for (i, feature) in f_a.iter().enumerate() {
                    let line = kind_a * FEATURES + i;
                    gradient[line] += (there - shares[a]) * feature;
                    for (b, (kind_b, f_b)) in row.kinds.iter().enumerate() {
                        let own = if a == b { 1.0 } else { 0.0 };
                        let weight = shares[a] * (own - shares[b]) * feature;
                        for (j, other) in f_b.iter().enumerate() {
                            curvature[line][kind_b * FEATURES + j] += weight * other;
                        }
                    }
                }
            }
        }
        for (i, coefficients) in at.iter().enumerate() {
            for slope in SLOPES {
                if coefficients[slope] <= 0.0 && gradient[i * FEATURES + slope] < 0.0 {
                    hold(i * FEATURES + slope, &mut curvature, &mut gradient);
                }
            }
        }
        let step = solve(curvature, gradient);
        // A longer step than this overshoots where all cases lie on one side.
        let largest = step.iter().fold(0.0_f64, |m, s| m.max(s.abs()));
        let scale = if largest > 2.0 { 2.0 / largest } else { 1.0 };
        for (i, coefficients) in at.iter_mut().enumerate() {
            for f in 0..FEATURES {
                coefficients[f] += scale * step[i * FEATURES + f];
            }
            for slope in SLOPES {
                coefficients[slope] = coefficients[slope].max(0.0);
            }
        }
        if largest < CLOSE_ENOUGH {
            break;
        }
    }
    at
}

/// Takes one coefficient out of the step: it stays where it is.
fn hold(place: usize, curvature: &mut [Vec<f64>], gradient: &mut [f64]) {
    for line in curvature.iter_mut() {
        line[place] = 0.0;
    }
    curvature[place].iter_mut().for_each(|c| *c = 0.0);
    curvature[place][place] = 1.0;
    gradient[place] = 0.0;
}

/// Solves a symmetric positive definite system by Cholesky's decomposition; the prior keeps the diagonal away from 0.
fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Vec<f64> {
    let n = b.len();
    for j in 0..n {
        for k in 0..j {
            a[j][j] -= a[j][k] * a[j][k];
        }
        a[j][j] = a[j][j].max(1e-12).sqrt();
        for i in j + 1..n {
            for k in 0..j {
                a[i][j] -= a[i][k] * a[j][k];
            }
            a[i][j] /= a[j][j];
        }
    }
    for i in 0..n {
        for k in 0..i {
            b[i] -= a[i][k] * b[k];
        }
        b[i] /= a[i][i];
    }
    for i in (0..n).rev() {
        for k in i + 1..n {
            b[i] -= a[k][i] * b[k];
        }
        b[i] /= a[i][i];
    }
    b
}

#[cfg(test)]
mod tests {
    use super::*;

    fn case(margin: f64, present: bool) -> Case {
        let fault = Fault::LeakSteady;
        Case { margins: vec![(fault, margin, 30)], present: present.then_some(fault) }
    }

    /// Cases of which a share is there at each margin.
    fn made(at: &[(f64, usize, usize)]) -> Vec<Case> {
        at.iter().flat_map(|&(m, there, all)| (0..all).map(move |i| case(m, i < there))).collect()
    }

    #[test]
    fn shares_are_found_again() {
        // Log-odds by hand: at the limit 0 (half), one beyond ln 9 (nine tenths), one below -ln 4 (a fifth).
        let cases = made(&[(0.0, 5000, 10_000), (1.0, 9000, 10_000), (-1.0, 2000, 10_000)]);
        let fitted = pooled(&cases.iter().collect::<Vec<_>>());
        for (margin, share) in [(0.0, 0.5), (1.0, 0.9), (-1.0, 0.2)] {
            let p = 1.0 / (1.0 + libm::exp(-fitted.log_odds(margin, 30).unwrap()));
            assert!((p - share).abs() < 0.002, "{margin}: {p}");
        }
        assert_eq!((fitted.homes, fitted.present), (30_000, 16_000));
    }

    #[test]
    fn few_cases_stay_near_the_pooled_curve() {
        let start = Curve { intercept: 1.0, below: 2.0, beyond: 2.0, days: 0.0, homes: 0, present: 0 };
        let moved = |cases: Vec<Case>| {
            let fitted = set(&cases.iter().collect::<Vec<_>>(), &[Fault::LeakSteady], &start);
            (fitted[&Fault::LeakSteady].intercept - start.intercept).abs()
        };
        let (few, many) = (moved(made(&[(0.0, 0, 2)])), moved(made(&[(0.0, 0, 200)])));
        assert!(few < 2.0 && many > 2.0 * few, "{few} {many}");
    }

    #[test]
    fn kinds_that_exclude_each_other_share_one_home() {
        let two = [Fault::StuckOn, Fault::ThermostatHot];
        let both =
            |present| Case { margins: two.iter().map(|f| (*f, 1.0, 30)).collect(), present: Some(present) };
        let cases: Vec<Case> = (0..400).map(|i| both(two[usize::from(i % 4 == 0)])).collect();
        let refs: Vec<&Case> = cases.iter().collect();
        let fitted = set(&refs, &two, &pooled(&refs));
        let scores: Vec<f64> = two.iter().map(|f| fitted[f].log_odds(1.0, 30).unwrap()).collect();
        let shares = softmax_with_none(&scores);
        assert!((shares[0] - 0.75).abs() < 0.02 && (shares[1] - 0.25).abs() < 0.02, "{shares:?}");
        assert!(shares.iter().sum::<f64>() <= 1.0);
    }

    #[test]
    fn more_effect_never_says_less() {
        let cases = made(&[(0.0, 90, 100), (2.0, 10, 100), (-2.0, 50, 100)]);
        let fitted = pooled(&cases.iter().collect::<Vec<_>>());
        assert!(fitted.below >= 0.0 && fitted.beyond >= 0.0, "{fitted:?}");
    }
}
