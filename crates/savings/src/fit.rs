//! How well the replay of a home's own rule tells its metered energy, on days that the rule was not learnt from.

use drawoff_contract::local::weekday;
use drawoff_homes::verification::{cv_rmse, nmbe};

use crate::history::{DaySpan, History};
use crate::learn::is_learnt_from;
use crate::replay::Replay;

/// A week counts with at least so many of its days.
const LEAST_DAYS_OF_WEEK: usize = 6;
/// Fewer days than these say nothing.
const LEAST_DAYS: usize = 7;

/// Fit over the days that were kept aside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// Bias, above 0 where the replay is too low; share of the metered energy.
    pub nmbe: f64,
    /// Scatter of days over their mean.
    pub daily: f64,
    /// Scatter of weeks over their mean; `None` with fewer than two weeks.
    pub weekly: Option<f64>,
}

/// Holds a replay against the meter; `None` with too few days kept aside, or none with energy.
#[must_use]
pub fn fit(history: &History, replay: &Replay, per_metered: f64) -> Option<Fit> {
    let kept: Vec<&DaySpan> =
        history.days.iter().filter(|d| d.masked.is_none() && !is_learnt_from(d.day)).collect();
    let pair = |day: &&DaySpan| {
        let metered = history.metered_wh(day) as f64 / 1000.0;
        let wh: f64 = replay.steps[day.steps.clone()].iter().map(|s| s.heated_wh).sum();
        (metered, wh / per_metered / 1000.0)
    };
    let days: Vec<(f64, f64)> = kept.iter().map(pair).collect();
    if days.len() < LEAST_DAYS || days.iter().map(|d| d.0).sum::<f64>() <= 0.0 {
        return None;
    }
    let mut weeks: Vec<(i32, usize, f64, f64)> = Vec::new();
    for (day, (metered, replayed)) in kept.iter().zip(&days) {
        let monday = day.day.0 - weekday(day.day) as i32;
        match weeks.last_mut().filter(|w| w.0 == monday) {
            Some(week) => (week.1, week.2, week.3) = (week.1 + 1, week.2 + metered, week.3 + replayed),
            None => weeks.push((monday, 1, *metered, *replayed)),
        }
    }
    // A week short of a day is made whole by its mean, on both sides.
    let whole: Vec<(f64, f64)> = weeks
        .iter()
        .filter(|w| w.1 >= LEAST_DAYS_OF_WEEK)
        .map(|w| (w.2 * 7.0 / w.1 as f64, w.3 * 7.0 / w.1 as f64))
        .collect();
    let split = |pairs: &[(f64, f64)]| -> (Vec<f64>, Vec<f64>) { pairs.iter().copied().unzip() };
    let (metered, replayed) = split(&days);
    let (by_week, replayed_by_week) = split(&whole);
    Some(Fit {
        nmbe: nmbe(&metered, &replayed, 0),
        daily: cv_rmse(&metered, &replayed, 0),
        weekly: (whole.len() >= 2).then(|| cv_rmse(&by_week, &replayed_by_week, 0)),
    })
}
