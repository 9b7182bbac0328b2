//! What happens to the water of a column where it stands: heat, conduction, loss, buoyancy.

use super::{Body, Column, Heat, MOST_SLUGS};

/// Largest exchange between neighbours in one pass, of a layer's heat capacity: an explicit pass is stable up to a half.
const LARGEST_EXCHANGE: f64 = 0.4;

/// A slug smaller than this, in layers, has the temperature of its neighbour.
const NO_SLUG: f64 = 1e-9;

impl Body {
    /// Heat into the layers beside it, Wh; 0 when not known.
    pub(super) fn warm(&self, column: &mut Column, heat: &Heat) -> f64 {
        if !(heat.wh > 0.0 && heat.wh.is_finite() && heat.low.is_finite() && heat.high.is_finite()) {
            return 0.0;
        }
        let all = self.layers as f64;
        let low = (heat.low.clamp(0.0, 1.0) * all).min(all - 0.5);
        let high = (heat.high.clamp(0.0, 1.0) * all).max(low + 0.5);
        let layer_kelvins = heat.wh / self.layer_wh_per_k / (high - low);
        let mut index = column.index_of(low);
        while index <= column.layers && column.base_of(index) < high {
            let (base, size) = (column.base_of(index), column.size(index));
            let beside = ((base + size).min(high) - base.max(low)).max(0.0);
            if beside > 0.0 {
                column.degc[index] += layer_kelvins * beside / size;
            }
            index += 1;
        }
        heat.wh
    }

    /// Conducts between neighbours, in as many explicit passes as stability asks for.
    pub(super) fn conduct(&self, column: &mut Column, hours: f64) {
        let exchange = self.conduction_per_h * hours;
        if exchange <= 0.0 {
            return;
        }
        let last = column.layers;
        if 1.0 - column.fill < NO_SLUG {
            column.degc[last] = column.degc[last - 1];
        }
        let passes = (exchange / LARGEST_EXCHANGE).ceil().max(1.0);
        let each = exchange / passes;
        // the two partial slugs are nearer to their neighbours, and may be so thin that only an implicit exchange is stable
        let partial = |size: f64| {
            let explicit = each * 2.0 / (1.0 + size);
            explicit * size / (size + explicit * (1.0 + size))
        };
        let (lowest, highest) = (partial(column.fill), partial(1.0 - column.fill));
        for _ in 0..passes as u32 {
            let degc = &mut column.degc[..=last];
            let at_base = lowest * (degc[1] - degc[0]);
            let at_top = highest * (degc[last] - degc[last - 1]);
            let mut below = at_base;
            for index in 1..last - 1 {
                let above = each * (degc[index + 1] - degc[index]);
                degc[index] += above - below;
                below = above;
            }
            degc[last - 1] += at_top - below;
            degc[0] += at_base / column.fill;
            if 1.0 - column.fill >= NO_SLUG {
                degc[last] -= at_top / (1.0 - column.fill);
            }
        }
    }

    /// Heat lost through the skin, Wh; the loss of an end counts for one whole layer beside it.
    pub(super) fn lose(&self, column: &mut Column, surroundings_degc: f64, hours: f64) -> f64 {
        // implicit in time: cools towards the surroundings and never past them
        let share = |per_h: f64| per_h * hours / (1.0 + per_h * hours);
        let side = share(self.side_per_h);
        let last = column.layers;
        let fill = column.fill;
        let base = |part: f64| share(self.side_per_h + part * self.base_per_h);
        let top = |part: f64| share(self.side_per_h + part * self.top_per_h);
        let mut lost = 0.0;
        let mut cool = |degc: &mut f64, size: f64, share: f64| {
            let kelvins = share * (*degc - surroundings_degc);
            *degc -= kelvins;
            lost += size * kelvins;
        };
        cool(&mut column.degc[0], fill, base(1.0));
        cool(&mut column.degc[1], 1.0, base(1.0 - fill));
        for degc in &mut column.degc[2..last - 1] {
            cool(degc, 1.0, side);
        }
        cool(&mut column.degc[last - 1], 1.0, top(fill));
        cool(&mut column.degc[last], 1.0 - fill, top(1.0));
        lost * self.layer_wh_per_k
    }
}

/// A slug that is no pool.
const ALONE: u8 = u8::MAX;

impl Column {
    /// Mixes whatever lies below something colder: isotonic regression by volume (pool adjacent violators; M. Ayer et al.,
    /// Annals of Mathematical Statistics 26 (1955) 641), which keeps the heat.
    pub(super) fn settle(&mut self) {
        let last = self.layers;
        if 1.0 - self.fill < NO_SLUG {
            self.degc[last] = self.degc[last - 1].max(self.degc[last]);
        }
        // A pool has its temperature at its topmost slug, where its lowest slug and its size are noted too; what was never pooled
        // stands alone, which is most of the column most of the time.
        let (mut lowest, mut sizes) = ([ALONE; MOST_SLUGS], [0.0_f64; MOST_SLUGS]);
        let mut highest_pool = 0;
        for index in 1..=last {
            if self.degc[index - 1] <= self.degc[index] {
                continue;
            }
            let (mut start, mut size, mut degc) = (index, self.size(index), self.degc[index]);
            while start > 0 && self.degc[start - 1] > degc {
                let below = start - 1;
                let is_pool = lowest[below] != ALONE;
                let size_below = if is_pool { sizes[below] } else { self.size(below) };
                if size + size_below > 0.0 {
                    degc += (self.degc[below] - degc) * size_below / (size + size_below);
                }
                size += size_below;
                start = if is_pool { usize::from(lowest[below]) } else { below };
            }
            self.degc[index] = degc;
            (lowest[index], sizes[index]) = (start as u8, size);
            highest_pool = index;
        }
        // From the top: pools that were taken into a larger one are passed over with it.
        let mut top = highest_pool;
        while top > 0 {
            if lowest[top] != ALONE {
                let (start, degc) = (usize::from(lowest[top]), self.degc[top]);
                self.degc[start..top].fill(degc);
                top = start;
            }
            top = top.saturating_sub(1);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Pool adjacent violators as it is written down: pools from the base up, each joined with those below that are warmer.
    fn settled(column: &Column) -> Vec<f64> {
        let mut pools: Vec<(usize, f64, f64)> = Vec::new();
        for (index, &degc) in column.slugs().iter().enumerate() {
            let mut pool = (1, column.size(index), degc);
            while let Some(&(slugs, size, below)) = pools.last()
                && below > pool.2
            {
                if size + pool.1 > 0.0 {
                    pool.2 += (below - pool.2) * size / (size + pool.1);
                }
                pool = (pool.0 + slugs, pool.1 + size, pool.2);
                pools.pop();
            }
            pools.push(pool);
        }
        pools.iter().flat_map(|&(slugs, _, degc)| std::iter::repeat_n(degc, slugs)).collect()
    }

    proptest! {
        #[test]
        fn water_settles_as_it_is_written_down(
            degc in prop::collection::vec(prop_oneof![5.0..90.0f64, Just(40.0), 39.9..40.1f64], 41),
            fill in 0.001..0.999f64,
        ) {
            let mut column = Column { degc: [f64::NAN; MOST_SLUGS], layers: 40, fill };
            column.degc[..41].copy_from_slice(&degc);
            let by_hand = settled(&column);
            column.settle();
            prop_assert_eq!(column.slugs(), by_hand.as_slice());
            prop_assert!(column.slugs().is_sorted());
        }
    }
}
