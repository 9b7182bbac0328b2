//! What a visit costs and what a mended fault is worth, as a pipeline states it.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_contract::{ContractError, Fault};
use serde::{Deserialize, Serialize};

use drawoff_contract::money::micro;

/// Currency when a pipeline names none: most of the bands below were thought of in it.
pub const DEFAULT_CURRENCY: &str = "EUR";
/// One visit of a technician with travel, main units: about an hour and a half of paid time (common practice, no source).
pub const DEFAULT_VISIT_COST: f64 = 90.0;
/// Places in one list: about a fortnight's visits of one technician (common practice, no source).
pub const DEFAULT_VISITS_PER_LIST: usize = 100;
/// Visits in a week: one technician, five a day (common practice, no source).
pub const DEFAULT_VISITS_PER_WEEK: usize = 25;
/// Visits in a day, with the driving between homes of one area (common practice, no source).
pub const DEFAULT_VISITS_PER_DAY: usize = 5;
/// One telephone call with its note, main units: about ten minutes of paid time (common practice, no source).
pub const DEFAULT_CALL_COST: f64 = 8.0;
/// A visit for what is more likely absent than present is mostly made in vain.
pub const DEFAULT_MIN_PROBABILITY: f64 = 0.5;
/// A right visit mends the fault, unless the pipeline knows better.
pub const DEFAULT_FIX_SHARE: f64 = 1.0;
/// Name of the tariff when a pipeline gives none.
pub const DEFAULT_TARIFF_NAME: &str = "standard";
/// Household electricity, main units a kWh: the middle of what homes pay (common practice, no source).
pub const DEFAULT_UNIT_RATE: f64 = 0.28;

/// Settings of the service list. Every key may be left out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WorthSettings {
    /// Currency code of all amounts.
    pub currency: String,
    /// Cost of one visit, main units.
    pub visit_cost: f64,
    /// Most visits in one list.
    pub visits_per_list: usize,
    /// Visits that can be made in a week.
    pub visits_per_week: usize,
    /// Visits that can be made in a day's round.
    pub visits_per_day: usize,
    /// Cost of one telephone call to a home, main units.
    pub call_cost: f64,
    /// What a year without the discomfort is worth, by fault code, main units; a code left out has [`default_comfort`].
    pub comfort_per_year: BTreeMap<String, f64>,
    /// What a year without the danger is worth, by fault code, main units; a code left out has [`default_safety`].
    pub safety_per_year: BTreeMap<String, f64>,
    /// Share of right visits that mend the fault, by fault code, 0 to 1; a code left out has 1.
    pub fix_share: BTreeMap<String, f64>,
    /// Findings less probable than this bring no visit; safety findings always do.
    pub min_probability: f64,
    /// Tariffs by the register's names; exactly one is the default.
    pub tariffs: Vec<Tariff>,
}

/// One tariff.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tariff {
    /// Name as the register writes it.
    pub name: String,
    /// Price, main units a kWh.
    pub unit_rate: f64,
    /// Price in the low-rate hours, main units a kWh; left out when the tariff has one rate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low_rate: Option<f64>,
    /// Whether homes without a known tariff are costed at this one.
    #[serde(default)]
    pub default: bool,
}

impl Default for WorthSettings {
    fn default() -> Self {
        Self {
            currency: DEFAULT_CURRENCY.to_owned(),
            visit_cost: DEFAULT_VISIT_COST,
            visits_per_list: DEFAULT_VISITS_PER_LIST,
            visits_per_week: DEFAULT_VISITS_PER_WEEK,
            visits_per_day: DEFAULT_VISITS_PER_DAY,
            call_cost: DEFAULT_CALL_COST,
            comfort_per_year: BTreeMap::new(),
            safety_per_year: BTreeMap::new(),
            fix_share: BTreeMap::new(),
            min_probability: DEFAULT_MIN_PROBABILITY,
            tariffs: vec![Tariff {
                name: DEFAULT_TARIFF_NAME.to_owned(),
                unit_rate: DEFAULT_UNIT_RATE,
                low_rate: None,
                default: true,
            }],
        }
    }
}

impl WorthSettings {
    /// Millionths a year that the comfort lost to a fault is worth.
    #[must_use]
    pub fn comfort_micro(&self, fault: Fault) -> i64 {
        micro(self.comfort_per_year.get(fault.code()).copied().unwrap_or(default_comfort(fault)))
    }

    /// Millionths a year that the danger of a fault is worth.
    #[must_use]
    pub fn safety_micro(&self, fault: Fault) -> i64 {
        micro(self.safety_per_year.get(fault.code()).copied().unwrap_or(default_safety(fault)))
    }

