//! One home as flexibility sees it: its cylinder, its heater's rule, and the past days that are its trials.

use drawoff_contract::Day;
use drawoff_contract::daybook::SpellNote;
use drawoff_contract::local::LocalDay;
use drawoff_contract::{Cylinder as Registered, HeatSource};
use drawoff_homes::{HomeNotes, HomeReading};
use drawoff_tank::Water;
use drawoff_tank::column::{DEFAULT_INLET_MIXING_L, Settings as Column};
use drawoff_tank::replay::{Cylinder, Heater, State};

use crate::calendar::Calendar;

mod stop;

/// Layers of the cylinder in trials: more do not change a home's sums by a hundredth, and cost in proportion.
const LAYERS: u8 = 10;
/// Users stop where the outlet falls below this, degC: the usable temperature of the published V40.
pub const USABLE_DEGC: f64 = 40.0;
/// A heater runs in a half-hour of the day if it did so on more than this share of the days.
const RUNS_SHARE: f64 = 0.04;
/// Fewest heating spells that ended by the thermostat, for the set point to be read from them.
const FEWEST_STOPS: usize = 5;
/// Height over which hot and cold water mix at rest, volume fraction: half way between a laboratory's thick fronts and sharp ones.
const FRONT: f64 = 0.25;
/// Half-hours of the day in which a surplus of solar power may be what heats: 7:00 to 20:00 local time.
const SUN: std::ops::Range<usize> = 14..40;
/// What a thermostat falls by before it closes again, K (common practice, no source).
const HYSTERESIS_K: f64 = 6.0;

/// Why a home is not counted among those that can move load.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum NotCounted {
    /// A fault of the cylinder or its probes is called.
    Faulty,
    /// No readings at the end of the record.
    Silent,
    /// Nobody draws water at the end of the record.
    Vacant,
    /// No electric heat is metered: a boiler coil, or no power in the export.
    NoMeteredPower,
    /// The register lacks the volume.
    NoVolume,
    /// Too few days, or no heat that ended by the thermostat.
    TooLittleData,
}

impl NotCounted {
    /// All reasons, in the order of tables.
    pub const ALL: [Self; 6] =
        [Self::Faulty, Self::Silent, Self::Vacant, Self::NoMeteredPower, Self::NoVolume, Self::TooLittleData];

    /// Words for tables.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Faulty => "a fault is called",
            Self::Silent => "no readings at the end of the record",
            Self::Vacant => "nobody at home at the end of the record",
            Self::NoMeteredPower => "no electric heat is metered",
            Self::NoVolume => "the register lacks the volume",
            Self::TooLittleData => "too little data",
        }
    }
}

/// One half-hour of a past day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfHour {
    /// Electricity that the heater took, Wh; NaN where not seen.
    pub heater_wh: f64,
    /// Heat in the water above 0 degC at the end, Wh; NaN where not seen.
    pub stored_wh: f64,
    /// Lowest temperature of the top probe, degC; NaN where not seen.
    pub top_degc: f64,
    /// Heat above the cold feed that users drew, Wh.
    pub wanted_wh: f64,
    /// Around the cylinder, degC.
    pub surroundings_degc: f64,
    /// Cold feed, degC.
    pub feed_degc: f64,
}

/// One past local day.
#[derive(Clone, Debug, PartialEq)]
pub struct PastDay {
    /// The calendar day.
    pub day: Day,
    /// Whether it is a Saturday, a Sunday or a public holiday.
    pub weekend: bool,
    /// Its half-hours: 46, 48 or 50 in most zones.
    pub half_hours: Vec<HalfHour>,
}

/// One home with its trials.
#[derive(Clone, Debug)]
pub struct Home {
    /// The export's own identifier.
    pub home: String,
    /// Cylinder and heater.
    pub cylinder: Cylinder,
    /// Heat into the water per metered electricity: 1 for elements.
    pub heat_per_metered: f64,
    /// Whether the heater may run, by half-hour of the local day.
    pub allowed: [bool; 48],
    /// Whether heat in these half-hours can be sold: not where spare solar power may be what heats.
    pub sellable: [bool; 48],
    /// Past days in order; days without any reading are left out.
    pub days: Vec<PastDay>,
}

