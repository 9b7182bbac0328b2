//! The table of usable water.

use super::{Accuracy, FigureTable, ProbeClass};
use crate::bar::{Bar, Figure};
use crate::bootstrap::{interval, median_interval};
use crate::errors::median;

/// The bar of the root mean square error, as a part of the volume, with four probes or more.
const USABLE_BAR: f64 = 0.05;
const USABLE_CLASSES: [ProbeClass; 4] = [
    ProbeClass::new("4 probes or more", 4, usize::MAX),
    ProbeClass::new("3 probes", 3, 3),
    ProbeClass::new("2 probes", 2, 2),
    ProbeClass::new("1 probe", 1, 1),
];

/// Usable water at 40 degC.
pub(super) fn usable(accuracy: &Accuracy) -> FigureTable {
    let rows = accuracy.rows(
        &USABLE_CLASSES,
        |h| h.usable.is_some(),
        |homes, condition, class| {
            let errors: Vec<f64> = homes.iter().filter_map(|h| h.usable).collect();
            let of_sound: Vec<f64> = homes.iter().filter(|h| h.is_sound).filter_map(|h| h.usable).collect();
            let bar = (class == USABLE_CLASSES[0]).then_some(Bar::AtMost(USABLE_BAR));
            vec![
                pooled(&errors, &format!("usable {}", condition.label), bar),
                pooled(&of_sound, &format!("usable sound {}", condition.label), bar),
                Figure {
                    value: median(&errors),
                    interval: median_interval(&errors, &format!("median usable {}", condition.label)),
                    cases: errors.len(),
                    ..Figure::default()
                },
            ]
        },
    );
    FigureTable {
        title: "Usable water",
        note: "Homes without equipment fault; those with exchanged or frozen probes, or gaps, are among all. Error at the end of each half-hour of the water that can be drawn at 40 degC from \
               a feed of 10 degC, as a part of the stored volume.",
        columns: vec![
            "root mean square, all homes",
            "root mean square, homes without any fault",
            "root mean square, median home",
        ],
        rows,
    }
}

/// Root mean square over homes, with its interval by home; none without homes.
fn pooled(errors: &[f64], name: &str, bar: Option<Bar>) -> Figure {
    let of = |drawn: &[usize]| {
        let mean = drawn.iter().map(|&i| errors[i].powi(2)).sum::<f64>() / drawn.len() as f64;
        Some(mean.sqrt()).filter(|v| !v.is_nan())
    };
    let all: Vec<usize> = (0..errors.len()).collect();
    Figure {
        value: of(&all),
        interval: if errors.is_empty() { None } else { interval(errors.len(), name, of) },
        cases: errors.len(),
        bar: bar.filter(|_| !errors.is_empty()),
        ..Figure::default()
    }
}
