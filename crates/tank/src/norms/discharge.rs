//! Safety of unvented cylinders: order of the safety devices, and the pipe that carries their discharge.
//!
//! England and Wales, Approved Document G, Table 3.1 and section 3, as quoted in public (the text itself was not at hand).
//! Pressure and scalding water: this is for reading results with, never for design. Work on safety devices is for competent,
//! licensed people under local codes.

/// Highest usual setting of the thermostat, degC (from memory).
pub const THERMOSTAT_MOST_DEGC: f64 = 65.0;
/// The cut-out that does not reset itself opens at this or below, degC.
pub const CUT_OUT_MOST_DEGC: f64 = 90.0;
/// The temperature relief valve opens at about this, degC.
pub const RELIEF_DEGC: f64 = 95.0;
/// Water boils at 1 atm, degC.
pub const BOILING_DEGC: f64 = 100.0;

/// Size of the outlet of the relief valve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outlet {
    /// Half an inch.
    G1_2,
    /// Three quarters of an inch.
    G3_4,
    /// One inch.
    G1,
}

/// Greatest length of the pipe beyond the tundish by its diameter, m, before bends count against it.
const LENGTHS_M: [f64; 3] = [9.0, 18.0, 27.0];

impl Outlet {
    /// Least diameter of the pipe before the tundish, mm.
    #[must_use]
    pub fn before_tundish_mm(self) -> u32 {
        match self {
            Self::G1_2 => 15,
            Self::G3_4 => 22,
            Self::G1 => 28,
        }
    }

    /// Diameters of the pipe beyond the tundish, mm, with the length that each bend counts for, m.
    fn beyond(self) -> [(u32, f64); 3] {
        match self {
            Self::G1_2 => [(22, 0.8), (28, 1.0), (35, 1.4)],
            Self::G3_4 => [(28, 1.0), (35, 1.4), (42, 1.7)],
            Self::G1 => [(35, 1.4), (42, 1.7), (54, 2.3)],
        }
    }

    /// Greatest length beyond the tundish of a diameter with so many bends, m; `None` for a diameter that is not in the table.
    ///
    /// ```
    /// use drawoff_tank::norms::discharge::Outlet;
    /// assert!((Outlet::G1_2.longest_m(22, 4).unwrap() - 5.8).abs() < 1e-9); // 9 - 4 * 0.8
    /// ```
    #[must_use]
    pub fn longest_m(self, diameter_mm: u32, bends: u32) -> Option<f64> {
        let found = self.beyond().into_iter().zip(LENGTHS_M).find(|((mm, _), _)| *mm == diameter_mm);
        found.map(|((_, bend_m), length_m)| (length_m - f64::from(bends) * bend_m).max(0.0))
    }

    /// Smallest diameter beyond the tundish for a length in m with bends, mm; `None` when the table has none.
    #[must_use]
    pub fn beyond_tundish_mm(self, length_m: f64, bends: u32) -> Option<u32> {
        let fits = |mm: &u32| self.longest_m(*mm, bends).is_some_and(|longest| length_m <= longest);
        self.beyond().map(|(mm, _)| mm).into_iter().find(fits)
    }
}
