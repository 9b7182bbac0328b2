//! What must be read of a cylinder whose loss is known, and what must not change it.

use drawoff_contract::Channel;
use drawoff_homes::HomeReading;

use crate::by_hand::{ByHand, noted_of, read_alone};

fn w_per_k(reading: &HomeReading) -> f64 {
    reading.row.standing_loss_w_per_k.unwrap()
}

#[test]
fn a_cylinder_without_draws_gives_no_draws_and_its_loss() {
    let hand = ByHand::default();
    let noted = hand.noted();
    assert_eq!(noted.notes.draws.len(), 0);
    let reading = read_alone(&noted);
    let row = &reading.row;
    assert!(row.verdicts.contains("use.no_draws"), "{}", row.verdicts);
    assert!(row.litres_per_day.unwrap() < 1.0 && row.energy_kwh_per_day.unwrap() < 0.05, "{row:?}");
    assert!((w_per_k(&reading) / 1.6 - 1.0).abs() < 0.02, "{}", w_per_k(&reading));
    assert!((row.standing_loss_w_per_k_p05.unwrap()..row.standing_loss_w_per_k_p95.unwrap()).contains(&1.6));
    // In use: 1.6 W/K over the mean lift; at 45 K: 1.6 * 45 * 24 / 1000 = 1.728 kWh.
    let lift_k = row.mean_stored_degc.unwrap() - 20.0;
    assert!((row.standing_loss_kwh_per_day.unwrap() / (1.6 * lift_k * 0.024) - 1.0).abs() < 0.02);
    assert!((row.loss_at_45k_kwh_per_24h.unwrap() / 1.728 - 1.0).abs() < 0.02);
}

#[test]
fn the_balance_of_days_without_use_agrees() {
    let row = ByHand::default().read().row;
    assert!((row.long_run_w_per_k.unwrap() / 1.6 - 1.0).abs() < 0.03, "{:?}", row.long_run_w_per_k);
    assert!(!row.verdicts.contains("long_run_disagrees"));
}

/// A meter that never reads below 30 W: the heat put in does not come out by cooling.
#[test]
fn an_offset_of_the_meter_is_a_named_disagreement() {
    let hand = ByHand::default();
    let mut rows = hand.rows();
    let slot = Channel::Power(0).slot();
    for v in &mut rows.series[slot].as_mut().unwrap().value {
        *v += 30.0;
    }
    let row = read_alone(&noted_of(hand.cylinder(), rows)).row;
    assert!(
        row.verdicts.contains("standing_loss.long_run_disagrees"),
        "{} {:?}",
        row.verdicts,
        row.long_run_w_per_k
    );
    assert!((row.standing_loss_w_per_k.unwrap() / 1.6 - 1.0).abs() < 0.03);
}

#[test]
fn no_second_opinion_without_a_meter() {
    let hand = ByHand::default();
    let mut rows = hand.rows();
    rows.series[Channel::Power(0).slot()] = None;
    let row = read_alone(&noted_of(hand.cylinder(), rows)).row;
    assert_eq!((row.long_run_w_per_k, row.long_run_w_per_k_p05), (None, None));
}

#[test]
fn a_loss_that_doubles_is_dated_within_two_days() {
    let after: [fn(f64) -> f64; 3] = [
        |day| if day < 8.4 { 1.6 } else { 3.2 },
        |day| if day < 15.0 { 1.6 } else { 3.2 },
        |day| if day < 22.7 { 1.6 } else { 3.2 },
    ];
    for (loss_w_per_k, at) in after.into_iter().zip([8.4, 15.0, 22.7]) {
        let hand = ByHand { loss_w_per_k, ..ByHand::default() };
        let noted = hand.noted();
        let loss = read_alone(&noted).loss.unwrap();
        let found = (loss.changed_ms.unwrap() - noted.home.rows.time_ms[0]) as f64 / 86_400_000.0;
        assert!((found - at).abs() <= 2.0, "{found} {at}");
        assert!(
            (loss.w_per_k / 3.2 - 1.0).abs() < 0.05 && (loss.before_w_per_k.unwrap() / 1.6 - 1.0).abs() < 0.1
        );
    }
    assert_eq!(ByHand::default().read().loss.unwrap().changed_ms, None);
}

#[test]
fn zone_names_and_dates_change_nothing() {
    let hand = ByHand::default();
    let plain = hand.read();
    for zone in [chrono_tz::Etc::GMT, chrono_tz::Africa::Abidjan, chrono_tz::Europe::London] {
        let other =
            read_alone(&noted_of(drawoff_contract::Cylinder { zone, ..hand.cylinder() }, hand.rows()));
        let named = drawoff_contract::results::HomeRow { zone: zone.name().to_owned(), ..plain.row.clone() };
        assert_eq!(other.row, named);
    }
    let mut later = ByHand { later_by_days: 14, ..hand }.read().row;
    // The feed of a home alone follows the season, and with it the litres that carry the same heat.
    let litres = |row: &drawoff_contract::results::HomeRow| row.litres_per_day.unwrap();
    assert!((litres(&later) / litres(&plain.row) - 1.0).abs() < 0.05);
    later.litres_per_day = plain.row.litres_per_day;
    assert_eq!(later, plain.row);
}

#[test]
fn only_the_lift_counts_and_the_volume_scales_it() {
    let hand = ByHand::default();
    let plain = w_per_k(&hand.read());
    let warmer =
        ByHand { room_degc: 25.0, start_degc: 65.0, thermostat_degc: Some((57.0, 66.0)), ..hand.clone() };
    assert!((w_per_k(&warmer.read()) / plain - 1.0).abs() < 0.01);
    // The same temperatures in twice the water are twice the heat.
    let large = drawoff_contract::Cylinder { volume_l: Some(360.0), ..hand.cylinder() };
    let twice = w_per_k(&read_alone(&noted_of(large, hand.rows())));
    assert!((twice / plain - 2.0).abs() < 0.02, "{twice} {plain}");
}

#[test]
fn heights_of_probes_in_water_of_one_temperature_do_not_matter() {
    let plain = w_per_k(&ByHand::default().read());
    for heights in [vec![0.92, 0.72, 0.52, 0.32, 0.12], vec![0.95, 0.1], vec![0.8, 0.6, 0.4, 0.12]] {
        let moved = w_per_k(&ByHand { heights: heights.clone(), ..ByHand::default() }.read());
        assert!((moved / plain - 1.0).abs() < 0.02, "{heights:?} {moved} {plain}");
    }
}

/// Every cooling of such a cylinder begins at the same place of the scale, so each repeats one error of rounding, up to
/// 0.3 K of the 2.5 K of a run; over places of the scale it must fall out.
#[test]
fn readings_in_whole_kelvins_give_the_same_loss() {
    let mut found = Vec::new();
    for start_degc in [61.0, 61.2, 61.4, 61.6, 61.8] {
        let hand = ByHand { start_degc, thermostat_degc: None, days: 12, ..ByHand::default() };
        let mut rows = hand.rows();
        for p in 0..5 {
            for v in &mut rows.series[Channel::Probe(p).slot()].as_mut().unwrap().value {
                *v = v.round();
            }
        }
        found.push(w_per_k(&read_alone(&noted_of(hand.cylinder(), rows))) / 1.6 - 1.0);
    }
    eprintln!("errors in whole kelvins: {found:.3?}");
    assert!(found.iter().all(|e| e.abs() < 0.12), "{found:?}");
    assert!((found.iter().sum::<f64>() / 5.0).abs() < 0.05, "{found:?}");
}
