//! Brings the column to agree with the readings.

use drawoff_tank::column::Column;
use drawoff_tank::profile::MOST_PROBES;

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
/// `row` are readings at `heights`, top first, NaN for none. Tells whether anything was changed.
pub(super) fn agree(column: &mut Column, row: &[f64], heights: &[f64]) -> bool {
    // Points (height, value), top first.
    let (mut shifts, mut adds) = ([(0.0, 0.0); MOST_PROBES], [(0.0, 0.0); MOST_PROBES]);
    let mut count = 0;
    for (&height, &reading) in heights.iter().zip(row).filter(|(_, v)| !v.is_nan()) {
        let shift = best_shift(column, height, reading);
        shifts[count] = (height, shift);
        adds[count] = (height, CORRECTION * (reading - column.line_at(height - shift)));
        count += 1;
    }
    let (shifts, adds) = (&shifts[..count], &adds[..count]);
    if shifts.iter().all(|s| s.1 == 0.0) && adds.iter().all(|a| a.1.abs() < LEAST_CORRECTION_K) {
        return false;
    }
    column.correct_by(from_top_down(shifts), from_top_down(adds));
    true
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
            // Moving alone may cost more than the best so far.
            let moved = shift / SHIFT_SPREAD;
            if moved * moved >= best.1 {
                return best;
            }
            let cost = cost(shift);
            if cost < best.1 { (shift, cost) } else { best }
        })
        .0
}

/// Straight line between points (height, value), top first, level beyond the last; 0 without any. It must be asked from the top
/// down.
fn from_top_down(points: &[(f64, f64)]) -> impl FnMut(f64) -> f64 + '_ {
    // Number of points above the height asked for last.
    let mut above = 0;
    move |height| {
        while above < points.len() && points[above].0 > height {
            above += 1;
        }
        let upper = above.checked_sub(1).map(|i| points[i]);
        match (upper, points.get(above)) {
            // Mostly nothing is moved, and the line is level.
            (Some((_, v1)), Some(&(_, value))) if v1 == value => value,
            (Some((h1, v1)), Some(&(h, value))) => value + (v1 - value) * (height - h) / (h1 - h),
            (Some((_, v)), None) | (None, Some(&(_, v))) => v,
            (None, None) => 0.0,
        }
    }
}
