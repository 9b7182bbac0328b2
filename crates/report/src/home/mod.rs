//! Everything known of one home, for whoever rings or visits it: as lines for a terminal and as a page.

use chrono_tz::Tz;
use drawoff_contract::daybook::PowerNote;
use drawoff_contract::habit_tables::{ChangeRow, HabitRow, HourChangeRow, RateRow, VacancyRow};
use drawoff_contract::results::{
    CoolingRow, CylinderRow, DayRow, DrawOffRow, EvidenceRow, FindingRow, HomeRow, LeftOffRow, QualityRow,
    VisitRow,
};
use drawoff_contract::{Fault, Outcome};

pub(crate) mod bars;
mod cooling;
mod figures;
mod fleet;
mod front;
mod heights;
mod lines;
mod page;
mod power;
mod tables;
mod verdicts;
mod week;

pub use fleet::Fleet;
pub use lines::lines;
pub use page::{page, page_in};

/// The rows of one home from the tables of a finished run. All text is taken as hostile.
#[derive(Clone, Debug, Default)]
pub struct HomeStory {
    /// The export's own identifier.
    pub home: String,
    /// What is known of the cylinder and its use; `None` when the run knows nothing.
    pub row: Option<HomeRow>,
    /// The visit that the list offers.
    pub visit: Option<VisitRow>,
    /// Findings that brought no visit, and why.
    pub left_off: Vec<LeftOffRow>,
    /// Every fault, assessed.
    pub findings: Vec<FindingRow>,
    /// Local days, in order.
    pub days: Vec<DayRow>,
    /// Draw-offs, in order.
    pub draws: Vec<DrawOffRow>,
    /// Which days were empty.
    pub vacancy: Vec<VacancyRow>,
    /// Usual draw-offs by hour and kind of day.
    pub rates: Vec<RateRow>,
    /// Quantiles of what will be drawn.
    pub ahead: Vec<HabitRow>,
    /// Lasting changes of the level of use.
    pub changes: Vec<ChangeRow>,
    /// Lasting changes of the hours of use.
    pub hour_changes: Vec<HourChangeRow>,
    /// Row accounting.
    pub quality: Option<QualityRow>,
    /// Readings of the telling days, of listed homes.
    pub evidence: Vec<EvidenceRow>,
    /// What the register says of the cylinder.
    pub cylinder: Option<CylinderRow>,
    /// How the water cooled in idle stretches, in order.
    pub cooling: Vec<CoolingRow>,
    /// Full power of the elements by day, in order.
    pub power: Vec<PowerNote>,
}

impl HomeStory {
    /// Whether the run holds any row of the home.
    #[must_use]
    pub fn is_known(&self) -> bool {
        self.row.is_some() || !self.findings.is_empty() || self.quality.is_some()
    }

    pub(crate) fn zone(&self) -> Tz {
        self.row.as_ref().and_then(|r| r.zone.parse().ok()).unwrap_or(Tz::UTC)
    }

    /// Findings with an outcome, in the order of the faults.
    fn with(&self, outcome: Outcome) -> impl Iterator<Item = &FindingRow> {
        self.findings.iter().filter(move |f| Outcome::from_code(&f.outcome) == Some(outcome))
    }

    /// Faults found, the surest first.
    fn found(&self) -> Vec<&FindingRow> {
        let mut found: Vec<&FindingRow> = self.with(Outcome::Fault).collect();
        found.sort_by(|a, b| {
            b.probability.unwrap_or(0.0).total_cmp(&a.probability.unwrap_or(0.0)).then(a.fault.cmp(&b.fault))
        });
        found
    }
}

/// A technician's words for a fault code; the code itself where this version does not know it.
fn title(code: &str) -> &str {
    Fault::from_code(code).map_or(code, |f| f.title())
}

/// A finite number, or a dash.
fn number(value: Option<f64>, decimals: usize) -> String {
    value.filter(|v| v.is_finite()).map_or_else(|| "–".to_owned(), |v| format!("{v:.decimals$}"))
}

/// "1.52 (1.31 to 1.72)", without the bracket where there is no interval.
fn ranged(value: Option<f64>, low: Option<f64>, high: Option<f64>, decimals: usize) -> String {
    match (low.filter(|v| v.is_finite()), high.filter(|v| v.is_finite())) {
        (Some(low), Some(high)) => {
            format!("{} ({low:.decimals$} to {high:.decimals$})", number(value, decimals))
        }
        _ => number(value, decimals),
    }
}

#[cfg(test)]
mod tests;