impl Home {
    /// Reads a home from its daybook: the last `window_days` days before the end of the record on `last`.
    ///
    /// # Errors
    /// Why the home is not counted.
    pub fn new(
        notes: HomeNotes<'_>,
        reading: &HomeReading,
        last: Day,
        window_days: usize,
        calendar: &Calendar,
        water: Water,
    ) -> Result<Self, NotCounted> {
        let registered = notes.cylinder;
        let volume_l = registered.volume_l.ok_or(NotCounted::NoVolume)?;
        if registered.heat_source == HeatSource::Coil {
            return Err(NotCounted::NoMeteredPower);
        }
        let first = Day(last.0 - i32::try_from(window_days).unwrap_or(i32::MAX) + 1);
        let within = |day: Day| day >= first && day <= last;
        if !notes.days.iter().rev().take(2).any(|d| d.day.0 >= last.0 - 1 && d.instants > 0) {
            return Err(NotCounted::Silent);
        }
        let spells = own_spells(notes);
        let stop_degc = stop_degc(&spells)?;
        let (power_w, power_known) = power_w(notes, &spells);
        if !power_known {
            return Err(NotCounted::NoMeteredPower);
        }
        let days = past_days(notes, reading, calendar, within);
        if days.len() < 7 {
            return Err(NotCounted::TooLittleData);
        }
        let heat_per_metered = match (registered.heat_source, reading.row.heat_per_metered) {
            (HeatSource::HeatPump, None) => return Err(NotCounted::TooLittleData),
            (_, per) => per.unwrap_or(1.0),
        };
        let circulated = matches!(registered.heat_source, HeatSource::TopPump | HeatSource::HeatPump);
        let low = lowest_height(registered, circulated);
        let cylinder = Cylinder::new(
            &Column {
                volume_l,
                height_m: registered.height_m,
                layers: LAYERS,
                standing_loss_w_per_k: reading.balance_w_per_k,
                inlet_mixing_l: DEFAULT_INLET_MIXING_L,
                water,
                ..Column::default()
            },
            Heater {
                low,
                stop_height: low,
                power_w: power_w * heat_per_metered,
                set_degc: stop_degc,
                hysteresis_k: HYSTERESIS_K,
                circulated,
            },
            USABLE_DEGC,
        );
        let allowed = allowed(&days);
        let mut sellable = [true; 48];
        if by_surplus(registered, notes) {
            sellable[SUN].fill(false);
        }
        let mut home =
            Self { home: registered.home.clone(), cylinder, heat_per_metered, allowed, sellable, days };
        home.cylinder = stop::fitted(&home, registered.zone, &spells, stop_degc - SAME_STOP_K);
        Ok(home)
    }

    /// The water at the end of a half-hour as the probes tell it; `None` where they were silent.
    ///
    /// Hot water at the temperature of the top lies over the cold feed, as much of it as the stored heat says.
    #[must_use]
    pub fn water_at(&self, half_hour: &HalfHour) -> Option<State> {
        let capacity = self.cylinder.stored_wh(&self.cylinder.uniform(1.0), 0.0);
        let mean_degc = half_hour.stored_wh / capacity;
        let (feed, top) = (half_hour.feed_degc, half_hour.top_degc.max(mean_degc));
        if !(mean_degc.is_finite() && top.is_finite() && feed.is_finite()) {
            return None;
        }
        let share = if top - feed > 1.0 { ((mean_degc - feed) / (top - feed)).clamp(0.0, 1.0) } else { 1.0 };
        let middle = middle_of_front(share);
        let at = |height: f64| feed + (top - feed) * ((height - middle) / FRONT + 0.5).clamp(0.0, 1.0);
        // layers are no heights: a level shift gives back the heat that this costs
        let state = self.cylinder.state(at)?;
        let shift = (half_hour.stored_wh - self.cylinder.stored_wh(&state, 0.0)) / capacity;
        self.cylinder.state(|height| at(height) + shift)
    }
}

