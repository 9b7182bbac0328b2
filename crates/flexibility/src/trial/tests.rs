//! Events at made homes: balances, comfort, and what cannot move.

use drawoff_contract::Day;
use drawoff_tank::column::Settings;
use drawoff_tank::replay::{Cylinder, Heater};

use super::{DURATIONS, Direction, Limit, SLOTS, Trials, trials};
use crate::calendar::Calendar;
use crate::home::{HalfHour, Home, PastDay, USABLE_DEGC};

/// A home whose days are those of the model itself: the thermostat always on, a shower in the morning and one in the evening.
pub(crate) fn made(days: i32, allowed: [bool; 48], shower_wh: f64) -> Home {
    made_with(3000.0, days, allowed, shower_wh)
}

fn made_with(power_w: f64, days: i32, allowed: [bool; 48], shower_wh: f64) -> Home {
    made_by(power_w, days, allowed, &|_, slot| if slot == 14 || slot == 40 { shower_wh } else { 0.0 })
}

/// The same with draw-offs by day and half-hour, Wh.
pub(crate) fn made_by(
    power_w: f64,
    days: i32,
    allowed: [bool; 48],
    wanted_wh: &dyn Fn(i32, usize) -> f64,
) -> Home {
    let heater =
        Heater { low: 0.1, stop_height: 0.1, power_w, set_degc: 60.0, hysteresis_k: 6.0, circulated: false };
    let cylinder = Cylinder::new(
        &Settings { volume_l: 180.0, standing_loss_w_per_k: 1.8, layers: 10, ..Settings::default() },
        heater,
        USABLE_DEGC,
    );
    let mut home = Home {
        home: "made".to_owned(),
        cylinder,
        heat_per_metered: 1.0,
        allowed,
        sellable: [true; 48],
        days: Vec::new(),
    };
    let mut state = cylinder.uniform(58.0);
    for day in 0..days {
        let mut half_hours = Vec::new();
        for slot in 0..SLOTS {
            let wanted_wh = wanted_wh(day, slot);
            let mut half_hour = HalfHour {
                heater_wh: 0.0,
                stored_wh: 0.0,
                top_degc: 0.0,
                wanted_wh,
                surroundings_degc: 18.0,
                feed_degc: 10.0,
            };
            let step = super::step(&home, &half_hour, slot, drawoff_tank::replay::Permit::Rule);
            half_hour.heater_wh = cylinder.advance(&mut state, &step).heated_wh;
            half_hour.stored_wh = cylinder.stored_wh(&state, 0.0);
            half_hour.top_degc = state.water.degc_at(0.95);
            half_hours.push(half_hour);
        }
        home.days.push(PastDay {
            day: Day(day),
            weekend: Calendar::default().is_weekend(Day(day)),
            half_hours,
        });
    }
    home
}

fn window(days: i32) -> Vec<Day> {
    (0..days).map(Day).collect()
}

fn each(trials: &Trials, mut look: impl FnMut(usize, Direction, usize, &super::Moved)) {
    for day in 0..trials.days() {
        for slot in 0..SLOTS {
            for direction in Direction::ALL {
                for duration in 0..DURATIONS.len() {
                    look(slot, direction, duration, trials.event(day, slot, direction, duration));
                }
            }
        }
    }
}

#[test]
fn what_is_not_taken_comes_back_or_is_not_lost() {
    for shower_wh in [1500.0, 4500.0] {
        let found = trials(&made(12, [true; 48], shower_wh), &window(12));
        let mut moved = 0;
        each(&found, |_, _, _, m| {
            if m.limit == Limit::Moved {
                moved += 1;
                let balance = m.back_wh + m.loss_wh + m.left_wh;
                assert!((m.model_wh - balance).abs() < 0.5, "{m:?}");
            }
        });
        assert!(moved > 1000, "{moved}");
    }
}

