//! Buoyant mixing: water never rests under colder water.

/// Mixes layers (base first) until no layer is colder than the one below it, keeping the energy.
///
/// This is the isotonic regression of the temperatures weighted by mass, by pooling adjacent violators
/// (Barlow, Bartholomew, Bremner and Brunk, Statistical Inference under Order Restrictions, 1972; from memory).
/// Masses may be zero, but no two neighbours both. `pool` is scratch space, kept by the caller to save allocations.
pub(crate) fn mix_inversions(temp_degc: &mut [f64], mass_kg: &[f64], pool: &mut Vec<(f64, f64, usize)>) {
    let Some(first) = temp_degc.windows(2).position(|w| w[0] > w[1]) else { return };
    pool.clear();
    // Layers below this one are in order, each a block of its own; pooling may still reach down into them.
    let mut start = first;
    pool.push((temp_degc[first], mass_kg[first], 1));
    for i in first + 1..temp_degc.len() {
        let (mut temp, mut mass, mut count) = (temp_degc[i], mass_kg[i], 1);
        loop {
            let block = pool.last().copied();
            let within = start.wrapping_sub(1);
            let below = block.or_else(|| Some((*temp_degc.get(within)?, mass_kg[within], 1)));
            let Some((below_temp, below_mass, below_count)) = below.filter(|b| b.0 > temp) else { break };
            temp = (temp * mass + below_temp * below_mass) / (mass + below_mass);
            mass += below_mass;
            count += below_count;
            if pool.pop().is_none() {
                start = within;
            }
        }
        pool.push((temp, mass, count));
    }
    let mut i = start;
    for &(temp, _, count) in pool.iter() {
        temp_degc[i..i + count].fill(temp);
        i += count;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_hot_base_mixes_into_what_lies_above() {
        let mut temp = [10.0, 40.0, 20.0, 50.0];
        mix_inversions(&mut temp, &[1.0, 1.0, 3.0, 1.0], &mut Vec::new());
        assert_eq!(temp, [10.0, 25.0, 25.0, 50.0]);
    }

    proptest! {
        #[test]
        fn mixing_keeps_energy_and_orders(layers in prop::collection::vec((5.0_f64..90.0, 0.1_f64..3.0), 2..120)) {
            let mut temp: Vec<f64> = layers.iter().map(|l| l.0).collect();
            let mass: Vec<f64> = layers.iter().map(|l| l.1).collect();
            let energy = |t: &[f64]| t.iter().zip(&mass).map(|(t, m)| t * m).sum::<f64>();
            let before = energy(&temp);
            mix_inversions(&mut temp, &mass, &mut Vec::new());
            prop_assert!((energy(&temp) - before).abs() < 1e-9 * before);
            prop_assert!(temp.windows(2).all(|w| w[0] <= w[1]));
            let once = temp.clone();
            mix_inversions(&mut temp, &mass, &mut Vec::new());
            prop_assert_eq!(once, temp);
        }
    }
}
