//! The small tables beside the register: tariffs, carbon intensity, and the log of visits.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use drawoff_contract::small_tables::{CarbonRow, TariffRow, VisitLogRow};
use drawoff_contract::{ContractError, Cylinder, Day, Mapping, Utc, local};
use drawoff_store::small::{Small, read_carbon, read_tariffs, read_visits};
use drawoff_worklist::carbon::mean_intensity;
use drawoff_worklist::tariff_table::in_force;
use drawoff_worklist::{Background, WorthSettings};

use crate::pipeline::Pipeline;

/// The small tables of a pipeline, as read; a table that the pipeline does not name has no rows.
#[derive(Debug, Default)]
pub(crate) struct SmallTables {
    tariffs: Vec<TariffRow>,
    carbon: Vec<CarbonRow>,
    visits: Vec<VisitLogRow>,
    /// Rows that are left out.
    pub(crate) problems: Vec<ContractError>,
    /// What is odd and costs no row.
    pub(crate) remarks: Vec<ContractError>,
}

/// Reads every small table that the pipeline names.
///
/// # Errors
/// All tables that cannot be read, and prices in another currency than the pipeline's.
pub(crate) fn read(pipeline: &Pipeline, mapping: &Mapping) -> Result<SmallTables, Vec<ContractError>> {
    let mut tables = SmallTables::default();
    let mut errors = Vec::new();
    let currency = &pipeline.worth.currency;
    if let Some(path) = named(&pipeline.inputs.tariffs) {
        let read = read_tariffs(path, &mapping.tariffs, currency);
        tables.tariffs = tables.take(read, &mut errors);
        if let Some(row) = tables.tariffs.first().filter(|row| row.currency != *currency) {
            let message = format!("prices are in {}, the pipeline counts in {currency}", row.currency);
            let hint = "make `worth.currency` and `currency` of [tariffs] in the mapping the same";
            errors.push(ContractError::new(path.display().to_string(), message).with_hint(hint));
        }
        let defaults: BTreeSet<&str> =
            tables.tariffs.iter().filter(|row| row.is_default).map(|row| row.tariff.as_str()).collect();
        if !tables.tariffs.is_empty() && defaults.len() != 1 {
            let message = format!("{} tariffs are marked default; exactly one must be", defaults.len());
            let hint = "homes without a known tariff are costed at it: `true` in the column of `is_default`";
            errors.push(ContractError::new(path.display().to_string(), message).with_hint(hint));
        }
    }
    if let Some(path) = named(&pipeline.inputs.carbon) {
        let read = read_carbon(path, &mapping.carbon);
        tables.carbon = tables.take(read, &mut errors);
    }
    if let Some(path) = named(&pipeline.inputs.visits) {
        let read = read_visits(path, &mapping.visits);
        tables.visits = tables.take(read, &mut errors);
    }
    if errors.is_empty() { Ok(tables) } else { Err(errors) }
}

/// A path that is given and not empty: an empty one switches a table off.
pub(crate) fn named(path: &Option<PathBuf>) -> Option<&PathBuf> {
    path.as_ref().filter(|p| !p.as_os_str().is_empty())
}

impl SmallTables {
    fn take<Row>(
        &mut self,
        read: Result<Small<Row>, ContractError>,
        errors: &mut Vec<ContractError>,
    ) -> Vec<Row> {
        match read {
            Ok(small) => {
                self.problems.extend(small.problems);
                self.remarks.extend(small.remarks);
                small.rows
            }
            Err(e) => {
                errors.push(e);
                Vec::new()
            }
        }
    }

    /// The settings of the list with the tariffs that are in force on a day, if they come from a table, and notes on
    /// tariffs without a price that day.
    pub(crate) fn worth(&self, settings: &WorthSettings, day: Day) -> (WorthSettings, Vec<String>) {
        if self.tariffs.is_empty() {
            return (settings.clone(), Vec::new());
        }
        let (tariffs, notes) = in_force(&self.tariffs, day);
        (WorthSettings { tariffs, ..settings.clone() }, notes)
    }

