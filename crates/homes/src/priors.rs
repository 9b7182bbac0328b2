//! What the fleet knows and a single home does not: the surroundings of cylinders without a room probe, and the cold feed.

mod rows;

use std::collections::BTreeMap;

use drawoff_contract::Day;
use drawoff_contract::daybook::{DayNote, SpellNote};

use crate::cold_alone::cold_alone;
use crate::reading::HomeNotes;
use crate::robust::{median, quantile, scatter};

/// Surroundings where nobody measures any: common practice, no source.
const ASSUMED_SURROUNDINGS_DEGC: f64 = 18.0;
/// Spread of surroundings between homes where nobody measures any, K: design choice after the usual range 15 to 22 degC.
const ASSUMED_SPREAD_K: f64 = 3.0;
/// A room probe reads the surroundings of the skin within this, K.
const MEASURED_SPREAD_K: f64 = 0.4;
/// Fewer measured homes than this say nothing of the rest.
const LEAST_MEASURED: usize = 3;
/// From this many measured homes on their own distribution is drawn from, each blurred by the kernel, K.
const ENOUGH_FOR_TAILS: usize = 8;
const KERNEL_K: f64 = 0.6;
/// The lowest of a week of noisy readings lies below the feed by about this, K.
const LOWEST_OF_WEEK_K: f64 = 0.3;
/// Mains water is not warmer: common practice, no source.
const WARMEST_FEED_DEGC: f64 = 25.0;
/// A home's own lowest reading this far from its fleet's is not its cold feed.
const COLD_REACH_K: (f64, f64) = (4.0, 2.5);

/// What the fleet knows.
#[derive(Clone, Debug)]
pub struct FleetPriors {
    rooms: BTreeMap<Day, Vec<f64>>,
    room_spread_k: f64,
    /// How far each measured home's surroundings lie from what is said of unmeasured ones, K, in order.
    room_offsets_k: Vec<f64>,
    /// Median home less the mean of all, K: a few lofts must not cool the rest.
    room_shift_k: f64,
    measured_homes: usize,
    last_day: Option<Day>,
    cold: BTreeMap<Day, f64>,
}

/// Surroundings of one home over time.
#[derive(Clone, Debug)]
pub struct Rooms<'a> {
    priors: &'a FleetPriors,
    own: BTreeMap<Day, f64>,
    /// measured, fleet or assumed.
    pub source: &'static str,
    /// Standard deviation of the home's true surroundings about these, K.
    pub spread_k: f64,
}

impl Rooms<'_> {
    /// A draw of how far the true surroundings lie from these, K: `pick` is uniform in 0 to 1, `size` standard normal.
    ///
    /// Between homes it follows the measured ones, whose tails (lofts, garages) no normal law has; else it is normal.
    #[must_use]
    pub(crate) fn offset_k(&self, pick: f64, size: f64) -> f64 {
        let offsets = &self.priors.room_offsets_k;
        if self.source != "fleet" || offsets.len() < ENOUGH_FOR_TAILS {
            return self.spread_k * size;
        }
        let at = ((pick * offsets.len() as f64) as usize).min(offsets.len() - 1);
        offsets[at] + KERNEL_K * size
    }

    /// Surroundings during an idle segment, degC.
    #[must_use]
    pub fn of_spell(&self, spell: &SpellNote) -> f64 {
        spell
            .surroundings_degc
            .or_else(|| self.own.get(&spell.day).copied())
            .unwrap_or_else(|| self.of_day(spell.day))
    }

    /// Mean surroundings of a day, degC.
    #[must_use]
    pub fn of_day(&self, day: Day) -> f64 {
        if let Some(own) = self.own.get(&day) {
            return *own;
        }
        if !self.own.is_empty() {
            return median(&self.own.values().copied().collect::<Vec<_>>());
        }
        self.priors.rooms.get(&day).map_or(ASSUMED_SURROUNDINGS_DEGC, |hours| {
            let known: Vec<f64> = hours.iter().copied().filter(|v| !v.is_nan()).collect();
            known.iter().sum::<f64>() / known.len() as f64 + self.priors.room_shift_k
        })
    }
}

/// Spread between homes, K: of the body where enough are measured, since draws follow the tails themselves.
fn spread_k(offsets: &[f64]) -> f64 {
    if offsets.len() >= ENOUGH_FOR_TAILS {
        return scatter(offsets);
    }
    let mean = offsets.iter().sum::<f64>() / offsets.len() as f64;
    (offsets.iter().map(|o| (o - mean) * (o - mean)).sum::<f64>() / (offsets.len() as f64 - 1.0).max(1.0))
        .sqrt()
}

/// Lowest reading of any probe within three days either side: that of the lowest one that reports.
fn lowest_of_week(days: &[DayNote], i: usize) -> f64 {
    let low = days.iter().take(i + 4).skip(i.saturating_sub(3));
    low.flat_map(|d| &d.probe_min_degc).fold(f64::NAN, |a, b| a.min(f64::from(*b)))
}

/// What the fleet's daybook says, gathered home by home.
#[derive(Clone, Debug, Default)]
pub struct PriorsBuilder {
    /// By day and half-hour: sum of the surroundings and number of homes.
    sums: BTreeMap<Day, Vec<(f64, f64)>>,
    /// Mean surroundings by day of each home that measures them.
    measured: Vec<Vec<(Day, Option<f64>)>>,
    lows: BTreeMap<Day, Vec<f64>>,
    last_day: Option<Day>,
}

