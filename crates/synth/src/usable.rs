//! How much usable water and heat the cylinder holds at an instant.

use crate::cylinder::{Cylinder, HEAT_CAPACITY_J_PER_KG_K, STORED_DENSITY_KG_PER_L};

/// Water below this is not usable, degC.
pub(crate) const USABLE_DEGC: f64 = 40.0;
/// The feed with which V40 is reckoned, degC.
const FEED_DEGC: f64 = 10.0;
/// Time between two rows of truth, s.
pub(crate) const STORED_EVERY_S: i64 = 1800;

/// What the cylinder holds at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stored {
    /// UTC seconds.
    pub(crate) at_s: i64,
    pub(crate) v40_l: f64,
    /// Of the water, above 0 degC.
    pub(crate) heat_j: f64,
    pub(crate) mean_degc: f64,
    pub(crate) top_degc: f64,
}

impl Stored {
    pub(crate) fn of(tank: &Cylinder, at_s: i64) -> Self {
        let mean_degc = tank.mean_degc();
        Self {
            at_s,
            v40_l: v40_l(tank),
            heat_j: mean_degc * tank.mass_kg() * HEAT_CAPACITY_J_PER_KG_K,
            mean_degc,
            top_degc: tank.top_degc(),
        }
    }
}

/// Water at 40 degC with the heat content above the feed of all water at or above 40 degC, l.
///
/// Regulation (EU) No 814/2013, Annex I (24), defines V40 by the hot water that is delivered above 40 degC; this takes what stands
/// ready to be delivered, without the mixing of a draw.
fn v40_l(tank: &Cylinder) -> f64 {
    let usable_kg_k: f64 =
        tank.layers().filter(|l| l.1 >= USABLE_DEGC).map(|(kg, degc)| kg * (degc - FEED_DEGC)).sum();
    usable_kg_k / STORED_DENSITY_KG_PER_L / (USABLE_DEGC - FEED_DEGC)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cylinder::tests_body;

    #[test]
    fn v40_of_a_cylinder_half_hot() {
        // 180 l, upper half at 60 degC: 90 l x 50 / 30 = 150 l. Water at 39 degC below does not count.
        let mut tank = Cylinder::new(tests_body(), 60.0, 20.0);
        assert!((v40_l(&tank) - 300.0).abs() < 1e-9);
        tank.set_layers(&[39.0, 60.0]);
        assert!((v40_l(&tank) - 150.0).abs() < 1e-9, "{}", v40_l(&tank));
        let stored = Stored::of(&tank, 7);
        // 180 l x 0.988 kg/l x 49.5 K x 4184 J/(kg K).
        assert!((stored.heat_j / (180.0 * 0.988 * 49.5 * 4184.0) - 1.0).abs() < 1e-9);
    }
}
