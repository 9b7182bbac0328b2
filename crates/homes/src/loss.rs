//! Standing loss of one home: present coefficient, 90 % interval, and whether it changed.

use drawoff_contract::daybook::SpellNote;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

pub use crate::mixture::Observation;
use crate::mixture::{Fit, clean_probabilities, fit};
use crate::priors::Rooms;
use crate::robust::{median, quantile, step};
use crate::zone::{ZoneCooling, ZoneSetup, nights, observations, rounding_noise_w};

/// Fewer idle segments or nights than these give no loss.
pub(crate) const LEAST_SEGMENTS: usize = 12;
pub(crate) const LEAST_NIGHTS: usize = 5;
/// No cylinder of a home loses less, W/K: an eighth of the best label class at 120 l.
const LEAST_W_PER_K: f64 = 0.07;
/// Replicates of the block bootstrap: the 5 % and 95 % points need a few hundred.
const REPLICATES: usize = 400;
/// Tolerance of the stored volume against the register: half of the usual plus or minus 3 %, common practice, no source.
const VOLUME_SPREAD: f64 = 0.015;
/// Probe calibration: what the level of the zone may be off by, K. Half of the usual plus or minus 0.5 K, common practice, no source.
const PROBE_SPREAD_K: f64 = 0.25;
/// What the hot-zone method itself may be off by: fittings, border of the zone, the curve between the probes. Chosen on
/// the even half of the reference homes and one synth fleet; the coverage that it gives is printed by `drawoff score`.
const METHOD_SPREAD: f64 = 0.042;
/// The same where two or three probes show the curve, and where the zone is a small part of the whole.
const TWO_PROBES_SPREAD: f64 = 0.1;
const THREE_PROBES_SPREAD: f64 = 0.075;
const SMALL_ZONE: f64 = 0.4;
const SMALL_ZONE_SPREAD: f64 = 0.06;
/// Where coarse readings fall by one step a night or two, the phase of the steps, which is the same every night, puts the slope off by
/// this. (Against the same homes read in tenths; one `synth` seed.)
const PHASE_SPREAD: f64 = 0.08;
/// A change counts when the daily medians either side differ by this ratio and this many standard errors.
const CHANGE_RATIO: f64 = 1.35;
const CHANGE_Z: f64 = 6.0;

/// Standing loss of the skin: W per kelvin of water over surroundings, were all the water at one temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct Loss {
    /// Present coefficient, W/K.
    pub w_per_k: f64,
    /// 5 % point, W/K.
    pub p05: f64,
    /// 95 % point, W/K.
    pub p95: f64,
    /// Coefficient before the change, W/K, if there was one.
    pub before_w_per_k: Option<f64>,
    /// When it changed, UTC ms.
    pub changed_ms: Option<i64>,
    /// Standard errors of the change.
    pub change_z: f64,
    /// Segments behind the present figure.
    pub segments: usize,
    /// Nights behind the present figure.
    pub nights: usize,
    /// Median share of the volume in the hot zone that it was read from.
    pub zone_share: f64,
    /// Standard error of ln(coefficient).
    pub log_error: f64,
    /// All segments, for those who look closer.
    pub observations: Vec<Observation>,
}

/// Reads the standing loss; `None` with too few idle segments of a hot zone.
pub(crate) fn standing_loss(spells: &[&SpellNote], setup: ZoneSetup<'_>, seed: u64) -> Option<Loss> {
    let ZoneCooling { observations: all, by_phase } = observations(spells, setup);
    let change = change(&all);
    let present: Vec<Observation> = match change {
        Some(c) => all.iter().copied().filter(|o| o.at_ms >= c.at_ms).collect(),
        None => all.clone(),
    };
    if present.len() < LEAST_SEGMENTS || nights(&present) < LEAST_NIGHTS {
        return None;
    }
    // A loss of nothing or less is a slip of units or of the register, no insulation.
    let fitted = fit(&present, rounding_noise_w(setup)).filter(|f| f.w_per_k > LEAST_W_PER_K)?;
    let zone_share = median(&present.iter().map(|o| o.share).collect::<Vec<_>>());
    let geometry = method_spread(setup.sound.iter().filter(|s| **s).count(), zone_share);
    let spread = libm::hypot(geometry, if by_phase { PHASE_SPREAD } else { 0.0 });
    let (p05, p95, log_error) = interval(&fitted, &present, setup.rooms, spread, seed);
    Some(Loss {
        w_per_k: fitted.w_per_k,
        p05,
        p95,
        before_w_per_k: change.map(|c| c.before),
        changed_ms: change.map(|c| c.at_ms),
        change_z: change.map_or(0.0, |c| c.z),
        segments: present.len(),
        nights: nights(&present),
        zone_share,
        log_error,
        observations: all,
    })
}

