//! Baselines B and C: daily energy before and after a change by regression, and against matched homes without a change.

use drawoff_contract::Day;
use drawoff_contract::local::weekday;
use drawoff_contract::seed::seed;
use drawoff_homes::robust::median;
use drawoff_homes::verification::{
    Interval, Saving, cv_rmse, daily_factor, lag_1_autocorrelation, nmbe, savings_uncertainty,
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::history::History;
use crate::saving::{Span, Z90};

/// Days on either side that a regression needs: four weeks before (common practice, no source), two after.
pub const LEAST_BEFORE: usize = 28;
/// See [`LEAST_BEFORE`].
pub const LEAST_AFTER: usize = 14;
/// Parameters: mean, heat taken, cold feed, weekend.
const PARAMETERS: usize = 4;
/// Resamples of the bootstrap.
const RESAMPLES: usize = 200;
/// Days of a block: a week keeps the days of the week and what hangs together within it.
const BLOCK: usize = 7;
/// Rounds of reweighting, and the residual in robust standard deviations from which a day counts less (P. J. Huber, *Annals of
/// Mathematical Statistics* 35 (1964) 73-101: 1.345 keeps 95 % of the efficiency).
const ROUNDS: usize = 8;
const HUBER: f64 = 1.345;
/// Residuals are held to be dependent from this correlation of neighbours on (Guideline 14-2014, as quoted in public).
const DEPENDENT: f64 = 0.5;
/// Matched homes that a difference needs, and most that are taken.
pub const LEAST_CONTROLS: usize = 3;
const MOST_CONTROLS: usize = 10;

/// One day of a home.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayUse {
    /// The day.
    pub day: Day,
    /// Metered energy, kWh.
    pub kwh: f64,
    /// Heat that users took, kWh.
    pub taken_kwh: f64,
    /// Cold feed, degC.
    pub feed_degc: f64,
}

/// Days of a history that count.
#[must_use]
pub fn days_used(history: &History) -> Vec<DayUse> {
    let used = history.days.iter().filter(|d| d.masked.is_none());
    used.map(|d| DayUse {
        day: d.day,
        kwh: history.metered_wh(d) as f64 / 1000.0,
        taken_kwh: d.drawn_wh / 1000.0,
        feed_degc: history.steps[d.steps.start].feed_degc,
    })
    .collect()
}

/// Baseline B of one home.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BeforeAfter {
    /// Days before and after.
    pub days: (usize, usize),
    /// Expected less metered energy after the change, kWh.
    pub saved_kwh: Span,
    /// Scatter of the regression before the change.
    pub cv_rmse: f64,
    /// Its bias.
    pub nmbe: f64,
    /// Half-width of the 90 % interval over the saving by the guideline's formula; `None` where nothing is saved.
    pub formula_uncertainty: Option<f64>,
    /// Whether scatter and bias keep the guideline's limits for hours, the wider of its two: it has none for days.
    pub within_limits: bool,
}

