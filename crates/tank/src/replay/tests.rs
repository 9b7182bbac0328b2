//! What a cylinder under a rule must keep: its balance, its set point, its service.

use proptest::prelude::*;

use super::{Cylinder, Heater, Outcome, Permit, State, Step};
use crate::column::Settings;

fn settings() -> Settings {
    Settings { volume_l: 180.0, standing_loss_w_per_k: 1.6, layers: 12, ..Settings::default() }
}

fn base_heater() -> Heater {
    Heater {
        low: 0.1,
        stop_height: 0.2,
        power_w: 3000.0,
        set_degc: 60.0,
        hysteresis_k: 6.0,
        circulated: false,
    }
}

fn top_heater() -> Heater {
    Heater {
        low: 0.0,
        stop_height: 0.5,
        power_w: 2800.0,
        set_degc: 58.0,
        hysteresis_k: 6.0,
        circulated: true,
    }
}

fn step(wanted_wh: f64, permit: Permit) -> Step {
    Step { seconds: 1800.0, wanted_wh, feed_degc: 10.0, surroundings_degc: 18.0, permit, share: 1.0 }
}

fn add(sum: &mut Outcome, one: &Outcome) {
    sum.heated_wh += one.heated_wh;
    sum.delivered_wh += one.delivered_wh;
    sum.short_wh += one.short_wh;
    sum.lost_wh += one.lost_wh;
}

fn permit(number: u8) -> Permit {
    [Permit::Rule, Permit::HoldOff, Permit::ForceOn][usize::from(number % 3)]
}

proptest! {
    /// Stored after = before + heated - delivered - lost, whatever happens; wanted = delivered + short.
    #[test]
    fn the_balance_closes(
        circulated in any::<bool>(),
        events in prop::collection::vec((0.0..4000.0_f64, 0_u8..3, 0.0..1.0_f64, 300.0..3600.0_f64), 1..80),
    ) {
        let heater = if circulated { top_heater() } else { base_heater() };
        let cylinder = Cylinder::new(&settings(), heater, 40.0);
        let mut state = cylinder.uniform(45.0);
        let before_wh = cylinder.stored_wh(&state, 10.0);
        let mut sum = Outcome::default();
        for (wanted_wh, number, share, seconds) in events {
            let wanted_wh = if wanted_wh < 2000.0 { 0.0 } else { wanted_wh };
            let one = cylinder.advance(&mut state, &Step { share, seconds, ..step(wanted_wh, permit(number)) });
            prop_assert!((one.delivered_wh + one.short_wh - wanted_wh).abs() < 1e-6);
            prop_assert!(one.heated_wh >= 0.0 && one.short_wh >= 0.0 && one.heated_wh <= heater.power_w * seconds / 3600.0 + 1e-9);
            add(&mut sum, &one);
        }
        let gained_wh = sum.heated_wh - sum.delivered_wh - sum.lost_wh;
        prop_assert!((cylinder.stored_wh(&state, 10.0) - before_wh - gained_wh).abs() < 1e-6);
        // no water is hotter than what the heater gives
        prop_assert!(state.water.degc_at(1.0) < heater.set_degc + 1.0);
    }

    /// Half-hours and five-minute steps of one rule tell the same heat over ten days of usual draw-offs.
    #[test]
    fn long_steps_tell_the_heat_of_short_ones(circulated in any::<bool>(), morning_wh in 500.0..4000.0_f64, hour in 5_usize..9) {
        let heater = if circulated { top_heater() } else { base_heater() };
        let cylinder = Cylinder::new(&settings(), heater, 40.0);
        let day = |parts: usize| {
            let mut state = cylinder.uniform(55.0);
            let mut sum = Outcome::default();
            for half_hour in 0..480 {
                for part in 0..parts {
                    let wanted_wh = if half_hour % 48 == 2 * hour && part == 0 { morning_wh } else { 0.0 };
                    let short = Step { seconds: 1800.0 / parts as f64, ..step(wanted_wh, Permit::Rule) };
                    add(&mut sum, &cylinder.advance(&mut state, &short));
                }
            }
            (sum, cylinder.stored_wh(&state, 10.0))
        };
        let ((long, long_stored), (fine, fine_stored)) = (day(1), day(6));
        // the phase of the last reheat may differ: compare what came in less what is left over
        let difference = (long.heated_wh - long_stored) - (fine.heated_wh - fine_stored);
        prop_assert!(difference.abs() < 0.03 * fine.heated_wh.max(1000.0), "{difference} of {}", fine.heated_wh);
        prop_assert!((long.lost_wh - fine.lost_wh).abs() < 0.06 * fine.lost_wh, "{} {}", long.lost_wh, fine.lost_wh);
    }
}