/// Where the middle of the front lies, volume fraction, for the hot share to be what is given; beyond base or top where the front is cut off.
fn middle_of_front(hot: f64) -> f64 {
    // a front of which only a part is left holds a triangle of the other water
    let cut = |share: f64| (2.0 * FRONT * share).sqrt() - FRONT / 2.0;
    match hot {
        _ if 1.0 - hot < FRONT / 2.0 => cut(1.0 - hot),
        _ if hot < FRONT / 2.0 => 1.0 - cut(hot),
        _ => 1.0 - hot,
    }
}

/// Heating spells of the lowest heater, which events hold off first and take on with; all spells where none is told to be its own.
fn own_spells<'a>(notes: HomeNotes<'a>) -> Vec<&'a SpellNote> {
    let heats = || notes.spells.iter().filter(|s| s.kind == "heat");
    let lowest: Vec<&SpellNote> = heats().filter(|s| s.element == Some(0)).collect();
    if lowest.len() >= FEWEST_STOPS { lowest } else { heats().collect() }
}

/// Most power of an element over its rating: 253 V at a rating for 240 V, squared (statutory supply range).
const MOST_OF_RATED: f64 = 1.12;
/// What a thermostat stops by, less than the hottest, K: heats that end colder were ended by a timer or a charge.
const SAME_STOP_K: f64 = 2.0;

/// Stops and powers scatter downwards, where something else than thermostat and mains decides: the median of those within `less` of the
/// point that one in ten exceeds; NaN of none.
fn undiminished(values: &mut [f64], less: impl Fn(f64) -> f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let most = crate::quantile::of_next(values, 0.9);
    let mut near: Vec<f64> = values.iter().copied().filter(|v| *v >= less(most)).collect();
    if near.is_empty() { f64::NAN } else { crate::quantile::median(&mut near) }
}

/// Temperature at which the thermostat opens, degC: the highest probe when a call ended.
fn stop_degc(spells: &[&SpellNote]) -> Result<f64, NotCounted> {
    let mut stops: Vec<f64> = spells.iter().filter(|s| s.call_ended).filter_map(|s| s.stop_degc).collect();
    if stops.len() < FEWEST_STOPS {
        return Err(NotCounted::TooLittleData);
    }
    Ok(undiminished(&mut stops, |most| most - SAME_STOP_K))
}

/// Power of the heater, W: over its heating spells, without those in which a diverter gave it less; and whether any energy was metered at all.
fn power_w(notes: HomeNotes<'_>, spells: &[&SpellNote]) -> (f64, bool) {
    // a heat pump is rated by its heat, which says nothing of its electricity
    let own = notes.cylinder.source_rated_w.filter(|_| notes.cylinder.heat_source != HeatSource::HeatPump);
    let lowest =
        || notes.cylinder.elements.iter().min_by(|a, b| a.height.total_cmp(&b.height)).map(|e| e.rated_w);
    let rated: f64 = own.or_else(lowest).unwrap_or(f64::NAN);
    // with more than its voltage explains, another element ran beside it
    let pumped = notes.cylinder.heat_source == HeatSource::HeatPump;
    let alone = |w: &f64| pumped || rated.is_nan() || *w <= MOST_OF_RATED * rated;
    let mut powers: Vec<f64> = spells.iter().filter_map(|s| s.power_w).filter(alone).collect();
    let metered = notes.days.iter().any(|d| d.heater_kwh.is_some_and(|kwh| kwh > 0.0));
    let power = if powers.is_empty() { rated } else { undiminished(&mut powers, |most| 0.8 * most) };
    (power, metered && power.is_finite() && power > 0.0)
}

/// Lowest water that is heated: the lowest element, or where a loop through the base ends.
fn lowest_height(registered: &Registered, circulated: bool) -> f64 {
    if circulated {
        return registered.source_lower_height.unwrap_or(0.05);
    }
    registered.elements.iter().map(|e| e.height).reduce(f64::min).unwrap_or(0.1)
}

/// Spare solar power may be what heats: the register says so, or the house's export is measured.
fn by_surplus(registered: &Registered, notes: HomeNotes<'_>) -> bool {
    registered.control.as_deref().is_some_and(|c| c.trim().eq_ignore_ascii_case("pv"))
        || notes.days.iter().any(|d| d.export_kwh.is_some_and(|kwh| kwh > 0.0))
}

