//! Where hot meets cold: a smooth front fitted through three or more probes.
//!
//! A straight line between probes bends where the water does not. A draw-off leaves cold water under hot with a front
//! between them that conduction widens as an error function, so that is what is fitted: cold below, a step up at the element
//! (water above it is warmed, water below it is not), the front, and hot water with a slight slope above. What the curve
//! leaves at the probes is added back in straight lines, so that a profile of another shape costs little.
//!
//! Least squares with priors, by Levenberg and Marquardt from one to three starts; it allocates nothing.

mod fit;
mod smooth;

use crate::Profile;
use crate::profile::{MOST_PROBES, USABLE_DEGC, usable_mean};
use crate::water::Water;

/// Standard error of the place of a rise between two probes over their distance, where it is not the front: that of a place
/// anywhere.
const HIDDEN_PART: f64 = 0.29;

/// Misfit from which the front's height is as much less certain, K: readings alone leave about this.
const USUAL_MISFIT_K: f64 = 0.15;

/// Fewest readings for which a front is fitted: with two, straight lines are as good.
pub const FEWEST_READINGS: usize = 3;

/// Least difference between warmest and coldest reading in which a front is looked for, K.
pub const LEAST_DIFFERENCE_K: f64 = 4.0;

/// The lowest reading this far above the feed lets a front below it be thought of, K.
const LEAST_ABOVE_COLD_K: f64 = 8.0;

/// Cold feed where none is known, degC (common practice, no source).
const UNKNOWN_COLD_DEGC: f64 = 12.0;

/// Knots between which the fitted curve is taken as straight when it is integrated.
const MOST_KNOTS: usize = MOST_PROBES + FRONT_KNOTS.len() + ELEMENT_KNOTS.len() + 2;

/// Knots about the front, in thicknesses.
const FRONT_KNOTS: [f64; 13] = [-2.4, -1.8, -1.4, -1.05, -0.7, -0.35, 0.0, 0.35, 0.7, 1.05, 1.4, 1.8, 2.4];

/// Knots about the element, in thicknesses of its step.
const ELEMENT_KNOTS: [f64; 5] = [-1.4, -0.6, 0.0, 0.6, 1.4];

/// What is known of a cylinder beside the readings of the instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// Cold feed of the season, degC, to within some kelvin; NaN for not known.
    pub cold_degc: f64,
    /// Height of the lowest element or the foot of the coil, volume fraction; NaN for not known or none.
    pub element: f64,
}

impl Default for Known {
    /// Nothing known.
    fn default() -> Self {
        Self { cold_degc: f64::NAN, element: f64::NAN }
    }
}

impl Known {
    /// The feed, or what is usual, degC.
    fn cold(&self) -> f64 {
        if self.cold_degc.is_finite() { self.cold_degc } else { UNKNOWN_COLD_DEGC }
    }
}

/// A front between hot and cold water, with the profile about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Front {
    curve: smooth::Curve,
    /// Heights and what the curve leaves there, top first.
    left: [(f64, f64); MOST_PROBES],
    count: usize,
    height_se: f64,
}

impl Front {
    /// Fits a front through readings, top first as [`Profile`] takes them; NaN is a missing one.
    ///
    /// `None` with fewer than three readings, or where they differ too little to show a front and none can hide below the
    /// element: then use the profile itself.
    ///
    /// ```
    /// use drawoff_tank::{Profile, front::{Front, Known}};
    /// let profile = Profile::new(&[0.9, 0.7, 0.5, 0.3, 0.1]).unwrap();
    /// let front = Front::fit(&profile, &[60.0, 60.0, 35.0, 10.0, 10.0], &Known::default()).unwrap();
    /// assert!((front.height() - 0.5).abs() < 0.01);
    /// assert!((front.degc_at(0.5) - 35.0).abs() < 0.01);
    /// assert!(Front::fit(&profile, &[60.0, 60.0, 59.5, 59.0, 58.0], &Known::default()).is_none());
    /// ```
    #[must_use]
    pub fn fit(profile: &Profile, temps: &[f64], known: &Known) -> Option<Self> {
        let mut left = [(0.0, 0.0); MOST_PROBES];
        let mut count = 0;
        for (&height, &degc) in profile.heights().iter().zip(temps) {
            if degc.is_finite() {
                left[count] = (height, degc);
                count += 1;
            }
        }
        let there = &left[..count];
        let warmest = there.iter().fold(f64::NEG_INFINITY, |most, reading| most.max(reading.1));
        let coldest = there.iter().fold(f64::INFINITY, |least, reading| least.min(reading.1));
        // all of one temperature, and yet cold below the element, which no probe sees
        let cold_below = there.last().is_some_and(|lowest| {
            known.element > 0.0 && known.element < lowest.0 && lowest.1 > known.cold() + LEAST_ABOVE_COLD_K
        });
        if count < FEWEST_READINGS || (warmest - coldest < LEAST_DIFFERENCE_K && !cold_below) {
            return None;
        }
        let (curve, height_se) = fit::fit(there, known);
        for (height, degc) in &mut left[..count] {
            *degc -= curve.degc_at(*height);
        }
        Some(Self { curve, left, count, height_se })
    }

    /// Height of the middle of the front, volume fraction; below 0 or above 1 when it is not in the cylinder.
    #[must_use]
    pub fn height(&self) -> f64 {
        self.curve.front
    }

