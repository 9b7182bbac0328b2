//! Outer shape of a cylinder: an upright one with flat ends.

/// Height over diameter where no height is known: common practice, no source.
const ASSUMED_SLENDERNESS: f64 = 2.3;

/// Diameter and height of the stored water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Inside diameter, m.
    pub diameter_m: f64,
    /// Inside height, m.
    pub height_m: f64,
}

impl Shape {
    /// The shape that holds `volume_l` litres at a height in m; without a height, of usual proportions.
    ///
    /// ```
    /// let shape = drawoff_tank::shape::Shape::new(200.0, Some(1.0));
    /// assert!((shape.diameter_m - 0.5046).abs() < 1e-4); // sqrt(4 * 0.2 / pi)
    /// ```
    #[must_use]
    pub fn new(volume_l: f64, height_m: Option<f64>) -> Self {
        let volume_m3 = volume_l / 1000.0;
        let height_m = height_m.filter(|h| *h > 0.1).unwrap_or_else(|| {
            libm::cbrt(volume_m3 * 4.0 * ASSUMED_SLENDERNESS * ASSUMED_SLENDERNESS / std::f64::consts::PI)
        });
        Self { diameter_m: (4.0 * volume_m3 / (std::f64::consts::PI * height_m)).sqrt(), height_m }
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
                let ends = end * (f64::from(u8::from(i == 0)) + f64::from(u8::from(i + 1 == n)));
                ((above - below) * side + ends) / all
            })
            .collect()
    }

    /// How much more skin a litre of the topmost `share` of the volume has than a litre of the whole.
    #[must_use]
    pub fn top_zone_excess(self, share: f64) -> f64 {
        let (side, end) = self.areas();
        let share = share.clamp(1e-3, 1.0);
        let ends = if share >= 1.0 { 2.0 * end } else { end };
        ((side * share + ends) / share) / (side + 2.0 * end)
    }

    /// Share of the skin that one flat end is.
    ///
    /// ```
    /// let shape = drawoff_tank::shape::Shape { diameter_m: 0.5, height_m: 1.0 };
    /// assert!((shape.end_share() - 0.1).abs() < 1e-12); // 0.0625 / (0.5 + 2 * 0.0625)
    /// ```
    #[must_use]
    pub fn end_share(self) -> f64 {
        let (side, end) = self.areas();
        end / (side + 2.0 * end)
    }

    /// Side and one end, both divided by pi, m2.
    fn areas(self) -> (f64, f64) {
        (self.height_m * self.diameter_m, self.diameter_m * self.diameter_m / 4.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn skin_shares_sum_to_one_and_favour_the_ends() {
        let shares = Shape::new(200.0, Some(1.2)).skin_shares(&[0.9, 0.7, 0.5, 0.3, 0.1]);
        assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!(shares[0] > shares[2] && shares[4] > shares[2]);
    }

    #[test]
    fn a_small_top_zone_has_more_skin_and_the_whole_has_its_own() {
        let shape = Shape::new(200.0, Some(1.2));
        assert!((shape.top_zone_excess(1.0) - 1.0).abs() < 1e-12);
        assert!(shape.top_zone_excess(0.2) > shape.top_zone_excess(0.6));
    }
}
