//! What is known beside findings, register and settings: carbon of the grid, and visits already made.

use std::collections::BTreeMap;

use drawoff_contract::results::FindingRow;
use drawoff_contract::small_tables::{NOTHING_FOUND, VisitLogRow};
use drawoff_contract::{Cylinder, Day, Fault, local};

/// Days after a visit in which what it found is taken as mended: a month of readings shows whether it was.
pub const DAYS_TRUSTED: i32 = 28;

/// What is known beside findings, register and settings. Everything may be left out.
#[derive(Clone, Copy, Debug, Default)]
pub struct Background<'a> {
    /// Mean carbon intensity of the energy, g/kWh; `None` without a series.
    pub carbon_g_per_kwh: Option<f64>,
    /// Visits already made, in any order; of two on one day the later row is the later visit.
    pub visits: &'a [VisitLogRow],
    /// First and last day of the readings. `None`: a finding older than the data is not weighed against visits, and no
    /// visit is recent.
    pub period: Option<(Day, Day)>,
}

/// What the log says of one finding.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Visited<'a> {
    /// The home's last visit.
    pub(crate) last: Option<&'a VisitLogRow>,
    /// Day of a visit that found this fault after it began, and whose mending is still to be trusted.
    pub(crate) mended: Option<Day>,
    /// Day of the last visit after it began that found nothing.
    pub(crate) nothing_found: Option<Day>,
}

impl<'a> Background<'a> {
    /// Visits of each home, earliest first.
    pub(crate) fn visits_by_home(&self) -> BTreeMap<&'a str, Vec<&'a VisitLogRow>> {
        let mut by_home: BTreeMap<&str, Vec<&VisitLogRow>> = BTreeMap::new();
        for visit in self.visits {
            by_home.entry(&visit.home).or_default().push(visit);
        }
        by_home.values_mut().for_each(|visits| visits.sort_by_key(|v| v.date));
        by_home
    }

    /// What the visits of a home, earliest first, say of one of its findings.
    pub(crate) fn visited(
        &self,
        visits: &[&'a VisitLogRow],
        finding: &FindingRow,
        fault: Fault,
        cylinder: Option<&Cylinder>,
    ) -> Visited<'a> {
        let zone = cylinder.map_or(chrono_tz::UTC, |c| c.zone);
        let onset = finding.onset.map(|at| local::day_of(zone, at.0));
        // What is older than the data was still there on their first day.
        let began = onset.or(self.period.map(|(first, _)| first));
        let since = |found: &str| {
            let after = visits.iter().filter(|v| began.is_some_and(|day| v.date >= day));
            after.filter(|v| v.finding == found).map(|v| v.date).next_back()
        };
        let is_recent = |day: &Day| self.period.is_some_and(|(_, last)| last.0 - day.0 < DAYS_TRUSTED);
        Visited {
            last: visits.last().copied(),
            // The log says that it was found, not that it is safe now: what can hurt stays listed while readings show it.
            mended: since(fault.code()).filter(is_recent).filter(|_| !fault.is_safety()),
            nothing_found: since(NOTHING_FOUND),
        }
    }
}

/// A calendar day, ISO.
pub(crate) fn iso(day: Day) -> String {
    local::date(day).to_string()
}
