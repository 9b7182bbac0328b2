//! Where a home stands in its fleet: a line for every home, this one marked.

use drawoff_contract::results::HomeRow;

use super::HomeStory;
use super::bars::label;
use crate::text;

const LEFT: f64 = 20.0;
const RIGHT: f64 = 980.0;
const TOP: f64 = 40.0;
const BASE: f64 = 100.0;
/// Lines drawn at most; of more, evenly chosen ones by rank.
const MOST_LINES: usize = 300;
/// Fewer homes are no fleet to stand in.
const FEWEST: usize = 5;

/// A figure that homes are compared by.
struct Measure {
    id: &'static str,
    name: &'static str,
    unit: &'static str,
    decimals: usize,
    of: fn(&HomeRow) -> Option<f64>,
}

const MEASURES: [Measure; 4] = [
    Measure {
        id: "loss",
        name: "Standing loss in use",
        unit: "kWh a day",
        decimals: 2,
        of: |h| h.standing_loss_kwh_per_day,
    },
    Measure { id: "litres", name: "Water drawn", unit: "l a day", decimals: 0, of: |h| h.litres_per_day },
    Measure {
        id: "heater",
        name: "Heater energy",
        unit: "kWh a day",
        decimals: 1,
        of: |h| h.heater_kwh_per_day,
    },
    Measure {
        id: "stored",
        name: "Mean temperature stored",
        unit: "°C",
        decimals: 1,
        of: |h| h.mean_stored_degc,
    },
];

/// What homes are compared by, each figure in ascending order.
#[derive(Clone, Debug)]
pub struct Fleet {
    sorted: Vec<Vec<f64>>,
}

impl Fleet {
    /// The figures of all homes; those without one are left out of it.
    #[must_use]
    pub fn of(homes: &[HomeRow]) -> Self {
        let sorted = |measure: &Measure| {
            let mut values: Vec<f64> =
                homes.iter().filter_map(measure.of).filter(|v| v.is_finite()).collect();
            values.sort_by(f64::total_cmp);
            values
        };
        Self { sorted: MEASURES.iter().map(sorted).collect() }
    }

    /// The section of one home; empty where it has no figure or there is no fleet.
    pub(super) fn section(&self, story: &HomeStory) -> String {
        let Some(row) = &story.row else { return String::new() };
        let mut plots = String::new();
        let mut table = String::new();
        for (measure, values) in MEASURES.iter().zip(&self.sorted) {
            let Some(own) = (measure.of)(row).filter(|v| v.is_finite()) else { continue };
            if values.len() < FEWEST {
                continue;
            }
            plots.push_str(&strip(measure, values, own));
            let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
            let d = measure.decimals;
            let below = values.partition_point(|v| *v < own);
            table.push_str(&format!(
                "<tr><th scope=\"row\">{}, {}</th><td>{own:.d$}</td><td>{:.d$}</td><td>{:.d$}</td><td>{:.d$}</td><td>{below} of {}</td></tr>\n",
                measure.name, measure.unit, at(0.1), at(0.5), at(0.9), values.len(),
            ));
        }
        if plots.is_empty() {
            return String::new();
        }
        format!(
            "<section id=\"fleet\" aria-labelledby=\"fleet-h\">\n<h2 id=\"fleet-h\">Beside the other homes</h2>\n{plots}\
             <table class=\"counts\"><caption>This home, and what one home in ten, half, and nine in ten of the fleet stay below</caption>\
             <thead><tr><th scope=\"col\">Figure</th><th scope=\"col\">This home</th><th scope=\"col\">1 in 10</th>\
             <th scope=\"col\">Middle</th><th scope=\"col\">9 in 10</th><th scope=\"col\">Homes below</th></tr></thead><tbody>\n\
             {table}</tbody></table>\n</section>\n"
        )
    }
}

fn strip(measure: &Measure, values: &[f64], own: f64) -> String {
    let (low, high) = (values[0].min(own), values[values.len() - 1].max(own));
    let x = |v: f64| LEFT + (v - low) / (high - low).max(1e-9) * (RIGHT - LEFT);
    let every = values.len().div_ceil(MOST_LINES).max(1);
    let ticks: String =
        values.iter().step_by(every).map(|&v| format!("M{:.1} {}V{BASE}", x(v), TOP + 14.0)).collect();
    let d = measure.decimals;
    let mut labels = label("", LEFT, 140.0, &format!("{low:.d$}"));
    labels.push_str(&label("end", RIGHT, 140.0, &format!("{high:.d$} {}", measure.unit)));
    let class = if x(own) > 500.0 { "end halo" } else { "halo" };
    let words = if class == "halo" {
        format!("▾ this home, {own:.d$}")
    } else {
        format!("this home, {own:.d$} ▾")
    };
    labels.push_str(&label(class, x(own), TOP - 8.0, &words));
    let id = measure.id;
    format!(
        "<figure><svg class=\"plot strip\" role=\"img\" aria-labelledby=\"fleet-{id}-title fleet-{id}-desc\"><title id=\"fleet-{id}-title\">{}</title>\
         <desc id=\"fleet-{id}-desc\">One line a home from {low:.d$} to {high:.d$} {}; this home is at {own:.d$}. The table below gives the figures.</desc>\
         <svg width=\"100%\" height=\"60\" viewBox=\"0 0 1000 120\" preserveAspectRatio=\"none\" aria-hidden=\"true\">\
         <path class=\"ticks\" d=\"{ticks}\"/><path class=\"mine\" d=\"M{:.1} {TOP}V{}\"/></svg><g aria-hidden=\"true\">{labels}</g></svg>\
         <figcaption>{}, {}</figcaption></figure>\n",
        text::html(measure.name),
        text::html(measure.unit),
        x(own),
        BASE + 8.0,
        text::html(measure.name),
        text::html(measure.unit),
    )
}
