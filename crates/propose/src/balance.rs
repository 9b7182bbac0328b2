//! The balance that proves the units: heat that the water takes up against energy that the meter shows.

use crate::sample::{Home, mean, median};

/// Heat of a litre of water, Wh/(l K): 1 kg and 4.19 kJ/(kg K) (IAPWS, rounded).
const WH_PER_LITRE_K: f64 = 1.163;
/// Length of a piece of heating, ms.
const PIECE_MS: i64 = 3_600_000;
/// Rise of the mean of all probes in a piece that stands out from draw-offs and mixing, K.
const RISE_K: f64 = 3.0;
/// Fewest pieces that prove anything.
const FEWEST: usize = 10;
/// Metered energy over heat taken up: losses, draw-offs while heating and a mean over few probes make it differ from 1. The units that a
/// mapping knows are at least 1.8 times apart.
const PROVES: std::ops::Range<f64> = 0.6..1.7;

/// A balance of energy over pieces of heating.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Balance {
    /// Middle ratio of metered energy to heat taken up; NaN without pieces.
    pub ratio: f64,
    /// Pieces of heating, of an hour each.
    pub pieces: usize,
}

impl Balance {
    /// Whether it proves the units that it was made with.
    #[must_use]
    pub fn closes(self) -> bool {
        self.pieces >= FEWEST && PROVES.contains(&self.ratio)
    }

    /// In words.
    #[must_use]
    pub fn told(self) -> String {
        if self.pieces < FEWEST {
            return format!("only {} hours of clear heating to balance", self.pieces);
        }
        format!(
            "in {} hours of heating the metered energy is {:.2} times the heat that the water took up",
            self.pieces, self.ratio
        )
    }
}

/// Balances each home's pieces: `volume_l` of a home, the mean of its probes in degC at a row, and energy in Wh from one row to another.
pub fn balance(
    homes: &[Home],
    volume_l: &dyn Fn(&Home) -> Option<f64>,
    probes_degc: &dyn Fn(&Home, usize) -> Vec<f64>,
    energy_wh: &dyn Fn(&Home, usize, usize) -> f64,
) -> Balance {
    let mut ratios = Vec::new();
    for home in homes {
        let Some(volume) = volume_l(home) else { continue };
        let mut start = 0;
        while start < home.time_ms.len() {
            let after = home.time_ms[start] + PIECE_MS;
            let end = home.time_ms.partition_point(|t| *t < after);
            if end >= home.time_ms.len() {
                break;
            }
            let rise = mean(probes_degc(home, end).into_iter()) - mean(probes_degc(home, start).into_iter());
            let energy = energy_wh(home, start, end);
            if rise > RISE_K && energy > 0.0 {
                ratios.push(energy / (volume * WH_PER_LITRE_K * rise));
            }
            start = end;
        }
    }
    Balance { ratio: median(&ratios), pieces: ratios.len() }
}