#[test]
fn an_always_on_home_can_hold_off_what_its_meter_shows() {
    let home = made(12, [true; 48], 2500.0);
    let found = trials(&home, &window(12));
    for day in 1..11 {
        let event = found.event(day, 14, Direction::HoldOff, 1);
        let metered: f64 = home.days[day].half_hours[14..16].iter().map(|h| h.heater_wh).sum();
        assert!(metered > 2000.0 && event.limit == Limit::Moved, "{metered} {event:?}");
        assert!((f64::from(event.wh) - metered).abs() < 1.0);
        assert!(event.short_wh < 1.0);
    }
}

#[test]
fn a_night_timer_has_nothing_to_hold_off_by_day_and_much_to_take_on() {
    let mut allowed = [false; 48];
    allowed[..14].fill(true);
    let found = trials(&made(12, allowed, 2500.0), &window(12));
    for day in 1..11 {
        assert_eq!(found.event(day, 30, Direction::HoldOff, 2).limit, Limit::Nothing);
        // after the morning's shower there is room for it
        let on = found.event(day, 20, Direction::TakeOn, 2);
        assert!(on.limit == Limit::Moved && on.wh > 1500.0, "{on:?}");
        // and that much is not heated in the night after it: nothing yet within 8 h
        assert!(on.back_wh < 0.2 * on.wh && on.left_wh > 0.7 * on.wh, "{on:?}");
    }
}

#[test]
fn a_home_with_too_little_hot_water_is_left_alone() {
    // showers of nearly all that the cylinder holds, and a weak element: while it heats up again, nothing is held off before the next
    let found = trials(&made_with(800.0, 14, [true; 48], 7500.0), &window(14));
    let mut comfort = 0;
    let mut short = 0;
    each(&found, |_, direction, _, m| {
        comfort += usize::from(m.limit == Limit::Comfort);
        short += usize::from(direction == Direction::HoldOff && m.is_short());
    });
    assert!(comfort > 50, "{comfort}");
    assert!(short < comfort / 4, "{short} {comfort}");
}

#[test]
fn a_night_charge_is_not_held_off_when_no_other_can_follow_it() {
    let mut allowed = [false; 48];
    allowed[..14].fill(true);
    let found = trials(&made(14, allowed, 3500.0), &window(14));
    for day in 2..12 {
        // all night long: the next charge is a day away
        let all = (0..6)
            .map(|slot| found.event(day, slot, Direction::HoldOff, 3))
            .find(|m| m.limit != Limit::Nothing);
        // its first half-hour: the rest of the night makes up for it
        assert_eq!(found.event(day, 0, Direction::HoldOff, 0).limit, Limit::Moved);
        assert!(all.is_some());
        assert!(found.event(day, 0, Direction::HoldOff, 0).short_wh < 1.0);
    }
}

#[test]
fn a_day_not_seen_is_silent() {
    let mut home = made(12, [true; 48], 2500.0);
    home.days.remove(5);
    home.days[7].half_hours[20].heater_wh = f64::NAN;
    let found = trials(&home, &window(12));
    assert_eq!(found.event(5, 20, Direction::HoldOff, 0).limit, Limit::Silent);
    assert_eq!(found.event(8, 20, Direction::HoldOff, 0).limit, Limit::Silent);
    assert_eq!(found.event(8, 18, Direction::HoldOff, 3).limit, Limit::Silent);
    assert_ne!(found.event(8, 18, Direction::HoldOff, 1).limit, Limit::Silent);
}

#[test]
fn where_the_sun_may_heat_nothing_is_sold() {
    let mut home = made(12, [true; 48], 2500.0);
    home.sellable[14..40].fill(false);
    let found = trials(&home, &window(12));
    each(&found, |slot, _, duration, m| {
        if slot + DURATIONS[duration] > 14 && slot < 40 && m.limit != Limit::Silent {
            assert_eq!(m.limit, Limit::Sun);
        }
    });
}
