//! Outer shape of a cylinder: an upright one with flat or dished ends.
//!
//! Probes are placed by height, water by volume; with dished ends the two differ by up to a few per cent of the volume
//! near the ends.

use std::f64::consts::PI;

/// Height over diameter where no height is known: common practice, no source.
const ASSUMED_SLENDERNESS: f64 = 2.3;

/// Depth of a dished end over the diameter: that of a torispherical end whose crown has the diameter as radius and whose
/// knuckle a tenth of it, 0.1935 (DIN 28011, from memory). It is taken as half a spheroid of that depth, which holds
/// 0.1013 of the diameter cubed; the torispherical one holds about 0.0999.
const DISH_DEPTH: f64 = 0.1935;

/// Form of the two ends.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Ends {
    /// Both flat.
    #[default]
    Flat,
    /// Both dished outwards.
    Dished,
    /// The top dished outwards, the base pressed in, so that it stands on its rim (common practice, no source).
    DomedIn,
}

impl Ends {
    /// Depth of the dish of top and base over the diameter; negative for one that is pressed in.
    fn depths(self) -> (f64, f64) {
        match self {
            Self::Flat => (0.0, 0.0),
            Self::Dished => (DISH_DEPTH, DISH_DEPTH),
            Self::DomedIn => (DISH_DEPTH, -DISH_DEPTH),
        }
    }

    /// Length of straight cylinder, in diameters, that the two ends hold less than their height: a dish holds two thirds
    /// of it, what stands about a pressed-in base one third.
    fn missing(self) -> f64 {
        let of = |depth: f64| if depth < 0.0 { -depth * 2.0 / 3.0 } else { depth / 3.0 };
        let (top, base) = self.depths();
        of(top) + of(base)
    }
}

/// Diameter and height of the stored water, and the form of its ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Inside diameter, m.
    pub diameter_m: f64,
    /// Inside height from lowest to highest point, m.
    pub height_m: f64,
    /// Form of the ends.
    pub ends: Ends,
}

impl Shape {
    /// The shape with flat ends that holds `volume_l` litres at a height in m; without a height, of usual proportions.
    ///
    /// ```
    /// let shape = drawoff_tank::shape::Shape::new(200.0, Some(1.0));
    /// assert!((shape.diameter_m - 0.5046).abs() < 1e-4); // sqrt(4 * 0.2 / pi)
    /// ```
    #[must_use]
    pub fn new(volume_l: f64, height_m: Option<f64>) -> Self {
        let volume_m3 = volume_l / 1000.0;
        let height_m = height_m
            .filter(|h| *h > 0.1)
            .unwrap_or_else(|| libm::cbrt(volume_m3 * 4.0 * ASSUMED_SLENDERNESS * ASSUMED_SLENDERNESS / PI));
        Self { diameter_m: (4.0 * volume_m3 / (PI * height_m)).sqrt(), height_m, ends: Ends::Flat }
    }

