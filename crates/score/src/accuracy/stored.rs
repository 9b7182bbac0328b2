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
            let pooled = |drawn: &[usize]| {
                let mean = drawn.iter().map(|&i| errors[i].powi(2)).sum::<f64>() / drawn.len() as f64;
                Some(mean.sqrt())
            };
            let all: Vec<usize> = (0..errors.len()).collect();
            let bar = (class == USABLE_CLASSES[0]).then_some(Bar::AtMost(USABLE_BAR));
            vec![
                Figure {
                    value: pooled(&all),
                    interval: interval(errors.len(), &format!("usable {}", condition.label), pooled),
                    cases: errors.len(),
                    bar,
                    ..Figure::default()
                },
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
        note: "Homes without equipment fault. Error at the end of each half-hour of the water that can be drawn at 40 degC from \
               a feed of 10 degC, as a part of the stored volume.",
        columns: vec!["root mean square, all homes", "root mean square, median home"],
        rows,
    }
}
