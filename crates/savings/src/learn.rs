//! The rule that a home is really heated by: windows from when it heats, set point from where it stops, and what fits its days best.

use drawoff_contract::daybook::{DayNote, SpellNote};
use drawoff_contract::local::weekday;
use drawoff_contract::{Cylinder, Day, HeatSource};
use drawoff_homes::robust::median;
use drawoff_tank::replay::Heater;

use crate::history::{DaySpan, HalfHour, History, SLOTS};
use crate::replay::{Body, Replay, Shift, replay};
use crate::rule::{ALWAYS, Rule, TimedHeater};
use crate::series::HALF_HOUR_MS;

/// A heat must take this much to count, kWh.
const LEAST_HEAT_KWH: f64 = 0.05;
/// A half-hour is permitted when it heats on this share of the days, and on two at least: a rare boost by hand is no timer.
const LEAST_SHARE: f64 = 0.04;
/// Windows with fewer open half-hours than these are a timer's; a thermostat that may heat at any time heats in more.
const MOST_TIMER_SLOTS: usize = 30;
/// Half-hours without heat between two that have some are open too: the water was hot.
const BRIDGED_SLOTS: usize = 4;
/// Days that count before a rule is learnt.
pub const LEAST_DAYS: usize = 10;
/// Power below this share of the weakest element's is a diverter's; an element half failed runs so too, and its home is no diverter's
/// by the sun, but its heats are kept as they were metered all the same.
const MODULATED: f64 = 0.75;
/// Share of a home's heats that must be modulated for a diverter.
const DIVERTER_SHARE: f64 = 0.3;
const HYSTERESES_K: [f64; 5] = [1.5, 3.0, 5.0, 7.5, 10.0];
const STOP_RISES: [f64; 5] = [0.0, 0.08, 0.16, 0.3, 0.5];
/// Rounds of the search over all settings.
const ROUNDS: usize = 2;

/// Whether a day is one that rules are learnt from: weeks turn about, counted from Monday.
#[must_use]
pub fn is_learnt_from(day: Day) -> bool {
    let monday = day.0 - weekday(day) as i32;
    monday.div_euclid(7) % 2 == 0
}

/// A home with its rule.
#[derive(Clone, Debug, PartialEq)]
pub struct Learnt {
    /// Body, with the loss as it was read.
    pub body: Body,
    /// The rule.
    pub rule: Rule,
    /// Standard error of the set points, K.
    pub set_error_k: f64,
}

/// Learns the rule of a home from the weeks that [`is_learnt_from`] names; what was metered in the others is not looked at.
///
/// # Errors
/// Names what is missing.
pub fn learn(
    cylinder: &Cylinder,
    notes: &[DayNote],
    spells: &[SpellNote],
    history: &mut History,
    body: Body,
    per_metered: f64,
) -> Result<Learnt, &'static str> {
    let learnt_from = history.days.iter().filter(|d| d.masked.is_none() && is_learnt_from(d.day)).count();
    if learnt_from < LEAST_DAYS {
        return Err("ten days with balance and meter to learn the rule from");
    }
    let heats: Vec<&SpellNote> = spells
        .iter()
        .filter(|s| s.kind == "heat" && is_learnt_from(s.day))
        .filter(|s| s.energy_kwh.is_some_and(|kwh| kwh >= LEAST_HEAT_KWH))
        .collect();
    if heats.is_empty() {
        return Err("heats to learn the rule from");
    }
    let weakest_w = cylinder.elements.iter().map(|e| e.rated_w).fold(f64::INFINITY, f64::min);
    let diverted = is_diverted(&heats, weakest_w);
    let heats: Vec<&SpellNote> = heats
        .into_iter()
        .filter(|s| !diverted || s.power_w.is_none_or(|w| w >= MODULATED * weakest_w))
        .collect();
    let mut heaters = Vec::new();
    let mut errors_k = Vec::new();
    let mut clocks = Vec::new();
    for (index, heater) in heaters_of(cylinder, notes, per_metered) {
        let own: Vec<&SpellNote> = heats
            .iter()
            .copied()
            .filter(|s| s.element.is_none_or(|e| e == i64::from(index)) || heater.circulated)
            .collect();
        if own.is_empty() {
            continue;
        }
        let (set_degc, error_k) = set_point(&own, cylinder);
        errors_k.push(error_k);
        let (permitted, winter) = windows(&own, history, learnt_from);
        clocks.push(winter);
        heaters.push(TimedHeater { heater: Heater { set_degc, ..heater }, permitted });
    }
    if heaters.is_empty() {
        return Err("a heater with height and power in the register");
    }
    // Common practice: where both may heat at any hour the upper element goes first.
    heaters.sort_by(|a, b| b.heater.low.total_cmp(&a.heater.low));
    let one_at_a_time = heaters.len() > 1 && heaters.iter().all(|h| h.permitted == ALWAYS);
    let winter_clock = clocks.iter().all(|c| *c);
    let start = Rule { heaters, winter_clock, one_at_a_time, diverted };
    if diverted {
        mark_surplus(history, &start);
    }
    let history: &History = history;
    let days: Vec<&DaySpan> =
        history.days.iter().filter(|d| d.masked.is_none() && is_learnt_from(d.day)).collect();
    // The loss is the reading's and is not fitted here: set by the balance of these days, it made good what a partly cold tank gets wrong
    // otherwise, and a tank that is hot throughout came out up to a half too dear.
    let fit = Fit { history, days: &days, per_metered, body };
    let rule = fit.search(start);
    let set_error_k = errors_k.into_iter().fold(0.0, f64::max);
    Ok(Learnt { body: fit.body, rule, set_error_k })
}

