//! One cylinder as a column of layers that ride with the water: no smearing by the grid, energy kept to rounding.

mod exchange;

use crate::mixing::mix_inversions;

/// Specific heat of water, J/(kg K): mean of 10 to 70 degC (IAPWS-IF97 values lie within 0.35 % of it).
pub(crate) const HEAT_CAPACITY_J_PER_KG_K: f64 = 4184.0;
/// Density of the stored water, kg/l, at about 50 degC (IAPWS-IF97: 0.98805). The mass in the cylinder is held
/// constant; the heat in the expansion water is neglected.
pub(crate) const STORED_DENSITY_KG_PER_L: f64 = 0.988;
/// Density of the cold feed, kg/l, at 10 degC (IAPWS-IF97: 0.99970).
pub(crate) const INLET_DENSITY_KG_PER_L: f64 = 0.9997;
/// Whole layers; finer than any estimator's grid.
const LAYERS: usize = 112;
/// Bands of insulation, each with its own temperature.
const BANDS: usize = 8;
/// Water that a sound inlet's jet draws along, as a multiple of the inflow: our own choice.
pub(crate) const SOUND_ENTRAINMENT: f64 = 3.0;

/// What the cylinder is made of.
#[derive(Clone, Debug, PartialEq)]
pub struct CylinderBody {
    /// Stored volume, l.
    pub volume_l: f64,
    /// Height of the water column, m.
    pub height_m: f64,
    /// Steady loss coefficient of the whole skin, W/K.
    pub loss_w_per_k: f64,
    /// Share of the loss that leaves by fittings at the top, past the insulation.
    pub top_fitting_share: f64,
    /// Share of the loss that leaves by fittings at the base.
    pub base_fitting_share: f64,
    /// Heat that the insulation and casing hold, J/K.
    pub insulation_j_per_k: f64,
    /// Effective conductivity of water and wall along the height, W/(m K).
    pub conduction_w_per_m_k: f64,
    /// Water stirred by the inlet at 8 l/min, l; in proportion to the flow.
    pub jet_l: f64,
    /// Water stirred by the inlet at any flow, l; 0 for an inlet that spreads its water well.
    pub least_stirred_l: f64,
    /// Water that the jet draws along, as a multiple of the inflow.
    pub entrainment: f64,
}

/// State of a cylinder. Layer 0 is a partial layer at the base that grows with the cold feed; the top layer shrinks
/// by as much, and is dropped when it is empty.
#[derive(Clone, Debug)]
pub struct Cylinder {
    body: CylinderBody,
    layer_kg: f64,
    base_kg: f64,
    temp_degc: [f64; LAYERS + 1],
    mass_kg: [f64; LAYERS + 1],
    band_degc: [f64; BANDS],
    pool: Vec<(f64, f64, usize)>,
    bands: BandLimits,
    sweep: Sweep,
}

/// First layer of each band of insulation, for the mass of the base layer that it was worked out for.
#[derive(Clone, Debug)]
struct BandLimits {
    base_kg: f64,
    first: [usize; BANDS + 1],
}

/// Coefficients of the implicit conduction, for the masses and the link that they were worked out for.
#[derive(Clone, Debug)]
struct Sweep {
    base_kg: f64,
    link: f64,
    inverse: [f64; LAYERS + 1],
    up: [f64; LAYERS + 1],
}

impl Cylinder {
    /// A cylinder at one temperature, its insulation half way to the surroundings.
    #[must_use]
    pub fn new(body: CylinderBody, water_degc: f64, room_degc: f64) -> Self {
        let layer_kg = body.volume_l * STORED_DENSITY_KG_PER_L / LAYERS as f64;
        let mut mass_kg = [layer_kg; LAYERS + 1];
        mass_kg[0] = 0.0;
        Self {
            layer_kg,
            base_kg: 0.0,
            temp_degc: [water_degc; LAYERS + 1],
            mass_kg,
            band_degc: [(water_degc + room_degc) / 2.0; BANDS],
            pool: Vec::with_capacity(LAYERS + 1),
            bands: BandLimits { base_kg: f64::NAN, first: [0; BANDS + 1] },
            sweep: Sweep { base_kg: f64::NAN, link: 0.0, inverse: [0.0; LAYERS + 1], up: [0.0; LAYERS + 1] },
            body,
        }
    }

    /// Sets the water to equal layers of the given temperatures, base first; the insulation keeps its own.
    ///
    /// No temperatures, no change.
    pub fn set_layers(&mut self, layers_degc: &[f64]) {
        if layers_degc.is_empty() {
            return;
        }
        for i in 0..LAYERS {
            self.temp_degc[i + 1] = layers_degc[i * layers_degc.len() / LAYERS];
        }
        self.temp_degc[0] = self.temp_degc[1];
        (self.base_kg, self.mass_kg[0], self.mass_kg[LAYERS]) = (0.0, 0.0, self.layer_kg);
        self.settle();
    }