    /// Standard error of the height, volume fraction: from the curve's own fit, where its shape holds.
    #[must_use]
    pub fn height_se(&self) -> f64 {
        self.height_se
    }

    /// Thickness, volume fraction: between the points where a tenth and nine tenths of the rise are reached.
    #[must_use]
    pub fn thickness(&self) -> f64 {
        // erf(0.9062) is 0.8
        2.0 * 0.906_2 * self.curve.width
    }

    /// Temperatures just below and above the front, degC; the upper one is that of the very top.
    #[must_use]
    pub fn sides_degc(&self) -> (f64, f64) {
        let below = self.curve.cold_degc
            + self.curve.plateau_k * smooth::step(self.curve.over_element(self.curve.front)).0;
        (below, self.curve.cold_degc + self.curve.plateau_k + self.curve.rise_k)
    }

    /// Root mean square of what the curve leaves at the probes, K: large where the profile has another shape.
    #[must_use]
    pub fn misfit_k(&self) -> f64 {
        let squares: f64 = self.left[..self.count].iter().map(|left| left.1 * left.1).sum();
        (squares / self.count as f64).sqrt()
    }

    /// Temperature at a height, degC; NaN for NaN.
    #[must_use]
    pub fn degc_at(&self, height: f64) -> f64 {
        self.curve.degc_at(height) + self.left_at(height)
    }

    /// V40 in a tank of `volume_l`, with the rule of [`Profile::v40_litres`], l.
    #[must_use]
    pub fn v40_litres(&self, volume_l: f64, cold_degc: f64) -> f64 {
        if cold_degc.is_nan() || cold_degc >= USABLE_DEGC {
            return f64::NAN;
        }
        volume_l * self.integral(|upper, lower| usable_mean(upper, lower, cold_degc))
    }

    /// Standard error of [`Front::v40_litres`], l: from the height of the front, and from what may lie hidden between the
    /// other probes and below the lowest.
    #[must_use]
    pub fn v40_se_litres(&self, volume_l: f64, cold_degc: f64) -> f64 {
        if cold_degc.is_nan() || cold_degc >= USABLE_DEGC {
            return f64::NAN;
        }
        let share = |degc: f64| usable_mean(degc, degc, cold_degc);
        let (below_degc, _) = self.sides_degc();
        let above_degc = self.degc_at(self.curve.front + 2.0 * self.curve.width);
        let height_se = self.height_se * (self.misfit_k() / USUAL_MISFIT_K).max(1.0);
        let of_front = height_se * (share(above_degc) - share(below_degc));
        let mut variance = of_front * of_front;
        let (mut upper, mut upper_share) = (1.0, share(self.degc_at(1.0)));
        for (height, _) in self.left[..self.count].iter().copied().chain([(0.0, 0.0)]) {
            let here = share(self.degc_at(height));
            // the front's own gap is dealt with above
            if !(height..upper).contains(&self.curve.front) {
                let hidden = HIDDEN_PART * (upper - height) * (upper_share - here);
                variance += hidden * hidden;
            }
            (upper, upper_share) = (height, here);
        }
        volume_l * variance.sqrt()
    }

    /// Heat stored above water at `reference_degc` in a tank of `volume_l`, Wh.
    #[must_use]
    pub fn stored_wh(&self, volume_l: f64, reference_degc: f64, water: Water) -> f64 {
        // each litre at its own density, as in `Profile::stored_wh`
        let heat = |degc: f64| -water.heat_wh_per_l(degc, reference_degc);
        volume_l * self.integral(|upper, lower| heat(f64::midpoint(upper, lower)))
    }

    /// What the curve leaves at a height: in straight lines between readings, held beyond the ends.
    fn left_at(&self, height: f64) -> f64 {
        let left = &self.left[..self.count];
        let below = left.iter().position(|reading| reading.0 <= height).unwrap_or(self.count);
        match (below.checked_sub(1).map(|above| left[above]), left.get(below)) {
            (Some((high, k_high)), Some(&(low, k_low))) => {
                k_low + (k_high - k_low) * (height - low) / (high - low)
            }
            (Some((_, k)), None) | (None, Some(&(_, k))) => k,
            (None, None) => f64::NAN,
        }
    }

    /// Sum over the tank of length times `value` of (upper degC, lower degC) of each straight piece between knots.
    fn integral(&self, value: impl Fn(f64, f64) -> f64) -> f64 {
        let mut knots = [0.0; MOST_KNOTS];
        let mut count = 1;
        let mut put = |height: f64| {
            if height > 0.0 && height < 1.0 {
                knots[count] = height;
                count += 1;
            }
        };
        for (height, _) in &self.left[..self.count] {
            put(*height);
        }
        for thicknesses in FRONT_KNOTS {
            put(self.curve.front + thicknesses * self.curve.width);
        }
        if self.curve.plateau_k != 0.0 {
            for thicknesses in ELEMENT_KNOTS {
                put(self.curve.element + thicknesses * smooth::ELEMENT_WIDTH);
            }
        }
        knots[count] = 1.0;
        count += 1;
        let knots = &mut knots[..count];
        knots.sort_unstable_by(f64::total_cmp);
        let (mut low, mut low_degc) = (0.0, self.degc_at(0.0));
        let mut sum = 0.0;
        for &high in &knots[1..] {
            let high_degc = self.degc_at(high);
            sum += (high - low) * value(high_degc, low_degc);
            (low, low_degc) = (high, high_degc);
        }
        sum
    }
}
