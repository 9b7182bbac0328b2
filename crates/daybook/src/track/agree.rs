//! Brings the column to agree with the readings.

use drawoff_tank::column::Column;

/// Furthest that water is moved at once, volume fraction, and in how many steps to either side that is searched.
const FURTHEST_SHIFT: f64 = 0.06;
const SHIFT_STEPS: i32 = 12;
/// Standard deviation of the place of a front, volume fraction.
const SHIFT_SPREAD: f64 = 0.005;
/// Standard deviation of what the column does not know of a temperature, K.
const COLUMN_SPREAD_K: f64 = 0.5;
/// Part of a difference that is taken away: the rest is left to the scatter of the readings.
const CORRECTION: f64 = 0.5;
/// Differences below this are left alone, K.
const LEAST_CORRECTION_K: f64 = 0.02;

/// Moves water where that explains a reading better than a change of its temperature, and warms or cools the rest.
///
/// `row` are readings at `heights`, top first, NaN for none.
pub(super) fn agree(column: &mut Column, row: &[f64], heights: &[f64]) {
    let known = || heights.iter().copied().zip(row.iter().copied()).filter(|(_, v)| !v.is_nan());
    let shifts: Vec<(f64, f64)> = known().map(|(h, reading)| (h, best_shift(column, h, reading))).collect();
    let adds: Vec<(f64, f64)> = known()
        .zip(&shifts)
        .map(|((h, reading), shift)| (h, CORRECTION * (reading - column.line_at(h - shift.1))))
        .collect();
    if shifts.iter().all(|s| s.1 == 0.0) && adds.iter().all(|a| a.1.abs() < LEAST_CORRECTION_K) {
        return;
    }
    column.correct_by(|h| between(&shifts, h), |h| between(&adds, h));
}

/// How far up the water at a height moves to explain a reading there; 0 where its temperature does not change with height.
fn best_shift(column: &Column, height: f64, reading: f64) -> f64 {
    let cost = |shift: f64| {
        let rest = (reading - column.line_at(height - shift)) / COLUMN_SPREAD_K;
        let moved = shift / SHIFT_SPREAD;
        rest * rest + moved * moved
    };
    let step = FURTHEST_SHIFT / f64::from(SHIFT_STEPS);
    let none = cost(0.0);
    if none < 0.25 {
        return 0.0;
    }
    (-SHIFT_STEPS..=SHIFT_STEPS)
        .map(|i| f64::from(i) * step)
        .fold((0.0, none), |best, shift| {
            let cost = cost(shift);
            if cost < best.1 { (shift, cost) } else { best }
        })
        .0
}

/// Straight line between points (height, value), top first, level beyond the last; 0 without any.
fn between(points: &[(f64, f64)], height: f64) -> f64 {
    let mut above: Option<(f64, f64)> = None;
    for &(h, value) in points {
        if h <= height {
            return above.map_or(value, |(h1, v1)| value + (v1 - value) * (height - h) / (h1 - h));
        }
        above = Some((h, value));
    }
    above.map_or(0.0, |(_, v)| v)
}
