//! Tables of what is drawn: days, and draw-offs one by one.

use super::{Accuracy, CLASSES, FigureTable, Heating, ProbeClass};
use crate::bar::{Bar, Figure, Unit};
use crate::bootstrap::{interval, median_interval};
use crate::errors::median;
use crate::groups::GroupTally;
use crate::home_score::HomeScore;
use crate::wilson::Share;

/// Bars of the day with three probes or more, of homes that are reheated.
const ENERGY_BAR: f64 = 0.03;
const LITRES_BAR: f64 = 0.05;
/// Bars of the day's heat where something else than an element heats.
const METERED_ENERGY_BAR: f64 = 0.06;
const UNMETERED_ENERGY_BAR: f64 = 0.12;
/// The cadence that the bars of draw-off groups speak of.
const GROUP_CADENCE_MIN: u32 = 5;

const GROUP_CLASSES: [ProbeClass; 4] = [
    ProbeClass::new("6 probes or more", 6, usize::MAX),
    ProbeClass::new("3 to 5 probes", 3, 5),
    ProbeClass::new("2 probes", 2, 2),
    ProbeClass::new("1 probe", 1, 1),
];

/// Errors of single days.
pub(super) fn days(accuracy: &Accuracy) -> FigureTable {
    let rows = accuracy.rows(
        &CLASSES,
        |h| h.days.is_some(),
        |homes, condition, class| {
            let barred = class == CLASSES[0];
            let hot: Vec<&HomeScore> = homes.iter().copied().filter(|h| h.reheated).collect();
            let energy_bar = match condition.heating {
                Heating::Element => ENERGY_BAR,
                Heating::Metered => METERED_ENERGY_BAR,
                Heating::Unmetered => UNMETERED_ENERGY_BAR,
            };
            let energy = barred.then_some(Bar::AtMost(energy_bar));
            let litres = (barred && condition.heating == Heating::Element).then_some(Bar::AtMost(LITRES_BAR));
            let of = |homes: &[&HomeScore], what: &str, get: &dyn Fn(&HomeScore) -> Option<f64>| {
                let errors: Vec<f64> = homes.iter().filter_map(|h| get(h)).collect();
                Figure {
                    value: median(&errors),
                    interval: median_interval(&errors, &format!("{what} {}", condition.label)),
                    cases: errors.len(),
                    abstained: homes.len() - errors.len(),
                    ..Figure::default()
                }
            };
            let mut without = Share::default();
            homes.iter().filter_map(|h| h.days).for_each(|d| without.count(d.kwh.is_none()));
            vec![
                of(&hot, "day kwh", &|h| h.days?.kwh).with_bar(energy),
                of(&hot, "day litres", &|h| h.days?.litres).with_bar(litres),
                of(&hot, "utc kwh", &|h| h.utc_days?.kwh).with_bar(energy),
                of(&hot, "utc litres", &|h| h.utc_days?.litres).with_bar(litres),
                of(homes, "all day kwh", &|h| h.days?.kwh),
                of(homes, "all day litres", &|h| h.days?.litres),
                Figure::of_share(without),
            ]
        },
    );
    FigureTable {
        title: "Single days: heat and litres drawn",
        note: "Homes without equipment fault that draw. Median over homes of the mean absolute error of a day over the home's \
               mean day. Day table: local days, against true draw-offs summed into local days. By draw-offs: single draw-offs \
               summed into UTC days, against the UTC days of truth; what is too small to be seen one by one is then missing. \
               Reheated: nine tenths of the litres left at 40 degC or more.",
        columns: vec![
            "day table kWh, reheated",
            "day table litres, reheated",
            "by draw-offs kWh, reheated",
            "by draw-offs litres, reheated",
            "day table kWh, all",
            "day table litres, all",
            "no estimate",
        ],
        rows,
    }
}

/// Draw-off groups of three litres or more.
pub(super) fn groups(accuracy: &Accuracy) -> FigureTable {
    let rows = accuracy.rows(
        &GROUP_CLASSES,
        |h| h.groups.is_some(),
        |homes, condition, class| {
            let tallies: Vec<GroupTally> = homes.iter().filter_map(|h| h.groups).collect();
            let all: Vec<usize> = (0..tallies.len()).collect();
            let missed: Vec<f64> = homes.iter().filter_map(|h| h.undetected_per_hour).collect();
            let pooled = pool(&tallies, &all);
            let asked = condition.cadence_min == GROUP_CADENCE_MIN && condition.heating == Heating::Element;
            let bar = asked.then(|| bar(class)).flatten();
            let f1 = Figure {
                value: pooled.f1(),
                interval: interval(tallies.len(), &format!("groups {}", condition.label), |drawn| {
                    pool(&tallies, drawn).f1()
                }),
                cases: tallies.len(),
                unit: Unit::Number,
                bar,
                ..Figure::default()
            };
            let undetected = Figure {
                value: median(&missed),
                interval: median_interval(&missed, &format!("undetected {}", condition.label)),
                cases: missed.len(),
                unit: Unit::Number,
                ..Figure::default()
            };
            vec![f1, Figure::of_share(pooled.recall), Figure::of_share(pooled.precision), undetected]
        },
    );
    FigureTable {
        title: "Draw-off groups of 3 l or more",
        note: "Homes without equipment fault, water leaving at 40 degC or more. Both sides are put on the grid of the readings, \
               and draw-offs of the same or neighbouring intervals are one group. F1 with bootstrap by home, the shares with \
               their Wilson interval. Undetected: true draw-offs of any size an hour that no estimate meets, median of homes.",
        columns: vec!["F1", "found", "true", "undetected an hour"],
        rows,
    }
}

fn bar(class: ProbeClass) -> Option<Bar> {
    match class.least {
        6 => Some(Bar::AtLeast(0.90)),
        3 => Some(Bar::AtLeast(0.80)),
        2 => Some(Bar::AtLeast(0.70)),
        _ => None,
    }
}

fn pool(tallies: &[GroupTally], drawn: &[usize]) -> GroupTally {
    let mut pooled = GroupTally::default();
    drawn.iter().for_each(|&i| pooled.add(&tallies[i]));
    pooled
}
