//! Empty days: two states by day, told apart by the water drawn, while draws would have been seen.
//!
//! An empty day has next to no water and no draw; an occupied one draws as this home does when somebody is in. Both last for days, which
//! settles the doubtful ones. A day without enough data, with silent probes or with a cold store says nothing and stays
//! unknown, whatever lies around it.

use std::collections::BTreeSet;
use std::f64::consts::PI;

use drawoff_contract::habit_tables::{OCCUPIED, UNKNOWN, VACANT, VacancyRow};
use drawoff_contract::local::day_of;
use drawoff_contract::{Day, Utc};

use super::semi_markov::{Durations, read_states};
use crate::reading::{HomeNotes, HomeReading};
use crate::robust::median;

/// Draws below this are as often ripple of the heat balance as water, l.
const LEAST_TRUE_DRAW_L: f64 = 2.0;
/// A store less than this above its feed shows no draws in its heat balance, K.
const LEAST_LIFT_K: f64 = 10.0;
/// Probes that all repeat their values for so long are silent: a store that only stands still loses steps of heat sooner, h.
const SILENT_HOURS: f32 = 12.0;
/// Litres that errors of the heat balance leave on an empty day without a draw, on average.
const EMPTY_DAY_L: f64 = 1.5;
/// Share of empty days with a draw all the same: a neighbour who looks in, or noise that looks like one.
const EMPTY_DRAW_SHARE: f64 = 0.05;
/// Litres on such a day, on average.
const EMPTY_DRAW_L: f64 = 6.0;
/// Days with at least this tell how often draws go unseen at an occupied home, l.
const MUCH_DRAWN_L: f64 = 20.0;
/// Occupied days without a draw seen, and occupied days, that are believed before the first one is known.
const UNSEEN_BEFORE: (f64, f64) = (0.5, 15.0);
/// Share of occupied days unlike the home's others: any number of litres between these, each doubling as likely as the next.
const OCCUPIED_ODD_SHARE: f64 = 0.02;
/// Least and most litres of such a day.
const OCCUPIED_ODD_L: (f64, f64) = (2.0, 500.0);
/// Days with less than this do not say how a home draws when somebody is in, l.
const SURELY_DRAWN_L: f64 = 5.0;
/// A home's own days count against this many of the fleet's.
const FLEET_DAYS: f64 = 5.0;
/// The spread of a home's days is never taken as less than this.
const LEAST_LOG_SD: f64 = 0.3;
/// Where no home shows how it draws: 100 l with a wide spread (common practice, no source).
const ASSUMED_USE: Use = Use { log_mean: 4.6, log_sd: 0.7 };
/// Between absences (design choice; people leave for some days every month or two).
const OCCUPIED_DURATIONS: Durations = Durations { median_d: 30.0, log_sd: 1.2 };
/// Away from a weekend to a long holiday (design choice).
const VACANT_DURATIONS: Durations = Durations { median_d: 5.0, log_sd: 1.0 };
/// Share of homes that are empty when the data begin (design choice).
const VACANT_AT_START: f64 = 0.05;

/// What was seen of a day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct DayUse {
    /// Litres drawn; NaN where draws would not have been seen.
    pub(crate) litres: f64,
    /// Whether any one draw was seen, borne out by the day where the heater ran: errors of the heat balance run through the day, people draw at once.
    pub(crate) draw_seen: bool,
}

/// Litres on occupied days: log-normal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Use {
    log_mean: f64,
    log_sd: f64,
}

/// What was seen of each day of a home.
#[must_use]
pub(crate) fn days_seen(notes: HomeNotes<'_>, reading: &HomeReading) -> Vec<DayUse> {
    // The heat that a start of heating hides from the probes looks like a draw, every day at the same hour.
    let heating: BTreeSet<Utc> = notes.draws.iter().filter(|d| d.heating).map(|d| d.start).collect();
    let mut draws = reading.days.draws.iter().peekable();
    let mut out = Vec::new();
    for ((note, row), cold) in notes.days.iter().zip(&reading.days.rows).zip(&reading.cold_degc) {
        let (mut drawn_l, mut drawn_heating_l) = (0.0, 0.0);
        while let Some(draw) = draws.next_if(|d| day_of(notes.cylinder.zone, d.start.0) <= row.day) {
            let of_day = day_of(notes.cylinder.zone, draw.start.0) == row.day;
            if of_day && draw.litres >= LEAST_TRUE_DRAW_L {
                let while_heating = heating.contains(&draw.start);
                *(if while_heating { &mut drawn_heating_l } else { &mut drawn_l }) += draw.litres;
            }
        }
        let silent =
            note.probe_frozen_hours.iter().copied().reduce(f32::min).is_none_or(|h| h >= SILENT_HOURS);
        let warm = row.mean_stored_degc.is_some_and(|t| t - cold >= LEAST_LIFT_K);
        let litres = match row.litres {
            Some(litres) if warm && !silent => litres.max(drawn_l),
            _ => f64::NAN,
        };
        // The day's balance has such a false draw's heat back within hours: a true one stays in it.
        let heating_bears = drawn_heating_l > 0.0 && litres >= LEAST_TRUE_DRAW_L;
        out.push(DayUse { litres, draw_seen: drawn_l > 0.0 || heating_bears });
    }
    out
}