    /// What it is made of, changed by some faults while it runs.
    pub fn body_mut(&mut self) -> &mut CylinderBody {
        &mut self.body
    }

    /// Stored mass, kg.
    #[must_use]
    pub fn mass_kg(&self) -> f64 {
        self.layer_kg * LAYERS as f64
    }

    /// Heat in water and insulation above 0 degC, J.
    #[must_use]
    pub fn stored_j(&self) -> f64 {
        let insulation: f64 =
            self.band_degc.iter().sum::<f64>() * self.body.insulation_j_per_k / BANDS as f64;
        self.mean_degc() * self.mass_kg() * HEAT_CAPACITY_J_PER_KG_K + insulation
    }

    /// Mass-mean temperature of the water, degC.
    #[must_use]
    pub fn mean_degc(&self) -> f64 {
        self.temp_degc.iter().zip(&self.mass_kg).map(|(t, m)| t * m).sum::<f64>() / self.mass_kg()
    }

    /// Mass (kg) and temperature (degC) of the layers, base first; the first and the last may be without mass.
    pub fn layers(&self) -> impl Iterator<Item = (f64, f64)> {
        self.mass_kg.iter().copied().zip(self.temp_degc.iter().copied())
    }

    /// Temperature of the water about to leave, degC.
    #[must_use]
    pub fn top_degc(&self) -> f64 {
        self.temp_degc[LAYERS]
    }

    /// Temperature at a height given as a volume fraction from the base, degC, linear between layer centres.
    #[must_use]
    pub fn at_degc(&self, height: f64) -> f64 {
        let layers_up = (height.clamp(0.0, 1.0) * self.mass_kg() - self.base_kg) / self.layer_kg + 0.5;
        let below = (layers_up.max(0.0) as usize).min(LAYERS - 1);
        let share = (layers_up - below as f64).clamp(0.0, 1.0);
        self.temp_degc[below] * (1.0 - share) + self.temp_degc[below + 1] * share
    }

    /// Lets water in at the base and as much out of the top; gives the mean temperature of what left, degC.
    ///
    /// No water, no change: then the temperature of the top.
    pub fn flow(&mut self, inflow_kg: f64, inflow_degc: f64) -> f64 {
        if inflow_kg <= 0.0 {
            return self.top_degc();
        }
        let (mut left_kg, mut out_kg_k) = (inflow_kg, 0.0);
        while left_kg > 0.0 {
            let room_kg = self.layer_kg - self.base_kg;
            let part_kg = left_kg.min(room_kg);
            out_kg_k += part_kg * self.temp_degc[LAYERS];
            let base_kg = self.base_kg + part_kg;
            self.temp_degc[0] = (self.base_kg * self.temp_degc[0] + part_kg * inflow_degc) / base_kg;
            self.base_kg = base_kg;
            if left_kg >= room_kg {
                self.temp_degc.copy_within(..LAYERS, 1);
                self.temp_degc[0] = inflow_degc;
                self.base_kg = 0.0;
            }
            left_kg -= part_kg;
        }
        self.mass_kg[0] = self.base_kg;
        self.mass_kg[LAYERS] = self.layer_kg - self.base_kg;
        self.settle();
        out_kg_k / inflow_kg
    }

    /// Stirs the lowest water as an inflow of `inflow_kg` at `flow_l_per_min` does: the faster, the higher.
    pub fn stir_by_inlet(&mut self, inflow_kg: f64, flow_l_per_min: f64) {
        let reach_l = (self.body.jet_l * flow_l_per_min / 8.0).max(self.body.least_stirred_l);
        let reach_kg = (reach_l * STORED_DENSITY_KG_PER_L).clamp(2.0 * self.layer_kg, self.mass_kg());
        let (mut count, mut mass, mut heat) = (0, 0.0, 0.0);
        for (temp, layer) in self.temp_degc.iter().zip(&self.mass_kg) {
            if mass + layer > reach_kg * (1.0 + 1e-9) {
                break;
            }
            count += 1;
            mass += layer;
            heat += layer * temp;
        }
        let share = 1.0 - libm::exp(-inflow_kg * self.body.entrainment / reach_kg);
        for temp in &mut self.temp_degc[..count] {
            *temp += share * (heat / mass - *temp);
        }
    }

