//! Temperature over height, from a few probes.

use crate::water::{Water, enthalpy_kj_per_kg, heat_above_wh_per_l};

/// Most probes that a profile takes.
pub const MOST_PROBES: usize = 12;

/// Lowest temperature that counts as usable in V40, degC (Regulation (EU) No 814/2013, Annex I, point 24).
pub const USABLE_DEGC: f64 = 40.0;

/// Heights of the probes of one cylinder, with the share of the volume that each stands for.
///
/// Between probes temperature runs in a straight line over volume; above the top probe and below the bottom probe it is
/// held. All methods take `temps` in the order of the heights, top first; NaN is a missing probe and its neighbours take
/// over; a shorter slice lacks its last probes, a longer one is cut. With no probe left the answer is NaN.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Profile {
    count: usize,
    heights: [f64; MOST_PROBES],
    weights: [f64; MOST_PROBES],
}

impl Profile {
    /// A profile over probes at these volume fractions from the base, top first.
    ///
    /// `None` unless there are 1 to 12 heights, each above 0 and below 1, strictly falling.
    ///
    /// ```
    /// use drawoff_tank::Profile;
    /// assert!(Profile::new(&[0.9, 0.5, 0.1]).is_some());
    /// assert!(Profile::new(&[0.1, 0.5, 0.9]).is_none()); // bottom first
    /// assert!(Profile::new(&[]).is_none());
    /// ```
    #[must_use]
    pub fn new(heights_top_to_bottom: &[f64]) -> Option<Self> {
        let count = heights_top_to_bottom.len();
        if count == 0 || count > MOST_PROBES {
            return None;
        }
        let inside = heights_top_to_bottom.iter().all(|&h| h > 0.0 && h < 1.0);
        let falling = heights_top_to_bottom.windows(2).all(|pair| pair[0] > pair[1]);
        if !inside || !falling {
            return None;
        }
        let mut heights = [0.0; MOST_PROBES];
        heights[..count].copy_from_slice(heights_top_to_bottom);
        let mut weights = [0.0; MOST_PROBES];
        for i in 0..count {
            // Each probe stands for the volume half way to its neighbours, the end probes also for the rest of the tank.
            let upper = if i == 0 { 1.0 } else { f64::midpoint(heights[i - 1], heights[i]) };
            let lower = if i + 1 == count { 0.0 } else { f64::midpoint(heights[i], heights[i + 1]) };
            weights[i] = upper - lower;
        }
        Some(Self { count, heights, weights })
    }

    /// Heights, volume fractions from the base, top first.
    #[must_use]
    pub fn heights(&self) -> &[f64] {
        &self.heights[..self.count]
    }

    /// Share of the volume that each probe stands for when none is missing; the sum is 1.
    #[must_use]
    pub fn weights(&self) -> &[f64] {
        &self.weights[..self.count]
    }

    /// Volume mean of the temperature, degC; NaN when every probe is missing.
    ///
    /// ```
    /// use drawoff_tank::Profile;
    /// let profile = Profile::new(&[0.75, 0.25]).unwrap();
    /// assert_eq!(profile.mean(&[60.0, 20.0]), 40.0);
    /// assert_eq!(profile.mean(&[f64::NAN, 20.0]), 20.0);
    /// assert!(profile.mean(&[f64::NAN, f64::NAN]).is_nan());
    /// ```
    #[must_use]
    #[inline]
    pub fn mean(&self, temps: &[f64]) -> f64 {
        if temps.len() >= self.count {
            let mut sum = 0.0;
            for (weight, degc) in self.weights().iter().zip(temps) {
                sum += weight * degc;
            }
            // One missing probe makes the sum NaN: that single comparison is all that a complete row pays.
            if !sum.is_nan() {
                return sum;
            }
        }
        self.integral(temps, |segment| f64::midpoint(segment.upper_degc, segment.lower_degc))
    }

