//! Sums and means by settlement period of 30 minutes.

use drawoff_contract::local::LocalDay;
use drawoff_tank::front::{Front, Known};

use crate::balance::Balance;
use crate::frame::Frame;
use crate::setup::Setup;
use crate::track::Followed;

/// Cold feed in the published definition of V40 for the declaration test, degC (Regulation (EU) 814/2013).
const V40_COLD_DEGC: f64 = 10.0;
/// An element below this height heats the whole cylinder; a higher one leaves that to a coil or another source, and water
/// below it may be hot (common practice, no source).
const WHOLE_CYLINDER: f64 = 0.25;
const HALF_HOUR_MS: i64 = 1_800_000;

/// One entry a half-hour of the local day; NaN where nothing was seen.
#[derive(Clone, Debug, Default)]
pub(crate) struct HalfHours {
    pub(crate) stored_kwh: Vec<f32>,
    pub(crate) heater_kwh: Vec<f32>,
    pub(crate) net_out_kwh: Vec<f32>,
    pub(crate) net_out_hours: Vec<f32>,
    pub(crate) mean_degc: Vec<f32>,
    pub(crate) top_degc: Vec<f32>,
    pub(crate) v40: Vec<f32>,
    pub(crate) surroundings: Vec<f32>,
}

fn add(slot: &mut f32, value: f64) {
    if !value.is_nan() {
        *slot = if slot.is_nan() { value as f32 } else { *slot + value as f32 };
    }
}

/// What the fit of a front may know: the lowest element, if it stands so low that it heats the whole cylinder.
fn known(setup: &Setup) -> Known {
    let lowest = setup.elements.iter().map(|e| e.height).fold(f64::INFINITY, f64::min);
    Known { element: if lowest < WHOLE_CYLINDER { lowest } else { f64::NAN }, ..Known::default() }
}

/// V40 where the water could not be followed, l: by the front where one can be fitted, else by straight lines. A reduction that
/// follows no water is a first pass, and fits no fronts either.
fn v40_litres(row: &[f64], setup: &Setup, known: &Known) -> f64 {
    let front = if setup.follow_water { Front::fit(&setup.profile, row, known) } else { None };
    front.map_or_else(
        || setup.profile.v40_litres(row, setup.volume_l, V40_COLD_DEGC),
        |front| front.v40_litres(setup.volume_l, V40_COLD_DEGC),
    )
}

/// Half-hour of the day in which the interval ends that ends at an instant.
fn slot_of(frame: &Frame, day: &LocalDay, k: usize) -> usize {
    let slot = usize::try_from((frame.time_ms[k] - 1 - day.start_ms) / HALF_HOUR_MS).unwrap_or(0);
    slot.min(day.half_hours().saturating_sub(1))
}

/// Whether no later instant of the frame lies in the same half-hour.
pub(crate) fn is_last_of_slot(frame: &Frame, day: &LocalDay, k: usize) -> bool {
    k + 1 == frame.len() || slot_of(frame, day, k + 1) != slot_of(frame, day, k)
}

/// Volume-mean temperature at each instant, degC: of the water as followed, which knows where a front lies between two probes; by straight
/// lines before it is followed, and from step to step.
fn followed_means(b: &Balance, followed: &Followed) -> Vec<f64> {
    let mut between_probes_k = 0.0;
    b.mean
        .iter()
        .zip(&followed.mean_degc)
        .map(|(line, followed)| {
            if !(followed - line).is_nan() {
                between_probes_k = followed - line;
            }
            line + between_probes_k
        })
        .collect()
}

pub(crate) fn half_hours(
    frame: &Frame,
    b: &Balance,
    setup: &Setup,
    day: &LocalDay,
    followed: &Followed,
) -> HalfHours {
    let n = day.half_hours();
    let unknown = || vec![f32::NAN; n];
    let mut h = HalfHours {
        stored_kwh: unknown(),
        heater_kwh: unknown(),
        net_out_kwh: unknown(),
        net_out_hours: vec![0.0; n],
        mean_degc: unknown(),
        top_degc: unknown(),
        v40: unknown(),
        surroundings: unknown(),
    };
    let mut counts = vec![(0.0_f32, 0.0_f32); n];
    let known = known(setup);
    let means = followed_means(b, followed);
    let measured = frame.surroundings.iter().any(|v| !v.is_nan());
    for k in frame.context..frame.len() {
        let slot = slot_of(frame, day, k);
        let Some(count) = counts.get_mut(slot) else { continue };
        add(&mut h.heater_kwh[slot], b.heater_wh[k] / 1000.0);
        if !b.net_out_wh[k].is_nan() {
            let between_probes_k = (means[k] - b.mean[k]) - (means[k - 1] - b.mean[k - 1]);
            let net_out_wh = b.net_out_wh[k] - setup.capacity_wh_per_k * between_probes_k;
            add(&mut h.net_out_kwh[slot], net_out_wh / 1000.0);
            h.net_out_hours[slot] += b.hours[k] as f32;
        }
        if !b.mean[k].is_nan() {
            add(&mut h.mean_degc[slot], b.mean[k]);
            count.0 += 1.0;
            h.stored_kwh[slot] = (setup.capacity_wh_per_k * means[k] / 1000.0) as f32;
        }
        let row = frame.at(k);
        if let Some(top) = row.first() {
            h.top_degc[slot] = h.top_degc[slot].min(*top as f32);
        }
        if measured && !frame.surroundings[k].is_nan() {
            add(&mut h.surroundings[slot], frame.surroundings[k]);
            count.1 += 1.0;
        }
        if is_last_of_slot(frame, day, k) {
            let followed = followed.v40_l[k];
            let v40 = if followed.is_nan() { v40_litres(row, setup, &known) } else { followed };
            h.v40[slot] = v40 as f32;
        }
    }
    for (slot, (means, rooms)) in counts.into_iter().enumerate() {
        h.mean_degc[slot] /= means;
        h.surroundings[slot] /= rooms;
    }
    if !measured {
        h.surroundings.clear();
    }
    h
}
