//! Heat that the water gets for each metered kilowatt-hour, where the meter counts the electricity of a heat pump.
//!
//! A compressor between evaporator and condenser takes `(T_hot - T_cold) / (share x T_hot)` for each unit of heat, so that its
//! electricity over heat grows with the temperature of the water it is fed: by some 2 % a kelvin where the flow is fixed, and hardly
//! at all where the flow is set to reach one return temperature. Heats without a draw-off show which it is. They begin with a warmer
//! base than those after a shower; one figure for both is 10 to 20 % off for the latter.

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
/// So much more power than the home's heats take as a rule is an element that heats along.
const ELEMENT_ALONG: f64 = 1.6;
/// A heat that ends so much hotter than the home's heats do as a rule was ended by an element, as a weekly one against germs is, K.
/// (Chosen on one `synth` seed, where 3 to 5 K do alike.)
const ENDS_HOT_K: f64 = 4.0;
/// Draw-offs that were not seen make a heat look poorer, never better: the line goes above the middle of the heats.
const LEVEL: f64 = 0.6;
/// Greatest growth of electricity over heat with the temperature of the base, 1/K, and the steps in which it is sought. A Carnot
/// machine between 0 and 30 degC has 0.033.
const MOST_GROWTH: f64 = 0.03;
const GROWTH_STEPS: usize = 15;
/// Bases this much outside those of the heats that it was learnt from are read as the nearest of them, K.
const REACH_K: f64 = 3.0;

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

/// Heat input of a home, and how it differs from heat to heat.
#[derive(Clone, Debug, PartialEq)]
pub struct HeatInputs {
    /// Of the whole period.
    pub typical: HeatInput,
    /// Of the heats of each day together; other days have the typical one.
    pub by_day: BTreeMap<Day, f64>,
    /// Start and end (UTC ms) of each heat with its own, in order.
    pub by_heat: Vec<(i64, i64, f64)>,
}

impl HeatInputs {
    /// Heat into the water per metered energy on a day.
    #[must_use]
    pub fn of_day(&self, day: Day) -> f64 {
        self.by_day.get(&day).copied().unwrap_or(self.typical.per_metered)
    }

    /// The same in a half-hour that begins at `start_ms` on a day: that of the heat which fills most of it, else the day's.
    #[must_use]
    pub fn of_half_hour(&self, day: Day, start_ms: i64) -> f64 {
        let end_ms = start_ms + 1_800_000;
        let from = self.by_heat.partition_point(|h| h.1 <= start_ms);
        let met = self.by_heat[from..].iter().take_while(|h| h.0 < end_ms);
        met.map(|h| (h.1.min(end_ms) - h.0.max(start_ms), h.2))
            .reduce(|best, h| if h.0 > best.0 { h } else { best })
            .map_or_else(|| self.of_day(day), |(_, per_metered)| per_metered)
    }
}

/// Reads it; `None` where heat comes unmetered, or a heat pump showed too few heats without a draw-off.
///
/// Each heat without a draw-off gives (rise of the stored heat + standing loss) / metered energy. Through them goes the line of least
/// absolute deviations of the logarithm over the temperature of the lowest probe, heats weighed by their energy; the interval is that
/// of a median with the tolerance of the volume. Whatever is lost between heat pump and cylinder is counted with the pump. What an
/// element beside it brings counts once.
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
            Some(HeatInputs { typical, by_day: BTreeMap::new(), by_heat: Vec::new() })
        }
        HeatSource::Coil => None,
        HeatSource::HeatPump => heat_pump(&heats(notes, rooms, loss_w_per_k, capacity_wh_per_k)),
    }
}

/// One heat of a heat pump.
#[derive(Clone, Copy, Debug)]
struct Heat {
    day: Day,
    start_ms: i64,
    end_ms: i64,
    metered_kwh: f64,
    /// Mean of the lowest probe.
    base_degc: f64,
    /// Warmest probe at its end.
    end_degc: f64,
    /// Heat over metered energy; NaN where water was drawn meanwhile.
    shown: f64,
}

impl Heat {
    fn power_kw(&self) -> f64 {
        self.metered_kwh * 3_600_000.0 / (self.end_ms - self.start_ms) as f64
    }
}

