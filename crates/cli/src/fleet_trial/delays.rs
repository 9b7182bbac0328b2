//! How soon a fault is called: the home read again from its first days, one more each time.

use drawoff_contract::{Fault, Outcome};
use drawoff_homes::FleetPriors;
use drawoff_score::calls::is_visit_kind;
use drawoff_score::truth::TruthHome;

use crate::replay::findings_until;
use crate::stages::HomeDaybook;

const MS_PER_HOUR: f64 = 3_600_000.0;
/// Nights after the later of onset and first row whose batch is looked at; later ones further apart, so those delays are upper bounds.
const NIGHTS: [usize; 16] = [1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 14, 17, 21, 28, 40, 60];

/// Hours until each equipment or sensor fault of a home is called by its name; infinite for those that never are.
pub(crate) fn of_home(
    daybook: &HomeDaybook<'_>,
    truth: &TruthHome,
    priors: &FleetPriors,
    settings: drawoff_homes::Settings,
) -> Vec<(Fault, f64)> {
    let Ok(notes) = &daybook.notes else { return Vec::new() };
    let days = &notes.days;
    let mut out = Vec::new();
    for imposed in truth.faults.iter().filter(|f| is_visit_kind(f.fault)) {
        let Some(first_ms) = days.first().map(|d| d.day_start_utc.0) else { continue };
        let from_ms = imposed.onset_ms.map_or(first_ms, |onset| onset.max(first_ms));
        // Days that begin at or before the start: the last of them is the first whose night can call it.
        let begun = days.partition_point(|d| d.day_start_utc.0 <= from_ms);
        let nights = NIGHTS.iter().map(|n| begun + n - 1).filter(|count| *count < days.len());
        let called = nights.chain([days.len()]).find(|&count| {
            let rows = findings_until(daybook, count, priors, settings);
            rows.iter().any(|r| r.fault == imposed.fault.code() && r.outcome == Outcome::Fault.code())
        });
        let hours = called
            .and_then(|count| days.get(count.checked_sub(1)?))
            .map_or(f64::INFINITY, |last| (last.day_start_utc.0 - from_ms) as f64 / MS_PER_HOUR + last.hours);
        out.push((imposed.fault, hours));
    }
    out
}
