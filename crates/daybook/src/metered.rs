//! Draw-offs as a flow meter shows them, apart from what the heat says: a meter may be wrong, and only all days tell.

use drawoff_contract::local::LocalDay;

use crate::balance::Balance;
use crate::frame::Frame;

/// Flow up to this is a meter at rest, l/min; a tenth of a litre in five minutes is twice that. Design choice.
const REST_L_PER_MIN: f64 = 0.01;

/// What the meter counted in a day; `litres` is `None` without a reading.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Metered {
    pub(crate) litres: Option<f64>,
    pub(crate) hours: f64,
    /// Start and end of each draw-off after the start of the day, s.
    pub(crate) start_s: Vec<f32>,
    pub(crate) end_s: Vec<f32>,
    pub(crate) draw_l: Vec<f32>,
    pub(crate) outlet_degc: Vec<f32>,
}

/// Reads the flow of the day. A mean speaks of its own interval only: of the time of a lost row nothing is counted, and after
/// a silence nothing at all.
pub(crate) fn metered(frame: &Frame, b: &Balance, day: &LocalDay, cadence_ms: i64) -> Metered {
    let mut out = Metered::default();
    let own_hours = |k: usize| b.hours[k].min(cadence_ms as f64 / 3_600_000.0);
    let top = |k: usize| frame.at(k).iter().copied().find(|v| !v.is_nan()).unwrap_or(f64::NAN);
    let since_s = |k: usize| ((frame.time_ms[k] - day.start_ms) as f64 / 1000.0) as f32;
    let (mut drawn_l, mut warmth) = (0.0, 0.0);
    for k in frame.context.max(1)..frame.len() {
        let runs = |k: usize| k < frame.len() && !b.gap[k] && frame.flow[k] > REST_L_PER_MIN;
        if !b.gap[k] && !frame.flow[k].is_nan() {
            out.litres = Some(out.litres.unwrap_or(0.0) + frame.flow[k] * own_hours(k) * 60.0);
            out.hours += own_hours(k);
        }
        if !runs(k) {
            continue;
        }
        if drawn_l <= 0.0 {
            out.start_s.push(since_s(k - 1));
        }
        let litres = frame.flow[k] * own_hours(k) * 60.0;
        drawn_l += litres;
        warmth += litres * f64::midpoint(top(k - 1), top(k));
        if !runs(k + 1) {
            out.end_s.push(since_s(k));
            out.draw_l.push(drawn_l as f32);
            out.outlet_degc.push((warmth / drawn_l) as f32);
            (drawn_l, warmth) = (0.0, 0.0);
        }
    }
    out
}