    /// The table of tariffs.
    pub(crate) fn tariffs(&self) -> &[TariffRow] {
        &self.tariffs
    }

    /// The series of carbon intensities.
    pub(crate) fn carbon(&self) -> &[CarbonRow] {
        &self.carbon
    }

    /// The log of visits.
    pub(crate) fn visits(&self) -> &[VisitLogRow] {
        &self.visits
    }

    /// What the list is to know beside findings, and what the reader of the list is to know of it.
    pub(crate) fn background(
        &self,
        period: Option<Period>,
        cylinders: &BTreeMap<String, Cylinder>,
    ) -> (Background<'_>, Notes) {
        let mut notes = Notes::default();
        let mean = period.and_then(|p| mean_intensity(&self.carbon, p.first, p.last));
        if let Some(mean) = &mean {
            // What was expected is for the page; what was assumed is for the terminal too.
            let place = if mean.of_period { &mut notes.for_page } else { &mut notes.for_all };
            place.push(mean.note.clone());
        }
        let elsewhere = self.visits.iter().filter(|v| !cylinders.contains_key(&v.home)).count();
        if elsewhere > 0 {
            let all = self.visits.len();
            notes.for_page.push(format!(
                "visits: {elsewhere} of the {all} in the log are to homes that the register does not list"
            ));
        }
        let background = Background {
            carbon_g_per_kwh: mean.map(|m| m.g_per_kwh),
            visits: &self.visits,
            period: period.map(Period::days),
        };
        (background, notes)
    }
}

/// Remarks on a run.
#[derive(Debug, Default)]
pub(crate) struct Notes {
    /// For the terminal and the page.
    pub(crate) for_all: Vec<String>,
    /// For the page alone.
    pub(crate) for_page: Vec<String>,
}

/// From when to when the readings are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Period {
    pub(crate) first: Utc,
    pub(crate) last: Utc,
}

impl Period {
    /// The middle of the homes' first and last stamps, so that a home with a wrong clock does not stretch it. `None` without rows.
    pub(crate) fn of(stamps: &[(i64, i64)]) -> Option<Self> {
        let middle = |mut stamps: Vec<i64>| {
            stamps.sort_unstable();
            stamps.get(stamps.len() / 2).copied().map(Utc)
        };
        let first = middle(stamps.iter().map(|s| s.0).collect())?;
        let last = middle(stamps.iter().map(|s| s.1).collect())?;
        Some(Self { first, last })
    }

