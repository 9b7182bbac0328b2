//! The heat balance of each interval: what went in, what the water gained, what must have left.

use crate::frame::Frame;
use crate::setup::Setup;

/// Longest silence over which the register still closes the balance.
pub(crate) const LONGEST_BRIDGE_H: f64 = 6.0;
/// Heat into the water over an interval counts as heating above this.
const HEATING_W: f64 = 60.0;
/// Rise of the mean that means heating where neither power, register nor call is known.
const HEATING_RISE_K_PER_H: f64 = 1.5;

/// One entry an instant; entry `k` speaks of the interval that ends at instant `k`. Entry 0 is unknown.
#[derive(Clone, Debug, Default)]
pub(crate) struct Balance {
    /// Length, h.
    pub(crate) hours: Vec<f64>,
    /// Longer than two and a half usual intervals.
    pub(crate) gap: Vec<bool>,
    /// Volume-mean temperature at the instant, degC.
    pub(crate) mean: Vec<f64>,
    /// Surroundings used, degC.
    pub(crate) surroundings: Vec<f64>,
    /// Heater energy, Wh; NaN when unknown.
    pub(crate) heater_wh: Vec<f64>,
    /// Heat that left: in less rise, Wh; NaN when unknown.
    pub(crate) net_out_wh: Vec<f64>,
    /// The same less the first-pass standing loss, Wh.
    pub(crate) surplus_wh: Vec<f64>,
    /// Whether the heater heats.
    pub(crate) heating: Vec<bool>,
    /// Whether anything says that it does not.
    pub(crate) heater_known: bool,
}

pub(crate) fn balance(frame: &Frame, setup: &Setup, cadence_ms: i64) -> Balance {
    let n = frame.len();
    let mut b = Balance {
        hours: Vec::with_capacity(n),
        gap: Vec::with_capacity(n),
        mean: Vec::with_capacity(n),
        surroundings: Vec::with_capacity(n),
        heater_wh: Vec::with_capacity(n),
        net_out_wh: Vec::with_capacity(n),
        surplus_wh: Vec::with_capacity(n),
        heating: Vec::with_capacity(n),
        heater_known: heater_known(frame),
    };
    let capacity = setup.capacity_wh_per_k;
    let mut surroundings = setup.surroundings_degc;
    for k in 0..n {
        if !frame.surroundings[k].is_nan() {
            surroundings = frame.surroundings[k];
        }
        b.surroundings.push(surroundings);
        b.mean.push(setup.profile.mean(frame.at(k)));
        if k == 0 {
            b.hours.push(f64::NAN);
            b.gap.push(true);
            b.heater_wh.push(f64::NAN);
            b.net_out_wh.push(f64::NAN);
            b.surplus_wh.push(f64::NAN);
            b.heating.push(is_called(frame, 0));
            continue;
        }
        let hours = (frame.time_ms[k] - frame.time_ms[k - 1]) as f64 / 3_600_000.0;
        let gap = (frame.time_ms[k] - frame.time_ms[k - 1]) * 2 > cadence_ms * 5;
        let heater = heater_wh(frame, setup, k, hours, gap);
        let rise_wh = capacity * (b.mean[k] - b.mean[k - 1]);
        let heater_for_balance = if b.heater_known { heater } else { 0.0 };
        let net = if hours <= LONGEST_BRIDGE_H { heater_for_balance - rise_wh } else { f64::NAN };
        let loss = setup.loss_w_per_k * ((b.mean[k] + b.mean[k - 1]) / 2.0 - surroundings) * hours;
        let heating = if heater.is_nan() {
            is_called(frame, k)
                || (!b.heater_known && (b.mean[k] - b.mean[k - 1]) > HEATING_RISE_K_PER_H * hours)
        } else {
            heater > HEATING_W * hours
        };
        b.hours.push(hours);
        b.gap.push(gap);
        b.heater_wh.push(heater);
        // Without a meter the heat that went in is unknown while heating, so what left is unknown too.
        b.net_out_wh.push(if heating && !b.heater_known { f64::NAN } else { net });
        b.surplus_wh.push(if heating && !b.heater_known { f64::NAN } else { net - loss });
        b.heating.push(heating);
    }
    b
}

fn heater_known(frame: &Frame) -> bool {
    frame.power.iter().any(|c| c.iter().any(|v| !v.is_nan())) || frame.register.iter().any(|v| !v.is_nan())
}

fn is_called(frame: &Frame, k: usize) -> bool {
    frame.call.iter().any(|c| c[k] > 0.5)
}

/// Power of the elements at instant `k`, W (NaN when none has a value), and whether every element of the register has one.
fn power_w(frame: &Frame, setup: &Setup, k: usize) -> (f64, bool) {
    let known = frame.power.iter().map(|c| c[k]).filter(|v| !v.is_nan());
    let sum = known.fold(f64::NAN, |sum: f64, v| if sum.is_nan() { v } else { sum + v });
    let whole =
        setup.elements.iter().all(|e| frame.power.get(usize::from(e.index)).is_some_and(|c| !c[k].is_nan()));
    (sum, whole)
}

/// Energy of the interval: the register's step where it has one that power does not contradict, else power.
fn heater_wh(frame: &Frame, setup: &Setup, k: usize, hours: f64, gap: bool) -> f64 {
    let step = frame.register[k] - frame.register[k - 1];
    let (power, whole) = power_w(frame, setup, k);
    let by_power = power * hours;
    if step >= 0.0 {
        let contradicted =
            !gap && whole && !by_power.is_nan() && (step - by_power).abs() > 0.5 * step.max(by_power) + 20.0;
        if !contradicted {
            return step;
        }
    }
    if gap { f64::NAN } else { by_power }
}
