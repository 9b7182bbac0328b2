//! Homes that lack something, and days that are cut.

use drawoff_contract::Channel;
use drawoff_homes::HomeReading;
use drawoff_homes::robust::median;

use crate::fleet::{fleet, read};
use crate::made::Made;
use crate::noted::{Noted, noted, priors};

fn alone(n: &Noted) -> HomeReading {
    read(n, &priors(std::slice::from_ref(n)))
}

fn without(home: &Made, channels: &[Channel]) -> Made {
    let mut home = home.clone();
    for channel in channels {
        home.rows.series[channel.slot()] = None;
    }
    home
}

#[test]
fn litres_and_energy_of_sound_homes_are_near_the_truth() {
    let homes = fleet(2, 0..24);
    let priors = priors(&homes);
    let mut errors = Vec::new();
    for n in
        homes.iter().filter(|n| n.home.truth.home.fault.is_empty() && n.home.truth.home.trait_ != "vacant")
    {
        let row = read(n, &priors).row;
        let truth = &n.home.truth.home;
        errors.push((row.litres_per_day.unwrap() / truth.litres_per_day - 1.0).abs());
        let drawn = row.energy_kwh_per_day.unwrap();
        assert!(
            (drawn / truth.kwh_draw_per_day - 1.0).abs() < 0.2 + 0.3 / truth.kwh_draw_per_day,
            "{drawn} {truth:?}"
        );
    }
    eprintln!("{} homes: median error of litres {:.3}", errors.len(), median(&errors));
    assert!(errors.len() >= 8 && median(&errors) < 0.15, "{errors:?}");
}

/// Days of the whole daybook hold; a home cut after any day reads the same days before the cut, but for the smoothing.
#[test]
fn energy_of_a_day_is_drawn_and_lost_and_stored() {
    for n in fleet(2, 0..6) {
        let reading = alone(&n);
        for pair in reading.days.rows.windows(2).zip(n.notes.days.windows(2)) {
            let (rows, days) = pair;
            let (Some(drawn), Some(lost), Some(heater)) =
                (rows[1].energy_kwh, rows[1].loss_kwh, rows[1].heater_kwh)
            else {
                continue;
            };
            let stored = |i: usize| {
                days[i].stored_kwh_by_half_hour.iter().rev().find(|v| !v.is_nan()).map(|v| f64::from(*v))
            };
            let rise = stored(1).unwrap() - stored(0).unwrap();
            let seen: f32 = days[1].net_out_hours_by_half_hour.iter().sum();
            // Whole days only; below nothing drawn, the balance is cut off.
            if (f64::from(seen) - days[1].hours).abs() > 0.1 || drawn == 0.0 {
                continue;
            }
            let steady = reading.days.steady_w
                [reading.days.rows.iter().position(|r| r.day == rows[1].day).unwrap()]
                * 0.024;
            let left = heater - drawn - lost - rise - steady;
            assert!(left.abs() < 0.02 * heater.max(1.0) + 0.02, "{} {left}", n.home.cylinder.home);
        }
    }
}

#[test]
fn a_home_without_meters_still_reads_its_loss() {
    let n = &fleet(2, [1])[0];
    let bare = noted(without(&n.home, &[Channel::Power(0), Channel::Power(1), Channel::Register]));
    let (full, bare) = (alone(n), alone(&bare));
    assert_eq!(bare.row.heater_kwh_per_day, None);
    let (a, b) = (full.loss.unwrap().w_per_k, bare.loss.unwrap().w_per_k);
    assert!((a / b - 1.0).abs() < 0.2, "{a} {b}");
}

#[test]
fn litres_without_a_top_probe_stay_near_those_with_it() {
    for n in fleet(2, [1, 3, 5]) {
        let litres = alone(&n).row.litres_per_day.unwrap();
        let blind = alone(&noted(without(&n.home, &[Channel::Probe(0)]))).row.litres_per_day;
        eprintln!("{litres:.0} l/d with, {blind:.0?} without the top probe");
        assert!(blind.is_none_or(|b| (b / litres - 1.0).abs() < 0.4), "{litres} {blind:?}");
    }
}

#[test]
fn a_home_alone_never_has_a_hot_cold_feed() {
    for seed in 1..=6 {
        let vacant = crate::fleet::numbers(seed, |h| h.truth.home.trait_ == "vacant");
        for n in fleet(seed, vacant) {
            let cold = alone(&n).cold_degc;
            assert!(cold.iter().all(|c| *c < 25.0), "{cold:.1?}");
        }
    }
}
