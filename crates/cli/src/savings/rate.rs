//! How many home-years of replay and plan a machine does: for the terminal, as times are no results.

use std::time::Instant;

use drawoff_contract::Day;
use drawoff_savings::history::{DaySpan, HalfHour, History};
use drawoff_savings::home::{Assessed, Known, Settings, rates};
use drawoff_savings::learn::Learnt;
use drawoff_savings::replay::Body;
use drawoff_savings::rule::{Rule, TimedHeater};
use drawoff_savings::saving::{Case, saving};
use drawoff_savings::still_open::still_open;
use drawoff_tank::replay::Heater;
use drawoff_tank::water::Water;
use rayon::prelude::*;

use crate::progress;

/// Home-years that are timed.
const HOME_YEARS: usize = 16;
const DAYS: i32 = 365;
/// Fleet and time that the bar speaks of.
const ASKED_HOMES: f64 = 10_000.0;

/// A year of a made-up family: two showers in the morning, one in the evening, dishes, and a bath on Sundays.
fn year(salt: usize) -> History {
    let mut out = History::default();
    for day in 0..DAYS {
        let first = out.steps.len();
        for slot in 0..48_usize {
            let wanted_wh = match slot {
                13 | 14 => 1200.0 + 100.0 * ((day as usize + salt) % 5) as f64,
                25 | 39 => 400.0,
                42 => 1300.0,
                36 if day % 7 == 6 => 4000.0,
                _ => 0.0,
            };
            out.steps.push(HalfHour {
                start_ms: (i64::from(day) * 48 + slot as i64) * 1_800_000,
                slot,
                winter_slot: slot,
                wanted_wh,
                feed_degc: 10.0,
                room_degc: 18.0,
                metered_wh: 150,
                surplus_wh: 0,
            });
        }
        out.days.push(DaySpan {
            day: Day(day),
            steps: first..out.steps.len(),
            masked: None,
            mean_degc: Some(52.0),
            drawn_wh: 5000.0,
        });
    }
    out
}

/// Times replay under both rules, their bills and parts, and both plans with the single changes; one home-year a task.
pub(super) fn tell(settings: &Settings) {
    let heater = Heater {
        low: 0.1,
        stop_height: 0.1,
        power_w: 3000.0,
        set_degc: 60.0,
        hysteresis_k: 5.0,
        circulated: false,
    };
    let permitted = std::array::from_fn(|slot| slot < 14);
    let rule = Rule {
        heaters: vec![TimedHeater { heater, permitted }],
        winter_clock: false,
        one_at_a_time: false,
        diverted: false,
    };
    let body = Body { volume_l: 200.0, height_m: None, loss_w_per_k: 1.5, water: Water::Iapws };
    let learnt = Learnt { body, rule, set_error_k: 0.3 };
    let histories: Vec<History> = (0..HOME_YEARS).map(year).collect();
    let started = Instant::now();
    let done: usize = histories
        .into_par_iter()
        .map(|history| {
            let zone = chrono_tz::UTC;
            let night = drawoff_contract::DailyWindow { start_min: 0, minutes: 420 };
            let Some(tariff) = settings.tariffs.of_home(Some("two-rate"), zone, Some(night)) else {
                return 0;
            };
            let rates = rates(&history, Some(&tariff), settings);
            let saving = saving(&Case {
                home: "made up",
                history: &history,
                learnt: &learnt,
                reference: &settings.reference,
                rates: &rates,
                per_metered: 1.0,
                loss_log_error: 0.05,
                day_litres: 120.0,
                members: 0,
                seed: 1,
            });
            let known = Known {
                history,
                learnt: learnt.clone(),
                per_metered: 1.0,
                loss_log_error: 0.05,
                day_litres: 120.0,
            };
            let assessed = Assessed { known, rates, saving, fit: None };
            usize::from(still_open(&assessed, &tariff, &[]).is_ok_and(|o| o.cheapest.is_some()))
        })
        .sum();
    let seconds = started.elapsed().as_secs_f64();
    progress::note(&format!(
        "{done} home-years of replay and plan in {seconds:.2} s: {ASKED_HOMES:.0} in {:.1} min on these threads (asked: 10)",
        seconds / HOME_YEARS as f64 * ASKED_HOMES / 60.0
    ));
}
