//! What limits the figures of a home, each by a stable dotted name.
//!
//! A fit that has nothing to go by is named here and its figure is null: never a mean in disguise.

use drawoff_contract::daybook::DayNote;

use crate::long_run::LongRun;
use crate::loss::Loss;
use crate::priors::FleetPriors;
use crate::reading::HomeNotes;

/// Silence of a home at the end of its fleet's data that makes its figures old, days.
const STALE_DAYS: i32 = 3;
/// Readings that move less than this within every day are of one temperature, K.
const ONE_TEMPERATURE_K: f64 = 0.35;
/// Water no warmer than this above the surroundings has not been heated, K; the loss needs as much.
const HOT_K: f64 = 8.0;

/// What the verdicts are given by.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Findings<'a> {
    pub notes: HomeNotes<'a>,
    pub priors: &'a FleetPriors,
    pub loss: Option<&'a Loss>,
    pub long_run: Option<LongRun>,
    pub rooms_source: &'a str,
    pub room_degc: &'a [f64],
    pub sound: &'a [bool],
    pub good_days: usize,
    /// Reported coefficient with its interval against the volume mean, W/K.
    pub volume_w_per_k: Option<(f64, f64, f64)>,
}

/// Dotted names, in a fixed order.
pub(crate) fn verdicts(f: &Findings<'_>) -> Vec<&'static str> {
    let days = f.notes.days;
    let mut out = Vec::new();
    if !days.is_empty() {
        if stale(days, f.priors) {
            out.push("readings.stale");
        }
        if one_temperature(days) {
            out.push("readings.one_temperature");
        }
    }
    if f.loss.is_none() {
        out.push(why_no_loss(f));
    }
    let disagrees =
        f.long_run.zip(f.volume_w_per_k).is_some_and(|(l, (w, p05, p95))| l.disagrees_with(w, p05, p95));
    if disagrees {
        out.push("standing_loss.long_run_disagrees");
    }
    if f.rooms_source != "measured" {
        out.push("surroundings.not_measured");
    }
    if f.good_days == 0 {
        out.push("use.no_good_day");
    } else if f.notes.draws.is_empty() {
        out.push("use.no_draws");
    }
    out
}

/// The one reason that stands before the others.
fn why_no_loss(f: &Findings<'_>) -> &'static str {
    let days = f.notes.days;
    let sends = |p: usize| days.iter().any(|d| d.probe_mean_degc.get(p).is_some_and(|v| !v.is_nan()));
    let probes = (0..f.sound.len()).filter(|&p| f.sound[p] && sends(p)).count();
    let top_lifts: Vec<f64> = days
        .iter()
        .zip(f.room_degc)
        .filter_map(|(d, room)| {
            let warmest = d.probe_mean_degc.iter().copied().filter(|v| !v.is_nan()).reduce(f32::max)?;
            Some(f64::from(warmest) - room)
        })
        .collect();
    let warmest_lift = top_lifts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if days.is_empty() || probes == 0 {
        "standing_loss.no_probe"
    } else if probes == 1 {
        "standing_loss.one_probe"
    } else if warmest_lift < 0.0 {
        "standing_loss.surroundings_above_water"
    } else if warmest_lift < HOT_K {
        "standing_loss.never_hot"
    } else if !f.notes.spells.iter().any(|s| s.kind == "idle") {
        "standing_loss.no_idle_time"
    } else if one_temperature(days) {
        "standing_loss.one_temperature"
    } else {
        "standing_loss.too_few_idle_segments"
    }
}

/// Whether the home fell silent, or repeats itself, while its fleet went on.
fn stale(days: &[DayNote], priors: &FleetPriors) -> bool {
    let last = days.iter().rev().find(|d| d.instants > 0).map(|d| d.day.0);
    let silent = priors.last_day().zip(last).is_none_or(|(fleet, own)| fleet.0 - own >= STALE_DAYS);
    let frozen = days.last().is_some_and(|d| {
        !d.probe_frozen_hours.is_empty()
            && d.probe_frozen_hours.iter().all(|h| f64::from(*h) >= 24.0 * f64::from(STALE_DAYS))
    });
    silent || frozen
}

/// Whether no probe moved within any day beyond its noise, nor from one day to the next.
fn one_temperature(days: &[DayNote]) -> bool {
    let probes = days.iter().map(|d| d.probe_min_degc.len()).max().unwrap_or(0);
    let still = |p: usize| {
        let known = |of: &dyn Fn(&DayNote) -> Option<f32>, better: fn(f32, f32) -> f32| {
            days.iter().filter_map(of).filter(|v| !v.is_nan()).reduce(better)
        };
        let low = known(&|d| d.probe_min_degc.get(p).copied(), f32::min);
        let high = known(&|d| d.probe_max_degc.get(p).copied(), f32::max);
        low.zip(high).is_none_or(|(low, high)| f64::from(high - low) <= 2.0 * ONE_TEMPERATURE_K)
    };
    let sends = days.iter().any(|d| d.probe_mean_degc.iter().any(|v| !v.is_nan()));
    sends && (0..probes).all(still)
}
