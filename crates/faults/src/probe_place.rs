//! Probes that drift, and probes that sit at another height than the register says.

use drawoff_contract::Fault;
use drawoff_homes::robust::{median, scatter, step};

use crate::assessment::Assessment;
use crate::evidence::sequence;
use crate::probes::{Probes, frozen, present_residual, residuals, value};

/// Drift that matters, K a week: with it a sound probe would leave its calibration of 0.5 K within a fortnight.
const DRIFT_K_PER_WEEK: f64 = 0.22;
/// What it must have come to, K: beyond calibration and pocket.
const DRIFTED_K: f64 = 1.1;
/// Days with water of one temperature that must be known.
const LEAST_DAYS: usize = 14;
/// Days from the start of a drift that its slope needs.
const LEAST_DRIFT_DAYS: usize = 8;

/// Least-squares slope of a line that is level up to day `from` and straight after: level, slope a day, sum of absolute
/// deviations.
fn bent(known: &[(f64, f64)], from: f64) -> (f64, f64, f64) {
    let x = |t: f64| (t - from).max(0.0);
    let n = known.len() as f64;
    let (mx, my) =
        (known.iter().map(|k| x(k.0)).sum::<f64>() / n, known.iter().map(|k| k.1).sum::<f64>() / n);
    let sxx: f64 = known.iter().map(|k| (x(k.0) - mx) * (x(k.0) - mx)).sum();
    let sxy: f64 = known.iter().map(|k| (x(k.0) - mx) * (k.1 - my)).sum();
    let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
    let level = my - slope * mx;
    let cost = known.iter().map(|k| (k.1 - level - slope * x(k.0)).abs()).sum();
    (level, slope, cost)
}

/// A drift: first day, kelvin a day, and what it has come to.
struct Drift {
    from: usize,
    k_per_day: f64,
    total_k: f64,
    standard_error: f64,
}

/// The drift that explains a series of daily differences better than a step or nothing; `None` where none does.
fn drift(series: &[f64]) -> Option<Drift> {
    let known: Vec<(f64, f64)> =
        series.iter().enumerate().filter(|(_, v)| !v.is_nan()).map(|(i, v)| (i as f64, *v)).collect();
    if known.len() < LEAST_DAYS {
        return None;
    }
    let last = known.len() - LEAST_DRIFT_DAYS;
    let starts = known[..=last].iter().map(|k| k.0);
    let best = starts.map(|from| (from, bent(&known, from))).min_by(|a, b| a.1.2.total_cmp(&b.1.2))?;
    let (from, (level, slope, cost)) = best;
    let flat = median(series);
    let cost_flat: f64 = known.iter().map(|k| (k.1 - flat).abs()).sum();
    let cost_step = step(series, 3, 0.05).map_or(f64::INFINITY, |s| {
        known.iter().map(|k| (k.1 - if k.0 < s.at as f64 { s.before } else { s.after }).abs()).sum()
    });
    let end = known.last().map_or(from, |k| k.0);
    let explains = cost < 0.9 * cost_step && cost < 0.7 * cost_flat;
    let residuals: Vec<f64> = known.iter().map(|k| k.1 - level - slope * (k.0 - from).max(0.0)).collect();
    let after = known.iter().filter(|k| k.0 >= from).count() as f64;
    // Standard error of a slope over evenly spaced days: s sqrt(12 / n^3).
    let standard_error = scatter(&residuals).max(0.05) * (12.0 / (after * after * after)).sqrt();
    explains.then_some(Drift {
        from: from as usize,
        k_per_day: slope,
        total_k: slope * (end - from),
        standard_error,
    })
}

/// A probe moves away from its neighbours week by week.
#[must_use]
pub fn sensor_drift(ctx: Probes<'_>) -> Assessment {
    const STATISTIC: &str = "drift against the neighbours in water of one temperature, K a week";
    let fault = Fault::SensorDrift;
    if ctx.sending() < 3 {
        return Assessment::not_assessed(fault, STATISTIC, "at least 3 probes");
    }
    let frozen = frozen(ctx);
    let mut most: Option<(usize, Drift)> = None;
    let mut known = 0;
    for p in (0..ctx.probes).filter(|p| !frozen.get(*p).copied().unwrap_or(false)) {
        let series = residuals(ctx, p);
        known = known.max(series.iter().filter(|v| !v.is_nan()).count());
        if let Some(found) = drift(&series)
            && found.total_k.abs() >= DRIFTED_K
            && most.as_ref().is_none_or(|m| found.total_k.abs() > m.1.total_k.abs())
        {
            most = Some((p, found));
        }
    }
    if known < LEAST_DAYS {
        return Assessment::too_little(fault, STATISTIC, "fewer than 14 days with water of one temperature");
    }
    let Some((p, drift)) = most else {
        let mut sound = Assessment::judged(fault, STATISTIC, 0.0, DRIFT_K_PER_WEEK, 0.15);
        sound.days = known;
        sound.evidence_against = "No probe moves away from its neighbours.".to_owned();
        return sound;
    };
    let a_week = drift.k_per_day * 7.0;
    let mut found = Assessment::judged(fault, STATISTIC, a_week.abs(), DRIFT_K_PER_WEEK, 0.15);
    found.days = known;
    found.standard_error = drift.standard_error * 7.0;
    found.windows = known;
    if found.is_fault() {
        found.onset_ms = (drift.from > 0).then(|| ctx.day_start(drift.from));
        found.evidence_for = format!(
            "Probe {} from the top moves by {a_week:+.1} K a week against its neighbours, {:+.1} K so far.",
            p + 1,
            drift.total_k
        );
    } else {
        found.evidence_against = format!("The largest drift is {a_week:+.2} K a week.");
    }
    found
}