    /// Puts heat in at a height (volume fraction from the base) and lets the plume mix what it rises through.
    pub fn heat(&mut self, heat_j: f64, height: f64) {
        if heat_j <= 0.0 {
            return;
        }
        let layer = ((height * self.mass_kg() - self.base_kg) / self.layer_kg + 1.0).max(1.0) as usize;
        let around = layer.min(LAYERS) - 1..(layer + 2).min(LAYERS + 1);
        let mass: f64 = self.mass_kg[around.clone()].iter().sum();
        for temp in &mut self.temp_degc[around] {
            *temp += heat_j / (mass * HEAT_CAPACITY_J_PER_KG_K);
        }
        self.settle();
    }

    /// Loses heat to the surroundings for `seconds` and conducts along the height; gives the heat that left, J.
    ///
    /// For steps of up to a few minutes: the skin is explicit, conduction is implicit.
    pub fn rest(&mut self, seconds: f64, room_degc: f64) -> f64 {
        let fittings_j = self.lose_by_fittings(seconds, room_degc);
        let skin_j = self.lose_by_skin(seconds, room_degc);
        self.conduct(seconds);
        self.settle();
        fittings_j + skin_j
    }

    fn settle(&mut self) {
        mix_inversions(&mut self.temp_degc, &self.mass_kg, &mut self.pool);
    }

    fn lose_by_fittings(&mut self, seconds: f64, room_degc: f64) -> f64 {
        let ends = [(0, 1, self.body.base_fitting_share), (LAYERS - 1, LAYERS, self.body.top_fitting_share)];
        let mut lost_j = 0.0;
        for (lower, upper, share) in ends {
            let mass = self.mass_kg[lower] + self.mass_kg[upper];
            let mean = (self.temp_degc[lower] * self.mass_kg[lower]
                + self.temp_degc[upper] * self.mass_kg[upper])
                / mass;
            let heat_j = share * self.body.loss_w_per_k * seconds * (mean - room_degc);
            self.temp_degc[lower] -= heat_j / (mass * HEAT_CAPACITY_J_PER_KG_K);
            self.temp_degc[upper] -= heat_j / (mass * HEAT_CAPACITY_J_PER_KG_K);
            lost_j += heat_j;
        }
        lost_j
    }

    /// Water to insulation and insulation to room each take half of the resistance.
    fn lose_by_skin(&mut self, seconds: f64, room_degc: f64) -> f64 {
        let side_w_per_k =
            self.body.loss_w_per_k * (1.0 - self.body.top_fitting_share - self.body.base_fitting_share);
        let per_kg_j_per_k = 2.0 * side_w_per_k * seconds / self.mass_kg();
        let cooling = per_kg_j_per_k / HEAT_CAPACITY_J_PER_KG_K;
        self.find_bands();
        let mut gained_j = [0.0; BANDS];
        for (band, gained) in gained_j.iter_mut().enumerate() {
            let layers = self.bands.first[band]..self.bands.first[band + 1];
            let band_degc = self.band_degc[band];
            for (temp, &mass) in self.temp_degc[layers.clone()].iter_mut().zip(&self.mass_kg[layers]) {
                let excess = *temp - band_degc;
                *gained += per_kg_j_per_k * mass * excess;
                // A layer without mass follows the others, so that its temperature stays in order.
                *temp -= cooling * excess;
            }
        }
        let band_capacity = self.body.insulation_j_per_k / BANDS as f64;
        let mut lost_j = 0.0;
        for (band, gained) in self.band_degc.iter_mut().zip(gained_j) {
            let heat_j = 2.0 * side_w_per_k / BANDS as f64 * seconds * (*band - room_degc);
            *band += (gained - heat_j) / band_capacity;
            lost_j += heat_j;
        }
        lost_j
    }

    /// Which band each layer touches, by its middle.
    fn find_bands(&mut self) {
        if self.bands.base_kg == self.base_kg {
            return;
        }
        self.bands.base_kg = self.base_kg;
        self.bands.first = [LAYERS + 1; BANDS + 1];
        self.bands.first[0] = 0;
        let per_layer = BANDS as f64 / self.mass_kg();
        let mut below_kg = 0.0;
        let mut last = 0;
        for (layer, &mass) in self.mass_kg.iter().enumerate() {
            let band = (((below_kg + mass / 2.0) * per_layer) as usize).min(BANDS - 1);
            below_kg += mass;
            self.bands.first[last + 1..=band.max(last)].fill(layer);
            last = band.max(last);
        }
    }

