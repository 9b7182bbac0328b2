//! Hot above cold: what is out of order mixes.
//!
//! The profile becomes the isotonic one nearest to it, weighted by volume (pool adjacent violators; M. Ayer et al., Annals of
//! Mathematical Statistics 26 (1955) 641). Each pool takes the mean of its members, so heat is kept and no extreme grows.

use super::state::State;

/// Neighbouring slugs that have mixed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pool {
    litres: f64,
    litre_kelvins: f64,
    degc: f64,
    slugs: usize,
}

/// Mixes whatever lies below something colder.
pub(super) fn settle(state: &mut State) {
    if state.slugs.windows(2).all(|pair| pair[0].degc <= pair[1].degc) {
        return;
    }
    let pools = &mut state.scratch.pools;
    pools.clear();
    for slug in &state.slugs {
        let litre_kelvins = slug.litres * slug.degc;
        let mut pool = Pool { litres: slug.litres, litre_kelvins, degc: slug.degc, slugs: 1 };
        while let Some(below) = pools.pop_if(|below| below.degc > pool.degc) {
            pool.litres += below.litres;
            pool.litre_kelvins += below.litre_kelvins;
            pool.degc = pool.litre_kelvins / pool.litres;
            pool.slugs += below.slugs;
        }
        pools.push(pool);
    }
    let mut slugs = state.slugs.iter_mut();
    for pool in pools {
        for slug in slugs.by_ref().take(pool.slugs) {
            slug.degc = pool.degc;
        }
    }
}
