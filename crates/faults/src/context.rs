//! What a fault module may look at: one home's daybook and reading, and nothing else.

use drawoff_contract::Cylinder;
use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_homes::HomeReading;

/// One home under assessment.
#[derive(Clone, Copy, Debug)]
pub struct Context<'a> {
    /// Register.
    pub cylinder: &'a Cylinder,
    /// Day rows in order.
    pub days: &'a [DayNote],
    /// Spells in order.
    pub spells: &'a [SpellNote],
    /// Draw-offs in order.
    pub draws: &'a [DrawNote],
    /// What was read of the home.
    pub reading: &'a HomeReading,
}

/// Hours a year over 1000: W to kWh a year.
pub const KWH_PER_YEAR_PER_W: f64 = 8.766;

impl Context<'_> {
    /// Heat capacity rate of drawn water, Wh/l, from the home's mean cold feed to a temperature.
    #[must_use]
    pub fn wh_per_litre(&self, outlet_degc: f64) -> f64 {
        let cold = self.cold_degc();
        // The larger of NaN and 5 is 5: an unknown outlet must stay unknown.
        if outlet_degc.is_nan() { f64::NAN } else { (outlet_degc - cold).max(5.0) * 1.16 }
    }

    /// Probes of the register that send values at all.
    #[must_use]
    pub fn sending_probes(&self) -> usize {
        let sends =
            |p: &usize| self.days.iter().any(|d| d.probe_mean_degc.get(*p).is_some_and(|v| !v.is_nan()));
        (0..self.cylinder.probe_heights.len()).filter(sends).count()
    }

    /// Mean cold feed, degC.
    #[must_use]
    pub fn cold_degc(&self) -> f64 {
        let cold = &self.reading.cold_degc;
        if cold.is_empty() { 12.0 } else { cold.iter().sum::<f64>() / cold.len() as f64 }
    }

    /// Heating spells, pieces cut at midnight joined: stop and end from the last piece.
    #[must_use]
    pub fn heats(&self) -> Vec<SpellNote> {
        let mut out: Vec<SpellNote> = Vec::new();
        for spell in self.spells.iter().filter(|s| s.kind == "heat") {
            match out.last_mut() {
                Some(before) if before.to_tomorrow && spell.from_yesterday => {
                    let start = before.start;
                    let energy = before.energy_kwh.zip(spell.energy_kwh).map(|(a, b)| a + b);
                    let rise = before.rise_k.zip(spell.rise_k).map(|(a, b)| a + b);
                    *before = SpellNote { start, energy_kwh: energy, rise_k: rise, ..spell.clone() };
                }
                _ => out.push(spell.clone()),
            }
        }
        out
    }

    /// Whether a surplus diverter drives the heater, by the register's word for the control.
    #[must_use]
    pub fn is_diverter(&self) -> bool {
        self.cylinder.is_diverter()
    }

    /// Median of the last `n` known values; `None` of fewer than `least`.
    #[must_use]
    pub fn latest_median(series: &[f64], n: usize, least: usize) -> Option<f64> {
        let recent: Vec<f64> = series.iter().rev().copied().filter(|v| !v.is_nan()).take(n).collect();
        (recent.len() >= least).then(|| drawoff_homes::robust::median(&recent))
    }

    /// Start of local day `i`, UTC ms.
    #[must_use]
    pub fn day_start(&self, i: usize) -> i64 {
        self.days[i].day_start_utc.0
    }

    /// Index of the day that holds an instant.
    #[must_use]
    pub fn day_index(&self, ms: i64) -> usize {
        self.days.partition_point(|d| d.day_start_utc.0 < ms).saturating_sub(1)
    }

    /// Last `n` days' indices.
    #[must_use]
    pub fn last_days(&self, n: usize) -> std::ops::Range<usize> {
        self.days.len().saturating_sub(n)..self.days.len()
    }
}