fn allowed(days: &[PastDay]) -> [bool; 48] {
    let mut seen = [0.0_f64; 48];
    let mut ran = [0.0_f64; 48];
    for (slot, half_hour) in
        days.iter().flat_map(|d| d.half_hours.iter().enumerate()).filter(|(slot, _)| *slot < 48)
    {
        if half_hour.heater_wh.is_finite() {
            seen[slot] += 1.0;
            ran[slot] += f64::from(u8::from(half_hour.heater_wh > 20.0));
        }
    }
    std::array::from_fn(|slot| seen[slot] > 0.0 && ran[slot] > RUNS_SHARE * seen[slot])
}

fn past_days(
    notes: HomeNotes<'_>,
    reading: &HomeReading,
    calendar: &Calendar,
    within: impl Fn(Day) -> bool,
) -> Vec<PastDay> {
    let zone = notes.cylinder.zone;
    let nan_or = |values: &[f32], i: usize| values.get(i).map_or(f64::NAN, |v| f64::from(*v));
    let mut days: Vec<PastDay> = Vec::new();
    let mut starts: Vec<(i64, i64)> = Vec::new();
    for (index, note) in notes.days.iter().enumerate().filter(|(_, d)| within(d.day) && d.instants > 0) {
        let room = note.surroundings_degc.or(reading.room_degc.get(index).copied()).unwrap_or(18.0);
        let feed = reading.cold_degc.get(index).copied().filter(|c| c.is_finite()).unwrap_or(10.0);
        let local = LocalDay::of(zone, note.day);
        let half_hours = (0..local.half_hours())
            .map(|i| HalfHour {
                heater_wh: 1000.0 * nan_or(&note.heater_kwh_by_half_hour, i),
                stored_wh: 1000.0 * nan_or(&note.stored_kwh_by_half_hour, i),
                top_degc: nan_or(&note.top_degc_by_half_hour, i),
                wanted_wh: 0.0,
                surroundings_degc: room,
                feed_degc: feed,
            })
            .collect();
        days.push(PastDay { day: note.day, weekend: calendar.is_weekend(note.day), half_hours });
        starts.push((local.start_ms, local.end_ms));
    }
    spread_draws(&mut days, &starts, reading);
    days
}

/// Lays each draw-off's heat into the half-hours that it lasted through.
fn spread_draws(days: &mut [PastDay], starts: &[(i64, i64)], reading: &HomeReading) {
    const HALF_HOUR_MS: i64 = 1_800_000;
    for draw in &reading.days.draws {
        let (start, end) = (draw.start.0, draw.end.0.max(draw.start.0 + 1));
        // the day in which it starts, and the next if it reaches over midnight
        let first = starts.partition_point(|(_, day_end)| *day_end <= start);
        for index in first..starts.len() {
            let (day_start, _) = starts[index];
            if day_start >= end {
                break;
            }
            for (slot, half_hour) in days[index].half_hours.iter_mut().enumerate() {
                let from = day_start + slot as i64 * HALF_HOUR_MS;
                let overlap = end.min(from + HALF_HOUR_MS) - start.max(from);
                if overlap > 0 {
                    half_hour.wanted_wh += 1000.0 * draw.energy_kwh * overlap as f64 / (end - start) as f64;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_front_holds_the_share_that_it_should_wherever_it_is_cut_off() {
        for hot in [0.0, 0.01, 0.05, 0.124, 0.126, 0.5, 0.9, 0.99, 1.0] {
            let middle = middle_of_front(hot);
            let share: f64 = (0..10_000)
                .map(|i| ((f64::from(i) + 0.5) / 10_000.0 - middle) / FRONT + 0.5)
                .map(|part| part.clamp(0.0, 1.0) / 10_000.0)
                .sum();
            assert!((share - hot).abs() < 1e-6, "{hot} {share}");
        }
    }

    #[test]
    fn what_is_held_below_its_power_is_not_its_power() {
        // a diverter's heats: most at whatever the sun gives, some at night on full power
        let mut powers = vec![400.0, 900.0, 700.0, 1200.0, 1500.0, 800.0, 3000.0, 2950.0, 3050.0];
        let power = undiminished(&mut powers, |most| 0.8 * most);
        assert!((power - 3000.0).abs() < 1.0, "{power}");
        assert!(undiminished(&mut [], |most| most).is_nan());
    }
}
