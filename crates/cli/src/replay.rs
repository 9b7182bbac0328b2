//! A home as it stood on an earlier day: what a nightly batch would have called then.

use drawoff_contract::results::FindingRow;
use drawoff_daybook::Notes;
use drawoff_homes::FleetPriors;

use crate::stages::{self, HomeDaybook};

/// The notes of the first `count` days.
pub(crate) fn until(notes: &Notes, count: usize) -> Notes {
    let days = notes.days[..count.min(notes.days.len())].to_vec();
    let Some(last) = days.last().map(|n| n.day) else { return Notes::default() };
    Notes {
        spells: notes.spells.iter().filter(|s| s.day <= last).cloned().collect(),
        draws: notes.draws.iter().filter(|d| d.day <= last).cloned().collect(),
        days,
        ..Notes::default()
    }
}

/// The findings of a home from its first `count` days, not calibrated. What the fleet tells is that of the whole period: cold feed and
/// surroundings of a day do not depend on later days.
pub(crate) fn findings_until(
    daybook: &HomeDaybook<'_>,
    count: usize,
    priors: &FleetPriors,
    settings: drawoff_homes::Settings,
) -> Vec<FindingRow> {
    let notes = daybook.notes.as_ref().map(|notes| until(notes, count)).map_err(|missing| *missing);
    let cut = HomeDaybook { cylinder: daybook.cylinder, notes };
    stages::read_one(&cut, priors, settings, true).1
}
