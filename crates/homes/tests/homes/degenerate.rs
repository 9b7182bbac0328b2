//! Homes that give a fit nothing to go by: the verdict names it, the figure is null.

use drawoff_contract::{Channel, HomeRows};
use drawoff_homes::HomeReading;

use crate::by_hand::{ByHand, noted_of, put, read_alone};
use crate::fleet::read;
use crate::noted::priors;

fn has(reading: &HomeReading, verdict: &str) -> bool {
    reading.row.verdicts.split(", ").any(|v| v == verdict)
}

fn assert_null(reading: &HomeReading, verdict: &str) {
    let row = &reading.row;
    assert!(has(reading, verdict), "{verdict} is not in {:?}", row.verdicts);
    assert!(reading.loss.is_none());
    let figures = [
        row.standing_loss_w_per_k,
        row.standing_loss_w_per_k_p05,
        row.standing_loss_w_per_k_p95,
        row.standing_loss_reported_w_per_k,
        row.standing_loss_kwh_per_day,
        row.loss_at_45k_kwh_per_24h,
    ];
    assert_eq!(figures, [None; 6], "{verdict}");
}

#[test]
fn a_heater_that_never_rests_leaves_no_idle_time() {
    let hand = ByHand::default();
    let mut rows = hand.rows();
    let power = vec![300.0; rows.len()];
    put(&mut rows, Channel::Power(0), power);
    assert_null(&read_alone(&noted_of(hand.cylinder(), rows)), "standing_loss.no_idle_time");
}

#[test]
fn one_temperature_all_month_is_named() {
    let hand = ByHand { loss_w_per_k: |_| 0.0, thermostat_degc: None, ..ByHand::default() };
    let reading = hand.read();
    assert_null(&reading, "standing_loss.one_temperature");
    assert!(has(&reading, "readings.one_temperature"));
    assert!(!has(&ByHand::default().read(), "readings.one_temperature"));
}

#[test]
fn a_cylinder_that_is_never_hot_is_named() {
    let hand = ByHand { start_degc: 25.0, thermostat_degc: None, ..ByHand::default() };
    assert_null(&hand.read(), "standing_loss.never_hot");
}

#[test]
fn surroundings_above_the_water_are_named() {
    let hand = ByHand { start_degc: 12.0, room_degc: 26.0, thermostat_degc: None, ..ByHand::default() };
    assert_null(&hand.read(), "standing_loss.surroundings_above_water");
}

#[test]
fn one_probe_and_none_are_named() {
    let hand = ByHand { heights: vec![0.6], ..ByHand::default() };
    assert_null(&hand.read(), "standing_loss.one_probe");
    let nothing = noted_of(hand.cylinder(), HomeRows::new(drawoff_contract::Shape::Wide));
    assert_null(&read_alone(&nothing), "standing_loss.no_probe");
}

#[test]
fn few_nights_are_named() {
    assert_null(&ByHand { days: 3, ..ByHand::default() }.read(), "standing_loss.too_few_idle_segments");
}

#[test]
fn silence_and_frozen_probes_are_stale() {
    let silent = ByHand { days: 12, ..ByHand::default() }.noted();
    let full = ByHand::default().noted();
    let fleet = [silent, full];
    let priors = priors(&fleet);
    assert!(has(&read(&fleet[0], &priors), "readings.stale"));
    assert!(!has(&read(&fleet[1], &priors), "readings.stale"));

    let hand = ByHand::default();
    let mut rows = hand.rows();
    for p in 0..5 {
        let mut value = rows.series[Channel::Probe(p).slot()].clone().unwrap().value;
        let from = value.len() - 6 * 288;
        let frozen = value[from];
        value[from..].fill(frozen);
        put(&mut rows, Channel::Probe(p), value);
    }
    assert!(has(&read_alone(&noted_of(hand.cylinder(), rows)), "readings.stale"));
}
