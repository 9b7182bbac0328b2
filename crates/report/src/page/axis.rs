//! The time axis of a plot: spans of evidence side by side, with the days between them left out.

use drawoff_contract::results::EvidenceRow;

/// Units across the whole drawing; labels are placed in per cent of it.
pub(super) const UNITS: f64 = 2000.0;
/// Where the plot begins and ends: the margins hold the labels.
pub(super) const LEFT: f64 = 130.0;
pub(super) const RIGHT: f64 = 1730.0;
/// A silence longer than this starts a new span.
const NEW_SPAN_MS: i64 = 6 * 3_600_000;
/// Units between two spans; fewer where there are many spans.
const BREAK_UNITS: f64 = 36.0;
/// What the breaks take of the axis at most.
const MOST_BREAK_SHARE: f64 = 0.25;

/// One run of rows without a long silence.
pub(super) struct Span {
    pub(super) start_ms: i64,
    pub(super) end_ms: i64,
    pub(super) left: f64,
    pub(super) right: f64,
}

/// Spans in order of time, and the usual interval of the rows.
pub(super) struct Axis {
    pub(super) spans: Vec<Span>,
    pub(super) step_ms: i64,
}

impl Axis {
    /// Lays the sorted rows of one home out; `None` when there are none.
    pub(super) fn of(rows: &[&EvidenceRow]) -> Option<Self> {
        let step_ms = usual_step(rows);
        let mut spans: Vec<Span> = Vec::new();
        for row in rows {
            let at = row.time.0;
            match spans.last_mut() {
                Some(span) if at.saturating_sub(span.end_ms) <= NEW_SPAN_MS => span.end_ms = at,
                _ => {
                    let start_ms = at.saturating_sub(step_ms);
                    spans.push(Span { start_ms, end_ms: at, left: 0.0, right: 0.0 });
                }
            }
        }
        if spans.is_empty() {
            return None;
        }
        place(&mut spans);
        Some(Self { spans, step_ms })
    }

    /// Units from the left; `None` outside the spans.
    pub(super) fn x(&self, ms: i64) -> Option<f64> {
        let span = self.spans.iter().find(|s| s.start_ms <= ms && ms <= s.end_ms)?;
        let part = (ms - span.start_ms) as f64 / (span.end_ms - span.start_ms).max(1) as f64;
        Some(span.left + part * (span.right - span.left))
    }

    /// Hours that are shown.
    pub(super) fn hours(&self) -> f64 {
        self.spans.iter().map(|s| (s.end_ms - s.start_ms) as f64).sum::<f64>() / 3_600_000.0
    }
}

fn place(spans: &mut [Span]) {
    let breaks = spans.len() as f64 - 1.0;
    let gap = BREAK_UNITS.min((RIGHT - LEFT) * MOST_BREAK_SHARE / breaks.max(1.0));
    let total: f64 = spans.iter().map(|s| (s.end_ms - s.start_ms) as f64).sum();
    let per_ms = (RIGHT - LEFT - gap * breaks) / total.max(1.0);
    let mut left = LEFT;
    for span in spans {
        span.left = left;
        span.right = left + (span.end_ms - span.start_ms) as f64 * per_ms;
        left = span.right + gap;
    }
}

/// Median of the steps between rows; five minutes when there is only one row.
fn usual_step(rows: &[&EvidenceRow]) -> i64 {
    let mut steps: Vec<i64> =
        rows.windows(2).map(|w| w[1].time.0.saturating_sub(w[0].time.0)).filter(|&s| s > 0).collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).copied().unwrap_or(300_000).min(NEW_SPAN_MS)
}

/// Per cent of the drawing's width, for a label.
pub(super) fn percent(units: f64) -> String {
    format!("{:.2}%", units / UNITS * 100.0)
}

#[cfg(test)]
mod tests {
    use drawoff_contract::Utc;

    use super::*;

    fn at(ms: i64) -> EvidenceRow {
        EvidenceRow {
            home: String::new(),
            time: Utc(ms),
            probes_degc: Vec::new(),
            power_w: None,
            call: None,
            surroundings_degc: None,
        }
    }

    #[test]
    fn silent_days_are_left_out() {
        let hour = 3_600_000;
        let rows: Vec<EvidenceRow> = (1..=24).chain(97..=120).map(|h| at(h * hour)).collect();
        let axis = Axis::of(&rows.iter().collect::<Vec<_>>()).unwrap();
        assert_eq!((axis.spans.len(), axis.step_ms), (2, hour));
        assert_eq!(axis.hours(), 48.0);
        assert_eq!(axis.x(0), Some(LEFT));
        assert_eq!(axis.x(50 * hour), None);
        assert!((axis.x(120 * hour).unwrap() - RIGHT).abs() < 1e-9);
    }

    #[test]
    fn absurd_times_do_not_overflow() {
        let rows = [at(i64::MIN), at(i64::MAX)];
        assert_eq!(Axis::of(&rows.iter().collect::<Vec<_>>()).unwrap().spans.len(), 2);
        assert!(Axis::of(&[]).is_none());
    }
}