    /// First and last day, UTC. A stamp ends its interval, so one at midnight belongs to the day before.
    pub(crate) fn days(self) -> (Day, Day) {
        let day = |at: Utc| local::LocalDay::of_stamp(chrono_tz::UTC, at.0).day;
        (day(self.first), day(self.last))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawoff_store::output::export::write_text;

    const MAPPING: &str = r#"
[readings]
shape = "wide"
home = "h"
time = { column = "t", format = "epoch_s" }
stamp = "end"
value = "mean"
channels = [ { column = "a", channel = "probe_1", unit = "degC" } ]
[register]
home = "h"
default_zone = "UTC"
"#;

    /// A pipeline whose small tables hold these texts; an empty text is no table.
    fn tables(
        tariffs: &str,
        carbon: &str,
        visits: &str,
        mapping: &str,
    ) -> Result<SmallTables, Vec<ContractError>> {
        let dir = tempfile::tempdir().unwrap();
        let mut inputs = String::new();
        for (key, text) in [("tariffs", tariffs), ("carbon", carbon), ("visits", visits)] {
            let path = dir.path().join(format!("{key}.csv"));
            write_text(&path, text).unwrap();
            let path = if text.is_empty() { String::new() } else { path.display().to_string() };
            inputs.push_str(&format!("{key} = \"{path}\"\n"));
        }
        let pipeline = format!(
            "name = \"x\"\n[inputs]\nreadings = \"\"\nmapping = \"\"\nregister = \"\"\n{inputs}\
             [outputs]\ndir = \"\"\n[worth]\ncurrency = \"GBP\"\n"
        );
        let mapping = Mapping::parse("m", &format!("{MAPPING}{mapping}")).unwrap();
        read(&toml::from_str(&pipeline).unwrap(), &mapping)
    }

    const TARIFFS: &str = "tariff,valid_from,valid_to,unit_rate,low_rate,is_default\n\
        flat,,1970-01-02,0.2,,true\nflat,1970-01-03,,0.3,,\n";

    #[test]
    fn tables_that_are_not_named_change_nothing() {
        let tables = tables("", "", "", "").unwrap();
        let settings = WorthSettings::default();
        assert_eq!(tables.worth(&settings, Day(3)), (settings.clone(), Vec::new()));
        let period = Period { first: Utc(0), last: Utc(86_400_000) };
        let (background, notes) = tables.background(Some(period), &BTreeMap::new());
        assert_eq!((background.carbon_g_per_kwh, background.visits.len()), (None, 0));
        assert!(notes.for_all.is_empty() && notes.for_page.is_empty(), "{notes:?}");
    }

    #[test]
    fn prices_are_those_of_the_last_day() {
        let tables = tables(TARIFFS, "", "", "").unwrap();
        let (worth, notes) = tables.worth(&WorthSettings::default(), Day(2));
        assert_eq!(
            (worth.tariffs.len(), worth.tariffs[0].unit_rate, worth.tariffs[0].default),
            (1, 0.3, true)
        );
        assert_eq!((worth.check(), notes), (Ok(()), Vec::new()));
    }

    #[test]
    fn all_tables_that_cannot_be_used_are_named_at_once() {
        let foreign = "[tariffs]\ntariff = \"tariff\"\nunit_rate = \"unit_rate\"\ncurrency = \"EUR\"\n";
        let errors = tables(TARIFFS, "from,g\n", "home\n", foreign).unwrap_err();
        let all: Vec<String> = errors.iter().map(ToString::to_string).collect();
        let all = all.join("\n");
        for part in [
            "prices are in EUR, the pipeline counts in GBP",
            "0 tariffs are marked default",
            "column `g_per_kwh` is missing",
            "column `date`, `finding`, `parts`, `minutes` is missing",
        ] {
            assert!(all.contains(part), "{part} is not in {all}");
        }
    }

    #[test]
    fn what_is_assumed_goes_to_the_terminal_and_what_is_expected_to_the_page() {
        let carbon = "from,g_per_kwh\n1990-01-01T00:00Z,100\n1990-01-01T00:30Z,200\n";
        let visits = "home,date,finding,parts,minutes\nelsewhere,1990-01-01,other,,\n";
        let tables = tables("", carbon, visits, "").unwrap();
        let from = Utc(631_152_000_000);
        let note = |hours: i64| {
            let period = Period { first: from, last: Utc(from.0 + hours * 3_600_000) };
            let (background, notes) = tables.background(Some(period), &BTreeMap::new());
            assert_eq!(background.carbon_g_per_kwh, Some(150.0));
            (notes.for_all, notes.for_page)
        };
        let (for_all, for_page) = note(1);
        assert!(for_all.is_empty() && for_page[0].contains("over the run's period"), "{for_page:?}");
        assert_eq!(for_page[1], "visits: 1 of the 1 in the log are to homes that the register does not list");
        assert!(note(2).0[0].contains("over the whole series"));
    }

    #[test]
    fn one_wrong_clock_does_not_stretch_the_period() {
        let day_ms = 86_400_000;
        let stamps = [300_000, 300_000, 40_000 * day_ms].map(|first| (first, first + 3 * day_ms - 300_000));
        let period = Period::of(&stamps).unwrap();
        assert_eq!((period.first, period.days()), (Utc(300_000), (Day(0), Day(2))));
        assert_eq!(Period::of(&[]), None);
    }
}
