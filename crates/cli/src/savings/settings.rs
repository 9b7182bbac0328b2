//! The section `[savings]` of a pipeline.

use std::path::PathBuf;

use drawoff_contract::mapping_row::parse_window;
use drawoff_contract::{ContractError, DailyWindow, Day};
use drawoff_savings::pricing::Carrier;
use drawoff_savings::reference::{Reference, System};
use drawoff_savings::saving::DEFAULT_MEMBERS;
use drawoff_savings::series::{Interval, Series};
use drawoff_savings::tariff::{Clock, Rates, Version, price_micro};
use serde::{Deserialize, Serialize};

use crate::pipeline::contradictions::overlap;
use crate::pipeline::place::Problem;

/// What to hold homes against, and how to price it.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct SavingsSettings {
    /// Pairs of replays behind each interval.
    pub(crate) members: usize,
    /// Whether to write a row for every half-hour.
    pub(crate) half_hours: bool,
    /// Whether to work out the best plans and changes as well.
    pub(crate) still_open: bool,
    /// Years of 364 days by which the series of carbon (and of prices) are shifted to meet the readings.
    pub(crate) shift_years: i64,
    /// Region that the carbon series speaks of, for tables and pages.
    pub(crate) region: String,
    /// Series of the marginal carbon intensity, laid out like `inputs.carbon`.
    #[serde(skip_serializing)]
    pub(crate) marginal: Option<PathBuf>,
    /// Homes with the day of a change, for baselines B and C: CSV with the columns home and changed.
    #[serde(skip_serializing)]
    pub(crate) changes: Option<PathBuf>,
    /// The counterfactual.
    pub(crate) reference: ReferenceSettings,
    /// Tariffs in full; one that stands here takes the place of the table's.
    pub(crate) tariffs: Vec<TariffSettings>,
}

impl Default for SavingsSettings {
    fn default() -> Self {
        Self {
            members: DEFAULT_MEMBERS,
            half_hours: true,
            still_open: true,
            shift_years: 0,
            region: String::new(),
            marginal: None,
            changes: None,
            reference: ReferenceSettings::default(),
            tariffs: Vec::new(),
        }
    }
}

/// The counterfactual.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct ReferenceSettings {
    /// element, boiler_coil, heat_pump or combination.
    pub(crate) system: String,
    /// Windows of its timer by the local clock, such as "00:00-07:00"; empty for always on.
    pub(crate) hours: Vec<String>,
    /// Set point, degC; left out: the home's own.
    pub(crate) set_point_degc: Option<f64>,
    pub(crate) hysteresis_k: f64,
    /// Height from which the whole tank is heated, share of the volume.
    pub(crate) base_height: f64,
    /// Heat over fuel of a boiler.
    pub(crate) efficiency: f64,
    /// Insulated share of a boiler's primary circuit.
    pub(crate) primary_insulated: f64,
    /// Hours a day in which it is hot.
    pub(crate) primary_hours: f64,
    /// Performance of a heat pump over Carnot's.
    pub(crate) carnot_share: f64,
    /// Flow of a heat pump above the set point, K.
    pub(crate) flow_above_k: f64,
    /// Outdoor temperature by month, degC, January first; a heat pump needs it.
    pub(crate) outdoor_degc: Vec<f64>,
    /// Price of a boiler's fuel, main units a kWh.
    pub(crate) fuel_price: Option<f64>,
    /// Greenhouse gases of a boiler's fuel, g/kWh.
    pub(crate) fuel_g_per_kwh: Option<f64>,
}

impl Default for ReferenceSettings {
    fn default() -> Self {
        Self {
            system: "element".to_owned(),
            hours: Vec::new(),
            set_point_degc: None,
            hysteresis_k: 5.0,
            base_height: 0.1,
            efficiency: 0.85,
            primary_insulated: 0.0,
            primary_hours: 5.0,
            carnot_share: 0.45,
            flow_above_k: 5.0,
            outdoor_degc: Vec::new(),
            fuel_price: None,
            fuel_g_per_kwh: None,
        }
    }
}

