//! What comes back when an event ends, and a return in turns that keeps it down.

/// A group's return from an event in turns.
#[derive(Clone, Debug, PartialEq)]
pub struct Return {
    /// Equal parts of the homes, each let go half an hour after the one before.
    pub parts: usize,
    /// Largest rise of load above the undisturbed one in one half-hour, kW.
    pub peak_kw: f64,
}

/// Largest number of turns: all are back within 3 h.
const MOST_PARTS: usize = 6;

/// The fewest turns that keep the rise within `cap_kw`, or the number with the lowest rise where none does.
///
/// `after_kw` is the rise in each half-hour after all homes were let go at once, `held_kw` what the event still holds off in a half-hour
/// for those who wait, both of the whole group.
///
/// ```
/// use drawoff_flexibility::rebound::in_turns;
/// let at_once = in_turns(&[90.0, 10.0, 0.0, 0.0], 20.0, 100.0);
/// assert_eq!((at_once.parts, at_once.peak_kw), (1, 90.0));
/// let in_turns = in_turns(&[90.0, 10.0, 0.0, 0.0], 20.0, 50.0);
/// assert_eq!((in_turns.parts, in_turns.peak_kw), (2, 50.0)); // 45 less 10 still held, then 5 + 45, then 5
/// ```
#[must_use]
pub fn in_turns(after_kw: &[f64], held_kw: f64, cap_kw: f64) -> Return {
    let mut best = Return { parts: 1, peak_kw: f64::INFINITY };
    for parts in 1..=MOST_PARTS {
        let peak_kw = peak(after_kw, held_kw, parts);
        if peak_kw < best.peak_kw - 1e-9 {
            best = Return { parts, peak_kw };
        }
        if best.peak_kw <= cap_kw {
            break;
        }
    }
    best
}

fn peak(after_kw: &[f64], held_kw: f64, parts: usize) -> f64 {
    let each = 1.0 / parts as f64;
    (0..after_kw.len() + parts)
        .map(|time| {
            (0..parts)
                .map(|turn| match time.checked_sub(turn) {
                    Some(since) => each * after_kw.get(since).copied().unwrap_or(0.0),
                    None => -each * held_kw,
                })
                .sum::<f64>()
        })
        .fold(0.0, f64::max)
}