    /// Temperature at a height, degC; NaN when every probe is missing or the height is NaN.
    ///
    /// ```
    /// use drawoff_tank::Profile;
    /// let profile = Profile::new(&[0.75, 0.25]).unwrap();
    /// assert_eq!(profile.at(&[60.0, 20.0], 0.5), 40.0);
    /// assert_eq!(profile.at(&[60.0, 20.0], 0.95), 60.0);
    /// assert_eq!(profile.at(&[60.0, 20.0], 0.05), 20.0);
    /// ```
    #[must_use]
    pub fn at(&self, temps: &[f64], height: f64) -> f64 {
        if height.is_nan() {
            return f64::NAN;
        }
        let mut above: Option<(f64, f64)> = None;
        for (h, degc) in self.present(temps) {
            if h <= height {
                return match above {
                    None => degc,
                    Some((h_above, degc_above)) => degc + (degc_above - degc) * (height - h) / (h_above - h),
                };
            }
            above = Some((h, degc));
        }
        above.map_or(f64::NAN, |(_, degc)| degc)
    }

    /// Height at which the temperature, looked at from the top down, first falls below `degc`.
    ///
    /// 1 when the top is already colder, 0 when all is at least as warm, NaN when every probe is missing or `degc` is NaN.
    ///
    /// ```
    /// use drawoff_tank::Profile;
    /// let profile = Profile::new(&[0.75, 0.25]).unwrap();
    /// assert_eq!(profile.height_of(&[60.0, 20.0], 40.0), 0.5);
    /// assert_eq!(profile.height_of(&[60.0, 20.0], 61.0), 1.0);
    /// assert_eq!(profile.height_of(&[60.0, 20.0], 20.0), 0.0);
    /// ```
    #[must_use]
    pub fn height_of(&self, temps: &[f64], degc: f64) -> f64 {
        if degc.is_nan() {
            return f64::NAN;
        }
        let mut above: Option<(f64, f64)> = None;
        for (h, here) in self.present(temps) {
            if here < degc {
                return match above {
                    None => 1.0,
                    Some((h_above, degc_above)) => h + (h_above - h) * (degc - here) / (degc_above - here),
                };
            }
            above = Some((h, here));
        }
        above.map_or(f64::NAN, |_| 0.0)
    }

    /// Heat stored above water at `reference_degc` in a tank of `volume_l`, Wh; NaN when every probe is missing.
    ///
    /// Each layer holds its own mass at its own temperature; with constant properties this is volume times Wh/(l K) times
    /// the mean less the reference.
    ///
    /// ```
    /// use drawoff_tank::{Profile, Water};
    /// let profile = Profile::new(&[0.75, 0.25]).unwrap();
    /// // 200 l at 60 degC above 10 degC: 11.421 kWh (IAPWS-IF97 enthalpies)
    /// let full_wh = profile.stored_wh(&[60.0, 60.0], 200.0, 10.0, Water::Iapws);
    /// assert!((full_wh - 11_421.0).abs() < 2.0);
    /// ```
    #[must_use]
    pub fn stored_wh(&self, temps: &[f64], volume_l: f64, reference_degc: f64, water: Water) -> f64 {
        if let Water::Constant { .. } = water {
            return volume_l * water.heat_wh_per_l(reference_degc, self.mean(temps));
        }
        let reference = enthalpy_kj_per_kg(reference_degc);
        let wh_per_l =
            self.integral(temps, |segment| segment.mean_of(|degc| heat_above_wh_per_l(degc, reference)));
        volume_l * wh_per_l
    }

    /// V40: litres of water at 40 degC with the heat above `cold_degc` of the tank's water at 40 degC or more, l.
    ///
    /// `volume * integral over {T >= 40} of (T - cold) / (40 - cold)`, exact for the straight-line profile. Layers below
    /// 40 degC add nothing, wherever they stand. NaN when every probe is missing or the cold feed is not below 40 degC.
    /// Definition: Regulation (EU) No 814/2013, Annex I, point 24, for an ideal draw-off without mixing.
    ///
    /// ```
    /// use drawoff_tank::Profile;
    /// let profile = Profile::new(&[0.9, 0.1]).unwrap();
    /// assert!((profile.v40_litres(&[60.0, 60.0], 200.0, 10.0) - 333.333).abs() < 1e-3); // 200 * 50 / 30
    /// assert_eq!(profile.v40_litres(&[39.0, 20.0], 200.0, 10.0), 0.0);
    /// ```
    #[must_use]
    pub fn v40_litres(&self, temps: &[f64], volume_l: f64, cold_degc: f64) -> f64 {
        if cold_degc.is_nan() || cold_degc >= USABLE_DEGC {
            return f64::NAN;
        }
        let share = self.integral(temps, |segment| segment.usable(cold_degc));
        volume_l * share
    }