    /// One implicit step of conduction between neighbouring layers (Thomas' elimination).
    fn conduct(&mut self, seconds: f64) {
        let area_m2 = self.body.volume_l / 1000.0 / self.body.height_m;
        let spacing_m = self.body.height_m / LAYERS as f64;
        let link = self.body.conduction_w_per_m_k * area_m2 / spacing_m * seconds / HEAT_CAPACITY_J_PER_KG_K;
        self.find_sweep(link);
        let (temp, mass) = (&mut self.temp_degc, &self.mass_kg);
        let Sweep { inverse, up, .. } = &self.sweep;
        temp[0] = (mass[0] * temp[0]) * inverse[0];
        for i in 1..=LAYERS {
            temp[i] = (mass[i] * temp[i] + link * temp[i - 1]) * inverse[i];
        }
        for i in (0..LAYERS).rev() {
            temp[i] += up[i] * temp[i + 1];
        }
    }

    /// The part of the elimination that does not depend on the temperatures: only draws change it.
    fn find_sweep(&mut self, link: f64) {
        let sweep = &mut self.sweep;
        if sweep.base_kg == self.base_kg && sweep.link == link {
            return;
        }
        (sweep.base_kg, sweep.link) = (self.base_kg, link);
        let mut before = 0.0;
        for i in 0..=LAYERS {
            let links = if i == 0 || i == LAYERS { link } else { 2.0 * link };
            sweep.inverse[i] = 1.0 / (self.mass_kg[i] + links - link * before);
            before = link * sweep.inverse[i];
            sweep.up[i] = before;
        }
    }
}

#[cfg(test)]
pub(crate) use tests::body as tests_body;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    pub(crate) fn body() -> CylinderBody {
        CylinderBody {
            volume_l: 180.0,
            height_m: 1.1,
            loss_w_per_k: 1.6,
            top_fitting_share: 0.15,
            base_fitting_share: 0.06,
            insulation_j_per_k: 25_000.0,
            conduction_w_per_m_k: 1.5,
            jet_l: 8.0,
            least_stirred_l: 0.0,
            entrainment: SOUND_ENTRAINMENT,
        }
    }

    #[test]
    fn loses_its_coefficient_times_the_excess_when_at_rest() {
        let mut tank = Cylinder::new(body(), 65.0, 20.0);
        for _ in 0..180 {
            tank.rest(120.0, 20.0);
        }
        let (mut lost, mut excess) = (0.0, 0.0);
        for _ in 0..360 {
            lost += tank.rest(120.0, 20.0);
            excess += (tank.mean_degc() - 20.0) * 120.0;
        }
        let coefficient: f64 = lost / excess;
        assert!((coefficient - 1.6).abs() < 0.05, "{coefficient}");
    }

    #[test]
    fn a_draw_pushes_a_sharp_front_up() {
        let mut tank = Cylinder::new(body(), 60.0, 20.0);
        for _ in 0..60 {
            assert!((tank.flow(1.5 * STORED_DENSITY_KG_PER_L, 10.0) - 60.0).abs() < 1e-9);
            tank.stir_by_inlet(1.5, 8.0);
        }
        assert!(tank.at_degc(0.4) < 12.0 && tank.at_degc(0.6) > 59.0);
    }

    #[test]
    fn a_low_element_heats_all_and_a_high_one_the_top() {
        let mut low = Cylinder::new(body(), 20.0, 20.0);
        let mut high = low.clone();
        for _ in 0..180 {
            low.heat(60_000.0, 0.1);
            high.heat(60_000.0, 0.6);
        }
        assert!((low.at_degc(0.95) - low.at_degc(0.2)).abs() < 2.0 && low.at_degc(0.02) < 21.0);
        assert!(high.at_degc(0.95) > 45.0 && high.at_degc(0.5) < 21.0);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn energy_closes(acts in prop::collection::vec((0_u8..4, 0.0_f64..1.0, 0.0_f64..1.0), 1..400)) {
            let mut tank = Cylinder::new(body(), 50.0, 18.0);
            let mut expected = tank.stored_j();
            for (kind, size, place) in acts {
                match kind {
                    0 => {
                        let kg = 6.0 * size;
                        let feed = 5.0 + 60.0 * place;
                        let out = tank.flow(kg, feed);
                        tank.stir_by_inlet(kg, 12.0 * size);
                        expected += kg * HEAT_CAPACITY_J_PER_KG_K * (feed - out);
                    }
                    1 => {
                        tank.heat(90_000.0 * size, place);
                        expected += 90_000.0 * size;
                    }
                    2 => expected -= tank.rest(120.0, 5.0 + 20.0 * place),
                    _ => {
                        tank.body_mut().conduction_w_per_m_k = 1.0 + 150.0 * size;
                        expected -= tank.rest(120.0, 18.0);
                    }
                }
                prop_assert!((tank.stored_j() - expected).abs() < 1e-7 * expected.abs(), "{} {}", tank.stored_j(), expected);
                prop_assert!(tank.temp_degc.windows(2).all(|w| w[0] <= w[1] + 1e-9));
            }
        }
    }
}