impl Use {
    /// How the homes of a fleet draw when somebody is in, from the litres of each home's days.
    pub(crate) fn of_fleet(homes: &[Vec<DayUse>]) -> Self {
        let own: Vec<Self> = homes.iter().filter_map(|days| Self::plain(days)).collect();
        if own.is_empty() {
            return ASSUMED_USE;
        }
        Self {
            log_mean: median(&own.iter().map(|u| u.log_mean).collect::<Vec<_>>()),
            log_sd: median(&own.iter().map(|u| u.log_sd).collect::<Vec<_>>()).max(LEAST_LOG_SD),
        }
    }

    fn logs(days: &[DayUse]) -> Vec<f64> {
        let drawn = |d: &&DayUse| d.draw_seen && d.litres >= SURELY_DRAWN_L || d.litres >= MUCH_DRAWN_L;
        days.iter().filter(drawn).map(|d| d.litres.ln()).collect()
    }

    /// Of one home alone; `None` of too few days.
    fn plain(days: &[DayUse]) -> Option<Self> {
        let logs = Self::logs(days);
        let n = logs.len() as f64;
        if n < FLEET_DAYS {
            return None;
        }
        let log_mean = logs.iter().sum::<f64>() / n;
        let variance = logs.iter().map(|l| (l - log_mean) * (l - log_mean)).sum::<f64>() / n;
        Some(Self { log_mean, log_sd: variance.sqrt() })
    }

    /// Of one home, drawn towards its fleet where its days are few.
    fn of_home(days: &[DayUse], fleet: Self) -> Self {
        let logs = Self::logs(days);
        let n = logs.len() as f64;
        let log_mean = (logs.iter().sum::<f64>() + FLEET_DAYS * fleet.log_mean) / (n + FLEET_DAYS);
        let squares: f64 = logs.iter().map(|l| (l - log_mean) * (l - log_mean)).sum();
        let variance = (squares + FLEET_DAYS * fleet.log_sd * fleet.log_sd) / (n + FLEET_DAYS);
        Self { log_mean, log_sd: variance.sqrt().max(LEAST_LOG_SD) }
    }
}

/// Share of occupied days on which no single draw is seen: many where readings are coarse.
fn unseen_share(days: &[DayUse]) -> f64 {
    let much: Vec<_> = days.iter().filter(|d| d.litres >= MUCH_DRAWN_L).collect();
    let unseen = much.iter().filter(|d| !d.draw_seen).count() as f64;
    (unseen + UNSEEN_BEFORE.0) / (much.len() as f64 + UNSEEN_BEFORE.1)
}

/// Log-likelihood of a day under occupied and vacant; zeros where unknown.
fn evidence(day: DayUse, home: Use, unseen_share: f64) -> [f64; 2] {
    if day.litres.is_nan() {
        return [0.0, 0.0];
    }
    // A log-normal has no density at zero: half a litre is the least that can be told from nothing.
    let drawn = day.litres.max(0.5);
    let z = (drawn.ln() - home.log_mean) / home.log_sd;
    let usual = (-0.5 * z * z).exp() / (drawn * home.log_sd * (2.0 * PI).sqrt());
    let (least, most) = OCCUPIED_ODD_L;
    let odd = if drawn >= least { 1.0 / (drawn * (most / least).ln()) } else { 0.0 };
    let of_litres = (1.0 - OCCUPIED_ODD_SHARE) * usual + OCCUPIED_ODD_SHARE * odd;
    let occupied = of_litres * if day.draw_seen { 1.0 - unseen_share } else { unseen_share };
    let exponential = |mean_l: f64| (-day.litres / mean_l).exp() / mean_l;
    let vacant = if day.draw_seen {
        EMPTY_DRAW_SHARE * exponential(EMPTY_DRAW_L)
    } else {
        (1.0 - EMPTY_DRAW_SHARE) * exponential(EMPTY_DAY_L)
    };
    [occupied.max(f64::MIN_POSITIVE).ln(), vacant.max(f64::MIN_POSITIVE).ln()]
}

