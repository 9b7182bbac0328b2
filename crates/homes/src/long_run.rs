//! Second opinion on the standing loss: metered heat in less rise over days on which nobody drew.
//!
//! On such days all that leaves is lost, whether by insulation, by circulation or by a valve that passes a little; an
//! offset of the meter shows too. Heat that goes astray only while it heats is taken for a draw-off, and such days are not asked. Days with use do not serve: the straight line between probes puts the stored heat off
//! by about as much as a day's loss. Lower-quantile regression over all days was tried at quantiles 0.05 to 0.5 over 1, 3
//! and 7 days and read 27 to 150 % low on one synth fleet; days without use were within 2 to 6 % (even half of the reference fleets, synth).

use drawoff_contract::Day;
use drawoff_contract::daybook::DrawNote;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::loss::normal;
use crate::priors::Rooms;
use crate::reading::HomeNotes;
use crate::robust::quantile;

/// Fewer days without use than this give no opinion.
const LEAST_DAYS: usize = 4;
/// Draw-offs seen on a day without use stay below this, kWh: what a heater that starts looks like.
pub(crate) const NO_USE_KWH: f64 = 0.1;
/// A day counts when at least this share of it was seen.
const SEEN: f64 = 0.8;
/// Below this mean lift the loss is too small against the meter, K.
const LEAST_LIFT_K: f64 = 8.0;
/// Scale of a power meter: accuracy class 2 of EN 50470 for active energy, two standard deviations; from memory.
const METER_SPREAD: f64 = 0.01;
/// What is left of the way itself: small draw-offs that are not seen, stored heat at both ends of a run. Design choice.
const METHOD_SPREAD: f64 = 0.05;
/// Replicates of the bootstrap by day.
const REPLICATES: usize = 400;
/// Ratio beyond which two opinions disagree, if their intervals are apart as well.
const DISAGREE: f64 = 1.25;

/// Standing loss by the balance of days without use, against the volume mean, W/K.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LongRun {
    /// Coefficient, W/K.
    pub w_per_k: f64,
    /// 5 % point, W/K.
    pub p05: f64,
    /// 95 % point, W/K.
    pub p95: f64,
    /// Days without use behind it.
    pub days: usize,
}

impl LongRun {
    /// Whether a coefficient with its 90 % interval differs by over 25 % and the intervals do not meet.
    #[must_use]
    pub fn disagrees_with(&self, w_per_k: f64, p05: f64, p95: f64) -> bool {
        let ratio = self.w_per_k / w_per_k;
        let apart = self.p05 > p95 || self.p95 < p05;
        !(1.0 / DISAGREE..=DISAGREE).contains(&ratio) && apart
    }
}

/// Reads it from the metered days without use; `None` without a meter or with too few such days.
///
/// `volume_degc` is the volume mean of each day, NaN when unknown.
pub(crate) fn long_run(
    notes: HomeNotes<'_>,
    rooms: &Rooms<'_>,
    volume_degc: &[f64],
    seed: u64,
) -> Option<LongRun> {
    let days: Vec<(f64, f64, f64)> = notes
        .days
        .iter()
        .zip(volume_degc)
        .filter_map(|(day, mean)| {
            day.heater_kwh?;
            let drawn = drawn_kwh(notes.draws, day.day);
            let known =
                |(kwh, hours): (&f32, &f32)| (!kwh.is_nan()).then(|| (f64::from(*kwh), f64::from(*hours)));
            let seen: Vec<(f64, f64)> = day
                .net_out_kwh_by_half_hour
                .iter()
                .zip(&day.net_out_hours_by_half_hour)
                .filter_map(known)
                .collect();
            let hours: f64 = seen.iter().map(|s| s.1).sum();
            let left_kwh = seen.iter().map(|s| s.0).sum::<f64>() - drawn;
            let lift_k = mean - rooms.of_day(day.day);
            (drawn <= NO_USE_KWH && hours >= SEEN * day.hours && lift_k >= LEAST_LIFT_K).then_some((
                left_kwh,
                lift_k * hours / 1000.0,
                lift_k,
            ))
        })
        .collect();
    if days.len() < LEAST_DAYS {
        return None;
    }
    let of = |pick: &dyn Fn(&(f64, f64, f64)) -> f64| days.iter().map(pick).sum::<f64>();
    let w_per_k = of(&|d| d.0) / of(&|d| d.1);
    if w_per_k <= 0.0 {
        return None;
    }
    let lift_k = of(&|d| d.2) / days.len() as f64;
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let replicates: Vec<f64> = (0..REPLICATES)
        .map(|_| {
            let (mut out, mut degree) = (0.0, 0.0);
            for _ in 0..days.len() {
                let pick = days[rng.random_range(0..days.len())];
                out += pick.0;
                degree += pick.1;
            }
            let (pick, size) = (rng.random::<f64>(), normal(&mut rng));
            let surroundings = (lift_k / (lift_k - rooms.offset_k(pick, size)).max(1.0)).min(3.0);
            let meter = 1.0 + METER_SPREAD * normal(&mut rng);
            out / degree * surroundings * meter * (1.0 + METHOD_SPREAD * normal(&mut rng))
        })
        .collect();
    let (p05, p95) = (quantile(&replicates, 0.05), quantile(&replicates, 0.95));
    Some(LongRun { w_per_k, p05, p95, days: days.len() })
}

/// Heat of the draw-offs seen on a local day, kWh.
///
/// Those seen while it heats count as well, though heat that goes astray then looks like one: left out, days with use
/// pass for days without, and the second opinion reads up to ten times the loss (reference fleets).
pub(crate) fn drawn_kwh(draws: &[DrawNote], day: Day) -> f64 {
    let from = draws.partition_point(|d| d.day < day);
    draws[from..].iter().take_while(|d| d.day == day).map(|d| d.energy_kwh).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_opinions_disagree_only_beyond_a_quarter_and_both_intervals() {
        let long = LongRun { w_per_k: 2.6, p05: 2.3, p95: 2.9, days: 6 };
        assert!(long.disagrees_with(1.8, 1.6, 2.0));
        assert!(!long.disagrees_with(1.8, 1.4, 2.4)); // the intervals meet
        assert!(!long.disagrees_with(2.2, 2.1, 2.25)); // apart, but within a quarter
        assert!(LongRun { w_per_k: 1.0, p05: 0.9, p95: 1.1, days: 6 }.disagrees_with(1.8, 1.6, 2.0));
    }
}