/// Heaters by index with what the register says of them; set point and windows are still to be learnt.
fn heaters_of(cylinder: &Cylinder, notes: &[DayNote], per_metered: f64) -> Vec<(u8, Heater)> {
    let blank = Heater {
        low: 0.0,
        stop_height: 0.0,
        power_w: 0.0,
        set_degc: 60.0,
        hysteresis_k: 5.0,
        circulated: false,
    };
    match cylinder.heat_source {
        HeatSource::Element => cylinder
            .elements
            .iter()
            .map(|e| {
                let shown = median(
                    &notes
                        .iter()
                        .filter_map(|d| d.element_full_power_w.get(usize::from(e.index)))
                        .map(|w| f64::from(*w))
                        .filter(|w| !w.is_nan())
                        .collect::<Vec<_>>(),
                );
                let power_w = if shown > 0.3 * e.rated_w { shown } else { e.rated_w };
                (e.index, Heater { low: e.height, stop_height: e.height, power_w, ..blank })
            })
            .collect(),
        HeatSource::TopPump | HeatSource::HeatPump => {
            let rated = cylinder.source_rated_w.or(cylinder.elements.first().map(|e| e.rated_w));
            let low = cylinder.source_lower_height.unwrap_or(0.0);
            let of =
                |power_w| (0, Heater { low, stop_height: low.max(0.1), power_w, circulated: true, ..blank });
            // A heat pump's rated power is heat; its meter counts electricity.
            let _ = per_metered;
            rated.map(of).into_iter().collect()
        }
        HeatSource::Coil => Vec::new(),
    }
}

/// Where heats stop that were ended by the thermostat: the upper quartile, as a timer ends some before; and its standard error, K.
fn set_point(heats: &[&SpellNote], cylinder: &Cylinder) -> (f64, f64) {
    let ended: Vec<f64> =
        heats.iter().filter(|s| s.call_ended && !s.to_tomorrow).filter_map(|s| s.stop_degc).collect();
    let mut stops = if ended.is_empty() { heats.iter().filter_map(|s| s.stop_degc).collect() } else { ended };
    if stops.is_empty() {
        return (cylinder.set_point_degc.unwrap_or(60.0), 3.0);
    }
    stops.sort_by(f64::total_cmp);
    let at = |share: f64| stops[((stops.len() - 1) as f64 * share).round() as usize];
    let spread = (at(0.75) - at(0.25)).max(0.2);
    (at(0.75), (spread / (stops.len() as f64).sqrt()).clamp(0.2, 3.0))
}

/// Whether many heats run below the power of the weakest element: a diverter follows the sun.
fn is_diverted(heats: &[&SpellNote], weakest_w: f64) -> bool {
    let powers: Vec<f64> = heats.iter().filter_map(|s| s.power_w).collect();
    let below = powers.iter().filter(|p| **p < MODULATED * weakest_w).count();
    weakest_w.is_finite() && powers.len() >= LEAST_DAYS && below as f64 > DIVERTER_SHARE * powers.len() as f64
}

/// At a diverter's home, heat outside the timer's hours is spare solar power: the house comes first, the cylinder takes what is left and
/// would have been sent out. It follows the sun and no rule, so that replays take it from the meter.
fn mark_surplus(history: &mut History, rule: &Rule) {
    for step in &mut history.steps {
        let slot = rule.slot(step);
        let timed = rule.heaters.iter().any(|h| h.permitted[slot]);
        step.surplus_wh = if timed { 0 } else { step.metered_wh };
    }
}

/// Half-hours in which a heater may run, and whether they lie closer together by winter time.
fn windows(heats: &[&SpellNote], history: &History, days: usize) -> ([bool; SLOTS], bool) {
    let by = |slot_of: &dyn Fn(&HalfHour) -> usize| {
        let mut counts = [0_usize; SLOTS];
        for heat in heats {
            let first = history.steps.partition_point(|s| s.start_ms + HALF_HOUR_MS <= heat.start.0);
            for step in history.steps[first..].iter().take_while(|s| s.start_ms < heat.end.0) {
                let part = heat.end.0.min(step.start_ms + HALF_HOUR_MS) - heat.start.0.max(step.start_ms);
                // A call that ends a little after the half-hour belongs to the one before.
                if part >= HALF_HOUR_MS / 4 {
                    counts[slot_of(step)] += 1;
                }
            }
        }
        open_slots(&counts, days)
    };
    let local = by(&|s| s.slot);
    let winter = by(&|s| s.winter_slot);
    let open = |slots: &[bool; SLOTS]| slots.iter().filter(|o| **o).count();
    let (slots, by_winter) = if open(&winter) < open(&local) { (winter, true) } else { (local, false) };
    if open(&slots) > MOST_TIMER_SLOTS { (ALWAYS, by_winter) } else { (slots, by_winter) }
}

