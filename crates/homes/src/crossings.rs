//! The true cooling line behind readings in coarse steps, from the instants at which they fall from one step to the next.
//!
//! A store that is heated to the same temperature every night meets the steps at the same phase every night: least squares through
//! the rounded values are then off by the same part each time, and no number of nights mends it. Between two steps the water has
//! fallen by just a step, whatever the phase.

/// A part of a run: from and to, h, and the mean of its readings, degC.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Part {
    pub from_h: f64,
    pub to_h: f64,
    pub level_degc: f64,
}

/// A fall counts when at least this share of the first part lies above it, and of the last part below: less is ripple about a step.
const LEAST_SHARE: f64 = 0.2;

/// Level at `at_h`, degC, and slope, K/h, of a falling temperature that was rounded to steps of `step_k`; `None` where the readings
/// fall by fewer than two steps within the parts. The parts are in order of time and none falls by more than a step.
pub(crate) fn line(parts: &[Part], step_k: f64, at_h: f64) -> Option<(f64, f64)> {
    let (first, last) = (parts.first()?, parts.last()?);
    // Share of a part that reads above a step.
    let above = |part: &Part, step: f64| (part.level_degc / step_k - step).clamp(0.0, 1.0);
    let highest = libm::floor(first.level_degc / step_k) as i64;
    let lowest = libm::floor(last.level_degc / step_k) as i64;
    let crossed: Vec<(f64, f64)> = (lowest..=highest)
        .map(|step| step as f64)
        .filter(|&step| above(first, step) >= LEAST_SHARE && above(last, step) <= 1.0 - LEAST_SHARE)
        .map(|step| {
            // A gap between two parts goes on as the part before it.
            let ends = parts.iter().skip(1).map(|p| p.from_h).chain([last.to_h]);
            let above_h: f64 =
                parts.iter().zip(ends).map(|(p, to_h)| (to_h - p.from_h) * above(p, step)).sum();
            (first.from_h + above_h, (step + 0.5) * step_k)
        })
        .collect();
    let n = crossed.len() as f64;
    if n < 2.0 {
        return None;
    }
    let (mean_h, mean_degc) = crossed.iter().fold((0.0, 0.0), |a, c| (a.0 + c.0 / n, a.1 + c.1 / n));
    let squares: f64 = crossed.iter().map(|c| (c.0 - mean_h) * (c.0 - mean_h)).sum();
    let slope = crossed.iter().map(|c| (c.0 - mean_h) * (c.1 - mean_degc)).sum::<f64>() / squares;
    slope.is_finite().then_some((mean_degc + slope * (at_h - mean_h), slope))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Parts of an hour and a half of a fall by 0.3 K/h, read every 5 minutes in whole kelvins.
    fn parts(start_degc: f64, hours: f64) -> Vec<Part> {
        let count = (hours / 1.5) as usize;
        (0..count)
            .map(|i| {
                let from_h = 1.5 * i as f64;
                let read = |k: usize| (start_degc - 0.3 * (from_h + k as f64 / 12.0)).round();
                let level_degc = (0..=18).map(read).sum::<f64>() / 19.0;
                Part { from_h, to_h: from_h + 1.5, level_degc }
            })
            .collect()
    }

    #[test]
    fn the_slope_is_the_same_at_any_phase() {
        for tenth in 0..10 {
            let start_degc = 60.0 + 0.1 * f64::from(tenth);
            let (level, slope) = line(&parts(start_degc, 9.0), 1.0, 4.5).unwrap();
            assert!((slope + 0.3).abs() < 0.02, "{start_degc}: {slope}");
            assert!((level - (start_degc - 0.3 * 4.5)).abs() < 0.1, "{start_degc}: {level}");
        }
    }

    #[test]
    fn one_step_says_nothing_of_the_slope() {
        assert_eq!(line(&parts(60.4, 3.0), 1.0, 1.5), None);
        assert_eq!(line(&[], 1.0, 0.0), None);
    }
}
