//! What is known of a cylinder before its first step.

use super::Mixing;
use crate::Water;

/// Layers where nothing is said: edges are then within a fiftieth of the volume.
pub const DEFAULT_LAYERS: u16 = 50;

/// Water temperature for which a litre's mass and heat capacity are taken, degC: amid those of a cylinder in use.
pub const REFERENCE_DEGC: f64 = 45.0;

/// Vertical conductivity where nothing is said, W/(m K): water has 0.63 (IAPWS, at 45 degC); steel wall and slow stirring add.
pub const DEFAULT_CONDUCTIVITY_W_PER_M_K: f64 = 1.0;

/// Constants of one cylinder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Water held, litres; at least 1.
    pub volume_l: f64,
    /// Inside height, m; of usual proportions when `None`.
    pub height_m: Option<f64>,
    /// Layers of equal volume, 2 to 1000.
    pub layers: u16,
    /// Standing loss of the whole skin, W/K; not below 0.
    pub standing_loss_w_per_k: f64,
    /// Conductivity upwards and downwards of water, wall and slow stirring together, W/(m K); not below 0.
    pub conductivity_w_per_m_k: f64,
    /// How water mixes about the ports.
    pub mixing: Mixing,
    /// Density and heat capacity.
    pub water: Water,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            volume_l: 200.0,
            height_m: None,
            layers: DEFAULT_LAYERS,
            standing_loss_w_per_k: 1.5,
            conductivity_w_per_m_k: DEFAULT_CONDUCTIVITY_W_PER_M_K,
            mixing: Mixing::default(),
            water: Water::Iapws,
        }
    }
}

impl Settings {
    /// The same, with each number held to its range; NaN becomes the lower end.
    pub(super) fn held(&self) -> Self {
        Self {
            volume_l: self.volume_l.max(1.0),
            layers: self.layers.clamp(2, 1000),
            standing_loss_w_per_k: self.standing_loss_w_per_k.max(0.0),
            conductivity_w_per_m_k: self.conductivity_w_per_m_k.max(0.0),
            mixing: self.mixing.held(),
            ..*self
        }
    }
}
