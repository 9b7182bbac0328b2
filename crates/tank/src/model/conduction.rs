//! Heat that creeps downwards through water and wall.

use super::state::State;
use super::{Model, S_PER_H};

impl Model {
    /// Conducts for `dt_s`: implicit in time, so that thin slugs and long steps stay stable and within the extremes.
    pub(super) fn conduct(&self, state: &mut State, dt_s: f64) {
        let section_m2 = self.l_per_m / 1000.0;
        let w_per_k_l = self.settings.conductivity_w_per_m_k * section_m2 * self.l_per_m;
        // litres that change places across an edge in this step, times the litres between the two middles
        let reach = w_per_k_l * dt_s / S_PER_H / self.wh_per_l_k;
        if reach <= 0.0 {
            return;
        }
        let slugs = &mut state.slugs;
        let rows = &mut state.scratch.rows;
        rows.clear();
        // tridiagonal system (litres + below + above) T - below T_low - above T_high = litres T_before, solved upwards then down
        let (mut left_below, mut carried) = (0.0, 0.0);
        for i in 0..slugs.len() {
            let slug = slugs[i];
            let above = slugs.get(i + 1).map_or(0.0, |next| 2.0 * reach / (slug.litres + next.litres));
            let pivot = slug.litres + above + left_below;
            let degc = (slug.litres * slug.degc + carried) / pivot;
            let share = above / pivot;
            rows.push((share, degc));
            carried = above * degc;
            left_below = above * (1.0 - share);
        }
        let mut higher = 0.0;
        for (slug, &(share, degc)) in slugs.iter_mut().zip(rows.iter()).rev() {
            higher = degc + share * higher;
            slug.degc = higher;
        }
    }
}
