//! The water of one cylinder as slugs, base first.

/// A slug may grow to this many layers by joining.
const LARGEST_SLUG: f64 = 2.0;

/// A port this close to the edge of a slug, in layers, is taken to be at the edge.
const AT_EDGE: f64 = 0.02;

/// A slug thinner than this, in layers, joins a neighbour.
const THINNEST_SLUG: f64 = 0.01;

/// Water of one temperature that fills the tank's section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Slug {
    pub(super) litres: f64,
    pub(super) degc: f64,
}

/// Slugs beyond the most, while one is cut in two and a third put between: room is kept so that a step allocates nothing.
const SPARE_SLUGS: usize = 4;

/// Room to work in.
#[derive(Debug)]
pub(super) struct Scratch {
    pub(super) rows: Vec<(f64, f64)>,
    pub(super) pools: Vec<super::buoyancy::Pool>,
}

/// Temperatures in one cylinder at one instant; made by [`super::Model::uniform`] or [`super::Model::layered`].
#[derive(Debug)]
pub struct State {
    pub(super) slugs: Vec<Slug>,
    pub(super) layer_l: f64,
    most: usize,
    pub(super) scratch: Scratch,
}

impl State {
    pub(super) fn new(layer_l: f64, degc: impl ExactSizeIterator<Item = f64>) -> Self {
        let most = degc.len();
        let mut state = Self::empty(layer_l, most);
        state.slugs.extend(degc.map(|degc| Slug { litres: layer_l, degc }));
        state
    }

    fn empty(layer_l: f64, most: usize) -> Self {
        let room = most + SPARE_SLUGS;
        let scratch = Scratch { rows: Vec::with_capacity(room), pools: Vec::with_capacity(room) };
        Self { slugs: Vec::with_capacity(room), layer_l, most, scratch }
    }

    /// Water held, litres.
    #[must_use]
    pub fn litres(&self) -> f64 {
        self.slugs.iter().map(|s| s.litres).sum()
    }

    /// Mean temperature of all the water, degC.
    #[must_use]
    pub fn mean_degc(&self) -> f64 {
        self.litre_kelvins() / self.litres()
    }

    /// Temperature at a height (volume fraction), degC: linear between the middles of slugs, level beyond the last; NaN for NaN.
    #[must_use]
    pub fn degc_at(&self, height: f64) -> f64 {
        let at = height * self.litres();
        let mut below: Option<(f64, f64)> = None;
        let mut base = 0.0;
        for slug in &self.slugs {
            let middle = base + slug.litres / 2.0;
            if at <= middle {
                return below.map_or(slug.degc, |(low, degc)| {
                    degc + (slug.degc - degc) * (at - low) / (middle - low)
                });
            }
            below = Some((middle, slug.degc));
            base += slug.litres;
        }
        if at.is_nan() { f64::NAN } else { below.map_or(f64::NAN, |(_, degc)| degc) }
    }

    /// Mean temperatures of equal layers, base first, into `layers`; their sum holds the same heat as the state.
    pub fn layers_into(&self, layers: &mut [f64]) {
        let each = self.litres() / layers.len() as f64;
        let (mut index, mut used) = (0, 0.0);
        let last = self.slugs.len() - 1;
        for layer in layers {
            let (mut wanted, mut sum) = (each, 0.0);
            while wanted > 0.0 {
                let slug = self.slugs[index];
                let rest = slug.litres - used;
                if rest <= wanted && index < last {
                    sum += rest * slug.degc;
                    wanted -= rest;
                    index += 1;
                    used = 0.0;
                } else {
                    sum += wanted * slug.degc;
                    used += wanted;
                    wanted = 0.0;
                }
            }
            *layer = sum / each;
        }
    }

    /// Sum of litres times degC.
    pub(super) fn litre_kelvins(&self) -> f64 {
        self.slugs.iter().map(|s| s.litres * s.degc).sum()
    }

    /// Takes `share` of the water between two levels, litres above the base, and gives its litres times degC.
    pub(super) fn take(&mut self, low_l: f64, high_l: f64, share: f64) -> f64 {
        let (mut base, mut taken) = (0.0, 0.0);
        for slug in &mut self.slugs {
            let top = base + slug.litres;
            let out = (top.min(high_l) - base.max(low_l)).max(0.0) * share;
            taken += out * slug.degc;
            slug.litres -= out;
            base = top;
        }
        self.join_thin();
        taken
    }

    /// Puts water in at a level, litres above the base: it rises or sinks to water as warm as itself.
    ///
    /// On its way it takes up what it passes, so that its volume grows by (1 + way / length)^(5/3).
    pub(super) fn put(&mut self, at_l: f64, entering: Slug, length_l: f64) {
        let mut index = self.cut(at_l);
        let mut plume = Plume { water: entering, entered_l: entering.litres, way_l: 0.0, length_l };
        while index < self.slugs.len() && self.slugs[index].degc < plume.water.degc {
            plume.pass(&mut self.slugs[index]);
            index += 1;
        }
        while index > 0 && self.slugs[index - 1].degc > plume.water.degc {
            index -= 1;
            plume.pass(&mut self.slugs[index]);
        }
        match self.open_beside(index, plume.water) {
            Some(open) => self.slugs[open].add(plume.water),
            None => self.slugs.insert(index, plume.water),
        }
        self.join_thin();
        while self.slugs.len() > self.most && self.join_likest() {}
    }

