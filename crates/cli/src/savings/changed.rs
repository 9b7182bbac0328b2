//! Baselines B and C of the homes that were changed.

use drawoff_contract::savings_tables::{BeforeAfterRow, SavingFleetRow};
use drawoff_contract::small_tables::ChangedRow;
use drawoff_savings::before_after::{
    BeforeAfter, DayUse, LEAST_CONTROLS, against_controls, before_after, clustered_mean,
};
use drawoff_savings::fleet::{random_effects, total};
use drawoff_savings::saving::Span;

use super::write::statement;

/// Why neither baseline is assessed without a table of changes.
const NO_CHANGES: &str = "days of changes (savings.changes)";

/// One row a changed home, and what the fleet says by both baselines.
pub(super) fn rows(
    changes: &[ChangedRow],
    uses: &[(String, Vec<DayUse>)],
    seed: u64,
) -> (Vec<BeforeAfterRow>, Vec<SavingFleetRow>) {
    let is_changed = |home: &str| changes.iter().any(|c| c.home == home);
    let controls: Vec<Vec<DayUse>> =
        uses.iter().filter(|(home, _)| !is_changed(home)).map(|(_, days)| days.clone()).collect();
    let mut found: Vec<BeforeAfter> = Vec::new();
    let mut differences: Vec<f64> = Vec::new();
    let mut out = Vec::new();
    for change in changes {
        let days = uses.iter().find(|(home, _)| *home == change.home).map(|(_, days)| days.as_slice());
        let read = days
            .ok_or("readings of the home")
            .and_then(|days| before_after(&change.home, days, change.changed, seed));
        let against = days.and_then(|days| against_controls(days, change.changed, &controls));
        differences.extend(against.map(|a| a.0));
        out.push(row(change, &read, against));
        found.extend(read.ok());
    }
    let spans: Vec<(Span, f64)> = found.iter().map(|f| (f.saved_kwh, 0.0)).collect();
    let own: Vec<Span> = spans.iter().map(|s| s.0).collect();
    let missing = if changes.is_empty() { format!("missing: {NO_CHANGES}") } else { String::new() };
    let effects = random_effects(&own);
    let few = format!("{} matched homes without a change are needed", LEAST_CONTROLS);
    let fleet = vec![
        statement("B", "energy saved", "kWh", total(&spans), spans.len(), &missing),
        statement("B", "energy saved, mean home", "kWh", effects.map(|e| e.mean), own.len(), &missing),
        statement(
            "C",
            "change of daily energy less that of matched homes, mean home",
            "kWh/d",
            clustered_mean(&differences, seed),
            differences.len(),
            if changes.is_empty() {
                &missing
            } else if differences.is_empty() {
                &few
            } else {
                "clustered by home"
            },
        ),
    ];
    (out, fleet)
}

fn row(
    change: &ChangedRow,
    read: &Result<BeforeAfter, &'static str>,
    against: Option<(f64, usize)>,
) -> BeforeAfterRow {
    let count = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
    let of = read.as_ref().ok();
    BeforeAfterRow {
        home: change.home.clone(),
        outcome: if of.is_some() { "assessed" } else { "too_little_data" }.to_owned(),
        missing: read.as_ref().err().copied().unwrap_or_default().to_owned(),
        changed: change.changed,
        days_before: of.map_or(0, |f| count(f.days.0)),
        days_after: of.map_or(0, |f| count(f.days.1)),
        saved_kwh: of.map(|f| f.saved_kwh.value),
        saved_kwh_p05: of.map(|f| f.saved_kwh.p05),
        saved_kwh_p95: of.map(|f| f.saved_kwh.p95),
        cv_rmse: of.map(|f| f.cv_rmse),
        nmbe: of.map(|f| f.nmbe),
        formula_uncertainty: of.and_then(|f| f.formula_uncertainty),
        within_limits: of.map(|f| f.within_limits),
        controls: against.map_or(0, |a| count(a.1)),
        against_controls_kwh_per_day: against.map(|a| a.0),
    }
}