fn heats(notes: HomeNotes<'_>, rooms: &Rooms<'_>, loss_w_per_k: f64, capacity_wh_per_k: f64) -> Vec<Heat> {
    let drawn = |s: &SpellNote| notes.draws.iter().any(|d| d.start.0 < s.end.0 && d.end.0 > s.start.0);
    let read = |s: &SpellNote| {
        let metered_kwh = s.energy_kwh.filter(|e| *e > 0.0)?;
        let level: Vec<f64> = s.level_degc.iter().filter(|v| !v.is_nan()).map(|v| f64::from(*v)).collect();
        let mean = level.iter().sum::<f64>() / level.len() as f64;
        let hours = (s.end.0 - s.start.0) as f64 / 3_600_000.0;
        let lost_wh = loss_w_per_k * (mean - rooms.of_day(s.day)) * hours;
        let shown = (s.rise_k? * capacity_wh_per_k + lost_wh) / (metered_kwh * 1000.0);
        let clean = metered_kwh >= LEAST_HEAT_KWH && !s.from_yesterday && !s.to_tomorrow && !drawn(s);
        Some(Heat {
            day: s.day,
            start_ms: s.start.0,
            end_ms: s.end.0,
            metered_kwh,
            base_degc: *level.last()?,
            end_degc: s.slope_or_stop.iter().copied().filter(|v| !v.is_nan()).reduce(f32::max)?.into(),
            shown: if clean { shown } else { f64::NAN },
        })
    };
    notes.spells.iter().filter(|s| s.kind == "heat" && s.end > s.start).filter_map(read).collect()
}

/// Quantile of `(value, weight)`; NaN of none.
fn weighted_quantile(mut values: Vec<(f64, f64)>, share: f64) -> f64 {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = values.iter().map(|v| v.1).sum();
    let mut sum = 0.0;
    let reached = |v: &&(f64, f64)| {
        sum += v.1;
        sum >= share * total
    };
    values.iter().find(reached).map_or(f64::NAN, |v| v.0)
}

/// Electricity over heat of a home: its logarithm is a line in the temperature of the base.
#[derive(Clone, Copy, Debug)]
struct Line {
    log_at_mean: f64,
    growth_per_k: f64,
    mean_degc: f64,
    range_degc: (f64, f64),
}

impl Line {
    /// Through the heats that showed their own.
    fn through(pumped: &[&Heat]) -> Self {
        let total: f64 = pumped.iter().map(|h| h.metered_kwh).sum();
        let mean_degc = pumped.iter().map(|h| h.metered_kwh * h.base_degc).sum::<f64>() / total;
        let left = |growth: f64| -> Vec<(f64, f64)> {
            let of = |h: &&Heat| (-libm::log(h.shown) - growth * (h.base_degc - mean_degc), h.metered_kwh);
            pumped.iter().map(of).collect()
        };
        let mut best = (0.0, f64::NAN, f64::INFINITY);
        for step in 0..=GROWTH_STEPS {
            let growth = MOST_GROWTH * step as f64 / GROWTH_STEPS as f64;
            let middle = weighted_quantile(left(growth), 1.0 - LEVEL);
            let apart: f64 = left(growth).iter().map(|(v, w)| w * (v - middle).abs()).sum();
            if apart < best.2 {
                best = (growth, middle, apart);
            }
        }
        let bases = pumped.iter().map(|h| h.base_degc);
        let range_degc = (
            bases.clone().fold(f64::INFINITY, f64::min) - REACH_K,
            bases.fold(f64::NEG_INFINITY, f64::max) + REACH_K,
        );
        Self { log_at_mean: best.1, growth_per_k: best.0, mean_degc, range_degc }
    }

    /// Heat over electricity with a base at this temperature.
    fn performance(self, base_degc: f64) -> f64 {
        let degc = base_degc.clamp(self.range_degc.0, self.range_degc.1);
        libm::exp(-self.log_at_mean - self.growth_per_k * (degc - self.mean_degc))
    }
}

