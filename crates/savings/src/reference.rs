//! The counterfactual that a home is held against: which system heats, and by which rule.

use drawoff_contract::DailyWindow;
use drawoff_tank::norms::DAYS_OF_MONTH;
use drawoff_tank::norms::storage::primary_kwh_per_day;
use drawoff_tank::replay::Heater;

use crate::pricing::Carrier;
use crate::rule::{ALWAYS, Rule, TimedHeater, slots_of};

/// What heats the water of the reference.
#[derive(Clone, Debug, PartialEq)]
pub enum System {
    /// An element at the base.
    Element,
    /// A boiler with a coil: fuel a kWh of heat, with the loss of its primary circuit.
    BoilerCoil {
        /// Heat over fuel, 0 to 1.
        efficiency: f64,
        /// Insulated share of the primary circuit, 0 to 1.
        primary_insulated: f64,
        /// Hours a day in which the primary circuit is hot.
        primary_hours: f64,
    },
    /// A heat pump whose performance is a share of Carnot's between outdoor air and flow.
    HeatPump {
        /// Share of Carnot's performance.
        carnot_share: f64,
        /// Flow above the set point, K.
        flow_above_k: f64,
        /// Outdoor temperature by month, degC.
        outdoor_degc: [f64; 12],
    },
    /// An instantaneous boiler without store.
    Combination {
        /// Heat over fuel, 0 to 1.
        efficiency: f64,
    },
}

/// A reference system with its rule.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    /// What heats.
    pub system: System,
    /// Hours of the timer by the local clock; empty for always on.
    pub windows: Vec<DailyWindow>,
    /// Set point, degC; `None` takes the home's own.
    pub set_degc: Option<f64>,
    /// Hysteresis of the thermostat, K.
    pub hysteresis_k: f64,
    /// Height from which the whole tank is heated, volume fraction.
    pub base_height: f64,
    /// What it is fed with.
    pub carrier: Carrier,
}

impl Reference {
    /// The rule of this reference at a home that is heated by `own`.
    #[must_use]
    pub fn rule(&self, own: &Rule) -> Rule {
        let first = own.heaters.iter().max_by(|a, b| a.heater.set_degc.total_cmp(&b.heater.set_degc));
        let own_set = first.map_or(60.0, |h| h.heater.set_degc);
        let power_w = own.heaters.iter().map(|h| h.heater.power_w).fold(0.0, f64::max);
        let heater = Heater {
            low: self.base_height,
            stop_height: self.base_height,
            power_w,
            set_degc: self.set_degc.unwrap_or(own_set),
            hysteresis_k: self.hysteresis_k,
            circulated: false,
        };
        let permitted = if self.windows.is_empty() { ALWAYS } else { slots_of(&self.windows) };
        Rule {
            heaters: vec![TimedHeater { heater, permitted }],
            winter_clock: false,
            one_at_a_time: false,
            diverted: false,
        }
    }

    /// Whether it keeps no water hot.
    #[must_use]
    pub fn is_instantaneous(&self) -> bool {
        matches!(self.system, System::Combination { .. })
    }

    /// Energy taken for some heat of a half-hour, Wh. `month` from 0; `day_litres` is what the day draws at the tap's side.
    #[must_use]
    pub fn taken_wh(&self, heat_wh: f64, month: usize, set_degc: f64, day_litres: f64) -> f64 {
        match self.system {
            System::Element => heat_wh,
            System::BoilerCoil { efficiency, primary_insulated, primary_hours } => {
                let primary_wh = primary_kwh_per_day(primary_insulated, primary_hours) * 1000.0 / 48.0;
                (heat_wh + primary_wh) / efficiency
            }
            System::HeatPump { carnot_share, flow_above_k, outdoor_degc } => {
                heat_wh / performance(carnot_share, set_degc + flow_above_k, outdoor_degc[month % 12])
            }
            System::Combination { efficiency } => {
                heat_wh / efficiency + combination_loss_kwh_per_day(day_litres) * 1000.0 / 48.0
            }
        }
    }

    /// In words.
    #[must_use]
    pub fn words(&self, own: &Rule) -> String {
        let rule = self.rule(own);
        let system = match &self.system {
            System::Element => "element".to_owned(),
            System::BoilerCoil { efficiency, .. } => {
                format!("boiler with coil, {:.0} % of its fuel, with primary loss", efficiency * 100.0)
            }
            System::HeatPump { carnot_share, flow_above_k, .. } => format!(
                "heat pump, {:.0} % of Carnot's performance between outdoor air and a flow {flow_above_k:.0} K above the set point",
                carnot_share * 100.0
            ),
            System::Combination { efficiency } => {
                return format!(
                    "instantaneous boiler, {:.0} % of its fuel, with the loss of its starts",
                    efficiency * 100.0
                );
            }
        };
        format!("{system}: {}", rule.words())
    }
}

/// Coefficient of performance: a share of Carnot's between flow and outdoor air (0.4 to 0.5 for small machines: common practice, no
/// source); 1 at least.
///
/// ```
/// // 0.45 x (273.15 + 60) / (60 - 7) = 2.829
/// assert!((drawoff_savings::reference::performance(0.45, 60.0, 7.0) - 2.8286).abs() < 1e-3);
/// ```
#[must_use]
pub fn performance(carnot_share: f64, flow_degc: f64, outdoor_degc: f64) -> f64 {
    let lift_k = (flow_degc - outdoor_degc).max(10.0);
    (carnot_share * (273.15 + flow_degc) / lift_k).max(1.0)
}

/// Additional loss of an instantaneous combination boiler without keep-hot facility, kWh a day: 600 x fu / 365, fu = min(1, litres / 100)
/// (national calculation procedure, Table 3a).
///
/// ```
/// use drawoff_savings::reference::combination_loss_kwh_per_day;
/// // the published example: January, 77.8795 l a day, 31 days: 39.6866 kWh
/// assert!((combination_loss_kwh_per_day(77.8795) * 31.0 - 39.6866).abs() < 1e-3);
/// assert!((combination_loss_kwh_per_day(180.0) * 365.0 - 600.0).abs() < 1e-9);
/// ```
#[must_use]
pub fn combination_loss_kwh_per_day(litres_per_day: f64) -> f64 {
    let year: f64 = DAYS_OF_MONTH.iter().sum();
    600.0 * (litres_per_day / 100.0).clamp(0.0, 1.0) / year
}