#[test]
fn heating_from_below_fills_to_the_set_point_and_stops() {
    let cylinder = Cylinder::new(&settings(), base_heater(), 40.0);
    let mut state = cylinder.uniform(10.0);
    let room_wh = cylinder.room_wh(&state);
    let mut heated_wh = 0.0;
    let mut lost_wh = 0.0;
    for _ in 0..12 {
        let one = cylinder.advance(&mut state, &step(0.0, Permit::Rule));
        heated_wh += one.heated_wh;
        lost_wh += one.lost_wh;
    }
    assert!(!cylinder.calls(&state) && !state.calling);
    // what is lost meanwhile comes on top, and what conducts into the 18 l below the element, 50 K at most
    assert!(
        heated_wh >= room_wh - 1.0 && heated_wh < room_wh + lost_wh + 1050.0,
        "{heated_wh} {room_wh} {lost_wh}"
    );
    assert!(state.water.degc_at(0.5) > 58.0 && state.water.degc_at(0.02) < 50.0); // what lies below the element stays colder
}

#[test]
fn a_pumped_heater_fills_the_top_and_leaves_the_base_cold() {
    let cylinder = Cylinder::new(&settings(), top_heater(), 40.0);
    let mut state = cylinder.uniform(10.0);
    for _ in 0..8 {
        cylinder.advance(&mut state, &step(0.0, Permit::Rule));
    }
    assert!(state.water.degc_at(0.9) > 54.0 && state.water.degc_at(0.1) < 20.0, "{:?}", state.water);
}

#[test]
fn within_its_hysteresis_only_force_heats() {
    let cylinder = Cylinder::new(&settings(), base_heater(), 40.0);
    let warm = |permit| cylinder.advance(&mut cylinder.uniform(56.0), &step(0.0, permit)).heated_wh;
    assert_eq!(warm(Permit::Rule), 0.0);
    assert_eq!(warm(Permit::HoldOff), 0.0);
    assert!((warm(Permit::ForceOn) - cylinder.room_wh(&cylinder.uniform(56.0))).abs() < 1e-9);
}

#[test]
fn a_held_off_cylinder_takes_back_what_was_held_off_less_the_loss_avoided() {
    let cylinder = Cylinder::new(&settings(), base_heater(), 40.0);
    let day = |held: std::ops::Range<usize>| {
        let mut state: State = cylinder.uniform(60.0);
        let mut sum = Outcome::default();
        for half_hour in 0..48 {
            let wanted_wh = if half_hour == 14 { 3000.0 } else { 0.0 };
            let permit = if held.contains(&half_hour) { Permit::HoldOff } else { Permit::Rule };
            add(&mut sum, &cylinder.advance(&mut state, &step(wanted_wh, permit)));
        }
        (sum, cylinder.stored_wh(&state, 10.0))
    };
    let ((usual, usual_stored), (held, held_stored)) = (day(0..0), day(14..20));
    assert!(held.lost_wh < usual.lost_wh);
    let not_taken = usual.heated_wh - held.heated_wh;
    let balance = (usual.lost_wh - held.lost_wh)
        + (usual_stored - held_stored)
        + (usual.delivered_wh - held.delivered_wh);
    assert!((not_taken - balance).abs() < 1e-6);
}

#[test]
fn a_large_want_is_served_until_the_water_is_of_no_use() {
    let cylinder = Cylinder::new(&settings(), base_heater(), 40.0);
    let mut state = cylinder.uniform(60.0);
    let usable_wh = cylinder.usable_wh(&state, 10.0);
    let one = cylinder.advance(&mut state, &step(20_000.0, Permit::HoldOff));
    assert!((one.delivered_wh - usable_wh).abs() < 0.05 * usable_wh, "{} {usable_wh}", one.delivered_wh);
    assert!(one.short_wh > 20_000.0 - 1.05 * usable_wh);
    // nothing more of use is left, and a second want gets next to nothing
    assert!(cylinder.usable_wh(&state, 10.0) < 0.15 * usable_wh);
}