    /// Share of right visits that mend a fault.
    #[must_use]
    pub fn fix(&self, fault: Fault) -> f64 {
        self.fix_share.get(fault.code()).copied().unwrap_or(DEFAULT_FIX_SHARE)
    }

    /// The tariff of homes whose own is not known.
    #[must_use]
    pub fn default_tariff(&self) -> Option<&Tariff> {
        self.tariffs.iter().find(|t| t.default)
    }

    /// Checks all settings at once.
    ///
    /// # Errors
    /// Lists what [`WorthSettings::problems`] finds.
    pub fn check(&self) -> Result<(), ContractError> {
        let problems: Vec<String> =
            self.problems().iter().map(|(path, message)| format!("{} {message}", path.join("."))).collect();
        if problems.is_empty() {
            return Ok(());
        }
        Err(ContractError::new("worth settings", problems.join("; "))
            .with_hint("mend these keys in the pipeline's worth table; a key left out takes its default"))
    }

    /// The path of each key that makes no sense below the section (places in an array from 0), and why: every amount that is negative or no number,
    /// every share outside 0 to 1, every key that is no fault code, tariffs named twice or with a low rate above the other, and a
    /// number of default tariffs other than one.
    #[must_use]
    pub fn problems(&self) -> Vec<(Vec<String>, String)> {
        let path = |parts: &[&str]| parts.iter().map(|p| (*p).to_owned()).collect::<Vec<String>>();
        let mut problems = Vec::new();
        let mut amount = |at: Vec<String>, value: f64| {
            if !(value.is_finite() && value >= 0.0) {
                problems.push((at, format!("is {value}; it must be a number of 0 or more")));
            }
        };
        amount(path(&["visit_cost"]), self.visit_cost);
        amount(path(&["call_cost"]), self.call_cost);
        for (key, values) in
            [("comfort_per_year", &self.comfort_per_year), ("safety_per_year", &self.safety_per_year)]
        {
            values.iter().for_each(|(code, &v)| amount(path(&[key, code]), v));
        }
        for (i, tariff) in self.tariffs.iter().enumerate() {
            amount(path(&["tariffs", &i.to_string(), "unit_rate"]), tariff.unit_rate);
            amount(path(&["tariffs", &i.to_string(), "low_rate"]), tariff.low_rate.unwrap_or(0.0));
        }
        for (i, tariff) in self.tariffs.iter().enumerate() {
            if let Some(low) = tariff.low_rate.filter(|low| *low > tariff.unit_rate) {
                let message =
                    format!("is {low}, and unit_rate {}: the low rate is the lower one", tariff.unit_rate);
                problems.push((path(&["tariffs", &i.to_string(), "low_rate"]), message));
            }
        }
        let shares = self.fix_share.iter().map(|(code, &v)| (path(&["fix_share", code]), v));
        for (at, value) in shares.chain([(path(&["min_probability"]), self.min_probability)]) {
            if !(0.0..=1.0).contains(&value) {
                problems.push((at, format!("is {value}; it must lie between 0 and 1")));
            }
        }
        for (key, codes) in [
            ("comfort_per_year", &self.comfort_per_year),
            ("safety_per_year", &self.safety_per_year),
            ("fix_share", &self.fix_share),
        ] {
            let unknown = codes.keys().filter(|code| Fault::from_code(code).is_none());
            problems.extend(unknown.map(|code| (path(&[key, code]), "is no fault code".to_owned())));
        }
        for (name, count) in
            [("visits_per_week", self.visits_per_week), ("visits_per_day", self.visits_per_day)]
        {
            if count == 0 {
                problems.push((path(&[name]), "is 0; it must be 1 or more".to_owned()));
            }
        }
        let mut names = BTreeSet::new();
        let twice = self.tariffs.iter().enumerate().filter(|(_, t)| !names.insert(t.name.as_str()));
        problems.extend(twice.map(|(i, t)| {
            (path(&["tariffs", &i.to_string(), "name"]), format!("{:?} is given twice", t.name))
        }));
        let defaults = self.tariffs.iter().filter(|t| t.default).count();
        if defaults != 1 {
            problems.push((
                path(&["tariffs"]),
                format!("hold {defaults} tariffs that are marked default; exactly one must be"),
            ));
        }
        problems
    }
}

