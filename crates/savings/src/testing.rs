//! A made-up home for tests: its days, its rule and its prices.

use drawoff_contract::Day;
use drawoff_tank::Water;
use drawoff_tank::replay::Heater;

use crate::history::{DaySpan, HalfHour, History};
use crate::learn::Learnt;
use crate::pricing::{Carrier, Rate};
use crate::reference::{Reference, System};
use crate::replay::Body;
use crate::rule::{ALWAYS, Rule, TimedHeater};
use crate::tariff::Price;

/// Days of a family: showers in the morning and evening, dishes at noon, a bath every seventh day. Day 3 does not count.
pub(crate) fn history(days: i32) -> History {
    let mut out = History::default();
    for day in 0..days {
        let first = out.steps.len();
        for slot in 0..48_usize {
            let wanted_wh = match slot {
                13 | 14 => 1000.0 + 100.0 * f64::from(day % 5),
                25 => 300.0,
                42 => 1200.0,
                36 if day % 7 == 6 => 3000.0,
                _ => 0.0,
            };
            out.steps.push(HalfHour {
                start_ms: (i64::from(day) * 48 + slot as i64) * 1_800_000,
                slot,
                winter_slot: slot,
                wanted_wh,
                feed_degc: 10.0,
                room_degc: 18.0,
                metered_wh: 130,
                surplus_wh: if slot == 24 { 60 } else { 0 },
            });
        }
        out.days.push(DaySpan {
            day: Day(day),
            steps: first..out.steps.len(),
            masked: (day == 3).then_some("a test"),
            mean_degc: Some(50.0),
            drawn_wh: 4000.0,
        });
    }
    out
}

/// An element at the base, permitted in these half-hours.
pub(crate) fn rule(permitted: [bool; 48], set_degc: f64) -> Rule {
    let heater = Heater {
        low: 0.1,
        stop_height: 0.1,
        power_w: 3000.0,
        set_degc,
        hysteresis_k: 5.0,
        circulated: false,
    };
    Rule {
        heaters: vec![TimedHeater { heater, permitted }],
        winter_clock: false,
        one_at_a_time: false,
        diverted: false,
    }
}

/// A cylinder of 200 l under a rule.
pub(crate) fn learnt(rule: Rule) -> Learnt {
    let body = Body { volume_l: 200.0, height_m: None, loss_w_per_k: 1.6, water: Water::Iapws };
    Learnt { body, rule, set_error_k: 0.3 }
}

/// An element that may always heat the whole tank to 60 degC.
pub(crate) fn always_on() -> Reference {
    Reference {
        system: System::Element,
        windows: Vec::new(),
        set_degc: Some(60.0),
        hysteresis_k: 5.0,
        base_height: 0.1,
        carrier: Carrier::Grid,
    }
}

/// A third of the price and half of the gases until seven in the morning.
pub(crate) fn rates(history: &History) -> Vec<Rate> {
    let rate = |step: &HalfHour| {
        let night = step.slot < 14;
        Rate {
            price: Some(Price { import: if night { 100_003 } else { 300_007 }, export: 50_001 }),
            average: Some(if night { 100_101 } else { 200_203 }),
            marginal: Some(400_007),
        }
    };
    history.steps.iter().map(rate).collect()
}

/// The night only.
pub(crate) fn night() -> [bool; 48] {
    std::array::from_fn(|slot| slot < 14)
}

/// Any time.
pub(crate) const ANY: [bool; 48] = ALWAYS;
