//! The set point at which the home's own heats come out right.
//!
//! The highest probe, read some minutes apart, says within a kelvin or two where a thermostat opens, and a cylinder that is nearly full has
//! room for no more than that. So the heats that ended by the thermostat are run through the model, and the set point is
//! moved until it takes what the meter shows: as often more as less.

use chrono_tz::Tz;
use drawoff_contract::daybook::SpellNote;
use drawoff_contract::local::{LocalDay, day_of};
use drawoff_tank::replay::{Cylinder, Permit, State};

use super::{HalfHour, Home};
use crate::trial::{before, series, step};

/// Heats that are looked at: the last ones.
const MOST_HEATS: usize = 60;
/// Fewer say nothing.
const FEWEST_HEATS: usize = 5;
/// The set point is not moved by more than this, K: a larger difference is another fault of the reading.
const MOST_MOVED_K: f64 = 6.0;
/// Halvings of the range: to a hundredth of a kelvin.
const HALVINGS: u32 = 10;

/// One heat that ended by the thermostat: water before its first half-hour, its half-hours, and what the meter shows, Wh of heat.
struct Heat<'a> {
    water: State,
    half_hours: Vec<&'a HalfHour>,
    slot: usize,
    metered_wh: f64,
}

/// The home's cylinder with its set point fitted; as it was where too few heats tell. Heats that stopped colder than
/// `least_degc` were not ended by the thermostat.
pub(super) fn fitted(home: &Home, zone: Tz, spells: &[&SpellNote], least_degc: f64) -> Cylinder {
    let hot = |s: &&&SpellNote| s.stop_degc.is_some_and(|stop| stop >= least_degc);
    let ended =
        spells.iter().rev().filter(|s| s.call_ended && !s.from_yesterday && !s.to_tomorrow).filter(hot);
    let heats: Vec<Heat<'_>> = ended.filter_map(|s| heat(home, zone, s)).take(MOST_HEATS).collect();
    if heats.len() < FEWEST_HEATS {
        return home.cylinder;
    }
    let start = home.cylinder.heater().set_degc;
    let more_at = |set_degc: f64| {
        let cylinder = home.cylinder.with_heater(|h| h.set_degc = set_degc);
        let mut more: Vec<f64> = heats.iter().map(|h| taken_wh(home, &cylinder, h) - h.metered_wh).collect();
        crate::quantile::median(&mut more)
    };
    let (mut low, mut high) = (start - MOST_MOVED_K, start + MOST_MOVED_K);
    // What no set point within reach explains is left as it was read.
    if !(more_at(low) < 0.0 && more_at(high) > 0.0) {
        return home.cylinder;
    }
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if more_at(middle) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    home.cylinder.with_heater(|h| h.set_degc = 0.5 * (low + high))
}

fn heat<'a>(home: &'a Home, zone: Tz, spell: &SpellNote) -> Option<Heat<'a>> {
    const HALF_HOUR_MS: i64 = 1_800_000;
    let day = home.days.binary_search_by_key(&day_of(zone, spell.start.0), |d| d.day).ok()?;
    let day_start_ms = LocalDay::of(zone, home.days[day].day).start_ms;
    let slot = |ms: i64| usize::try_from((ms - day_start_ms) / HALF_HOUR_MS).ok();
    let (first, last) = (slot(spell.start.0)?, slot(spell.end.0 - 1)?);
    let half_hours: Vec<&HalfHour> = series(home, day, first).take(last + 1 - first).collect();
    let metered_wh: f64 = half_hours.iter().map(|h| h.heater_wh).sum::<f64>() * home.heat_per_metered;
    let water = home.water_at(before(home, day, first)?)?;
    (metered_wh.is_finite() && half_hours.len() == last + 1 - first).then_some(Heat {
        water,
        half_hours,
        slot: first,
        metered_wh,
    })
}

/// Heat that the model takes in the same half-hours, Wh.
fn taken_wh(home: &Home, cylinder: &Cylinder, heat: &Heat<'_>) -> f64 {
    let mut state = heat.water;
    let steps = heat.half_hours.iter().enumerate();
    steps
        .map(|(i, h)| cylinder.advance(&mut state, &step(home, h, heat.slot + i, Permit::ForceOn)).heated_wh)
        .sum()
}

#[cfg(test)]
mod tests {
    use drawoff_contract::{Day, Utc};

    use super::*;
    use crate::trial::tests::made_by;

    /// Heats of a home whose days the model made itself: those that ended within a half-hour, from the half-hours of its meter.
    fn heats(home: &Home) -> Vec<SpellNote> {
        let mut out = Vec::new();
        for (index, day) in home.days.iter().enumerate().skip(1) {
            let day_start_ms = LocalDay::of(Tz::UTC, Day(day.day.0)).start_ms;
            let on: Vec<bool> = day.half_hours.iter().map(|h| h.heater_wh > 0.0).collect();
            let mut slot = 1;
            while slot < on.len() {
                let length = on[slot..].iter().take_while(|on| **on).count();
                if length > 0 && !on[slot - 1] && slot + length < on.len() {
                    out.push(SpellNote {
                        home: home.home.clone(),
                        day: Day(index as i32),
                        kind: "heat".to_owned(),
                        start: Utc(day_start_ms + slot as i64 * 1_800_000),
                        end: Utc(day_start_ms + (slot + length) as i64 * 1_800_000),
                        from_yesterday: false,
                        to_tomorrow: false,
                        level_degc: Vec::new(),
                        slope_or_stop: Vec::new(),
                        surroundings_degc: None,
                        energy_kwh: None,
                        rise_k: None,
                        stop_degc: Some(57.0),
                        element: Some(0),
                        power_w: None,
                        call_ended: true,
                        called: None,
                        net_out_w: None,
                    });
                }
                slot += length.max(1);
            }
        }
        out
    }

    #[test]
    fn heats_give_back_the_set_point_that_made_them() {
        let mut home = made_by(3000.0, 20, [true; 48], &|day, slot| match slot {
            14 => 2500.0 + 100.0 * f64::from(day % 7),
            40 => 1800.0,
            _ => 0.0,
        });
        let spells = heats(&home);
        let spells: Vec<&SpellNote> = spells.iter().collect();
        assert!(spells.len() >= 20, "{}", spells.len());
        // a probe that reads 3 K low at the stop
        home.cylinder = home.cylinder.with_heater(|h| h.set_degc = 57.0);
        let set = |least| fitted(&home, Tz::UTC, &spells, least).heater().set_degc;
        assert!((set(55.0) - 60.0).abs() < 0.3, "{}", set(55.0));
        // heats that something else ended tell nothing
        assert!((set(58.0) - 57.0).abs() < 1e-9);
    }
}