impl PriorsBuilder {
    /// Adds the days of a home, in order. Homes in a fixed order give fixed sums.
    pub fn add(&mut self, days: &[DayNote]) {
        let mut any = false;
        for (i, day) in days.iter().enumerate() {
            let low = lowest_of_week(days, i);
            if !low.is_nan() {
                self.lows.entry(day.day).or_default().push(low);
            }
            let slots = self.sums.entry(day.day).or_default();
            for (h, v) in day.surroundings_by_half_hour.iter().enumerate().filter(|(_, v)| !v.is_nan()) {
                if slots.len() <= h {
                    slots.resize(h + 1, (0.0, 0.0));
                }
                slots[h].0 += f64::from(*v);
                slots[h].1 += 1.0;
                any = true;
            }
        }
        if any {
            self.measured.push(days.iter().map(|d| (d.day, d.surroundings_degc)).collect());
        }
        self.last_day = self.last_day.max(days.last().map(|d| d.day));
    }

    /// What the fleet knows.
    #[must_use]
    pub fn finish(self) -> FleetPriors {
        let rooms: BTreeMap<Day, Vec<f64>> = self
            .sums
            .into_iter()
            .filter(|(_, s)| s.iter().any(|(_, n)| *n > 0.0))
            .map(|(day, s)| (day, s.into_iter().map(|(sum, n)| sum / n).collect()))
            .collect();
        let enough = self.measured.len() >= LEAST_MEASURED;
        let mut priors = FleetPriors {
            rooms: if enough { rooms } else { BTreeMap::new() },
            room_spread_k: ASSUMED_SPREAD_K,
            room_offsets_k: Vec::new(),
            room_shift_k: 0.0,
            measured_homes: self.measured.len(),
            last_day: self.last_day,
            // Most homes draw enough in a week to bring the feed up to their lowest probe; few read below it.
            cold: self
                .lows
                .into_iter()
                .filter(|(_, v)| v.len() >= LEAST_MEASURED)
                .map(|(day, v)| (day, quantile(&v, 0.3) + LOWEST_OF_WEEK_K))
                // A fleet whose lowest probes are never reached by the feed shows none.
                .filter(|(_, degc)| (0.0..=WARMEST_FEED_DEGC).contains(degc))
                .collect(),
        };
        if enough {
            let offsets = priors.offsets_k(&self.measured);
            priors.room_shift_k = median(&offsets);
            priors.room_offsets_k = offsets.iter().map(|o| o - priors.room_shift_k).collect();
            priors.room_offsets_k.sort_by(f64::total_cmp);
            priors.room_spread_k = spread_k(&offsets).max(0.5);
        }
        priors
    }
}

impl FleetPriors {
    /// Gathers what the fleet's daybook says. Homes in a fixed order give fixed sums.
    #[must_use]
    pub fn new(homes: &[HomeNotes<'_>]) -> Self {
        let mut builder = PriorsBuilder::default();
        homes.iter().for_each(|home| builder.add(home.days));
        builder.finish()
    }

    /// Mean surroundings of each measured home less the fleet's of the same days, K.
    fn offsets_k(&self, measured: &[Vec<(Day, Option<f64>)>]) -> Vec<f64> {
        measured
            .iter()
            .map(|days| {
                let differences: Vec<f64> = days
                    .iter()
                    .filter_map(|(day, degc)| {
                        let fleet = self.rooms.get(day)?;
                        let known: Vec<f64> = fleet.iter().copied().filter(|v| !v.is_nan()).collect();
                        Some((*degc)? - known.iter().sum::<f64>() / known.len() as f64)
                    })
                    .collect();
                differences.iter().sum::<f64>() / differences.len() as f64
            })
            .collect()
    }

    /// Last local day that any home of the fleet has.
    pub(crate) fn last_day(&self) -> Option<Day> {
        self.last_day
    }

    /// Surroundings of a home: its own where measured, else the fleet's mean, else an assumption.
    #[must_use]
    pub fn rooms(&self, days: &[DayNote]) -> Rooms<'_> {
        let own: BTreeMap<Day, f64> =
            days.iter().filter_map(|d| Some((d.day, d.surroundings_degc?))).collect();
        let (source, spread_k) = if own.len() * 2 > days.len() {
            ("measured", MEASURED_SPREAD_K)
        } else if self.measured_homes >= LEAST_MEASURED {
            ("fleet", self.room_spread_k)
        } else {
            ("assumed", ASSUMED_SPREAD_K)
        };
        let own = if source == "measured" { own } else { BTreeMap::new() };
        Rooms { priors: self, own, source, spread_k }
    }

    /// Cold feed on each of a home's days as its fleet shows it, degC; NaN where it shows none.
    #[must_use]
    pub fn fleet_cold_feed(&self, days: &[DayNote]) -> Vec<f64> {
        days.iter().map(|d| self.cold.get(&d.day).copied().unwrap_or(f64::NAN)).collect()
    }

    /// Cold feed of a home on each of its days, degC: its own weekly lowest where that can be the feed, else the fleet's; where
    /// there is no fleet, what its draw-offs and the season say (see [`crate::cold_alone`]).
    #[must_use]
    pub fn cold_feed(&self, days: &[DayNote]) -> Vec<f64> {
        (0..days.len())
            .map(|i| {
                let own = lowest_of_week(days, i) + LOWEST_OF_WEEK_K;
                let Some(&fleet) = self.cold.get(&days[i].day) else { return cold_alone(days, i, own) };
                if own > fleet - COLD_REACH_K.0 && own < fleet + COLD_REACH_K.1 { own } else { fleet }
            })
            .collect()
    }
}
