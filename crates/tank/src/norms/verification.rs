//! How far a measured value may miss the declared one: Regulation (EU) No 814/2013, Annex V, Table 7.

/// A quantity that a supplier declares.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Declared {
    /// Daily electricity, kWh.
    DailyElectricity,
    /// Weekly electricity, with and without smart controls, kWh.
    WeeklyElectricity,
    /// Standing loss, W.
    StandingLoss,
    /// Storage volume, l.
    Volume,
    /// Mixed water at 40 degC, l.
    V40,
}

impl Declared {
    /// Share by which a measured value may be worse than the declared one: above it for what is used or lost, below it for
    /// what is held or given.
    #[must_use]
    pub fn tolerance(self) -> f64 {
        match self {
            Self::DailyElectricity | Self::WeeklyElectricity | Self::StandingLoss => 0.05,
            Self::Volume => 0.02,
            Self::V40 => 0.03,
        }
    }

    /// Whether a measured value upholds the declared one, both in the same unit; false for NaN.
    ///
    /// ```
    /// use drawoff_tank::norms::verification::Declared;
    /// assert!(Declared::StandingLoss.is_upheld(60.0, 63.0)); // 60 W + 5 %
    /// assert!(!Declared::Volume.is_upheld(200.0, 195.9)); // 200 l - 2 %
    /// ```
    #[must_use]
    pub fn is_upheld(self, declared: f64, measured: f64) -> bool {
        match self {
            Self::DailyElectricity | Self::WeeklyElectricity | Self::StandingLoss => {
                measured <= declared * (1.0 + self.tolerance())
            }
            Self::Volume | Self::V40 => measured >= declared * (1.0 - self.tolerance()),
        }
    }
}