    /// Probes that are there, as (height, degC), top first.
    fn present<'a>(&'a self, temps: &'a [f64]) -> impl Iterator<Item = (f64, f64)> + 'a {
        self.heights().iter().copied().zip(temps.iter().copied()).filter(|(_, degc)| !degc.is_nan())
    }

    /// Sum over the tank of length times `value` of each straight piece, from the top; NaN when every probe is missing.
    fn integral(&self, temps: &[f64], value: impl Fn(Segment) -> f64) -> f64 {
        let mut above: Option<(f64, f64)> = None;
        let mut sum = 0.0;
        for (height, degc) in self.present(temps) {
            let (h_above, degc_above) = above.unwrap_or((1.0, degc));
            sum += (h_above - height) * value(Segment { upper_degc: degc_above, lower_degc: degc });
            above = Some((height, degc));
        }
        match above {
            Some((height, degc)) => sum + height * value(Segment { upper_degc: degc, lower_degc: degc }),
            None => f64::NAN,
        }
    }
}

/// A piece of the tank over which temperature runs in a straight line.
#[derive(Clone, Copy)]
struct Segment {
    upper_degc: f64,
    lower_degc: f64,
}

impl Segment {
    /// Mean over the piece of a smooth function of temperature, by Gauss' two-point rule (exact to the third power).
    fn mean_of(self, f: impl Fn(f64) -> f64) -> f64 {
        let middle = f64::midpoint(self.upper_degc, self.lower_degc);
        let reach = (self.upper_degc - self.lower_degc) / 2.0 * GAUSS_2;
        if reach == 0.0 {
            return f(middle);
        }
        f64::midpoint(f(middle - reach), f(middle + reach))
    }

    fn usable(self, cold_degc: f64) -> f64 {
        usable_mean(self.upper_degc, self.lower_degc, cold_degc)
    }
}

/// Mean over a straight piece of (T - cold) / (40 - cold) where T is at least 40 degC, else 0.
#[inline]
pub(crate) fn usable_mean(upper_degc: f64, lower_degc: f64, cold_degc: f64) -> f64 {
    let hot = upper_degc.max(lower_degc);
    let cool = upper_degc.min(lower_degc);
    if hot < USABLE_DEGC {
        return 0.0;
    }
    let share = if cool >= USABLE_DEGC { 1.0 } else { (hot - USABLE_DEGC) / (hot - cool) };
    let mean = f64::midpoint(hot, cool.max(USABLE_DEGC));
    share * (mean - cold_degc) / (USABLE_DEGC - cold_degc)
}