/// Slots with heat on enough days, and short stretches between them.
fn open_slots(counts: &[usize; SLOTS], days: usize) -> [bool; SLOTS] {
    let least = (LEAST_SHARE * days as f64).max(1.5);
    let open: [bool; SLOTS] = std::array::from_fn(|s| counts[s] as f64 >= least);
    let mut out = open;
    for start in 0..SLOTS {
        let gap = (1..=BRIDGED_SLOTS + 1).find(|i| open[(start + i) % SLOTS]);
        if let Some(length) = gap.filter(|_| open[start]) {
            (1..length).for_each(|i| out[(start + i) % SLOTS] = true);
        }
    }
    out
}

/// Half-hours by which windows are tried longer.
const LONGER_SLOTS: [usize; 2] = [1, 3];

/// Each window open for longer.
fn longer(permitted: &[bool; SLOTS], slots: usize) -> [bool; SLOTS] {
    std::array::from_fn(|s| (0..=slots).any(|back| permitted[(s + SLOTS - back) % SLOTS]))
}

/// Rules held against the days that they are learnt from.
struct Fit<'a> {
    history: &'a History,
    days: &'a [&'a DaySpan],
    per_metered: f64,
    body: Body,
}

impl Fit<'_> {
    fn replay(&self, rule: &Rule) -> Replay {
        replay(&self.body, rule, self.history, &Shift::NONE)
    }

    /// Scatter of daily energies about the meter's over their mean. The mean temperature by the probes is not asked: it reads low where the
    /// base is cold, and would pull set points down.
    fn misfit(&self, rule: &Rule) -> f64 {
        let run = self.replay(rule);
        let (mut square, mut metered) = (0.0, 0.0);
        for day in self.days {
            let wh: f64 = run.steps[day.steps.clone()].iter().map(|s| s.heated_wh).sum();
            let counted = self.history.metered_wh(day) as f64 * self.per_metered;
            square += (wh - counted) * (wh - counted);
            metered += counted;
        }
        let n = self.days.len() as f64;
        (square / n).sqrt() / (metered / n).max(200.0)
    }

    /// Goes through the settings one by one, keeping each change that fits better.
    fn search(&self, start: Rule) -> Rule {
        let mut best = start;
        let mut least = self.misfit(&best);
        for _ in 0..ROUNDS {
            let before = least;
            for heater in 0..best.heaters.len() {
                for change in changes(&best.heaters[heater]) {
                    let mut trial = best.clone();
                    trial.heaters[heater] = change;
                    let misfit = self.misfit(&trial);
                    if misfit < least - 1e-4 {
                        (best, least) = (trial, misfit);
                    }
                }
            }
            if least > before - 1e-3 {
                break;
            }
        }
        best
    }
}

/// Other settings of a heater, to be tried one by one. Its set point is not among them: probes show it, and a search would make good by it
/// what the loss gets wrong, so that a tank that is hot throughout came out too dear.
fn changes(of: &TimedHeater) -> Vec<TimedHeater> {
    let heater = of.heater;
    let with = |heater: Heater| TimedHeater { heater, ..of.clone() };
    let rises = STOP_RISES.iter().map(|r| heater.low + r).filter(|h| *h < 0.95);
    let mut out: Vec<TimedHeater> = rises.map(|h| with(Heater { stop_height: h, ..heater })).collect();
    out.extend(HYSTERESES_K.iter().map(|&k| with(Heater { hysteresis_k: k, ..heater })));
    if of.permitted != ALWAYS {
        // A timer may stay open for longer than the water ever needed in these weeks.
        out.extend(
            LONGER_SLOTS.map(|slots| TimedHeater { permitted: longer(&of.permitted, slots), ..of.clone() }),
        );
        out.push(TimedHeater { permitted: ALWAYS, ..of.clone() });
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_stretches_between_open_slots_are_open() {
        let mut counts = [0; SLOTS];
        for s in [46, 47, 1, 3, 20] {
            counts[s] = 9;
        }
        counts[30] = 1;
        let open = open_slots(&counts, 30);
        let found: Vec<usize> = (0..SLOTS).filter(|s| open[*s]).collect();
        assert_eq!(found, [0, 1, 2, 3, 20, 46, 47]);
    }

    #[test]
    fn weeks_turn_about() {
        // 5 January 1970 was a Monday.
        let learnt: Vec<bool> = (4..32).map(|d| is_learnt_from(Day(d))).collect();
        assert!(learnt.chunks(7).all(|week| week.iter().all(|l| *l == week[0])));
        assert_ne!(learnt[0], learnt[7]);
    }
}