/// Change of a probe's place between its neighbours' daily means, as a share of the way between them. A change of use has
/// moved one probe alone by half of the way at a sound home of one synth fleet.
const MOVED_SHARE: f64 = 0.55;
/// Neighbours must differ by this on the mean of a day for the share to mean anything, K.
const LEAST_SPREAD_K: f64 = 2.0;
/// Standard errors that a change must have.
const CHANGE_Z: f64 = 8.0;

/// Change of any other probe's place, without the moved one, that makes it a change of use or of the cylinder.
const OTHERS_MOVED_SHARE: f64 = 0.12;

/// Whether the other probes keep their places among themselves at the change: their daily means, the moved one left out.
/// With fewer than two of them between others nobody can tell.
fn others_stay(ctx: Probes<'_>, moved: usize, at: usize) -> bool {
    let rest: Vec<usize> = (0..ctx.probes).filter(|&q| q != moved).collect();
    let mut told = 0;
    for w in rest.windows(3) {
        let series: Vec<f64> = ctx
            .days
            .iter()
            .map(|d| {
                let mean = |q: usize| value(&d.probe_mean_degc, q);
                let way = mean(w[0]) - mean(w[2]);
                if way >= LEAST_SPREAD_K { (mean(w[1]) - mean(w[2])) / way } else { f64::NAN }
            })
            .collect();
        let (before, after) = (median(&series[..at]), median(&series[at..]));
        if (after - before).is_nan() {
            continue;
        }
        told += 1;
        if (after - before).abs() > OTHERS_MOVED_SHARE {
            return false;
        }
    }
    told >= 2
}

/// Where probe `p` lies between its neighbours by the means of each day: 0 at the lower one, 1 at the upper.
fn share_of_way(ctx: Probes<'_>, p: usize) -> Vec<f64> {
    ctx.days
        .iter()
        .map(|d| {
            let mean = |q: usize| value(&d.probe_mean_degc, q);
            let way = mean(p - 1) - mean(p + 1);
            if way >= LEAST_SPREAD_K { ((mean(p) - mean(p + 1)) / way).clamp(-1.0, 2.0) } else { f64::NAN }
        })
        .collect()
}

/// A probe sees the water pass at another height than the register says: it moved within the record.
///
/// A probe that always sat elsewhere is not told from the habits of the home; one that lies beyond its neighbour is seen as
/// exchanged.
#[must_use]
pub fn sensor_height(ctx: Probes<'_>) -> Assessment {
    const STATISTIC: &str = "change of a probe's place between its neighbours, share of the way";
    let fault = Fault::SensorHeight;
    let n = ctx.probes;
    if ctx.sending() < 5 {
        return Assessment::not_assessed(fault, STATISTIC, "at least 5 probes");
    }
    let frozen = frozen(ctx);
    let mut most: Option<(usize, Vec<f64>, drawoff_homes::robust::Step)> = None;
    let mut known = 0;
    for p in
        (1..n.saturating_sub(1)).filter(|p| (p - 1..=p + 1).all(|q| !frozen.get(q).copied().unwrap_or(false)))
    {
        let series = share_of_way(ctx, p);
        known = known.max(series.iter().filter(|v| !v.is_nan()).count());
        // In water of one temperature it must agree: a probe that reads off is another fault.
        let off = (p - 1..=p + 1).any(|q| present_residual(ctx, q).is_some_and(|r| r.abs() >= 1.0));
        let Some(change) = step(&series, 5, 0.05).filter(|s| s.z.abs() >= CHANGE_Z && !off) else { continue };
        let size = |s: &drawoff_homes::robust::Step| (s.after - s.before).abs();
        let alone = others_stay(ctx, p, change.at);
        if !alone {
            continue;
        }
        if most.as_ref().is_none_or(|m| size(&change) > size(&m.2)) {
            most = Some((p, series, change));
        }
    }
    if known < 10 {
        return Assessment::too_little(
            fault,
            STATISTIC,
            "fewer than 10 days with a difference between neighbours",
        );
    }
    let Some((p, series, change)) = most else {
        let mut sound = Assessment::judged(fault, STATISTIC, 0.0, MOVED_SHARE, 0.15);
        sound.days = known;
        sound.evidence_against = "Every probe keeps its place between its neighbours.".to_owned();
        return sound;
    };
    let moved = change.after - change.before;
    let away: Vec<f64> = series.iter().map(|v| (v - change.before) * moved.signum()).collect();
    let shown = sequence(&away, 0.0, MOVED_SHARE, 0.1);
    let mut found = Assessment::judged(fault, STATISTIC, moved.abs(), MOVED_SHARE, 0.15);
    found.days = known;
    if found.is_fault() {
        found.onset_ms = Some(ctx.day_start(change.at));
        found.evidence_for = format!(
            "Probe {} from the top now follows the water {} than before, though it agrees with its neighbours in water of one temperature.",
            p + 1,
            if moved > 0.0 { "higher up" } else { "lower down" }
        );
    } else {
        found.evidence_against =
            format!("The largest change of place is {:.2} of the way between neighbours.", moved.abs());
    }
    found.with_windows(&shown, |i| ctx.day_start(i))
}