#[derive(Clone, Copy)]
struct Change {
    at_ms: i64,
    before: f64,
    z: f64,
}

/// A single lasting change of the daily medians, if one is beyond doubt.
fn change(all: &[Observation]) -> Option<Change> {
    let mut daily: Vec<(i64, f64)> = Vec::new();
    let mut i = 0;
    while i < all.len() {
        let j = i + all[i..].iter().take_while(|o| o.day == all[i].day).count();
        if j - i >= 2 {
            let ratios: Vec<f64> = all[i..j].iter().map(|o| o.loss_w / o.lift_k).collect();
            daily.push((all[i].at_ms, quantile(&ratios, 0.4)));
        }
        i = j;
    }
    let values: Vec<f64> = daily.iter().map(|d| d.1).collect();
    let found = step(&values, 5, 0.05)?;
    let ratio = found.after / found.before;
    let beyond_doubt = found.z.abs() > CHANGE_Z
        && found.before > 0.0
        && found.after > 0.0
        && !(1.0 / CHANGE_RATIO..CHANGE_RATIO).contains(&ratio);
    beyond_doubt.then(|| Change { at_ms: daily[found.at].0, before: found.before, z: found.z })
}

/// Standard normal by Box and Muller.
pub(crate) fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let u: f64 = rng.random::<f64>().max(1e-300);
    let v: f64 = rng.random();
    libm::sqrt(-2.0 * libm::log(u)) * libm::cos(std::f64::consts::TAU * v)
}

/// Standard deviation of ln(coefficient) that the geometry leaves.
fn method_spread(probes: usize, zone_share: f64) -> f64 {
    let geometry = match probes {
        0..=2 => TWO_PROBES_SPREAD,
        3 => THREE_PROBES_SPREAD,
        _ => METHOD_SPREAD,
    };
    let zone = if zone_share < SMALL_ZONE { SMALL_ZONE_SPREAD } else { 0.0 };
    libm::hypot(geometry, zone)
}

/// Block bootstrap by night, each replicate also drawing surroundings, volume, probe calibration and the method's own error.
fn interval(
    fitted: &Fit,
    data: &[Observation],
    rooms: &Rooms<'_>,
    method_spread: f64,
    seed: u64,
) -> (f64, f64, f64) {
    let clean = clean_probabilities(fitted, data);
    let mut blocks: Vec<(f64, f64)> = Vec::new();
    let mut day = None;
    for (o, g) in data.iter().zip(&clean) {
        if day != Some(o.day) {
            blocks.push((0.0, 0.0));
            day = Some(o.day);
        }
        if let Some(block) = blocks.last_mut() {
            block.0 += g * o.loss_w * o.lift_k;
            block.1 += g * o.lift_k * o.lift_k;
        }
    }
    let whole = blocks.iter().map(|b| b.0).sum::<f64>() / blocks.iter().map(|b| b.1).sum::<f64>();
    let lift_k = median(&data.iter().map(|o| o.lift_k).collect::<Vec<_>>());
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let replicates: Vec<f64> = (0..REPLICATES)
        .map(|_| {
            let (mut a, mut b) = (0.0, 0.0);
            for _ in 0..blocks.len() {
                let pick = blocks[rng.random_range(0..blocks.len())];
                a += pick.0;
                b += pick.1;
            }
            let (pick, size) = (rng.random::<f64>(), normal(&mut rng));
            let colder_k = -rooms.offset_k(pick, size) + PROBE_SPREAD_K * normal(&mut rng);
            let surroundings = (lift_k / (lift_k + colder_k).max(1.0)).min(3.0);
            let volume = 1.0 + VOLUME_SPREAD * normal(&mut rng);
            let method = 1.0 + method_spread * normal(&mut rng);
            fitted.w_per_k * (a / b / whole) * surroundings * volume * method
        })
        .collect();
    let (p05, p95) = (quantile(&replicates, 0.05), quantile(&replicates, 0.95));
    // Width of a 90 % interval in standard errors: 2 x 1.645.
    let log_error = (libm::log(p95.max(1e-9)) - libm::log(p05.max(1e-9))) / 3.29;
    (p05, p95, log_error)
}
