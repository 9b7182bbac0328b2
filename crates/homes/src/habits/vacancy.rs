//! Empty days: two states by day, told apart by the water drawn, while draws would have been seen.
//!
//! An empty day has next to no water and hardly ever a draw; an occupied one draws as this home does when somebody is in, which may be
//! a few litres (`day_evidence`). Both last for days, which settles the doubtful ones. A day without enough data, with silent probes or with a cold store says nothing and stays
//! unknown, whatever lies around it.

use std::sync::LazyLock;

use drawoff_contract::Day;
use drawoff_contract::habit_tables::{OCCUPIED, UNKNOWN, VACANT, VacancyRow};

use super::day_evidence::{FleetDays, HomeDays};
use super::semi_markov::{Durations, Lasting, read_states};
use crate::reading::{HomeNotes, HomeReading};

/// A single draw below this is as often ripple of the heat balance as water, and puts no litres beside the balance, l.
const LEAST_TRUE_DRAW_L: f64 = 2.0;
/// Smaller draws than this are not counted, l: most false ones are smaller, and fewer of the true ones (one `synth` seed).
const LEAST_COUNTED_L: f64 = 0.7;
/// A store less than this above its feed shows no draws in its heat balance, K.
const LEAST_LIFT_K: f64 = 10.0;
/// Probes that all repeat their values for so long are silent: a store that only stands still loses steps of heat sooner, h.
const SILENT_HOURS: f32 = 12.0;
/// Between absences (design choice; people leave for some days every month or two).
const OCCUPIED_DURATIONS: Durations = Durations { median_d: 30.0, log_sd: 1.2 };
/// Away from a weekend to a long holiday (design choice).
const VACANT_DURATIONS: Durations = Durations { median_d: 5.0, log_sd: 1.0 };
/// Share of homes that are empty when the data begin (design choice).
const VACANT_AT_START: f64 = 0.05;

static LASTING: LazyLock<[Lasting; 2]> =
    LazyLock::new(|| [OCCUPIED_DURATIONS, VACANT_DURATIONS].map(Lasting::new));

/// What was seen of a day.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct DayUse {
    /// Litres drawn; NaN where draws would not have been seen.
    pub(crate) litres: f64,
    /// Draws seen: while it stands idle, and while it heats. A start of heating hides heat from the probes, which looks like one.
    pub(crate) draws: [u32; 2],
    /// Whether its balance rests on a loss that could not be read, and so may be off by the same on every day.
    pub(crate) assumed_loss: bool,
}

/// What was seen of each day of a home.
#[must_use]
pub(crate) fn days_seen(notes: HomeNotes<'_>, reading: &HomeReading) -> Vec<DayUse> {
    let mut draws = notes.draws.iter().peekable();
    let mut out = Vec::new();
    for ((note, row), cold) in notes.days.iter().zip(&reading.days.rows).zip(&reading.cold_degc) {
        // As the water was followed: the day's balance, which may be off, has not made these larger or smaller.
        let (mut drawn_l, mut counts) = (0.0, [0; 2]);
        while let Some(draw) = draws.next_if(|d| d.day <= row.day) {
            if draw.day == row.day && draw.litres >= LEAST_COUNTED_L {
                counts[usize::from(draw.heating)] += 1;
            }
            if draw.day == row.day && draw.litres >= LEAST_TRUE_DRAW_L && !draw.heating {
                drawn_l += draw.litres;
            }
        }
        let silent =
            note.probe_frozen_hours.iter().copied().reduce(f32::min).is_none_or(|h| h >= SILENT_HOURS);
        let warm = row.mean_stored_degc.is_some_and(|t| t - cold >= LEAST_LIFT_K);
        let litres = match row.litres {
            Some(litres) if warm && !silent => litres.max(drawn_l),
            _ => f64::NAN,
        };
        out.push(DayUse { litres, draws: counts, assumed_loss: reading.loss.is_none() });
    }
    out
}

/// State of each day of one home, vacant where the most likely course of days says so, and the day itself
/// is more likely vacant than not.
pub(crate) fn read_vacancy(home: &str, days: &[Day], seen: &[DayUse], fleet: FleetDays) -> Vec<VacancyRow> {
    let own = HomeDays::new(seen, fleet);
    let likelihoods: Vec<[f64; 2]> = seen.iter().map(|d| own.evidence(*d)).collect();
    let path = read_states(&likelihoods, *LASTING, VACANT_AT_START);
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

    /// States of days on which draws are seen where more than 3 l are drawn.
    fn states(litres: &[f64]) -> Vec<String> {
        let seen: Vec<DayUse> = litres
            .iter()
            .map(|&l| DayUse {
                litres: l,
                draws: [if l > 3.0 { 1 + (l / 20.0) as u32 } else { 0 }, 0],
                assumed_loss: false,
            })
            .collect();
        states_of(&seen)
    }

    fn states_of(seen: &[DayUse]) -> Vec<String> {
        let days: Vec<Day> = (0..).take(seen.len()).map(Day).collect();
        read_vacancy("a", &days, seen, FleetDays::new(&[seen.to_vec()]))
            .into_iter()
            .map(|r| r.state)
            .collect()
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
        let biased = vec![DayUse { litres: 5.0, draws: [0; 2], assumed_loss: false }; 30];
        assert!(states_of(&biased).iter().all(|s| s == VACANT));
        let coarse: Vec<DayUse> = in_use()
            .into_iter()
            .map(|litres| DayUse { litres, draws: [0; 2], assumed_loss: false })
            .collect();
        assert!(states_of(&coarse).iter().all(|s| s == OCCUPIED));
    }
}
