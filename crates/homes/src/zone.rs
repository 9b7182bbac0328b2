//! The hot zone at the top: as long as it is of one temperature, it cools by the insulation alone.
//!
//! Draw-offs and leaks push water up through it without changing its temperature, and conduction needs a gradient, so the
//! zone's cooling gives the loss even where the rest of the cylinder is stirred. Its share of the skin turns it into the
//! loss of the whole cylinder.

use drawoff_contract::daybook::SpellNote;
use drawoff_tank::shape::Shape;

use crate::mixture::Observation;
use crate::priors::Rooms;

/// Probes no further below the top probe than this, at both ends of the segment, belong to the zone. Wider, and
/// draw-offs lift slightly cooler water past the probes; narrower, and probe calibration splits a uniform zone.
const ZONE_K: f64 = 0.8;
/// Below this lift over the surroundings the loss is too small to read.
const LEAST_LIFT_K: f64 = 8.0;

/// Observations from the idle segments of a home. `sound` says which probes may be used.
pub(crate) fn observations(
    spells: &[&SpellNote],
    heights: &[f64],
    shape: Shape,
    capacity_wh_per_k: f64,
    rooms: &Rooms,
    sound: &[bool],
) -> Vec<Observation> {
    spells
        .iter()
        .filter(|s| s.kind == "idle")
        .filter_map(|s| observation(s, heights, shape, capacity_wh_per_k, rooms, sound))
        .collect()
}

fn observation(
    spell: &SpellNote,
    heights: &[f64],
    shape: Shape,
    capacity_wh_per_k: f64,
    rooms: &Rooms,
    sound: &[bool],
) -> Option<Observation> {
    let hours = (spell.end.0 - spell.start.0) as f64 / 3_600_000.0;
    let usable: Vec<usize> = (0..heights.len())
        .filter(|&p| {
            sound.get(p).copied().unwrap_or(false)
                && spell.level_degc.get(p).is_some_and(|v| !v.is_nan())
                && spell.slope_or_stop.get(p).is_some_and(|v| !v.is_nan())
        })
        .collect();
    let at = |p: usize, side: f64| {
        f64::from(spell.level_degc[p]) + side * 0.5 * hours * f64::from(spell.slope_or_stop[p])
    };
    let top = *usable.first()?;
    let in_zone = |p: usize| [-1.0, 1.0].iter().all(|&side| at(top, side) - at(p, side) < ZONE_K);
    let zone = usable.iter().take_while(|&&p| in_zone(p)).count();
    if zone < 2 {
        return None;
    }
    // The lowest probe of the zone stands at the border, where the front below already cools it.
    let inner = if zone >= 3 { zone - 1 } else { zone };
    let level = usable[..inner].iter().map(|&p| f64::from(spell.level_degc[p])).sum::<f64>() / inner as f64;
    let slope =
        usable[..inner].iter().map(|&p| f64::from(spell.slope_or_stop[p])).sum::<f64>() / inner as f64;
    // The zone is known to reach down to its lowest probe; below that the front begins somewhere before the next.
    let share = if zone == usable.len() { 1.0 } else { 1.0 - heights[usable[zone - 1]] };
    let lift_k = level - rooms.of_spell(spell);
    (lift_k >= LEAST_LIFT_K).then(|| Observation {
        loss_w: -capacity_wh_per_k * slope / shape.top_zone_excess(share),
        lift_k,
        share,
        day: spell.day.0,
        at_ms: i64::midpoint(spell.start.0, spell.end.0),
    })
}