/// State of each day of one home, vacant where the most likely course of days says so, and the day itself
/// is more likely vacant than not.
pub(crate) fn read_vacancy(home: &str, days: &[Day], seen: &[DayUse], fleet: Use) -> Vec<VacancyRow> {
    let own = Use::of_home(seen, fleet);
    let unseen = unseen_share(seen);
    let likelihoods: Vec<[f64; 2]> = seen.iter().map(|d| evidence(*d, own, unseen)).collect();
    let path = read_states(&likelihoods, [OCCUPIED_DURATIONS, VACANT_DURATIONS], VACANT_AT_START);
    days.iter()
        .enumerate()
        .map(|(i, day)| {
            let known = !seen[i].litres.is_nan();
            let state = if !known {
                UNKNOWN
            } else if path.second[i] && path.probability[i] >= 0.5 {
                VACANT
            } else {
                OCCUPIED
            };
            VacancyRow {
                home: home.to_owned(),
                day: *day,
                state: state.to_owned(),
                probability: known.then(|| path.probability[i]),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const FLEET: Use = Use { log_mean: 4.6, log_sd: 0.6 };

    /// States of days on which draws are seen where more than 3 l are drawn.
    fn states(litres: &[f64]) -> Vec<String> {
        let seen: Vec<DayUse> = litres.iter().map(|&l| DayUse { litres: l, draw_seen: l > 3.0 }).collect();
        states_of(&seen)
    }

    fn states_of(seen: &[DayUse]) -> Vec<String> {
        let days: Vec<Day> = (0..).take(seen.len()).map(Day).collect();
        read_vacancy("a", &days, seen, FLEET).into_iter().map(|r| r.state).collect()
    }

    /// Forty days of use between 40 and 130 l.
    fn in_use() -> Vec<f64> {
        (0..40).map(|i| 40.0 + f64::from((i * 37) % 90)).collect()
    }

    #[test]
    fn an_absence_is_found_to_the_day() {
        let mut litres = in_use();
        litres[12..20].copy_from_slice(&[0.0, 0.3, 2.5, 0.0, 0.0, 1.1, 0.0, 0.4]);
        let found = states(&litres);
        let vacant: Vec<usize> = (0..40).filter(|&i| found[i] == VACANT).collect();
        assert_eq!(vacant, (12..20).collect::<Vec<_>>());
        assert!(found.iter().all(|s| s != UNKNOWN));
    }

    #[test]
    fn one_day_away_is_enough() {
        let mut litres = in_use();
        litres[20] = 0.0;
        assert_eq!(states(&litres).iter().filter(|s| *s == VACANT).count(), 1);
    }

    #[test]
    fn a_day_without_data_is_neither() {
        let mut litres = in_use();
        litres[5..9].fill(f64::NAN);
        litres[20..30].fill(0.0);
        litres[24] = f64::NAN;
        let found = states(&litres);
        let unknown: Vec<usize> = (0..40).filter(|&i| found[i] == UNKNOWN).collect();
        assert_eq!(unknown, [5, 6, 7, 8, 24]);
        assert_eq!(found.iter().filter(|s| *s == VACANT).count(), 9);
        assert!(states(&[f64::NAN; 10]).iter().all(|s| s == UNKNOWN));
    }

    #[test]
    fn an_empty_home_is_empty_all_the_time_and_a_frugal_one_is_not() {
        assert!(states(&[0.2; 60]).iter().all(|s| s == VACANT));
        let frugal: Vec<f64> = (0..60).map(|i| 6.0 + f64::from((i * 7) % 11)).collect();
        assert!(states(&frugal).iter().all(|s| s == OCCUPIED));
    }

    #[test]
    fn a_quiet_day_at_home_is_not_an_absence() {
        let mut litres = in_use();
        litres[20] = 8.0;
        assert!(states(&litres).iter().all(|s| s == OCCUPIED));
    }

    #[test]
    fn an_error_of_the_balance_is_no_use_and_coarse_readings_are_no_absence() {
        // Five litres a day without a single draw: a loss that was read a little too low.
        let biased = vec![DayUse { litres: 5.0, draw_seen: false }; 30];
        assert!(states_of(&biased).iter().all(|s| s == VACANT));
        let coarse: Vec<DayUse> =
            in_use().into_iter().map(|litres| DayUse { litres, draw_seen: false }).collect();
        assert!(states_of(&coarse).iter().all(|s| s == OCCUPIED));
    }
}