    /// The same with ends of a form: of this volume and height, so with a larger diameter.
    ///
    /// `None` for ends so deep that no cylinder of this height holds the volume.
    ///
    /// ```
    /// use drawoff_tank::shape::{Ends, Shape};
    /// let shape = Shape::with_ends(200.0, Some(1.2), Ends::Dished).unwrap();
    /// // each dish is 0.0915 m deep, a third of which is missing: pi / 4 * 0.4729^2 * (1.2 - 2 * 0.0305) = 0.2000 m3
    /// assert!((shape.diameter_m - 0.4729).abs() < 1e-4);
    /// // the lowest tenth of the height: two thirds of the dish and 0.0285 m, of 1.139 m
    /// assert!((shape.volume_fraction_at(0.12) - 0.0786).abs() < 1e-4);
    /// ```
    #[must_use]
    pub fn with_ends(volume_l: f64, height_m: Option<f64>, ends: Ends) -> Option<Self> {
        let flat = Self::new(volume_l, height_m);
        let missing = ends.missing();
        let volume_m3 = volume_l / 1000.0;
        // pi / 4 * d^2 * (height - missing * d) grows with d up to two thirds of height / missing
        let (mut low, mut high) = (flat.diameter_m, 2.0 / 3.0 * flat.height_m / missing.max(1e-9));
        let held =
            |diameter_m: f64| PI / 4.0 * diameter_m * diameter_m * (flat.height_m - missing * diameter_m);
        if ends == Ends::Flat {
            return Some(flat);
        }
        let (top, base) = ends.depths();
        high = high.min(flat.height_m / (top + base.max(0.0)));
        if !(high > low && held(high) >= volume_m3) {
            return None;
        }
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if held(middle) < volume_m3 { low = middle } else { high = middle }
        }
        Some(Self { diameter_m: f64::midpoint(low, high), ends, ..flat })
    }

    /// Share of the volume below a height above the lowest point, m; 0 and 1 beyond the ends, NaN for NaN.
    #[must_use]
    pub fn volume_fraction_at(self, height_m: f64) -> f64 {
        if height_m.is_nan() {
            return f64::NAN;
        }
        let height_m = height_m.clamp(0.0, self.height_m);
        self.straight_below(height_m) / self.straight_below(self.height_m)
    }

    /// Height above the lowest point below which a share of the volume lies, m; held to the ends, NaN for NaN.
    ///
    /// ```
    /// use drawoff_tank::shape::{Ends, Shape};
    /// let shape = Shape::with_ends(200.0, Some(1.2), Ends::DomedIn).unwrap();
    /// assert!((shape.volume_fraction_at(shape.height_m_at(0.07)) - 0.07).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn height_m_at(self, volume_fraction: f64) -> f64 {
        if volume_fraction.is_nan() {
            return f64::NAN;
        }
        let (mut low, mut high) = (0.0, self.height_m);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if self.volume_fraction_at(middle) < volume_fraction { low = middle } else { high = middle }
        }
        f64::midpoint(low, high)
    }

    /// Share of the skin that the water between two volume fractions wets; an end belongs to the water that reaches it.
    ///
    /// 0 when not in order, NaN for NaN.
    ///
    /// ```
    /// use drawoff_tank::shape::Shape;
    /// let shape = Shape::new(200.0, Some(1.2));
    /// let (upper, lower) = (shape.skin_share_between(0.5, 1.0), shape.skin_share_between(0.0, 0.5));
    /// assert!((upper - 0.5).abs() < 1e-9 && (lower - 0.5).abs() < 1e-9);
    /// ```
    #[must_use]
    pub fn skin_share_between(self, low: f64, high: f64) -> f64 {
        if low.is_nan() || high.is_nan() {
            return f64::NAN;
        }
        let below = |fraction: f64| match fraction {
            _ if fraction <= 0.0 => 0.0,
            _ if fraction >= 1.0 => self.skin_below(f64::INFINITY),
            _ => self.skin_below(self.height_m_at(fraction)),
        };
        (below(high) - below(low)).max(0.0) / self.skin_below(f64::INFINITY)
    }

    /// Share of the skin nearest to each probe (volume fractions, top first): side by height, ends to the end probes.
    #[must_use]
    pub fn skin_shares(self, heights: &[f64]) -> Vec<f64> {
        let (side, end) = self.areas();
        let all = side + 2.0 * end;
        let n = heights.len();
        (0..n)
            .map(|i| {
                let above = if i == 0 { 1.0 } else { f64::midpoint(heights[i - 1], heights[i]) };
                let below = if i + 1 == n { 0.0 } else { f64::midpoint(heights[i], heights[i + 1]) };
                if self.ends != Ends::Flat {
                    return self.skin_share_between(below, above);
                }
                let ends = end * (f64::from(u8::from(i == 0)) + f64::from(u8::from(i + 1 == n)));
                ((above - below) * side + ends) / all
            })
            .collect()
    }

    /// How much more skin a litre of the topmost `share` of the volume has than a litre of the whole.
    #[must_use]
    pub fn top_zone_excess(self, share: f64) -> f64 {
        let share = share.clamp(1e-3, 1.0);
        if self.ends != Ends::Flat {
            return self.skin_share_between(1.0 - share, 1.0) / share;
        }
        let (side, end) = self.areas();
        let ends = if share >= 1.0 { 2.0 * end } else { end };
        ((side * share + ends) / share) / (side + 2.0 * end)
    }

    /// Share of the skin that one flat end is.
    ///
    /// ```
    /// let shape = drawoff_tank::shape::Shape::new(196.35, Some(1.0)); // 0.5 m wide
    /// assert!((shape.end_share() - 0.1).abs() < 1e-5); // 0.0625 / (0.5 + 2 * 0.0625)
    /// ```
    #[must_use]
    pub fn end_share(self) -> f64 {
        let (side, end) = self.areas();
        end / (side + 2.0 * end)
    }

    /// Side and one end of the flat form, both divided by pi, m2.
    fn areas(self) -> (f64, f64) {
        (self.height_m * self.diameter_m, self.diameter_m * self.diameter_m / 4.0)
    }

    /// Depths of top and base, m; negative for one that is pressed in.
    fn depths_m(self) -> (f64, f64) {
        let (top, base) = self.ends.depths();
        (top * self.diameter_m, base * self.diameter_m)
    }

    /// Water below a height, as a length of straight cylinder, m.
    fn straight_below(self, height_m: f64) -> f64 {
        let (top_m, base_m) = self.depths_m();
        // half a spheroid filled from its point; and what stands about one that is pressed in, filled from its rim
        let bowl = |level: f64, depth: f64| level * level / depth * (1.0 - level / (3.0 * depth));
        let moat = |level: f64, depth: f64| level * level * level / (3.0 * depth * depth);
        let depth = base_m.abs();
        let level = height_m.min(depth);
        let in_base = match base_m {
            _ if depth <= 0.0 => 0.0,
            _ if base_m > 0.0 => bowl(level, depth),
            _ => moat(level, depth),
        };
        let straight_top = self.height_m - top_m;
        let straight = (height_m.min(straight_top) - depth).max(0.0);
        let in_top = if height_m > straight_top && top_m > 0.0 {
            2.0 / 3.0 * top_m - bowl(self.height_m - height_m, top_m)
        } else {
            0.0
        };
        in_base + straight + in_top
    }

    /// Skin below a height, m2; the top of a flat form counts from above the highest point only.
    fn skin_below(self, height_m: f64) -> f64 {
        let (top_m, base_m) = self.depths_m();
        let radius_m = self.diameter_m / 2.0;
        let disc = PI * radius_m * radius_m;
        let girth = PI * self.diameter_m;
        let level = height_m.min(self.height_m);
        let in_base = match base_m {
            0.0 => disc,
            _ if base_m > 0.0 => {
                dish_m2(radius_m, base_m, 1.0) - dish_m2(radius_m, base_m, 1.0 - (level / base_m).min(1.0))
            }
            _ => dish_m2(radius_m, -base_m, (level / -base_m).min(1.0)),
        };
        let straight = (level.min(self.height_m - top_m) - base_m.max(0.0)).max(0.0);
        let in_top = match top_m {
            0.0 if height_m > self.height_m => disc,
            0.0 => 0.0,
            _ => dish_m2(radius_m, top_m, ((level - (self.height_m - top_m)) / top_m).max(0.0)),
        };
        in_base + girth * straight + in_top
    }
}

