//! Simpler forecasts that the quantiles have to beat.

use drawoff_contract::habit_tables::DayType;

use super::LEVELS;
use super::demand::{AHEAD_H, windows};
use super::history::History;
use super::shapes::cell;
use crate::robust::quantile;

/// What the simpler forecasts are called, in order.
pub const NAMES: [&str; 3] = ["same hours last week", "fleet mean", "own plain quantiles"];

/// Simpler forecasts, read from the same days.
pub(crate) struct Rivals {
    /// Mean over the homes by hours ahead and cell, kWh.
    fleet_mean: Vec<Vec<f64>>,
    /// Quantiles of each home's own days of the kind, each day counting the same, by home, hours ahead and cell.
    plain: Vec<Vec<Vec<[f64; 4]>>>,
}

impl Rivals {
    pub(crate) fn new(read: &[History]) -> Self {
        let cells = DayType::ALL.len() * 24;
        let mut fleet = vec![vec![(0.0, 0.0); cells]; AHEAD_H.len()];
        let mut plain = Vec::new();
        for history in read {
            let mut of_home = Vec::new();
            for (a, ahead_h) in AHEAD_H.into_iter().enumerate() {
                let mut values: Vec<Vec<f64>> = vec![Vec::new(); cells];
                for w in windows(history, ahead_h) {
                    values[cell(w.kind, w.hour)].push(w.kwh);
                }
                for (sum, of_cell) in fleet[a].iter_mut().zip(&values) {
                    *sum = (sum.0 + of_cell.iter().sum::<f64>(), sum.1 + of_cell.len() as f64);
                }
                of_home.push(values.iter().map(|v| LEVELS.map(|l| quantile(v, l))).collect());
            }
            plain.push(of_home);
        }
        let fleet_mean = fleet.into_iter().map(|c| c.into_iter().map(|(s, n)| s / n).collect()).collect();
        Self { fleet_mean, plain }
    }

    /// What was drawn in the same hours a week before, by day, hour and hours ahead; `None` where it was not seen.
    pub(crate) fn week_before<'a>(
        &self,
        history: &'a History,
    ) -> impl Fn(usize, usize, usize) -> Option<f64> + use<'a> {
        let mut first = vec![None; history.days.len() * 24];
        for (i, hour) in history.hours.iter().enumerate().rev() {
            first[hour.day * 24 + hour.hour] = Some(i);
        }
        move |day, hour, ahead_h| {
            let before =
                day.checked_sub(7).filter(|d| history.days[*d].day.0 + 7 == history.days[day].day.0)?;
            history.drawn_ahead(first[before * 24 + hour]?, ahead_h)
        }
    }

    /// The forecasts of [`NAMES`] by level; `None` where one of them has nothing to go by.
    pub(crate) fn forecasts(
        &self,
        home: usize,
        ahead: usize,
        cell: usize,
        last_week: Option<f64>,
    ) -> Option<[[f64; 4]; 3]> {
        let found = [[last_week?; 4], [self.fleet_mean[ahead][cell]; 4], self.plain[home][ahead][cell]];
        found.iter().flatten().all(|v| v.is_finite()).then_some(found)
    }
}
