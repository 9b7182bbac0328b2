//! How a group of homes draws: quantiles of the heat drawn ahead as a multiple of each home's own mean day.

use drawoff_contract::habit_tables::DayType;

use super::demand::{AHEAD_H, windows};
use super::history::History;
use super::sample::Lent;

/// Quantiles by which a shape is kept.
const POINTS: usize = 20;
/// So many homes, evenly taken, show how a group draws; more would only cost memory.
const MOST_HOMES: usize = 100;

/// Place of a kind of day and hour in a list of cells.
pub(crate) fn cell(kind: DayType, hour: usize) -> usize {
    kind as usize * 24 + hour
}

/// By hours ahead and cell: quantiles, in mean days; empty where the group has no day.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Shape(Vec<Vec<Vec<f64>>>);

impl Shape {
    /// Shape of a group from its homes' histories and levels; homes without a level are left out.
    pub(crate) fn of(homes: &[(&History, f64)]) -> Self {
        let known: Vec<&(&History, f64)> = homes.iter().filter(|(_, level)| *level > 0.0).collect();
        let step = known.len().div_ceil(MOST_HOMES).max(1);
        Self(
            AHEAD_H
                .into_iter()
                .map(|ahead_h| {
                    let mut values: Vec<Vec<f64>> = vec![Vec::new(); DayType::ALL.len() * 24];
                    for (history, level) in known.iter().step_by(step) {
                        for w in windows(history, ahead_h) {
                            values[cell(w.kind, w.hour)].push(w.kwh / level);
                        }
                    }
                    values.into_iter().map(points).collect()
                })
                .collect(),
        )
    }

    /// The shape at a home's level, weighing `days` in all; nothing where the group has none.
    pub(crate) fn lent(&self, ahead: usize, cell: usize, level_kwh: f64, days: f64) -> Lent {
        let points = self.0.get(ahead).map_or(&[][..], |cells| &cells[cell]);
        let at_level = points.iter().filter(|_| level_kwh.is_finite()).map(|v| v * level_kwh);
        Lent { kwh: at_level.collect(), weight: days / POINTS as f64 }
    }
}

/// Quantiles at the middle of each of equal parts.
fn points(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    if values.is_empty() {
        return values;
    }
    let at = |p: usize| (p * 2 + 1) * values.len() / (2 * POINTS);
    (0..POINTS).map(|p| values[at(p).min(values.len() - 1)]).collect()
}
