//! What the asset register says of one cylinder.

use chrono_tz::Tz;

/// One heating element.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Element {
    /// 0 lower, 1 upper: the index of its power and call channels.
    pub index: u8,
    /// Rated power, W.
    pub rated_w: f64,
    /// Height as a volume fraction from the base.
    pub height: f64,
}

/// A window of local clock time that repeats every day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DailyWindow {
    /// Start, minutes after local midnight.
    pub start_min: u32,
    /// Length, minutes.
    pub minutes: u32,
}

impl DailyWindow {
    /// Whether a local minute of the day (0 to 1439) lies inside.
    #[must_use]
    pub fn contains(self, minute: u32) -> bool {
        (minute + 1440 - self.start_min % 1440) % 1440 < self.minutes
    }
}

/// One cylinder of the asset register. Absent facts are `None`: what needs them is not assessed.
#[derive(Clone, Debug, PartialEq)]
pub struct Cylinder {
    /// The export's own identifier, unchanged.
    pub home: String,
    /// Area for planning rounds; empty when the register has none.
    pub area: String,
    /// Time zone of the home.
    pub zone: Tz,
    /// Stored volume, l.
    pub volume_l: Option<f64>,
    /// Inside height of the cylinder, m.
    pub height_m: Option<f64>,
    /// Probe heights as volume fractions from the base, from the top probe down.
    pub probe_heights: Vec<f64>,
    /// Elements, lower first.
    pub elements: Vec<Element>,
    /// Declared standing loss coefficient, W/K (declared loss at 45 K divided by 45 K).
    pub declared_loss_w_per_k: Option<f64>,
    /// Thermostat set point, degC.
    pub set_point_degc: Option<f64>,
    /// Name of the tariff.
    pub tariff: Option<String>,
    /// Hours of the low rate, if the register gives them.
    pub low_rate: Option<DailyWindow>,
    /// How heating is controlled, in the register's words.
    pub control: Option<String>,
    /// People in the home.
    pub occupants: Option<f64>,
    /// Year of installation.
    pub installed: Option<i32>,
}
