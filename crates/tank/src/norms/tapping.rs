//! Load profiles of Regulation (EU) No 814/2013, Annex III, Table 1 (the same as No 812/2013, Annex VII, Table 3), and what
//! Annex II 1.3 asks of a heater of each: what they draw in sum. The draw-offs one by one are not needed here.

/// Load profile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LoadProfile {
    /// 3XS
    ThreeXS,
    /// XXS
    XXS,
    /// XS
    XS,
    /// S
    S,
    /// M
    M,
    /// L
    L,
    /// XL
    XL,
    /// XXL
    XXL,
    /// 3XL
    ThreeXL,
    /// 4XL
    FourXL,
}

/// Nothing is drawn from midnight until this minute of the day.
pub const FIRST_DRAW_MIN: u32 = 7 * 60;
/// A heater for cheap hours is supplied in one stretch of at most so many hours ...
pub const OFF_PEAK_MOST_H: f64 = 8.0;
/// ... between these minutes of the day: 22:00 and 07:00 of the next.
pub const OFF_PEAK_WITHIN_MIN: (u32, u32) = (22 * 60, 7 * 60);

impl LoadProfile {
    /// All profiles, smallest first.
    pub const ALL: [Self; 10] = [
        Self::ThreeXS,
        Self::XXS,
        Self::XS,
        Self::S,
        Self::M,
        Self::L,
        Self::XL,
        Self::XXL,
        Self::ThreeXL,
        Self::FourXL,
    ];

    /// Name as the Regulation prints it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::ThreeXS => "3XS",
            Self::XXS => "XXS",
            Self::XS => "XS",
            Self::S => "S",
            Self::M => "M",
            Self::L => "L",
            Self::XL => "XL",
            Self::XXL => "XXL",
            Self::ThreeXL => "3XL",
            Self::FourXL => "4XL",
        }
    }

    /// Reference energy, kWh a day, and draw-offs a day.
    #[must_use]
    pub fn reference(self) -> (f64, usize) {
        match self {
            Self::ThreeXS => (0.345, 23),
            Self::XXS => (2.100, 20),
            Self::XS => (2.100, 3),
            Self::S => (2.100, 11),
            Self::M => (5.845, 23),
            Self::L => (11.655, 24),
            Self::XL => (19.07, 30),
            Self::XXL => (24.53, 30),
            Self::ThreeXL => (46.76, 10),
            Self::FourXL => (93.52, 10),
        }
    }

    /// Least mixed water at 40 degC of a heater for this profile, l; `None` where none is asked.
    #[must_use]
    pub fn least_v40_l(self) -> Option<f64> {
        match self {
            Self::M => Some(65.0),
            Self::L => Some(130.0),
            Self::XL => Some(210.0),
            Self::XXL => Some(300.0),
            Self::ThreeXL => Some(520.0),
            Self::FourXL => Some(1040.0),
            Self::ThreeXS | Self::XXS | Self::XS | Self::S => None,
        }
    }

    /// Largest storage volume of a heater for this profile, l; `None` where there is no limit.
    #[must_use]
    pub fn most_volume_l(self) -> Option<f64> {
        match self {
            Self::ThreeXS => Some(7.0),
            Self::XXS | Self::XS => Some(15.0),
            Self::S => Some(36.0),
            _ => None,
        }
    }

    /// Largest profile for which a heater has enough mixed water at 40 degC; `None` below M.
    ///
    /// ```
    /// use drawoff_tank::norms::tapping::LoadProfile;
    /// assert_eq!(LoadProfile::largest_of_v40(225.0), Some(LoadProfile::XL)); // 210 l, XXL asks 300
    /// ```
    #[must_use]
    pub fn largest_of_v40(v40_l: f64) -> Option<Self> {
        Self::ALL.into_iter().rev().find(|profile| profile.least_v40_l().is_some_and(|least| v40_l >= least))
    }
}
