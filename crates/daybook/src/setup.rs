//! What the reduction must know of a cylinder before it sees a row.

use chrono_tz::Tz;
use drawoff_contract::{Cylinder, Element, HeatSource};
use drawoff_tank::column::{Body, Settings as ColumnSettings};
use drawoff_tank::profile::Profile;
use drawoff_tank::shape::Shape;
use drawoff_tank::water::Water;

/// Loss assumed for the first-pass balance where the register declares none: the middle of the label classes B and C
/// at 180 l (Regulation (EU) 812/2013). Five minutes of it are 6 Wh, so its error hardly moves a draw-off.
const ASSUMED_LOSS_W_PER_K: f64 = 1.6;
/// Surroundings assumed for the first-pass balance where none are measured: common practice, no source.
const ASSUMED_SURROUNDINGS_DEGC: f64 = 18.0;

/// Conductivity along the height, W/(m K): water has 0.63 (IAPWS, at 45 degC); wall and slow stirring add.
const CONDUCTIVITY_W_PER_M_K: f64 = 1.5;

/// Settings of the reduction.
#[derive(Clone, Copy, Debug)]
pub struct Settings {
    /// Water properties.
    pub water: Water,
    /// Whether the water is followed from reading to reading, which finds the draw-offs; without it there are none. Benches
    /// switch it off to see what it costs.
    pub follow_water: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self { water: Water::default(), follow_water: true }
    }
}

/// One cylinder, ready for the reduction.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The export's own identifier.
    pub home: String,
    /// Time zone of the home.
    pub zone: Tz,
    /// Temperature profile through the probes.
    pub profile: Profile,
    /// Probe heights as volume fractions, top first.
    pub heights: Vec<f64>,
    /// Stored volume, l.
    pub volume_l: f64,
    /// Heat capacity of the stored water, Wh/K, at 45 degC.
    pub capacity_wh_per_k: f64,
    /// Skin area belonging to each probe, as a share of all, top first.
    pub skin_shares: Vec<f64>,
    /// Loss for the first-pass balance, W/K.
    pub loss_w_per_k: f64,
    /// Height of the water, m.
    pub height_m: f64,
    /// Surroundings where not measured, degC.
    pub surroundings_degc: f64,
    /// What heats the water.
    pub heat_source: HeatSource,
    /// Lower and upper end of a coil, or intake and return of a pump, volume fractions.
    pub source_heights: (Option<f64>, Option<f64>),
    /// Thermostat set point, degC.
    pub set_point_degc: Option<f64>,
    /// Elements, lower first.
    pub elements: Vec<Element>,
    /// Water properties.
    pub water: Water,
    /// As [`Settings::follow_water`].
    pub follow_water: bool,
}

impl Setup {
    /// Prepares a cylinder.
    ///
    /// # Errors
    /// Names the fact of the register without which nothing can be read.
    pub fn new(cylinder: &Cylinder, settings: Settings) -> Result<Self, &'static str> {
        let volume_l = cylinder.volume_l.filter(|v| *v > 0.0).ok_or("volume_l")?;
        let profile = Profile::new(&cylinder.probe_heights).ok_or("probe_heights")?;
        let shape = Shape::new(volume_l, cylinder.height_m);
        Ok(Self {
            home: cylinder.home.clone(),
            zone: cylinder.zone,
            skin_shares: shape.skin_shares(&cylinder.probe_heights),
            profile,
            heights: cylinder.probe_heights.clone(),
            volume_l,
            capacity_wh_per_k: volume_l * settings.water.wh_per_l_k(45.0),
            loss_w_per_k: cylinder.declared_loss_w_per_k.unwrap_or(ASSUMED_LOSS_W_PER_K),
            height_m: shape.height_m,
            surroundings_degc: ASSUMED_SURROUNDINGS_DEGC,
            heat_source: cylinder.heat_source,
            source_heights: (cylinder.source_lower_height, cylinder.source_upper_height),
            set_point_degc: cylinder.set_point_degc,
            elements: cylinder.elements.clone(),
            water: settings.water,
            follow_water: settings.follow_water,
        })
    }

    /// The cylinder as layers of water, to be followed.
    #[must_use]
    pub(crate) fn body(&self) -> Body {
        Body::new(&ColumnSettings {
            volume_l: self.volume_l,
            height_m: Some(self.height_m),
            standing_loss_w_per_k: self.loss_w_per_k,
            conductivity_w_per_m_k: CONDUCTIVITY_W_PER_M_K,
            water: self.water,
            ..ColumnSettings::default()
        })
    }

    /// Number of probes.
    #[must_use]
    pub fn probes(&self) -> usize {
        self.heights.len()
    }

    /// Rated power of an element, W; infinity when the register does not know the element.
    #[must_use]
    pub fn rated_w(&self, element: usize) -> f64 {
        self.elements.iter().find(|e| usize::from(e.index) == element).map_or(f64::INFINITY, |e| e.rated_w)
    }

    /// Height of an element, volume fraction; the base when the register does not know it.
    #[must_use]
    pub fn element_height(&self, element: usize) -> f64 {
        self.elements.iter().find(|e| usize::from(e.index) == element).map_or(0.0, |e| e.height)
    }
}