/// Fits the days before the change and holds the days after it against the fit, by blocks of weeks.
///
/// # Errors
/// Names what is missing, or that the days before all look alike.
pub fn before_after(
    home: &str,
    days: &[DayUse],
    changed: Day,
    run_seed: u64,
) -> Result<BeforeAfter, &'static str> {
    let (before, after): (Vec<DayUse>, Vec<DayUse>) = days.iter().partition(|d| d.day < changed);
    if before.len() < LEAST_BEFORE {
        return Err("28 days before the change");
    }
    if after.len() < LEAST_AFTER {
        return Err("14 days after the change");
    }
    let fit = regression(&before).ok_or("a regression that is not degenerate")?;
    let expected =
        |days: &[DayUse], fit: &[f64; PARAMETERS]| days.iter().map(|d| predicted(fit, d)).sum::<f64>();
    let metered: f64 = after.iter().map(|d| d.kwh).sum();
    let value = expected(&after, &fit) - metered;
    let residual = |d: &DayUse| d.kwh - predicted(&fit, d);
    let residuals: Vec<f64> = before.iter().map(residual).collect();
    // Blocks of the residuals before the change are laid on the fit: each resample gives another regression, and another sum of what the
    // days after the change scatter by themselves.
    let mut rng = ChaCha8Rng::seed_from_u64(seed(run_seed, home, "before and after"));
    let block = |rng: &mut ChaCha8Rng, count: usize| -> Vec<f64> {
        let mut out = Vec::with_capacity(count + BLOCK);
        while out.len() < count {
            let start = rng.random_range(0..=residuals.len() - BLOCK);
            out.extend(&residuals[start..start + BLOCK]);
        }
        out.truncate(count);
        out
    };
    let mut values: Vec<f64> = Vec::with_capacity(RESAMPLES);
    for _ in 0..RESAMPLES {
        let noise = block(&mut rng, before.len());
        let again: Vec<DayUse> =
            before.iter().zip(&noise).map(|(d, e)| DayUse { kwh: predicted(&fit, d) + e, ..*d }).collect();
        let Some(other) = regression(&again) else { continue };
        let own: f64 = block(&mut rng, after.len()).iter().sum();
        values.push(value + expected(&after, &other) - expected(&after, &fit) - own);
    }
    values.sort_by(f64::total_cmp);
    let at = |share: f64| {
        values.get(((values.len().max(1) - 1) as f64 * share).round() as usize).copied().unwrap_or(f64::NAN)
    };
    let measured: Vec<f64> = before.iter().map(|d| d.kwh).collect();
    let modelled: Vec<f64> = before.iter().map(|d| predicted(&fit, d)).collect();
    let (variation, bias) =
        (cv_rmse(&measured, &modelled, PARAMETERS), nmbe(&measured, &modelled, PARAMETERS));
    let correlation = lag_1_autocorrelation(&residuals);
    let share = value / expected(&after, &fit);
    let formula = savings_uncertainty(&Saving {
        share: share.abs(),
        variation,
        baseline: before.len() as f64,
        reporting: after.len() as f64,
        autocorrelation: if correlation >= DEPENDENT { correlation } else { 0.0 },
        t: Z90,
        factor: daily_factor(after.len() as f64 / 30.4),
    });
    Ok(BeforeAfter {
        days: (before.len(), after.len()),
        saved_kwh: Span { value, p05: at(0.05), p95: at(0.95) },
        cv_rmse: variation,
        nmbe: bias,
        formula_uncertainty: Some(formula).filter(|f| f.is_finite()),
        within_limits: Interval::Hourly.is_calibrated(bias, variation),
    })
}

fn features(day: &DayUse) -> [f64; PARAMETERS] {
    [1.0, day.taken_kwh, day.feed_degc, f64::from(u8::from(weekday(day.day) >= 5))]
}

fn predicted(fit: &[f64; PARAMETERS], day: &DayUse) -> f64 {
    fit.iter().zip(features(day)).map(|(b, x)| b * x).sum()
}

/// Huber's regression of daily energy; what does not vary is left out. `None` where nothing can be solved.
fn regression(days: &[DayUse]) -> Option<[f64; PARAMETERS]> {
    let rows: Vec<[f64; PARAMETERS]> = days.iter().map(features).collect();
    let mut weights = vec![1.0; days.len()];
    let mut fit = [0.0; PARAMETERS];
    for _ in 0..ROUNDS {
        fit = least_squares(&rows, days, &weights)?;
        let residuals: Vec<f64> = days.iter().map(|d| (d.kwh - predicted(&fit, d)).abs()).collect();
        let scale = 1.4826 * median(&residuals);
        if scale <= 1e-9 {
            break;
        }
        for (weight, residual) in weights.iter_mut().zip(&residuals) {
            *weight = (HUBER * scale / residual.max(1e-12)).min(1.0);
        }
    }
    fit.iter().all(|b| b.is_finite()).then_some(fit)
}

