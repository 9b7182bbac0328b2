//! Tables of the standing loss.

use super::{Accuracy, CLASSES, FigureTable, Heating, ProbeClass};
use crate::bar::{Bar, Figure};
use crate::bootstrap::{mean_interval, median_interval};
use crate::errors::median;
use crate::home_score::{HomeScore, LossErrors};
use crate::loss::COVERAGE_BAND;
use crate::wilson::Share;

/// Bars of the median absolute error with three probes or more: surroundings known, and not.
const MEASURED_BAR: f64 = 0.05;
const UNKNOWN_BAR: f64 = 0.08;
/// The bar with two probes.
const TWO_PROBES_BAR: f64 = 0.10;
/// The bar of cylinders that something else than an element heats, three probes or more.
const OTHER_SOURCES_BAR: f64 = 0.08;
/// The bar of the bias, of homes with no more undetected draw-offs an hour than this.
const BIAS_BAR: f64 = 0.04;
const UNDETECTED_PER_HOUR: f64 = 0.5;

/// Errors of homes whose surroundings are measured, or are not.
pub(super) fn by_surroundings(accuracy: &Accuracy, measured: bool) -> FigureTable {
    let rows = accuracy.rows(
        &CLASSES,
        |h| h.loss.is_some() && h.room_measured == measured,
        |homes, condition, class| {
            let bar = bar(class, measured, condition.heating);
            let purpose = |what: &str| format!("{what} {measured} {}", condition.label);
            vec![
                median_abs(homes, |l| l.w_per_k, &purpose("w_per_k")).with_bar(bar),
                median_abs(homes, |l| l.kwh_per_day, &purpose("kwh_per_day")).with_bar(bar),
                bias(homes, |l| l.w_per_k, &purpose("bias w_per_k")),
                bias(homes, |l| l.kwh_per_day, &purpose("bias kwh_per_day")),
            ]
        },
    );
    FigureTable {
        title: if measured {
            "Standing loss, surroundings measured"
        } else {
            "Standing loss, surroundings not measured"
        },
        note: "Sound homes whose tank stood 15 K or more above the room on average. Median over homes of the absolute \
               relative error; bias is the mean of the signed one. Intervals: bootstrap by home.",
        columns: vec!["W/K", "kWh a day in use", "bias W/K", "bias kWh a day"],
        rows,
    }
}

/// Intervals, bias and abstentions of all homes.
pub(super) fn intervals(accuracy: &Accuracy) -> FigureTable {
    let (low, high) = (*COVERAGE_BAND.start(), *COVERAGE_BAND.end());
    let band = if accuracy.strict { Bar::Within(low, high) } else { Bar::Overlaps(low, high) };
    let rows = accuracy.rows(
        &CLASSES,
        |h| h.loss.is_some(),
        |homes, condition, class| {
            let biased = class == CLASSES[0] && condition.heating == Heating::Element;
            let seen: Vec<&HomeScore> = homes
                .iter()
                .copied()
                .filter(|h| h.undetected_per_hour.is_some_and(|n| n <= UNDETECTED_PER_HOUR))
                .collect();
            let mut covered = Share::default();
            values(homes, |l| l.covered).for_each(|held| covered.count(held));
            let widths: Vec<f64> = values(homes, |l| l.width).collect();
            let mut without = Share::default();
            homes.iter().filter_map(|h| h.loss).for_each(|l| without.count(l.w_per_k.is_none()));
            vec![
                median_abs(homes, |l| l.w_per_k, &format!("all w_per_k {}", condition.label)),
                median_abs(homes, |l| l.kwh_per_day, &format!("all kwh_per_day {}", condition.label)),
                Figure::of_share(covered).with_bar(Some(band)),
                Figure { value: median(&widths), cases: widths.len(), ..Figure::default() },
                bias(&seen, |l| l.w_per_k, &format!("seen bias {}", condition.label))
                    .with_bar(biased.then_some(Bar::Off(BIAS_BAR))),
                Figure::of_share(without),
            ]
        },
    );
    FigureTable {
        title: "Standing loss, all homes: intervals, bias, abstentions",
        note: "The same homes, surroundings measured or not. Coverage: share of 90 % intervals that hold the truth, Wilson \
               interval. Bias of homes with at most 0.5 true draw-offs an hour that no estimate meets.",
        columns: vec![
            "W/K",
            "kWh a day in use",
            "coverage of 90 % interval",
            "its median width",
            "bias W/K, few undetected",
            "no estimate",
        ],
        rows,
    }
}

fn bar(class: ProbeClass, measured: bool, heating: Heating) -> Option<Bar> {
    match (class.least, measured) {
        (3, _) if heating != Heating::Element => Some(Bar::AtMost(OTHER_SOURCES_BAR)),
        (3, true) => Some(Bar::AtMost(MEASURED_BAR)),
        (3, false) => Some(Bar::AtMost(UNKNOWN_BAR)),
        (2, _) => Some(Bar::AtMost(TWO_PROBES_BAR)),
        _ => None,
    }
}

fn values<'a, T>(
    homes: &'a [&HomeScore],
    get: impl Fn(LossErrors) -> Option<T> + 'a,
) -> impl Iterator<Item = T> + 'a {
    homes.iter().filter_map(move |h| h.loss.and_then(&get))
}

fn median_abs(homes: &[&HomeScore], get: impl Fn(LossErrors) -> Option<f64>, purpose: &str) -> Figure {
    let errors: Vec<f64> = values(homes, get).map(f64::abs).collect();
    Figure {
        value: median(&errors),
        interval: median_interval(&errors, purpose),
        cases: errors.len(),
        abstained: homes.len() - errors.len(),
        ..Figure::default()
    }
}

fn bias(homes: &[&HomeScore], get: impl Fn(LossErrors) -> Option<f64>, purpose: &str) -> Figure {
    let errors: Vec<f64> = values(homes, get).collect();
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    Figure {
        value: (!errors.is_empty()).then_some(mean),
        interval: mean_interval(&errors, purpose),
        cases: errors.len(),
        abstained: homes.len() - errors.len(),
        ..Figure::default()
    }
}