/// Points of Gauss' two-point rule, the square root of 1/3. The heat of water over temperature is so nearly a parabola
/// that two points miss 0.5 Wh of the 8.5 kWh in 200 l between 90 and 5 degC.
const GAUSS_2: f64 = 0.577_350_269_189_625_8;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn weights_are_the_volume_nearest_each_probe() {
        let profile = Profile::new(&[0.9, 0.6, 0.2]).unwrap();
        for (got, by_hand) in profile.weights().iter().zip([0.25, 0.35, 0.4]) {
            assert!((got - by_hand).abs() < 1e-12);
        }
    }

    #[test]
    fn heights_out_of_order_or_outside_are_refused() {
        for heights in [&[0.5, 0.5][..], &[1.0], &[0.0], &[0.2, 0.8], &[0.5, f64::NAN], &[0.5; 13]] {
            assert!(Profile::new(heights).is_none(), "{heights:?}");
        }
    }

    #[test]
    fn short_rows_lack_the_last_probes() {
        let profile = Profile::new(&[0.9, 0.5, 0.1]).unwrap();
        let nan = f64::NAN;
        assert_eq!(profile.mean(&[60.0, 30.0]), profile.mean(&[60.0, 30.0, nan]));
        assert!(profile.mean(&[]).is_nan());
        assert!(profile.stored_wh(&[nan; 3], 200.0, 10.0, Water::Iapws).is_nan());
        assert!(profile.v40_litres(&[nan; 3], 200.0, 10.0).is_nan());
        assert!(profile.at(&[nan; 3], 0.5).is_nan());
    }

    #[test]
    fn v40_of_a_straight_thermocline_by_hand() {
        // 60 degC above 0.75, 20 degC below 0.25, 40 degC is met at 0.5: 0.25 * 50/30 + 0.25 * 40/30 of 200 l.
        let profile = Profile::new(&[0.75, 0.25]).unwrap();
        let by_hand = 200.0 * (0.25 * 50.0 / 30.0 + 0.25 * 40.0 / 30.0);
        assert!((profile.v40_litres(&[60.0, 20.0], 200.0, 10.0) - by_hand).abs() < 1e-9);
        assert!(profile.v40_litres(&[60.0, 20.0], 200.0, 40.0).is_nan());
    }

    /// Strictly falling heights with a temperature each, some missing.
    fn rows() -> impl Strategy<Value = (Vec<f64>, Vec<f64>)> {
        proptest::collection::vec((1u32..1000, 5.0..90.0f64, 0u8..5), 1..12).prop_map(|mut probes| {
            probes.sort_by_key(|p| std::cmp::Reverse(p.0));
            probes.dedup_by_key(|p| p.0);
            let heights = probes.iter().map(|p| f64::from(p.0) / 1000.0).collect();
            let temps = probes.iter().map(|p| if p.2 == 0 { f64::NAN } else { p.1 }).collect();
            (heights, temps)
        })
    }

    proptest! {
        #[test]
        fn mean_lies_between_the_extremes((heights, temps) in rows()) {
            let profile = Profile::new(&heights).unwrap();
            prop_assert!((profile.weights().iter().sum::<f64>() - 1.0).abs() < 1e-12);
            let there: Vec<f64> = temps.iter().copied().filter(|t| !t.is_nan()).collect();
            let mean = profile.mean(&temps);
            if there.is_empty() {
                prop_assert!(mean.is_nan());
            } else {
                let low = there.iter().copied().fold(f64::INFINITY, f64::min);
                let high = there.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                prop_assert!(mean >= low - 1e-9 && mean <= high + 1e-9);
            }
        }

        #[test]
        fn a_probe_added_on_the_line_changes_nothing((heights, temps) in rows(), at in 0.001..0.999f64) {
            prop_assume!(heights.iter().all(|h| (h - at).abs() > 1e-6) && heights.len() < MOST_PROBES);
            let profile = Profile::new(&heights).unwrap();
            let place = heights.iter().filter(|&&h| h > at).count();
            let (mut more_heights, mut more_temps) = (heights.clone(), temps.clone());
            more_heights.insert(place, at);
            more_temps.insert(place, profile.at(&temps, at));
            let more = Profile::new(&more_heights).unwrap();
            let same = |a: f64, b: f64, tolerance: f64| (a.is_nan() && b.is_nan()) || (a - b).abs() < tolerance;
            prop_assert!(same(profile.mean(&temps), more.mean(&more_temps), 1e-9));
            // two Gauss points a piece: a piece over 85 K misses half a watt-hour
            let stored = |p: &Profile, t: &[f64]| p.stored_wh(t, 200.0, 10.0, Water::Iapws);
            prop_assert!(same(stored(&profile, &temps), stored(&more, &more_temps), 1.0));
            let v40 = |p: &Profile, t: &[f64]| p.v40_litres(t, 200.0, 10.0);
            prop_assert!(same(v40(&profile, &temps), v40(&more, &more_temps), 1e-6));
        }

        #[test]
        fn heights_must_fall((heights, _) in rows(), i in 0usize..12) {
            let mut swapped = heights.clone();
            let i = i % heights.len();
            swapped.swap(0, i);
            prop_assert_eq!(Profile::new(&swapped).is_some(), i == 0);
        }

        #[test]
        fn mean_is_the_integral_of_the_line((heights, temps) in rows()) {
            let profile = Profile::new(&heights).unwrap();
            let mean = profile.mean(&temps);
            prop_assume!(!mean.is_nan());
            let steps = 20_000;
            let fine = (0..steps)
                .map(|i| profile.at(&temps, (f64::from(i) + 0.5) / f64::from(steps)))
                .sum::<f64>() / f64::from(steps);
            prop_assert!((mean - fine).abs() < 5e-3);
        }
    }
}