fn heat_pump(heats: &[Heat]) -> Option<HeatInputs> {
    let usual =
        |of: fn(&Heat) -> f64| weighted_quantile(heats.iter().map(|h| (of(h), h.metered_kwh)).collect(), 0.5);
    let (usual_kw, usual_end_degc) = (usual(Heat::power_kw), usual(|h| h.end_degc));
    let along = |h: &Heat| h.power_kw() > ELEMENT_ALONG * usual_kw;
    let ends_hot = |h: &Heat| h.end_degc >= usual_end_degc + ENDS_HOT_K;
    let by_pump = |h: &&Heat| h.shown > LEAST_PERFORMANCE && !along(h) && !ends_hot(h);
    let pumped: Vec<&Heat> = heats.iter().filter(by_pump).collect();
    if pumped.len() < LEAST_HEATS {
        return None;
    }
    let line = Line::through(&pumped);
    let per_metered = |h: &Heat| {
        let performance = line.performance(h.base_degc);
        if ends_hot(h) {
            // The pump may have begun what the element ended: what it showed tells, where water was not drawn.
            if h.shown.is_nan() { 1.0 } else { h.shown.clamp(1.0, performance.max(1.0)) }
        } else if h.shown <= LEAST_PERFORMANCE {
            // An element alone: what it shows is 1 but for the noise of the stored heat.
            1.0
        } else if along(h) {
            (performance * usual_kw + (h.power_kw() - usual_kw)) / h.power_kw()
        } else {
            performance
        }
    };
    let mut sums: BTreeMap<Day, (f64, f64)> = BTreeMap::new();
    let mut by_heat = Vec::new();
    for heat in heats {
        let own = per_metered(heat);
        by_heat.push((heat.start_ms, heat.end_ms, own));
        let sum = sums.entry(heat.day).or_default();
        *sum = (sum.0 + heat.metered_kwh * own, sum.1 + heat.metered_kwh);
    }
    let all = sums.values().fold((0.0, 0.0), |a, s| (a.0 + s.0, a.1 + s.1));
    let apart: Vec<f64> =
        pumped.iter().map(|h| libm::log(h.shown / line.performance(h.base_degc)).abs()).collect();
    // Standard error of a median of normal values: 1.253 sd / sqrt(n), sd = 1.4826 x median absolute deviation.
    let error = 1.253 * 1.4826 * median(&apart) / (pumped.len() as f64).sqrt();
    let half = 1.645 * (error * error + VOLUME_SPREAD * VOLUME_SPREAD).sqrt();
    let middle = all.0 / all.1;
    let typical = HeatInput {
        per_metered: middle,
        p05: middle * (1.0 - half),
        p95: middle * (1.0 + half),
        heats: pumped.len(),
    };
    let by_day = sums.into_iter().map(|(day, s)| (day, s.0 / s.1)).collect();
    Some(HeatInputs { typical, by_day, by_heat })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Heats of 1 kWh electricity in an hour, each with a base; electricity over heat is `(base + 10) / 130`.
    fn heats(bases: &[f64]) -> Vec<Heat> {
        let heat = |(i, base): (usize, &f64)| Heat {
            day: Day(i as i32 / 2),
            start_ms: i as i64 * 36_000_000,
            end_ms: i as i64 * 36_000_000 + 3_600_000,
            metered_kwh: 1.0,
            base_degc: *base,
            end_degc: 52.0,
            shown: 130.0 / (base + 10.0),
        };
        bases.iter().enumerate().map(heat).collect()
    }

    #[test]
    fn a_cold_base_is_heated_with_less_electricity() {
        let mut all = heats(&[30.0, 34.0, 38.0, 42.0, 46.0, 40.0, 36.0, 44.0, 28.0]);
        // The last heat saw a draw-off: what it brought is read from the line.
        all[8].shown = f64::NAN;
        let read = heat_pump(&all).unwrap();
        let own = read.by_heat[8].2;
        // 130 / 38 = 3.42; the straight line in the logarithm comes near it, the middle heat gives 130 / 49 = 2.65.
        assert!((own / 3.42 - 1.0).abs() < 0.05, "{own}");
        assert_eq!(read.of_half_hour(Day(4), all[8].start_ms + 600_000), own);
        assert_eq!(read.of_half_hour(Day(4), all[8].end_ms + 7_200_000), read.of_day(Day(4)));
    }

    #[test]
    fn an_element_brings_what_it_takes() {
        let mut all = heats(&[40.0; 8]);
        all[3].shown = 1.02;
        // 2 kW of an element along with the pump's 1 kW, and water drawn.
        (all[5].metered_kwh, all[5].shown) = (3.0, f64::NAN);
        (all[6].end_degc, all[6].shown, all[7].end_degc) = (60.0, f64::NAN, 60.0);
        let read = heat_pump(&heats(&[40.0; 8]).into_iter().chain(all).collect::<Vec<_>>()).unwrap();
        let own: Vec<f64> = read.by_heat[8..].iter().map(|h| h.2).collect();
        assert_eq!((own[3], own[6]), (1.0, 1.0));
        assert!((own[5] - (2.6 + 2.0) / 3.0).abs() < 1e-9, "{own:?}");
        assert!((own[0] - 2.6).abs() < 1e-9 && (own[7] - 2.6).abs() < 1e-9);
    }

    #[test]
    fn a_few_heats_say_nothing() {
        assert!(heat_pump(&heats(&[40.0; 5])).is_none());
        assert!(heat_pump(&[]).is_none());
    }
}