    /// Cuts the water at a level, litres above the base, and gives the number of slugs below the cut.
    fn cut(&mut self, at_l: f64) -> usize {
        let near = AT_EDGE * self.layer_l;
        let (mut base, mut index) = (0.0, 0);
        while index < self.slugs.len() && at_l > base + self.slugs[index].litres - near {
            base += self.slugs[index].litres;
            index += 1;
        }
        // now the level is at the lower edge of slug `index`, or within it
        if index < self.slugs.len() && at_l - base > near {
            let whole = self.slugs[index];
            let below = Slug { litres: at_l - base, degc: whole.degc };
            self.slugs[index].litres -= below.litres;
            self.slugs.insert(index, below);
            index += 1;
        }
        index
    }

    /// The slug beside an edge that has room for more water within one layer; of two, the one nearer in temperature.
    fn open_beside(&self, edge: usize, water: Slug) -> Option<usize> {
        let room = |index: &usize| self.slugs[*index].litres + water.litres <= self.layer_l;
        let below = edge.checked_sub(1).filter(room);
        let above = Some(edge).filter(|index| *index < self.slugs.len()).filter(room);
        let apart = |index: usize| (self.slugs[index].degc - water.degc).abs();
        match (below, above) {
            (Some(below), Some(above)) => Some(if apart(below) < apart(above) { below } else { above }),
            (one, other) => one.or(other),
        }
    }

    /// Joins each slug that is too thin to a neighbour, the one nearer in temperature.
    fn join_thin(&mut self) {
        let thin = THINNEST_SLUG * self.layer_l;
        while let Some(index) = self.slugs.iter().position(|slug| slug.litres < thin) {
            if self.slugs.len() == 1 {
                break;
            }
            let rest = self.slugs.remove(index);
            let apart =
                |slug: Option<&Slug>| slug.map_or(f64::INFINITY, |slug| (slug.degc - rest.degc).abs());
            let below = index.checked_sub(1);
            let is_below = apart(below.and_then(|i| self.slugs.get(i))) < apart(self.slugs.get(index));
            let heir = below.filter(|_| is_below || index == self.slugs.len()).unwrap_or(index);
            self.slugs[heir].add(rest);
        }
    }

    /// Joins the two neighbours that lose least by it; false when all are too large.
    fn join_likest(&mut self) -> bool {
        let largest = LARGEST_SLUG * self.layer_l * (1.0 + 1e-9);
        let mut best: Option<(f64, usize)> = None;
        for (index, pair) in self.slugs.windows(2).enumerate() {
            let (litres, apart) = (pair[0].litres + pair[1].litres, pair[1].degc - pair[0].degc);
            let loss = pair[0].litres * pair[1].litres / litres * apart * apart;
            if litres <= largest && best.is_none_or(|(least, _)| loss < least) {
                best = Some((loss, index));
            }
        }
        let Some((_, index)) = best else { return false };
        let high = self.slugs.remove(index + 1);
        self.slugs[index].add(high);
        true
    }
}

impl Clone for State {
    /// The same water, with room of its own: a derived clone would have none to spare.
    fn clone(&self) -> Self {
        let mut state = Self::empty(self.layer_l, self.most);
        state.slugs.extend_from_slice(&self.slugs);
        state
    }

    /// Allocates nothing when this state has as many layers.
    fn clone_from(&mut self, source: &Self) {
        if self.most < source.most {
            *self = source.clone();
            return;
        }
        self.slugs.clear();
        self.slugs.extend_from_slice(&source.slugs);
        (self.layer_l, self.most) = (source.layer_l, source.most);
    }
}

impl Slug {
    /// Mixes other water in.
    fn add(&mut self, other: Self) {
        self.litres += other.litres;
        self.degc += (other.degc - self.degc) * other.litres / self.litres;
    }
}

/// Water on its way from a port to its place.
struct Plume {
    water: Slug,
    entered_l: f64,
    way_l: f64,
    length_l: f64,
}

impl Plume {
    /// Passes a slug and takes up part of it, at most half.
    fn pass(&mut self, slug: &mut Slug) {
        let grown = |way_l: f64| {
            let ratio = 1.0 + way_l / self.length_l;
            ratio * libm::cbrt(ratio * ratio)
        };
        let wanted_l = self.entered_l * (grown(self.way_l + slug.litres) - grown(self.way_l));
        self.way_l += slug.litres;
        let taken = Slug { litres: wanted_l.min(slug.litres / 2.0), degc: slug.degc };
        slug.litres -= taken.litres;
        self.water.add(taken);
    }
}
