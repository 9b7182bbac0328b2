//! Energy label classes of hot-water storage tanks.
//!
//! Regulation (EU) No 812/2013, Annex II, Table 2: standing loss S in W against rated volume V in l.

/// Class of a storage tank, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LabelClass {
    /// A+
    APlus,
    /// A
    A,
    /// B
    B,
    /// C
    C,
    /// D
    D,
    /// E
    E,
    /// F
    F,
    /// G
    G,
}

impl LabelClass {
    /// All classes, best first.
    pub const ALL: [Self; 8] = [Self::APlus, Self::A, Self::B, Self::C, Self::D, Self::E, Self::F, Self::G];

    /// Class of a tank; `None` unless volume is above 0 and loss is 0 or more, both finite.
    ///
    /// A loss exactly at a limit belongs to the next class down.
    ///
    /// ```
    /// use drawoff_tank::label::LabelClass;
    /// // 200 l: A below 43.88 W, B below 61.37 W
    /// assert_eq!(LabelClass::of(200.0, 43.8), Some(LabelClass::A));
    /// assert_eq!(LabelClass::of(200.0, 44.0), Some(LabelClass::B));
    /// assert_eq!(LabelClass::of(0.0, 44.0), None);
    /// ```
    #[must_use]
    pub fn of(volume_l: f64, standing_loss_w: f64) -> Option<Self> {
        if !(volume_l > 0.0 && volume_l.is_finite() && standing_loss_w >= 0.0 && standing_loss_w.is_finite())
        {
            return None;
        }
        let within = |class: &Self| class.limit_w(volume_l).is_none_or(|limit| standing_loss_w < limit);
        Self::ALL.into_iter().find(within)
    }

    /// Standing loss that the class stays below at this volume, W; `None` for G, which has no limit.
    ///
    /// The limit of C is also the most that Regulation (EU) No 814/2013, Annex II 2.1, lets onto the market since
    /// 26 September 2017. NaN volume gives NaN.
    ///
    /// ```
    /// use drawoff_tank::label::LabelClass;
    /// assert!((LabelClass::C.limit_w(200.0).unwrap() - 86.01).abs() < 0.005); // 16.66 + 8.33 * 200^0.4
    /// ```
    #[must_use]
    pub fn limit_w(self, volume_l: f64) -> Option<f64> {
        let (base_w, slope_w) = match self {
            Self::APlus => (5.5, 3.16),
            Self::A => (8.5, 4.25),
            Self::B => (12.0, 5.93),
            Self::C => (16.66, 8.33),
            Self::D => (21.0, 10.33),
            Self::E => (26.0, 13.66),
            Self::F => (31.0, 16.66),
            Self::G => return None,
        };
        Some(base_w + slope_w * libm::pow(volume_l, 0.4))
    }

    /// The class as the label prints it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::APlus => "A+",
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
            Self::D => "D",
            Self::E => "E",
            Self::F => "F",
            Self::G => "G",
        }
    }
}

impl std::fmt::Display for LabelClass {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_limit_parts_its_class_from_the_next() {
        for volume_l in [36.0, 120.0, 150.0, 200.0, 210.0, 300.0, 500.0] {
            for pair in LabelClass::ALL.windows(2) {
                let limit = pair[0].limit_w(volume_l).unwrap();
                assert_eq!(LabelClass::of(volume_l, limit.next_down()), Some(pair[0]));
                assert_eq!(LabelClass::of(volume_l, limit), Some(pair[1]));
            }
        }
    }

    #[test]
    fn senseless_input_has_no_class() {
        for (volume_l, loss_w) in [(-1.0, 50.0), (f64::NAN, 50.0), (200.0, f64::NAN), (200.0, -1.0)] {
            assert_eq!(LabelClass::of(volume_l, loss_w), None);
        }
    }
}