/// Normal equations about the means with a ridge so small that it only holds what does not vary at 0.
fn least_squares(rows: &[[f64; PARAMETERS]], days: &[DayUse], weights: &[f64]) -> Option<[f64; PARAMETERS]> {
    const VARIES: usize = PARAMETERS - 1;
    let sum: f64 = weights.iter().sum();
    let mean = |i: usize| rows.iter().zip(weights).map(|(r, w)| r[i] * w).sum::<f64>() / sum;
    let means: [f64; PARAMETERS] = std::array::from_fn(mean);
    let mean_kwh = days.iter().zip(weights).map(|(d, w)| d.kwh * w).sum::<f64>() / sum;
    let mut matrix = [[0.0; VARIES + 1]; VARIES];
    for ((row, day), weight) in rows.iter().zip(days).zip(weights) {
        for i in 0..VARIES {
            let a = row[i + 1] - means[i + 1];
            for j in 0..VARIES {
                matrix[i][j] += weight * a * (row[j + 1] - means[j + 1]);
            }
            matrix[i][VARIES] += weight * a * (day.kwh - mean_kwh);
        }
    }
    for (i, row) in matrix.iter_mut().enumerate() {
        row[i] += 1e-9 + 1e-6 * row[i];
    }
    let slopes = solved(matrix)?;
    let mut out = [0.0; PARAMETERS];
    out[1..].copy_from_slice(&slopes);
    out[0] = mean_kwh - (1..PARAMETERS).map(|i| out[i] * means[i]).sum::<f64>();
    Some(out)
}

/// Gauss's elimination with the largest pivot; `None` when the matrix is singular.
fn solved<const N: usize, const M: usize>(mut matrix: [[f64; M]; N]) -> Option<[f64; N]> {
    for i in 0..N {
        let pivot = (i..N).max_by(|a, b| matrix[*a][i].abs().total_cmp(&matrix[*b][i].abs()))?;
        matrix.swap(i, pivot);
        if matrix[i][i].abs() < 1e-12 {
            return None;
        }
        let pivot = matrix[i];
        for below in matrix.iter_mut().skip(i + 1) {
            let factor = below[i] / pivot[i];
            below.iter_mut().zip(pivot).for_each(|(value, above)| *value -= factor * above);
        }
    }
    let mut out = [0.0; N];
    for i in (0..N).rev() {
        let known: f64 = (i + 1..N).map(|j| matrix[i][j] * out[j]).sum();
        out[i] = (matrix[i][N] - known) / matrix[i][i];
    }
    Some(out)
}

/// Change of the mean daily energy of a home from before to after a day, kWh; `None` with too few days.
#[must_use]
pub fn change(days: &[DayUse], changed: Day) -> Option<f64> {
    let mean = |part: &dyn Fn(&DayUse) -> bool, least: usize| {
        let kwh: Vec<f64> = days.iter().filter(|d| part(d)).map(|d| d.kwh).collect();
        (kwh.len() >= least).then(|| kwh.iter().sum::<f64>() / kwh.len() as f64)
    };
    Some(mean(&|d| d.day >= changed, LEAST_AFTER)? - mean(&|d| d.day < changed, LEAST_BEFORE)?)
}

/// Mean daily energy before a day, kWh, by which homes are matched.
fn level(days: &[DayUse], changed: Day) -> Option<f64> {
    let kwh: Vec<f64> = days.iter().filter(|d| d.day < changed).map(|d| d.kwh).collect();
    (kwh.len() >= LEAST_BEFORE).then(|| kwh.iter().sum::<f64>() / kwh.len() as f64)
}

/// Baseline C of one home: its change less the mean change of the homes without one that took most nearly as much before; with their
/// number. `None` with too few.
#[must_use]
pub fn against_controls(days: &[DayUse], changed: Day, controls: &[Vec<DayUse>]) -> Option<(f64, usize)> {
    let own = change(days, changed)?;
    let level_kwh = level(days, changed)?;
    let mut near: Vec<(f64, f64)> = controls
        .iter()
        .filter_map(|control| {
            // on the days of both, so that a season outside them tells nothing
            let common: Vec<DayUse> = control
                .iter()
                .filter(|c| days.binary_search_by_key(&c.day, |d| d.day).is_ok())
                .cloned()
                .collect();
            let apart = (level(&common, changed)?.max(0.1) / level_kwh.max(0.1)).ln().abs();
            Some((apart, change(&common, changed)?))
        })
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    near.truncate(MOST_CONTROLS);
    if near.len() < LEAST_CONTROLS {
        return None;
    }
    Some((own - near.iter().map(|c| c.1).sum::<f64>() / near.len() as f64, near.len()))
}

