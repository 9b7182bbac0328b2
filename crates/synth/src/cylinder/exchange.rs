//! What coils and circulating pumps do to the water.

use core::ops::Range;

use super::{Cylinder, HEAT_CAPACITY_J_PER_KG_K, LAYERS};

impl Cylinder {
    /// Mass of one whole layer, kg.
    pub(crate) fn layer_kg(&self) -> f64 {
        self.layer_kg
    }

    /// Temperature of the lowest layer's mass of water, which a pump takes first, degC.
    pub(crate) fn intake_degc(&self) -> f64 {
        let share = self.base_kg / self.layer_kg;
        share * self.temp_degc[0] + (1.0 - share) * self.temp_degc[1]
    }

    /// Takes one layer's mass of water from the base, warms it, and brings it in at a height (volume fraction from the base).
    ///
    /// The water between moves down by one layer, whole; what comes in colder than the water below it sinks and mixes.
    pub(crate) fn carry_up(&mut self, heat_j: f64, height: f64) {
        let warm_degc = self.intake_degc() + heat_j / (self.layer_kg * HEAT_CAPACITY_J_PER_KG_K);
        let place = (self.layers_up(height) + 1.0).clamp(1.0, (LAYERS - 1) as f64) as usize;
        self.temp_degc[0] = self.temp_degc[1];
        self.temp_degc.copy_within(2..=place, 1);
        self.temp_degc[place] = warm_degc;
        self.settle();
    }

    /// Takes one layer's mass of water from the top and brings it back at a height (volume fraction from the base), at
    /// another temperature; gives the temperature at which it was taken, degC.
    ///
    /// The water between moves up by one layer, whole.
    pub(crate) fn carry_back(&mut self, back_degc: f64, height: f64) -> f64 {
        let share = self.base_kg / self.layer_kg;
        let taken_degc = (1.0 - share) * self.temp_degc[LAYERS] + share * self.temp_degc[LAYERS - 1];
        let place = (self.layers_up(height) + 1.0).clamp(1.0, (LAYERS - 1) as f64) as usize;
        self.temp_degc[LAYERS] = self.temp_degc[LAYERS - 1];
        self.temp_degc.copy_within(place..LAYERS - 1, place + 1);
        self.temp_degc[place] = back_degc;
        self.settle();
        taken_degc
    }

    /// Heat that a coil between two heights gives to the water, W: hot fluid of the given heat capacity (W/K) comes in
    /// at its upper end, and meets the water layer by layer.
    pub(crate) fn coil_w(
        &self,
        heights: Range<f64>,
        fluid_degc: f64,
        ua_w_per_k: f64,
        fluid_w_per_k: f64,
    ) -> f64 {
        let touched = self.touched(heights);
        let effect = effect(ua_w_per_k / touched.len() as f64, fluid_w_per_k);
        let left_degc = self.temp_degc[touched]
            .iter()
            .rev()
            .fold(fluid_degc, |fluid, water| fluid - effect * (fluid - water));
        fluid_w_per_k * (fluid_degc - left_degc)
    }

    /// Lets a coil heat the water for some seconds, and the plume rise; gives the heat, W. See [`Cylinder::coil_w`].
    pub(crate) fn heat_by_coil(
        &mut self,
        heights: Range<f64>,
        mut fluid_degc: f64,
        ua_w_per_k: f64,
        fluid_w_per_k: f64,
        seconds: f64,
    ) -> f64 {
        let touched = self.touched(heights);
        let effect = effect(ua_w_per_k / touched.len() as f64, fluid_w_per_k);
        let mut total_w = 0.0;
        for temp in self.temp_degc[touched].iter_mut().rev() {
            let cooled_k = effect * (fluid_degc - *temp);
            fluid_degc -= cooled_k;
            total_w += fluid_w_per_k * cooled_k;
            *temp += fluid_w_per_k * cooled_k * seconds / (self.layer_kg * HEAT_CAPACITY_J_PER_KG_K);
        }
        self.settle();
        total_w
    }

    /// Whole layers between two heights; at least one.
    fn touched(&self, heights: Range<f64>) -> Range<usize> {
        let at = |height: f64| (self.layers_up(height) + 1.0).clamp(1.0, (LAYERS - 1) as f64) as usize;
        let lowest = at(heights.start);
        lowest..at(heights.end).max(lowest + 1).min(LAYERS)
    }

    /// Whole layers below a height, from the border between the base layer and the first whole one.
    fn layers_up(&self, height: f64) -> f64 {
        (height * self.mass_kg() - self.base_kg) / self.layer_kg
    }
}

/// Part of the difference that the fluid gives up on its way past one layer.
fn effect(ua_w_per_k: f64, fluid_w_per_k: f64) -> f64 {
    1.0 - libm::exp(-ua_w_per_k / fluid_w_per_k)
}

#[cfg(test)]
mod tests {
    use super::super::tests_body;
    use super::*;

    #[test]
    fn a_parcel_keeps_mass_and_energy_and_moves_the_front_down() {
        let mut tank = Cylinder::new(tests_body(), 60.0, 20.0);
        tank.set_layers(&[10.0, 60.0]);
        tank.flow(0.7, 10.0);
        let before_j = tank.stored_j();
        let carried = (0.25 * tank.mass_kg() / tank.layer_kg()) as usize;
        for _ in 0..carried {
            tank.carry_up(tank.layer_kg() * HEAT_CAPACITY_J_PER_KG_K * 50.0, 0.99);
        }
        let put_j = carried as f64 * tank.layer_kg() * HEAT_CAPACITY_J_PER_KG_K * 50.0;
        assert!((tank.stored_j() - before_j - put_j).abs() < 1e-6 * put_j);
        assert!(tank.at_degc(0.22) < 11.0 && tank.at_degc(0.29) > 59.0, "{}", tank.at_degc(0.29));
    }

    #[test]
    fn water_that_comes_back_lower_down_moves_the_rest_up() {
        let mut tank = Cylinder::new(tests_body(), 60.0, 20.0);
        tank.set_layers(&[10.0, 60.0]);
        tank.flow(0.7, 10.0);
        let (before_j, mut taken_j) = (tank.stored_j(), 0.0);
        let layer_j_per_k = tank.layer_kg() * HEAT_CAPACITY_J_PER_KG_K;
        for _ in 0..40 {
            taken_j += layer_j_per_k * (tank.carry_back(50.0, 0.4) - 50.0);
        }
        assert!((before_j - taken_j - tank.stored_j()).abs() < 1e-6 * taken_j, "{taken_j}");
        assert!(tank.at_degc(0.1) < 10.1 && tank.top_degc() > 59.0, "{}", tank.top_degc());
        assert!(tank.at_degc(0.45) < 60.0 && tank.at_degc(0.45) > 10.1);
    }

    #[test]
    fn cold_water_brought_in_high_sinks_and_mixes() {
        let mut tank = Cylinder::new(tests_body(), 60.0, 20.0);
        tank.set_layers(&[10.0, 60.0]);
        tank.carry_up(0.0, 0.9);
        assert!(tank.at_degc(0.85) < 60.0 && tank.at_degc(0.95) > 59.9);
    }
}
