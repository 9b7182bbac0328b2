//! Tables of habits: empty days, and quantiles of demand.

use super::{Accuracy, CLASSES, FigureTable};
use crate::bar::{Bar, Figure, Unit};
use crate::bootstrap::interval;
use crate::home_score::HomeScore;
use crate::quantiles::LEVELS;
use crate::vacancy::DayTally;
use crate::wilson::Share;

/// The bar of F1 of empty days.
const VACANCY_BAR: f64 = 0.95;
/// How far a quantile's share may be off.
const QUANTILE_BAR: f64 = 0.02;

/// Empty days.
pub(super) fn vacancy(accuracy: &Accuracy) -> FigureTable {
    let rows = accuracy.rows(
        &CLASSES,
        |h| h.vacancy.is_some(),
        |homes, condition, _| {
            let f1 = |homes: &[&HomeScore], what: &str| {
                let tallies: Vec<DayTally> = homes.iter().filter_map(|h| h.vacancy).collect();
                let all: Vec<usize> = (0..tallies.len()).collect();
                Figure {
                    value: pool(&tallies, &all).f1(),
                    interval: interval(tallies.len(), &format!("{what} {}", condition.label), |drawn| {
                        pool(&tallies, drawn).f1()
                    }),
                    cases: tallies.len(),
                    unit: Unit::Number,
                    ..Figure::default()
                }
            };
            let used: Vec<&HomeScore> = homes.iter().copied().filter(|h| h.ever_used).collect();
            let tallies: Vec<DayTally> = homes.iter().filter_map(|h| h.vacancy).collect();
            let pooled = pool(&tallies, &(0..tallies.len()).collect::<Vec<_>>());
            vec![
                f1(homes, "vacancy").with_bar(Some(Bar::AtLeast(VACANCY_BAR))),
                f1(&used, "vacancy of used homes"),
                Figure::of_share(pooled.recall()),
                Figure::of_share(pooled.precision()),
                Figure::of_share(Share { hits: pooled.unknown, of: pooled.days }),
            ]
        },
    );
    FigureTable {
        title: "Empty days",
        note: "A day is empty when less than 0.5 l was drawn; all homes, faults among them. Days called unknown count as not \
               found. F1 with bootstrap by home, the shares with their Wilson interval.",
        columns: vec!["F1", "F1 without always empty homes", "found", "true", "unknown"],
        rows,
    }
}

/// Quantiles of the day's heat.
pub(super) fn quantiles(accuracy: &Accuracy) -> FigureTable {
    let rows = accuracy.rows(
        &CLASSES,
        |h| h.quantiles.is_some_and(|q| q[0].of > 0),
        |homes, condition, _| {
            let shares: Vec<[Share; 4]> = homes.iter().filter_map(|h| h.quantiles).collect();
            let pooled = |level: usize, drawn: &[usize]| {
                let mut all = Share::default();
                drawn.iter().for_each(|&i| all.add(shares[i][level]));
                all
            };
            let all: Vec<usize> = (0..shares.len()).collect();
            (0..LEVELS.len())
                .map(|level| Figure {
                    value: pooled(level, &all).value(),
                    interval: interval(
                        shares.len(),
                        &format!("quantile {level} {}", condition.label),
                        |drawn| pooled(level, drawn).value(),
                    ),
                    cases: usize::try_from(pooled(level, &all).of).unwrap_or(usize::MAX),
                    bar: Some(Bar::Within(LEVELS[level] - QUANTILE_BAR, LEVELS[level] + QUANTILE_BAR)),
                    ..Figure::default()
                })
                .collect()
        },
    );
    FigureTable {
        title: "Quantiles of the heat drawn in a day",
        note: "Homes without equipment fault. Quantiles are read from the first two thirds of the days and asked of the rest; \
               true heat of occupied local days. Share of days within each quantile, bootstrap by home.",
        columns: vec!["P50", "P80", "P90", "P95"],
        rows,
    }
}

fn pool(tallies: &[DayTally], drawn: &[usize]) -> DayTally {
    let mut pooled = DayTally::default();
    drawn.iter().for_each(|&i| pooled.add(tallies[i]));
    pooled
}