/// One version of a tariff.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TariffSettings {
    /// Name as the register writes it.
    pub(crate) name: String,
    /// First local day, "2026-04-01"; left out since ever.
    #[serde(default)]
    pub(crate) from: Option<String>,
    /// Last local day; left out until further notice.
    #[serde(default)]
    pub(crate) to: Option<String>,
    /// Price, main units a kWh; left out where `half_hourly` gives them.
    #[serde(default)]
    pub(crate) unit_rate: Option<f64>,
    /// Price in the hours of the low rate.
    #[serde(default)]
    pub(crate) low_rate: Option<f64>,
    /// Hours of the low rate; left out: the home's own from the register.
    #[serde(default)]
    pub(crate) low_hours: Vec<String>,
    /// Whose clock keeps them: local, or winter for a meter that is not put forward in summer.
    #[serde(default)]
    pub(crate) clock: MeterClock,
    /// Series of prices by the half-hour.
    #[serde(default, skip_serializing)]
    pub(crate) half_hourly: Option<PriceSeries>,
    /// Standing charge, main units a day; never saved.
    #[serde(default)]
    pub(crate) standing_per_day: f64,
    /// Payment for energy sent out, main units a kWh.
    #[serde(default)]
    pub(crate) export_rate: f64,
    /// Whether homes without a known tariff are priced by this one.
    #[serde(default)]
    pub(crate) default: bool,
}

/// A series of prices: a row a half-hour, by its start.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PriceSeries {
    #[serde(skip_serializing)]
    pub(crate) file: PathBuf,
    /// Column of the start.
    #[serde(default = "from")]
    pub(crate) time: String,
    /// Column of the price.
    #[serde(default = "price")]
    pub(crate) price: String,
    /// From the column's unit to main units a kWh: 0.01 for pence.
    #[serde(default = "one")]
    pub(crate) factor: f64,
    /// Zone of times without Z or offset.
    #[serde(default)]
    pub(crate) zone: Option<String>,
}

fn from() -> String {
    "from".to_owned()
}

fn price() -> String {
    "price".to_owned()
}

fn one() -> f64 {
    1.0
}

/// Whose clock switches a meter.
#[derive(Clone, Copy, Debug, Default, Deserialize, Serialize, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
pub(crate) enum MeterClock {
    #[default]
    Local,
    Winter,
}

/// What explains the keys of the section.
const EXPLAINED: &str = "pipelines/savings.toml explains each key";

impl SavingsSettings {
    /// Keys below the section that make no sense; files that it names are not read for that.
    pub(crate) fn problems(&self) -> Vec<Problem> {
        let mut problems = Vec::new();
        if self.members < 2 || !self.members.is_multiple_of(2) {
            problems.push(Problem::at(
                &["members"],
                format!("is {}", self.members),
                "an even number of at least 2: replays come in pairs of opposite errors",
            ));
        }
        problems.extend(self.reference.reference().err().unwrap_or_default());
        for (i, tariff) in self.tariffs.iter().enumerate() {
            if let Ok(Err(of_tariff)) = tariff.version(self.shift_years, &mut |_| Ok(Vec::new())) {
                problems.extend(of_tariff.into_iter().map(|p| p.below(&["tariffs", &i.to_string()])));
            }
        }
        problems
    }
}

impl ReferenceSettings {
    /// The reference.
    ///
    /// # Errors
    /// All keys that make no sense.
    pub(crate) fn reference(&self) -> Result<Reference, Vec<Problem>> {
        let mut problems = Vec::new();
        let at = |key: &str, message: String| Problem::at(&["reference", key], message, EXPLAINED);
        let windows = windows(&self.hours, &mut |message| problems.push(at("hours", message)));
        let mut within = |key: &str, value: f64, low: f64, high: f64| {
            if !(low..=high).contains(&value) {
                problems.push(at(key, format!("is {value}; it must lie between {low} and {high}")));
            }
        };
        within("set_point_degc", self.set_point_degc.unwrap_or(60.0), 40.0, 90.0);
        within("hysteresis_k", self.hysteresis_k, 0.0, 20.0);
        within("base_height", self.base_height, 0.0, 0.9);
        within("efficiency", self.efficiency, 0.3, 1.1);
        within("primary_insulated", self.primary_insulated, 0.0, 1.0);
        within("primary_hours", self.primary_hours, 0.0, 24.0);
        within("carnot_share", self.carnot_share, 0.1, 0.8);
        within("flow_above_k", self.flow_above_k, 0.0, 20.0);
        let outdoor: Option<[f64; 12]> = self.outdoor_degc.as_slice().try_into().ok();
        let system = match self.system.as_str() {
            "element" => Some(System::Element),
            "boiler_coil" => Some(System::BoilerCoil {
                efficiency: self.efficiency,
                primary_insulated: self.primary_insulated,
                primary_hours: self.primary_hours,
            }),
            "combination" => Some(System::Combination { efficiency: self.efficiency }),
            "heat_pump" => match outdoor {
                Some(outdoor_degc) => Some(System::HeatPump {
                    carnot_share: self.carnot_share,
                    flow_above_k: self.flow_above_k,
                    outdoor_degc,
                }),
                None => {
                    problems.push(at("outdoor_degc", "must give twelve months for a heat pump".to_owned()));
                    None
                }
            },
            other => {
                let message = format!("{other:?} is none of element, boiler_coil, heat_pump, combination");
                problems.push(at("system", message));
                None
            }
        };
        let burns = matches!(system, Some(System::BoilerCoil { .. } | System::Combination { .. }));
        let carrier = match (burns, self.fuel_price, self.fuel_g_per_kwh) {
            (false, ..) => Carrier::Grid,
            (true, Some(price), Some(g)) => {
                Carrier::Fuel { price: price_micro(price), mg_per_kwh: (g * 1000.0).round_ties_even() as i64 }
            }
            (true, ..) => {
                let message =
                    "needs fuel_price and fuel_g_per_kwh with a boiler; name their source in the pipeline";
                problems.push(at("system", message.to_owned()));
                Carrier::Grid
            }
        };
        match system {
            Some(system) if problems.is_empty() => Ok(Reference {
                system,
                windows,
                set_degc: self.set_point_degc,
                hysteresis_k: self.hysteresis_k,
                base_height: self.base_height,
                carrier,
            }),
            _ => Err(problems),
        }
    }
}

