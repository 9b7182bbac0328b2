//! Heat that the water gets for each metered kilowatt-hour, where the meter counts the electricity of a heat pump.

use std::collections::BTreeMap;

use drawoff_contract::daybook::SpellNote;
use drawoff_contract::{Day, HeatSource};

use crate::priors::Rooms;
use crate::reading::HomeNotes;
use crate::robust::median;

/// A heat must take this much to be read, kWh.
const LEAST_HEAT_KWH: f64 = 0.3;
/// Fewer heats without a draw-off than these tell nothing.
const LEAST_HEATS: usize = 6;
/// The stored volume is known to this: half of the usual plus or minus 3 %, common practice, no source.
const VOLUME_SPREAD: f64 = 0.015;
/// Below this a heat came from an element beside the heat pump, as a weekly one against germs does.
const LEAST_PERFORMANCE: f64 = 1.4;

/// Heat over metered energy.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatInput {
    /// Heat into the water per metered energy: 1 for elements, the coefficient of performance of a heat pump.
    pub per_metered: f64,
    /// 5 % point.
    pub p05: f64,
    /// 95 % point.
    pub p95: f64,
    /// Heats behind it; 0 where it is 1 by nature.
    pub heats: usize,
}

/// Heat input of a home, and how it differs from day to day.
#[derive(Clone, Debug, PartialEq)]
pub struct HeatInputs {
    /// Of the whole period.
    pub typical: HeatInput,
    /// Of single days that showed their own, in order; other days have the typical one.
    pub by_day: BTreeMap<Day, f64>,
}

impl HeatInputs {
    /// Heat into the water per metered energy on a day.
    #[must_use]
    pub fn of_day(&self, day: Day) -> f64 {
        self.by_day.get(&day).copied().unwrap_or(self.typical.per_metered)
    }
}

/// Reads it; `None` where heat comes unmetered, or a heat pump showed too few heats without a draw-off.
///
/// Each heat without a draw-off gives (rise of the stored heat + standing loss) / metered energy; the middle one is typical,
/// with the interval of a median and the tolerance of the volume. A day's own is that of its heats, each with what it showed
/// or, where water was drawn meanwhile, the typical one. Whatever is lost between heat pump and cylinder is counted with
/// the pump.
#[must_use]
pub fn heat_input(
    notes: HomeNotes<'_>,
    rooms: &Rooms<'_>,
    loss_w_per_k: f64,
    capacity_wh_per_k: f64,
) -> Option<HeatInputs> {
    match notes.cylinder.heat_source {
        HeatSource::Element | HeatSource::TopPump => {
            let typical = HeatInput { per_metered: 1.0, p05: 1.0, p95: 1.0, heats: 0 };
            Some(HeatInputs { typical, by_day: BTreeMap::new() })
        }
        HeatSource::Coil => None,
        HeatSource::HeatPump => heat_pump(notes, rooms, loss_w_per_k, capacity_wh_per_k),
    }
}

fn heat_pump(
    notes: HomeNotes<'_>,
    rooms: &Rooms<'_>,
    loss_w_per_k: f64,
    capacity_wh_per_k: f64,
) -> Option<HeatInputs> {
    let drawn = |s: &SpellNote| notes.draws.iter().any(|d| d.start.0 < s.end.0 && d.end.0 > s.start.0);
    // Day, metered energy, and what the heat showed; NaN where water was drawn meanwhile.
    let heats: Vec<(Day, f64, f64)> = notes
        .spells
        .iter()
        .filter(|s| s.kind == "heat")
        .filter_map(|s| {
            let energy_kwh = s.energy_kwh.filter(|e| *e > 0.0)?;
            let level = s.level_degc.iter().filter(|v| !v.is_nan()).map(|v| f64::from(*v));
            let (sum, n) = level.fold((0.0, 0.0), |(sum, n), v| (sum + v, n + 1.0));
            let hours = (s.end.0 - s.start.0) as f64 / 3_600_000.0;
            let lost_wh = loss_w_per_k * (sum / n - rooms.of_day(s.day)) * hours;
            let found = (s.rise_k? * capacity_wh_per_k + lost_wh) / (energy_kwh * 1000.0);
            let shown = energy_kwh >= LEAST_HEAT_KWH && !s.from_yesterday && !s.to_tomorrow && !drawn(s);
            Some((s.day, energy_kwh, if shown { found } else { f64::NAN }))
        })
        .collect();
    let pumped: Vec<f64> = heats.iter().map(|h| h.2).filter(|found| *found > LEAST_PERFORMANCE).collect();
    if pumped.len() < LEAST_HEATS {
        return None;
    }
    let middle = median(&pumped);
    let apart: Vec<f64> = pumped.iter().map(|h| (h - middle).abs()).collect();
    // Standard error of a median of normal values: 1.253 sd / sqrt(n), sd = 1.4826 x median absolute deviation.
    let error = 1.253 * 1.4826 * median(&apart) / (pumped.len() as f64).sqrt() / middle;
    let half = 1.645 * (error * error + VOLUME_SPREAD * VOLUME_SPREAD).sqrt();
    let typical = HeatInput {
        per_metered: middle,
        p05: middle * (1.0 - half),
        p95: middle * (1.0 + half),
        heats: pumped.len(),
    };
    let mut sums: BTreeMap<Day, (f64, f64)> = BTreeMap::new();
    for &(day, energy_kwh, found) in &heats {
        let sum = sums.entry(day).or_default();
        sum.0 += energy_kwh * if found.is_nan() { middle } else { found.clamp(0.8, 2.0 * middle) };
        sum.1 += energy_kwh;
    }
    let by_day = sums.into_iter().filter(|(_, s)| s.1 > 0.0).map(|(day, s)| (day, s.0 / s.1)).collect();
    Some(HeatInputs { typical, by_day })
}