/// Mean difference over homes with its interval, clustered by home: homes are resampled whole. `None` with fewer than three.
#[must_use]
pub fn clustered_mean(differences: &[f64], run_seed: u64) -> Option<Span> {
    let n = differences.len();
    if n < 3 {
        return None;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(seed(run_seed, "", "matched controls"));
    let mut means: Vec<f64> = (0..RESAMPLES * 5)
        .map(|_| (0..n).map(|_| differences[rng.random_range(0..n)]).sum::<f64>() / n as f64)
        .collect();
    means.sort_by(f64::total_cmp);
    let at = |share: f64| means[((means.len() - 1) as f64 * share).round() as usize];
    Some(Span { value: differences.iter().sum::<f64>() / n as f64, p05: at(0.05), p95: at(0.95) })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Energy is what is taken and 2 kWh; `less` is saved each day from day 60 on. `salt` sets the noise.
    fn home(less: f64, salt: u32) -> Vec<DayUse> {
        let wave = |i: u32, speed: f64| libm::sin(f64::from(i * 7 + salt * 13) * speed);
        (0..100_u32)
            .map(|i| {
                let taken_kwh = 6.0 + 2.0 * wave(i, 1.7);
                let noise = 0.4 * wave(i, 2.9) + 0.3 * wave(i, 5.3);
                let saved = if i >= 60 { less } else { 0.0 };
                DayUse {
                    day: Day(20_000 + i as i32),
                    kwh: 2.0 + taken_kwh + noise - saved,
                    taken_kwh,
                    feed_degc: 10.0,
                }
            })
            .collect()
    }

    #[test]
    fn a_known_change_is_found_and_none_is_not() {
        for less in [0.0, 1.0] {
            let found = before_after("h", &home(less, 1), Day(20_060), 1).unwrap();
            assert_eq!(found.days, (60, 40));
            let truth = 40.0 * less;
            assert!((found.saved_kwh.p05..=found.saved_kwh.p95).contains(&truth), "{less} {found:?}");
            assert!((found.saved_kwh.value - truth).abs() < 5.0 && found.within_limits, "{found:?}");
        }
        assert_eq!(before_after("h", &home(0.0, 1), Day(20_020), 1), Err("28 days before the change"));
        assert_eq!(before_after("h", &home(0.0, 1), Day(20_095), 1), Err("14 days after the change"));
    }

    #[test]
    fn what_all_homes_do_is_no_saving() {
        // All homes use 1 kWh less after the change; the treated one 1.5 kWh less.
        let controls: Vec<Vec<DayUse>> = (2..8).map(|salt| home(1.0, salt)).collect();
        let (difference, matched) = against_controls(&home(1.5, 1), Day(20_060), &controls).unwrap();
        assert!((difference + 0.5).abs() < 0.3 && matched == 6, "{difference} {matched}");
        assert_eq!(against_controls(&home(1.5, 1), Day(20_060), &controls[..2]), None);
        let span = clustered_mean(&[-0.5, -0.4, -0.6, -0.5], 1).unwrap();
        assert!((span.value + 0.5).abs() < 1e-9 && span.p05 >= -0.6 && span.p95 <= -0.4);
        assert_eq!(clustered_mean(&[1.0], 1), None);
    }

    #[test]
    fn equations_are_solved() {
        let found: [f64; 2] = solved([[0.0, 2.0, 4.0], [1.0, 1.0, 5.0]]).unwrap();
        assert_eq!(found, [3.0, 2.0]);
        assert_eq!(solved::<2, 3>([[1.0, 1.0, 1.0], [1.0, 1.0, 2.0]]), None);
    }
}