impl TariffSettings {
    /// This version of the tariff, or the keys of it that make no sense.
    ///
    /// # Errors
    /// What `read` gives.
    pub(crate) fn version(
        &self,
        shift_years: i64,
        read: &mut dyn FnMut(&PriceSeries) -> Result<Vec<Interval>, ContractError>,
    ) -> Result<Result<Version, Vec<Problem>>, ContractError> {
        let mut problems = Vec::new();
        let at = |key: &str, message: String| Problem::at(&[key], message, EXPLAINED);
        let mut day = |key: &str, text: &Option<String>| {
            let parsed = text.as_ref().map(|t| parse_day(t));
            if parsed == Some(None) {
                let text = text.as_deref().unwrap_or_default();
                problems.push(at(key, format!("{text:?} is no day like 2026-03-29")));
            }
            parsed.flatten()
        };
        let (from, to) = (day("from", &self.from), day("to", &self.to));
        for (key, value) in [
            ("unit_rate", self.unit_rate),
            ("low_rate", self.low_rate),
            ("standing_per_day", Some(self.standing_per_day)),
            ("export_rate", Some(self.export_rate)),
        ] {
            if value.is_some_and(|v| !v.is_finite() || v.abs() > 1000.0) {
                problems.push(at(key, "is no price in main units".to_owned()));
            }
        }
        let hours = windows(&self.low_hours, &mut |message| problems.push(at("low_hours", message)));
        if !self.low_hours.is_empty() && self.low_rate.is_none() {
            problems.push(at("low_hours", "stand without a low_rate".to_owned()));
        }
        let clock = match self.clock {
            MeterClock::Local => Clock::Local,
            MeterClock::Winter => Clock::Winter,
        };
        let rates = match (&self.half_hourly, self.unit_rate, self.low_rate) {
            (Some(path), None, None) => Some(Rates::HalfHourly(Series::new(read(path)?, shift_years))),
            (None, Some(high), Some(low)) => {
                if low > high {
                    let message = format!("is {low}, and unit_rate {high}: the low rate is the lower one");
                    problems.push(at("low_rate", message));
                }
                Some(Rates::TwoRate {
                    high: price_micro(high),
                    low: price_micro(low),
                    hours: (!hours.is_empty()).then_some((hours, clock)),
                })
            }
            (None, Some(price), None) => Some(Rates::Flat(price_micro(price))),
            _ => {
                let message = format!(
                    "{:?} must give unit_rate, unit_rate and low_rate, or half_hourly alone",
                    self.name
                );
                problems.push(at("name", message));
                None
            }
        };
        Ok(match rates {
            Some(rates) if problems.is_empty() => Ok(Version {
                from,
                to,
                rates,
                standing_per_day: price_micro(self.standing_per_day),
                export: price_micro(self.export_rate),
            }),
            _ => Err(problems),
        })
    }
}

/// Windows of a day that do not overlap; what is wrong with them goes to `problem`.
fn windows(texts: &[String], problem: &mut dyn FnMut(String)) -> Vec<DailyWindow> {
    let mut read = Vec::new();
    for text in texts {
        match parse_window(text) {
            Some(window) => read.push((text, window)),
            None => problem(format!("{text:?} is no window like 00:30-07:30")),
        }
    }
    let windows: Vec<DailyWindow> = read.iter().map(|r| r.1).collect();
    if let Some((a, b)) = overlap(&windows) {
        problem(format!("{:?} and {:?} overlap", read[a].0, read[b].0));
    }
    windows
}

/// "2026-03-29".
pub(crate) fn parse_day(text: &str) -> Option<Day> {
    use chrono::Datelike;
    let date: chrono::NaiveDate = text.trim().parse().ok()?;
    Some(Day(date.num_days_from_ce() - 719_163))
}