/// Main units a year; how a fault spoils the use of hot water. Common practice, no source: set them to your own service.
#[must_use]
pub fn default_comfort(fault: Fault) -> f64 {
    match fault {
        // No hot water, or only from the upper element.
        Fault::ElementOpen => 400.0,
        // Slow recovery, or a smaller store.
        Fault::ElementHalf | Fault::Destratified => 60.0,
        Fault::ThermostatCold => 100.0,
        Fault::LeakSteady | Fault::LeakHeating => 20.0,
        // A home whose probes mislead cannot be watched.
        Fault::SensorStuck
        | Fault::SensorOffset
        | Fault::SensorSwap
        | Fault::SensorDrift
        | Fault::SensorHeight => 40.0,
        // No heat, or slow recovery.
        Fault::PumpFailed => 300.0,
        Fault::ExchangerDecline | Fault::PumpStuck => 60.0,
        Fault::RunsOut => 150.0,
        Fault::RelayChatter => 20.0,
        Fault::BackupHeating
        | Fault::SurplusMissed
        | Fault::MeterScale
        | Fault::DearHours
        | Fault::HygieneLow
        | Fault::ScaldRisk
        | Fault::ThermostatHot
        | Fault::LossDoubled
        | Fault::GravityNight
        | Fault::StuckOn
        | Fault::DataGaps
        | Fault::ClockShift
        | Fault::MeterReset => 0.0,
    }
}

/// Main units a year; what the danger weighs. Common practice, no source: set them to your own service.
#[must_use]
pub fn default_safety(fault: Fault) -> f64 {
    match fault {
        // Boiling, and the last thermal cut-out is all that stands in between.
        Fault::StuckOn => 500.0,
        // Scalding at the tap.
        Fault::ThermostatHot => 300.0,
        // A relief valve that passes may be telling of lost expansion space; water runs to waste near electrics.
        Fault::LeakHeating => 150.0,
        // Water too cool for hygiene.
        Fault::ThermostatCold => 80.0,
        Fault::LeakSteady => 50.0,
        // Scalding at the tap; water too cool for hygiene. Settled by telephone first.
        Fault::ScaldRisk => 150.0,
        Fault::HygieneLow => 60.0,
        // Contacts that arc wear out, and may weld.
        Fault::RelayChatter => 60.0,
        Fault::PumpFailed
        | Fault::PumpStuck
        | Fault::ExchangerDecline
        | Fault::BackupHeating
        | Fault::SurplusMissed
        | Fault::SensorDrift
        | Fault::SensorHeight
        | Fault::MeterScale
        | Fault::DearHours
        | Fault::RunsOut
        | Fault::ElementOpen
        | Fault::ElementHalf
        | Fault::Destratified
        | Fault::LossDoubled
        | Fault::GravityNight
        | Fault::SensorStuck
        | Fault::SensorOffset
        | Fault::SensorSwap
        | Fault::DataGaps
        | Fault::ClockShift
        | Fault::MeterReset => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn defaults_are_in_order() {
        assert_eq!(WorthSettings::default().check(), Ok(()));
        assert_eq!(toml::from_str::<WorthSettings>("").unwrap(), WorthSettings::default());
    }

    #[test]
    fn a_pipeline_overrides_single_codes() {
        let text = r#"
            currency = "GBP"
            visit_cost = 75
            comfort_per_year = { element_open = 250.5 }
            tariffs = [
                { name = "two-rate", unit_rate = 0.31, low_rate = 0.12 },
                { name = "flat", unit_rate = 0.27, default = true },
            ]
        "#;
        let settings: WorthSettings = toml::from_str(text).unwrap();
        assert_eq!(settings.check(), Ok(()));
        assert_eq!(settings.comfort_micro(Fault::ElementOpen), 250_500_000);
        assert_eq!(settings.comfort_micro(Fault::ThermostatCold), 100_000_000);
        assert_eq!(settings.default_tariff().unwrap().name, "flat");
        assert!(toml::from_str::<WorthSettings>("visit_price = 3").is_err());
    }

    #[test]
    fn all_problems_come_in_one_message() {
        let mut settings = WorthSettings { visit_cost: f64::NAN, ..WorthSettings::default() };
        settings.fix_share.insert("stuck_on".to_owned(), 1.5);
        settings.safety_per_year.insert("gremlin".to_owned(), -1.0);
        settings.tariffs.push(settings.tariffs[0].clone());
        let message = settings.check().unwrap_err().to_string();
        for part in [
            "visit_cost",
            "fix_share.stuck_on",
            "safety_per_year.gremlin",
            "no fault code",
            "twice",
            "2 tariffs",
        ] {
            assert!(message.contains(part), "{part} is not in {message}");
        }
    }
}
