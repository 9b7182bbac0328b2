//! What homes say together: sums that are sums of rows, intervals of sums and means, and what the next home would save.

use drawoff_contract::savings_tables::SavingRow;

use crate::saving::{MODEL_SPREAD, Span, Z90};

/// What the replays of a fleet get wrong alike, as a share of the heat of the reference: errors that do not average out.
/// (Chosen on `synth` seed 801 beside [`MODEL_SPREAD`].)
pub const SHARED_SPREAD: f64 = 0.0075;

/// Sum of homes' figures with the interval of the sum: errors of the homes are their own, apart from a share of the reference that all
/// have in common. `None` without homes.
#[must_use]
pub fn total(spans: &[(Span, f64)]) -> Option<Span> {
    if spans.is_empty() {
        return None;
    }
    let value: f64 = spans.iter().map(|s| s.0.value).sum();
    let own: f64 = spans.iter().map(|(s, _)| ((s.p95 - s.p05) / (2.0 * Z90)).powi(2)).sum();
    let shared = SHARED_SPREAD * spans.iter().map(|s| s.1).sum::<f64>();
    let spread = (own + shared * shared).sqrt();
    Some(Span { value, p05: value - Z90 * spread, p95: value + Z90 * spread })
}

/// Mean over homes that differ (random effects, R. DerSimonian and N. Laird, *Controlled Clinical Trials* 7 (1986) 177-188, from memory)
/// and what the next home of the kind would save.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effects {
    /// The mean with its 90 % interval.
    pub mean: Span,
    /// 90 % interval of the next home.
    pub next: (f64, f64),
}

/// Random-effects mean of homes' figures; `None` with fewer than three.
#[must_use]
pub fn random_effects(spans: &[Span]) -> Option<Effects> {
    if spans.len() < 3 {
        return None;
    }
    let variance = |s: &Span| ((s.p95 - s.p05) / (2.0 * Z90)).powi(2).max(1e-12);
    let weights: Vec<f64> = spans.iter().map(|s| 1.0 / variance(s)).collect();
    let sum: f64 = weights.iter().sum();
    let fixed = spans.iter().zip(&weights).map(|(s, w)| s.value * w).sum::<f64>() / sum;
    let q: f64 = spans.iter().zip(&weights).map(|(s, w)| w * (s.value - fixed) * (s.value - fixed)).sum();
    let scale = sum - weights.iter().map(|w| w * w).sum::<f64>() / sum;
    let between = if scale > 0.0 { ((q - (spans.len() - 1) as f64) / scale).max(0.0) } else { 0.0 };
    let weights: Vec<f64> = spans.iter().map(|s| 1.0 / (variance(s) + between)).collect();
    let sum: f64 = weights.iter().sum();
    let mean = spans.iter().zip(&weights).map(|(s, w)| s.value * w).sum::<f64>() / sum;
    let error = (1.0 / sum).sqrt();
    let next = (between + 1.0 / sum).sqrt();
    Some(Effects {
        mean: Span { value: mean, p05: mean - Z90 * error, p95: mean + Z90 * error },
        next: (mean - Z90 * next, mean + Z90 * next),
    })
}

/// Energy saved with its interval, and the reference's energy; `None` where a home is not assessed.
#[must_use]
pub fn energy(row: &SavingRow) -> Option<(Span, f64)> {
    let span = Span { value: row.saved_kwh?, p05: row.saved_kwh_p05?, p95: row.saved_kwh_p95? };
    Some((span, row.reference_kwh?))
}

/// The same of money, millionths.
#[must_use]
pub fn money(row: &SavingRow) -> Option<(Span, f64)> {
    let span =
        Span { value: row.saved?.0 as f64, p05: row.saved_p05?.0 as f64, p95: row.saved_p95?.0 as f64 };
    Some((span, row.cost_reference?.0 as f64))
}

/// The same of greenhouse gases, mg.
#[must_use]
pub fn carbon(row: &SavingRow) -> Option<(Span, f64)> {
    let span = Span {
        value: row.carbon_saved_mg? as f64,
        p05: row.carbon_saved_mg_p05? as f64,
        p95: row.carbon_saved_mg_p95? as f64,
    };
    Some((span, row.carbon_reference_mg? as f64))
}

/// Whether the spreads of one home and of all together make sense beside each other.
const _: () = assert!(SHARED_SPREAD < MODEL_SPREAD);

#[cfg(test)]
mod tests {
    use super::*;

    fn span(value: f64, half: f64) -> Span {
        Span { value, p05: value - half, p95: value + half }
    }

    #[test]
    fn own_errors_average_out_and_shared_ones_do_not() {
        let homes: Vec<(Span, f64)> = (0..100).map(|_| (span(10.0, Z90), 0.0)).collect();
        let sum = total(&homes).unwrap();
        assert!((sum.value - 1000.0).abs() < 1e-9 && (sum.p95 - sum.value - 10.0 * Z90).abs() < 1e-9);
        let shared: Vec<(Span, f64)> = (0..100).map(|_| (span(10.0, 0.0), 100.0)).collect();
        let sum = total(&shared).unwrap();
        assert!((sum.p95 - sum.value - Z90 * SHARED_SPREAD * 10_000.0).abs() < 1e-6);
        assert_eq!(total(&[]), None);
    }

    #[test]
    fn homes_that_differ_widen_the_next_one() {
        let alike = random_effects(&[span(5.0, 1.0), span(5.0, 1.0), span(5.0, 1.0)]).unwrap();
        assert!((alike.mean.value - 5.0).abs() < 1e-9 && (alike.next.1 - alike.mean.p95).abs() < 1e-9);
        let apart = random_effects(&[span(0.0, 1.0), span(5.0, 1.0), span(10.0, 1.0)]).unwrap();
        // sd of 0, 5 and 10 is 5
        assert!((apart.next.1 - 5.0 - Z90 * (25.0_f64 + 25.0 / 3.0).sqrt()).abs() < 0.2, "{apart:?}");
        assert_eq!(random_effects(&[span(1.0, 1.0)]), None);
    }
}
