//! Steps in which the water is followed: as many intervals of readings as fit in about five minutes, or one silence.
//!
//! A reading a minute shows no more water than one in five: followed from minute to minute, its noise would be asked five
//! times as often whether something left. So the water is moved on in steps of about five minutes whatever the cadence, and
//! all readings within a step say together whether and when water left. A step ends where what the water holds is asked for.

use std::ops::Range;

use crate::balance::Balance;
use crate::frame::Frame;

/// A step takes in no further interval that would make it longer, ms: five minutes, and stamps that jitter.
const LONGEST_STEP_MS: i64 = 330_000;

/// Instants of the frame: the first is the end of the step before, the last the end of this one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Step {
    pub(super) from: usize,
    pub(super) to: usize,
    /// Whether it spans a silence.
    pub(super) silence: bool,
}

impl Step {
    /// Instants at which its intervals end.
    pub(super) fn instants(&self) -> Range<usize> {
        self.from + 1..self.to + 1
    }

    /// Sum of what its intervals hold; NaN when one of them is unknown.
    pub(super) fn sum(&self, of_interval: &[f64]) -> f64 {
        of_interval[self.instants()].iter().sum()
    }
}

/// Steps that end in the frame, after its first instant that is no context, and at each instant that `is_asked`; an instant
/// without a probe ends none.
pub(super) fn steps(frame: &Frame, b: &Balance, is_asked: impl Fn(usize) -> bool) -> Vec<Step> {
    let read = |k: &usize| frame.at(*k).iter().any(|v| !v.is_nan());
    let ends: Vec<usize> = (frame.context..frame.len()).filter(read).collect();
    let mut out = Vec::new();
    let mut from = (0..frame.context).rev().find(read).or_else(|| ends.first().copied()).unwrap_or(0);
    for (i, &to) in ends.iter().enumerate() {
        // The very first reading of a home starts a step and ends none.
        if to == from {
            continue;
        }
        let silence = (from + 1..=to).any(|k| b.gap[k]);
        let is_due = is_asked(to)
            || ends.get(i + 1).is_none_or(|&next| {
                (to + 1..=next).any(|k| b.gap[k])
                    || frame.time_ms[next] - frame.time_ms[from] > LONGEST_STEP_MS
            });
        if silence || is_due {
            out.push(Step { from, to, silence });
            from = to;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Steps as minutes, of a frame with one probe read at `minutes`; the first `context` of them belong to the day before.
    fn of(minutes: &[i64], context: usize, gap_min: i64) -> Vec<(i64, i64, bool)> {
        asked_at(&[], minutes, context, gap_min)
    }

    /// The same, where what the water holds is asked for at the minutes `asked`.
    fn asked_at(asked: &[i64], minutes: &[i64], context: usize, gap_min: i64) -> Vec<(i64, i64, bool)> {
        let frame = Frame {
            time_ms: minutes.iter().map(|m| m * 60_000).collect(),
            probes: vec![50.0; minutes.len()],
            width: 1,
            context,
            ..Frame::default()
        };
        let apart = |k: usize| k == 0 || minutes[k] - minutes[k - 1] >= gap_min;
        let b = Balance { gap: (0..minutes.len()).map(apart).collect(), ..Balance::default() };
        let is_asked = |k: usize| asked.contains(&minutes[k]);
        steps(&frame, &b, is_asked).iter().map(|s| (minutes[s.from], minutes[s.to], s.silence)).collect()
    }

    #[test]
    fn five_minutes_are_one_step_whatever_the_cadence() {
        let by_minute: Vec<i64> = (0..=10).collect();
        assert_eq!(of(&by_minute, 1, 3), [(0, 5, false), (5, 10, false)]);
        assert_eq!(of(&[0, 2, 4, 6, 8], 1, 5), [(0, 4, false), (4, 8, false)]);
        assert_eq!(of(&[0, 5, 10], 1, 13), [(0, 5, false), (5, 10, false)]);
        assert_eq!(of(&[0, 30, 60], 1, 75), [(0, 30, false), (30, 60, false)]);
        assert_eq!(of(&[0, 5, 10], 0, 13), [(0, 5, false), (5, 10, false)]);
    }

    #[test]
    fn a_step_ends_where_the_water_is_asked_for() {
        let by_minute: Vec<i64> = (0..=10).collect();
        assert_eq!(asked_at(&[7], &by_minute, 1, 3), [(0, 5, false), (5, 7, false), (7, 10, false)]);
    }

    #[test]
    fn a_silence_is_a_step_of_its_own() {
        assert_eq!(of(&[0, 1, 2, 60, 61], 1, 3), [(0, 2, false), (2, 60, true), (60, 61, false)]);
    }
}
