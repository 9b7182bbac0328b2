//! What the asset register says of one cylinder.

use chrono_tz::Tz;

use crate::results::CylinderRow;

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

/// What heats the water of a cylinder.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum HeatSource {
    /// Elements in the water, also where a surplus diverter drives them.
    #[default]
    Element,
    /// An element that a pump feeds with water from the base; the heated water returns at the top.
    TopPump,
    /// A coil in the water, fed by a boiler without a meter.
    Coil,
    /// A heat pump with a plate exchanger, fed with water from the base; its electric input is metered.
    HeatPump,
}

impl HeatSource {
    /// All sources.
    pub const ALL: &'static [HeatSource] = &[Self::Element, Self::TopPump, Self::Coil, Self::HeatPump];

    /// Stable word for registers and tables.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Element => "element",
            Self::TopPump => "top_pump",
            Self::Coil => "coil",
            Self::HeatPump => "heat_pump",
        }
    }

    /// The source with this word.
    #[must_use]
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|s| s.code() == code)
    }
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
    /// What heats the water; [`HeatSource::Element`] where the register does not say.
    ///
    /// Power and call channel 0 belong to the source (a heat pump's electric input, a boiler's call). Elements are listed
    /// only where there are any: a heat pump's boost element at index 0 shares its meter, at index 1 it has its own.
    pub heat_source: HeatSource,
    /// Rated power of a source that is no element, W: heat of a boiler or coil, heat of a heat pump.
    pub source_rated_w: Option<f64>,
    /// Where the source takes water or begins: lower end of a coil, intake of a pump; volume fraction from the base.
    pub source_lower_height: Option<f64>,
    /// Where the source gives heat or ends: upper end of a coil, return of a pump; volume fraction from the base.
    pub source_upper_height: Option<f64>,
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

impl Cylinder {
    /// A cylinder of which only the name is known: no area, no volume, no probe, heated by elements, in UTC.
    #[must_use]
    pub fn unknown(home: &str) -> Self {
        Self {
            home: home.to_owned(),
            area: String::new(),
            zone: Tz::UTC,
            volume_l: None,
            height_m: None,
            probe_heights: Vec::new(),
            elements: Vec::new(),
            heat_source: HeatSource::Element,
            source_rated_w: None,
            source_lower_height: None,
            source_upper_height: None,
            declared_loss_w_per_k: None,
            set_point_degc: None,
            tariff: None,
            low_rate: None,
            control: None,
            occupants: None,
            installed: None,
        }
    }

    /// Whether the register's words for the control speak of spare solar power.
    #[must_use]
    pub fn is_diverter(&self) -> bool {
        let word = self.control.as_deref().unwrap_or_default().to_lowercase();
        word == "pv" || ["divert", "surplus", "solar"].iter().any(|w| word.contains(w))
    }

    /// What of it is written beside the results; heights as stated.
    #[must_use]
    pub fn row(&self) -> CylinderRow {
        let channels = self.elements.iter().map(|e| usize::from(e.index) + 1).max().unwrap_or(0);
        let by_channel = |of: fn(&Element) -> f64| {
            let one = |c: usize| self.elements.iter().find(|e| usize::from(e.index) == c);
            (0..channels).map(|c| one(c).map_or(f32::NAN, |e| of(e) as f32)).collect()
        };
        CylinderRow {
            home: self.home.clone(),
            volume_l: self.volume_l,
            heat_source: self.heat_source.code().to_owned(),
            is_diverter: self.is_diverter(),
            set_point_degc: self.set_point_degc,
            probe_heights: self.probe_heights.iter().map(|&h| h as f32).collect(),
            element_rated_w: by_channel(|e| e.rated_w),
            element_heights: by_channel(|e| e.height),
            source_rated_w: self.source_rated_w,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_has_each_element_at_its_channel() {
        let upper = Element { index: 1, rated_w: 2500.0, height: 0.65 };
        let control = Some("Solar surplus".to_owned());
        let row = Cylinder { elements: vec![upper], control, ..Cylinder::unknown("a") }.row();
        assert!(row.is_diverter && row.element_rated_w[0].is_nan());
        assert_eq!((row.element_rated_w[1], row.element_heights[1]), (2500.0, 0.65));
        assert!(!Cylinder::unknown("a").row().is_diverter);
    }

    #[test]
    fn words_of_sources_come_back() {
        assert!(HeatSource::ALL.iter().all(|&s| HeatSource::from_code(s.code()) == Some(s)));
        assert_eq!((HeatSource::ALL.len(), HeatSource::from_code("boiler")), (4, None));
    }
}
