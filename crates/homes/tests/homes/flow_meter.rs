//! Flow meters held against the heat: sound ones give the litres, others are named and left aside.

use drawoff_contract::{Channel, HomeRows};
use drawoff_homes::flow_meter::MeterState;
use drawoff_homes::{FleetPriors, HomeReading};
use drawoff_synth::HomeTruth;

use crate::by_hand::put;
use crate::fleet::{fleet, numbers, read};
use crate::noted::{Noted, noted, priors};

const CADENCE_MS: i64 = 300_000;
/// The limits were set before these homes were made.
const SEED: u64 = 17;
const HOMES: usize = 14;

/// What a meter makes of the flow at an instant, UTC milliseconds.
type Meter<'a> = &'a dyn Fn(i64, f64) -> f64;

/// Rows with the flow that the truth tells, as the mean over each interval.
fn with_meter(rows: &HomeRows, truth: &HomeTruth, meter: Meter<'_>) -> HomeRows {
    let draws: Vec<(i64, i64, f64)> =
        truth.draws.iter().map(|d| (d.start_utc.0, d.start_utc.0 + d.minutes * 60_000, d.litres)).collect();
    let flow = |&end: &i64| {
        let start = end - CADENCE_MS;
        let litres = |&(from, to, litres): &(i64, i64, f64)| {
            litres * (to.min(end) - from.max(start)).max(0) as f64 / (to - from).max(1) as f64
        };
        meter(end, draws.iter().map(litres).sum::<f64>() / (CADENCE_MS as f64 / 60_000.0))
    };
    let mut out = rows.clone();
    put(&mut out, Channel::Flow, rows.time_ms.iter().map(flow).collect());
    out
}

fn metered(home: &Noted, meter: Meter<'_>) -> Noted {
    let mut made = home.home.clone();
    made.rows = with_meter(&made.rows, &made.truth, meter);
    noted(made)
}

/// Homes without a fault, and what their fleet tells.
fn homes(seed: u64) -> (Vec<Noted>, FleetPriors) {
    let sound = numbers(seed, |made| made.truth.faults.is_empty());
    let fleet = fleet(seed, sound.into_iter().take(HOMES));
    let priors = priors(&fleet);
    (fleet, priors)
}

fn error(reading: &HomeReading, truth: &HomeTruth) -> f64 {
    let pairs = reading.days.rows.iter().filter_map(|row| {
        let day = truth.days.iter().find(|d| d.date == row.day_start_utc)?;
        Some((row.litres?, day.litres_draw))
    });
    let (read, real) = pairs.fold((0.0, 0.0), |sum, pair| (sum.0 + pair.0, sum.1 + pair.1));
    read / real - 1.0
}

#[test]
fn sound_meters_give_the_litres() {
    let (fleet, priors) = homes(SEED);
    let (mut sound, mut ratios, mut errors) = (0, Vec::new(), Vec::new());
    for home in &fleet {
        let by_heat = read(home, &priors);
        let reading = read(&metered(home, &|_, flow| flow), &priors);
        let meter = reading.flow_meter.unwrap();
        ratios.push((meter.over_heat * 1000.0).round() / 1000.0);
        if meter.state != MeterState::Sound {
            continue;
        }
        sound += 1;
        let (heat_off, meter_off) = (error(&by_heat, &home.home.truth), error(&reading, &home.home.truth));
        errors.push((meter_off, heat_off));
        assert!(!reading.row.verdicts.contains("flow_meter"), "{}", reading.row.verdicts);
        // the heat of the days is the balance's, with a meter or without
        let kwh = |r: &HomeReading| r.days.rows.iter().map(|d| d.energy_kwh).collect::<Vec<_>>();
        assert_eq!(kwh(&reading), kwh(&by_heat));
    }
    eprintln!("errors of litres by meter and by heat: {errors:.3?}");
    eprintln!("sound meters: {sound} of {}; metered over heat: {ratios:?}", fleet.len());
    let mean = |of: fn(&(f64, f64)) -> f64| errors.iter().map(of).sum::<f64>() / errors.len() as f64;
    // Rows are lost at random, and water with them.
    assert!(
        errors.iter().all(|e| e.0.abs() < 0.04) && mean(|e| e.0.abs()) < mean(|e| e.1.abs()),
        "{errors:?}"
    );
    assert!(sound * 20 >= fleet.len() * 19 - 20, "{sound} of {} called sound: {ratios:?}", fleet.len());
}

#[test]
fn wrong_meters_are_named_and_left_aside() {
    let (fleet, priors) = homes(SEED);
    let wrong: [(MeterState, &str, Meter<'_>); 4] = [
        (MeterState::OffScale, "use.flow_meter_off_scale", &|_, flow| 0.5 * flow),
        (MeterState::OffScale, "use.flow_meter_off_scale", &|_, flow| 1.5 * flow),
        (MeterState::Dead, "use.flow_meter_dead", &|_, _| 0.0),
        (MeterState::Reversed, "use.flow_meter_reversed", &|_, flow| -flow),
    ];
    for home in fleet.iter().take(6) {
        let by_heat = read(home, &priors);
        for (state, verdict, meter) in wrong {
            let reading = read(&metered(home, meter), &priors);
            let of_meter = reading.flow_meter.unwrap();
            assert_eq!(of_meter.state, state, "{of_meter:?}");
            assert!(reading.row.verdicts.split(", ").any(|v| v == verdict), "{}", reading.row.verdicts);
            assert!(of_meter.p05 <= of_meter.over_heat && of_meter.over_heat <= of_meter.p95);
            // As text: an unknown half-hour is NaN on both sides.
            assert_eq!(format!("{:?}", reading.days), format!("{:?}", by_heat.days));
        }
    }
}

#[test]
fn days_after_a_sound_meter_died_stay_with_the_heat() {
    let (fleet, priors) = homes(SEED);
    let home = &fleet[0];
    let died_ms = home.home.rows.time_ms[home.home.rows.len() * 3 / 4];
    let by_heat = read(home, &priors);
    let reading = read(&metered(home, &|ms, flow| if ms < died_ms { flow } else { 0.0 }), &priors);
    assert_eq!(reading.flow_meter.unwrap().state, MeterState::Sound);
    for (row, heat) in reading.days.rows.iter().zip(&by_heat.days.rows) {
        let (Some(litres), Some(heat_l)) = (row.litres, heat.litres) else { continue };
        assert!((litres - heat_l).abs() <= (0.5 * heat_l).max(20.0), "{litres} l against {heat_l} l by heat");
    }
}

#[test]
fn no_meter_and_too_few_days() {
    let (fleet, priors) = homes(SEED);
    let home = &fleet[0];
    assert!(read(home, &priors).flow_meter.is_none());
    let silent = read(&metered(home, &|_, _| f64::NAN), &priors);
    assert!(silent.flow_meter.is_none() && silent.row.flow_metered_over_heat.is_none());
    let until_ms = home.home.rows.time_ms[0] + 3 * 86_400_000;
    let short = read(&metered(home, &|ms, flow| if ms < until_ms { flow } else { f64::NAN }), &priors);
    assert_eq!(short.flow_meter.unwrap().state, MeterState::Unchecked);
    assert!(short.row.verdicts.contains("use.flow_meter_unchecked"));
    assert_eq!(format!("{:?}", short.days), format!("{:?}", read(home, &priors).days));
}