/// Skin of half a spheroid from its rim to a share of its depth, m2; shallower than its radius.
fn dish_m2(radius_m: f64, depth_m: f64, share: f64) -> f64 {
    let flatness = (radius_m * radius_m - depth_m * depth_m).sqrt();
    let slant = (depth_m * depth_m + flatness * flatness * share * share).sqrt();
    let bent = depth_m * depth_m / flatness * libm::asinh(flatness * share / depth_m);
    PI * radius_m * (share * slant + bent)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn skin_shares_sum_to_one_and_favour_the_ends() {
        for ends in [Ends::Flat, Ends::Dished, Ends::DomedIn] {
            let shape = Shape::with_ends(200.0, Some(1.2), ends).unwrap();
            let shares = shape.skin_shares(&[0.9, 0.7, 0.5, 0.3, 0.1]);
            assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{shares:?}");
            assert!(shares[0] > shares[2] && shares[4] > shares[2]);
        }
    }

    #[test]
    fn a_small_top_zone_has_more_skin_and_the_whole_has_its_own() {
        for ends in [Ends::Flat, Ends::Dished, Ends::DomedIn] {
            let shape = Shape::with_ends(200.0, Some(1.2), ends).unwrap();
            assert!((shape.top_zone_excess(1.0) - 1.0).abs() < 1e-9);
            assert!(shape.top_zone_excess(0.2) > shape.top_zone_excess(0.6));
        }
    }

    #[test]
    fn a_dish_has_the_volume_and_skin_of_half_a_spheroid() {
        let shape = Shape::with_ends(250.0, Some(1.4), Ends::Dished).unwrap();
        let (radius, depth) = (shape.diameter_m / 2.0, DISH_DEPTH * shape.diameter_m);
        let dish_l = 1000.0 * 2.0 / 3.0 * PI * radius * radius * depth;
        assert!((shape.volume_fraction_at(depth) * 250.0 - dish_l).abs() < 1e-6);
        // half an oblate spheroid: pi r^2 + pi c^2 / e * artanh(e), e^2 = 1 - c^2 / r^2
        let e = (1.0 - depth * depth / (radius * radius)).sqrt();
        let published = PI * radius * radius + PI * depth * depth / e * e.atanh();
        assert!((dish_m2(radius, depth, 1.0) - published).abs() < 1e-12);
        // nearly half a ball: zones of equal height have equal skin
        let (lower, all) = (dish_m2(0.3, 0.299_999, 0.5), dish_m2(0.3, 0.299_999, 1.0));
        assert!((lower / all - 0.5).abs() < 1e-4 && (all - 2.0 * PI * 0.09).abs() < 1e-4);
    }

    #[test]
    fn volume_is_the_sum_of_thin_slices() {
        for ends in [Ends::Flat, Ends::Dished, Ends::DomedIn] {
            let shape = Shape::with_ends(180.0, None, ends).unwrap();
            let (top, base) = shape.depths_m();
            let slices = 20_000;
            let area = |height: f64| {
                let off_top = ((height - (shape.height_m - top)) / top.max(1e-12)).max(0.0);
                let inside = match base {
                    _ if base > 0.0 => 1.0 - ((base - height) / base).max(0.0).powi(2),
                    _ if base < 0.0 => (height / -base).min(1.0).powi(2),
                    _ => 1.0,
                };
                inside - if top > 0.0 { off_top * off_top } else { 0.0 }
            };
            let section_l = 1000.0 * PI / 4.0 * shape.diameter_m * shape.diameter_m;
            let thick = shape.height_m / f64::from(slices);
            let sum: f64 = (0..slices).map(|i| area((f64::from(i) + 0.5) * thick) * thick * section_l).sum();
            assert!((sum - 180.0).abs() < 0.01, "{ends:?}: {sum} l");
        }
    }

    #[test]
    fn ends_too_deep_for_the_height_are_refused() {
        assert!(Shape::with_ends(300.0, Some(0.3), Ends::Dished).is_none());
    }

    proptest! {
        #[test]
        fn volume_and_skin_grow_with_height(
            volume_l in 30.0..500.0f64,
            slenderness in 1.2..4.0f64,
            which in 0u8..3,
            fractions in proptest::collection::vec(0.0..1.0f64, 2),
        ) {
            let ends = [Ends::Flat, Ends::Dished, Ends::DomedIn][usize::from(which)];
            let height_m = Shape::new(volume_l, None).height_m * slenderness / ASSUMED_SLENDERNESS;
            let Some(shape) = Shape::with_ends(volume_l, Some(height_m), ends) else { return Ok(()) };
            let (low, high) = (fractions[0].min(fractions[1]), fractions[0].max(fractions[1]));
            prop_assume!(high - low > 1e-6);
            let at = |share: f64| shape.volume_fraction_at(share * shape.height_m);
            prop_assert!(at(low) < at(high) && at(0.0) == 0.0 && (at(1.0) - 1.0).abs() < 1e-12);
            prop_assert!((at(shape.height_m_at(low) / shape.height_m) - low).abs() < 1e-9);
            let (below, between, above) = (
                shape.skin_share_between(0.0, low),
                shape.skin_share_between(low, high),
                shape.skin_share_between(high, 1.0),
            );
            prop_assert!(between > 0.0 && (below + between + above - 1.0).abs() < 1e-9);
        }
    }
}
