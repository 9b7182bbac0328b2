//! The band under a plot: when a heater was called, and what it took.

use drawoff_contract::results::EvidenceRow;

use super::axis::{Axis, LEFT, RIGHT};

/// Tops and bases of the call bar and of the power area, in the drawing's units.
const CALL_TOP: f64 = 432.0;
const CALL_BASE: f64 = 446.0;
const POWER_TOP: f64 = 456.0;
const POWER_BASE: f64 = 516.0;
/// Runs drawn as they are; more are drawn as this many equal slices, each with its highest level.
const MOST_RUNS: usize = 240;
/// Levels of power that are told apart.
const LEVELS: f64 = 30.0;

/// What the band shows.
pub(super) struct Band {
    /// Filled power area, empty without power.
    pub(super) power_path: String,
    /// Bars while a heater was called, empty without calls.
    pub(super) call_path: String,
    /// Highest power, W; null without power.
    pub(super) highest_w: Option<f64>,
    /// Whether the home has calls at all.
    pub(super) has_call: bool,
}

/// The band of one home's sorted rows.
pub(super) fn band(axis: &Axis, rows: &[&EvidenceRow]) -> Band {
    let powers = || rows.iter().filter_map(|r| r.power_w).filter(|p| p.is_finite());
    let highest_w = powers().fold(None, |most: Option<f64>, p| Some(most.map_or(p, |m| m.max(p))));
    // An idle heater's noise must not fill the band.
    let full_w = highest_w.unwrap_or(0.0).max(100.0);
    let power = runs(axis, rows, |r| Some((r.power_w? / full_w).clamp(0.0, 1.0)));
    let calls = runs(axis, rows, |r| Some(if r.call? >= 0.5 { 1.0 } else { 0.0 }));
    Band {
        power_path: area(&power, POWER_TOP, POWER_BASE),
        call_path: area(&calls, CALL_TOP, CALL_BASE),
        highest_w,
        has_call: rows.iter().any(|r| r.call.is_some()),
    }
}

/// A stretch of one level, from 0 to 1.
#[derive(Clone, Copy)]
struct Run {
    left: i64,
    right: i64,
    level: f64,
}

fn runs(axis: &Axis, rows: &[&EvidenceRow], level: impl Fn(&EvidenceRow) -> Option<f64>) -> Vec<Run> {
    let mut out: Vec<Run> = Vec::new();
    let mut last_ms = i64::MIN;
    for row in rows {
        let at = row.time.0;
        let Some(level) = level(row).filter(|l| l.is_finite()) else { continue };
        // A value is a mean over the interval before its stamp, and no longer than that after a silence.
        let from_ms = last_ms.max(at.saturating_sub(axis.step_ms));
        last_ms = at;
        let (Some(left), Some(right)) = (axis.x(from_ms), axis.x(at)) else { continue };
        let (left, right) = (left.round() as i64, right.round() as i64);
        let level = (level * LEVELS).ceil() / LEVELS;
        match out.last_mut() {
            Some(last) if left - last.right <= 1 && (level - last.level).abs() < 1e-9 => last.right = right,
            Some(last) if left - last.right <= 1 => {
                let left = last.right;
                out.push(Run { left, right, level });
            }
            _ => out.push(Run { left, right, level }),
        }
    }
    if out.len() > MOST_RUNS { sliced(&out) } else { out }
}

fn sliced(runs: &[Run]) -> Vec<Run> {
    let width = ((RIGHT - LEFT) / MOST_RUNS as f64).ceil() as i64;
    let slice = |run: &Run| (run.left - LEFT as i64) / width;
    runs.chunk_by(|a, b| slice(a) == slice(b))
        .map(|group| Run {
            left: group[0].left,
            right: group[group.len() - 1].right,
            level: group.iter().fold(0.0, |most, r| r.level.max(most)),
        })
        .collect()
}

/// A filled outline of the levels between a top and a base.
fn area(runs: &[Run], top: f64, base: f64) -> String {
    let mut out = String::new();
    let mut end = None;
    for run in runs {
        if end != Some(run.left) {
            if end.is_some() {
                out.push_str(&format!("V{base}"));
            }
            out.push_str(&format!("M{} {base}", run.left));
        }
        let y = base - run.level * (base - top);
        out.push_str(&format!("V{y:.0}H{}", run.right));
        end = Some(run.right);
    }
    if end.is_some() {
        out.push_str(&format!("V{base}"));
    }
    out
}

#[cfg(test)]
mod tests {
    use drawoff_contract::Utc;

    use super::*;

    fn row(minute: i64, power_w: Option<f64>, call: Option<f64>) -> EvidenceRow {
        EvidenceRow {
            home: String::new(),
            time: Utc(minute * 60_000),
            probes_degc: Vec::new(),
            power_w,
            call,
            surroundings_degc: None,
        }
    }

    #[test]
    fn called_without_power_shows_as_a_bar_over_an_empty_band() {
        let rows: Vec<EvidenceRow> =
            (1..=60).map(|m| row(m * 5, Some(0.0), Some(f64::from(m > 30)))).collect();
        let refs: Vec<&EvidenceRow> = rows.iter().collect();
        let band = band(&Axis::of(&refs).unwrap(), &refs);
        assert_eq!(band.call_path, "M130 446V446H930V432H1730V446");
        assert_eq!(band.power_path, "M130 516V516H1730V516");
        assert_eq!(band.highest_w, Some(0.0));
    }

    #[test]
    fn a_short_burst_among_many_rows_is_kept() {
        let rows: Vec<EvidenceRow> =
            (1..=4000).map(|m| row(m, Some(if m == 2000 { 3000.0 } else { 0.0 }), None)).collect();
        let refs: Vec<&EvidenceRow> = rows.iter().collect();
        let band = band(&Axis::of(&refs).unwrap(), &refs);
        assert!(band.power_path.contains("V456H"));
        assert!(!band.has_call && band.call_path.is_empty());
    }
}
