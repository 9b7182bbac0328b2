//! What single faults show by in a day: starts, called hours without warming, a pump on its own, heat sent to the grid,
//! disinfection, run-outs, scalding hours.

use drawoff_contract::HeatSource;
use drawoff_tank::hygiene::{GROWTH_DEGC, NO_CREDIT_BELOW_DEGC, ThermalDeath};

use crate::balance::Balance;
use crate::frame::Frame;
use crate::setup::Setup;
use crate::spells::quantile;
use crate::track::Drawn;

const HOUR_MS: i64 = 3_600_000;
/// An element takes power above this, W.
const POWERED_W: f64 = 100.0;
/// Above and below these shares of full power a whole interval was neither off nor on from end to end.
const PART_OF_INTERVAL: (f64, f64) = (0.08, 0.85);
/// A pump may run on after the heat: chamber or exchanger is emptied of heat. Common practice, no source.
const OVERRUN_H: f64 = 0.25;
/// A smaller export is noise of the control that holds it near nothing, W: common practice, no source.
const LEAST_EXPORT_W: f64 = 300.0;
/// Far below the set point: no thermostat's dead band keeps the heater off so cold.
const ROOM_K: f64 = 12.0;
/// Below this no shower is warm, degC; the same as in V40.
const COOL_DEGC: f64 = 40.0;
/// A run-out starts from water that was still fit for a shower by this margin, K.
const RUN_OUT_MARGIN_K: f64 = 2.0;
/// Full-thickness burn of adult skin within about a second and a half, degC (Moritz and Henriques 1947, as in `tank::scald`).
const SCALD_DEGC: f64 = 67.0;
/// Flow and return must differ by this to be told from their errors, K.
const LEAST_EXCHANGE_K: f64 = 2.0;
/// Energy that register and power must both have seen before they are compared, Wh.
const LEAST_COMPARED_WH: f64 = 500.0;

/// A day's signs.
#[derive(Clone, Debug, Default)]
pub(crate) struct Signs {
    pub(crate) element_kwh: Vec<f32>,
    pub(crate) starts_in_hour: Vec<f32>,
    pub(crate) called_still_hours: f64,
    pub(crate) called_still_kwh: Option<f64>,
    pub(crate) pump_hours: Option<f64>,
    pub(crate) pump_alone_hours: Option<f64>,
    pub(crate) exchanger_units: Option<f64>,
    pub(crate) export_kwh: Option<f64>,
    pub(crate) export_with_room_kwh: Option<f64>,
    pub(crate) dose_decades: Vec<f32>,
    pub(crate) growth_hours: Vec<f32>,
    pub(crate) run_outs: i64,
    pub(crate) scald_hours: f64,
    pub(crate) register_over_power: Option<f64>,
}

/// The day's own intervals that no silence breaks.
fn intervals(frame: &Frame, b: &Balance) -> impl Iterator<Item = usize> {
    (frame.context.max(1)..frame.len()).filter(|&k| !b.gap[k])
}

/// Reads the signs of a day; `drawn` has an entry an instant.
pub(crate) fn signs(frame: &Frame, b: &Balance, setup: &Setup, drawn: &[Drawn]) -> Signs {
    let (called_still_hours, called_still_kwh) = called_still(frame, b, setup, drawn);
    let (pump_hours, pump_alone_hours) = pump(frame, b);
    let (export_kwh, export_with_room_kwh) = export(frame, b, setup);
    let (dose_decades, growth_hours) = hygiene(frame, b);
    Signs {
        element_kwh: (0..2).map(|e| energy_kwh(frame, b, e)).collect(),
        starts_in_hour: (0..2).map(|e| starts_in_hour(frame, b, setup, e)).collect(),
        called_still_hours,
        called_still_kwh,
        pump_hours,
        pump_alone_hours,
        exchanger_units: exchanger_units(frame, b, setup),
        export_kwh,
        export_with_room_kwh,
        dose_decades,
        growth_hours,
        run_outs: run_outs(frame, b, drawn),
        scald_hours: intervals(frame, b)
            .filter(|&k| frame.at(k).first().is_some_and(|top| *top >= SCALD_DEGC))
            .map(|k| b.hours[k])
            .sum(),
        register_over_power: register_over_power(frame, b, setup),
    }
}

fn energy_kwh(frame: &Frame, b: &Balance, e: usize) -> f32 {
    let mut sum = f64::NAN;
    for k in intervals(frame, b) {
        let wh = frame.power[e][k] * b.hours[k];
        if !wh.is_nan() {
            sum = if sum.is_nan() { wh } else { sum + wh };
        }
    }
    (sum / 1000.0) as f32
}

/// Most starts within any hour. A start shows as power (or a call) after none, or as an interval at part power between
/// powered ones: the heater was off in between. A heat pump or diverter runs at part power by design: of a heat pump only
/// the first sign counts, and whoever judges must know a diverter.
fn starts_in_hour(frame: &Frame, b: &Balance, setup: &Setup, e: usize) -> f32 {
    let (call, power) = (&frame.call[e], &frame.power[e]);
    let known = |column: &Vec<f64>| column[frame.context..].iter().any(|v| !v.is_nan());
    // The limit of an element's own chamber lowers its power at the end of every heat: there only the call tells of a start.
    let (has_call, has_power) = (known(call), known(power) && setup.heat_source != HeatSource::TopPump);
    if !has_call && !has_power {
        return f32::NAN;
    }
    let steady = setup.heat_source != HeatSource::HeatPump;
    let full = power.iter().copied().filter(|v| !v.is_nan()).fold(0.0, f64::max);
    let on = |i: usize| if has_power { power[i] > POWERED_W } else { call[i] > 0.5 };
    let part = |i: usize| (PART_OF_INTERVAL.0 * full..PART_OF_INTERVAL.1 * full).contains(&power[i]);
    let starts: Vec<i64> = intervals(frame, b)
        .filter(|&k| {
            let inside = steady && has_power && k + 1 < frame.len() && part(k) && on(k - 1) && on(k + 1);
            (on(k) && !on(k - 1)) || inside
        })
        .map(|k| frame.time_ms[k])
        .collect();
    // Starts lie in the order of time.
    let within = |i: usize| starts[i..].iter().take_while(|t| **t < starts[i] + HOUR_MS).count();
    (0..starts.len()).map(within).max().unwrap_or(0) as f32
}

/// Hours called from end to end without a draw-off, and what the water took up meanwhile.
fn called_still(frame: &Frame, b: &Balance, setup: &Setup, drawn: &[Drawn]) -> (f64, Option<f64>) {
    let (mut hours, mut wh) = (0.0, 0.0);
    let called = |k: usize| frame.call.iter().any(|c| c[k] > 0.5);
    for k in intervals(frame, b) {
        let still = drawn.get(k).is_none_or(|d| d.litres <= 0.0);
        let rise = setup.capacity_wh_per_k * (b.mean[k] - b.mean[k - 1]);
        let loss =
            setup.loss_w_per_k * (f64::midpoint(b.mean[k], b.mean[k - 1]) - b.surroundings[k]) * b.hours[k];
        if called(k - 1) && called(k) && still && !rise.is_nan() {
            hours += b.hours[k];
            wh += rise + loss;
        }
    }
    (hours, (hours > 0.0).then_some(wh / 1000.0))
}

/// Hours of the pump, and hours of it on its own.
fn pump(frame: &Frame, b: &Balance) -> (Option<f64>, Option<f64>) {
    if frame.pump[frame.context..].iter().all(|v| v.is_nan()) {
        return (None, None);
    }
    let active = |k: usize| b.heating[k] || frame.call.iter().any(|c| c[k] > 0.5);
    let (mut on, mut alone) = (0.0, 0.0);
    let mut since_active_h = if (0..frame.context).any(active) { 0.0 } else { f64::INFINITY };
    for k in frame.context.max(1)..frame.len() {
        since_active_h = if active(k) || active(k - 1) { 0.0 } else { since_active_h + b.hours[k] };
        if b.gap[k] || !(frame.pump[k - 1] > 0.5 && frame.pump[k] > 0.5) {
            continue;
        }
        on += b.hours[k];
        if since_active_h > OVERRUN_H {
            alone += b.hours[k];
        }
    }
    (Some(on), Some(alone))
}

/// Number of transfer units of the exchanger: -ln(1 - effectiveness), effectiveness from flow, return, and the water that
/// enters (a plate's intake) or surrounds it (a coil). Incropera et al., *Fundamentals of Heat and Mass Transfer*, ch. 11:
/// exact for a coil in water of one temperature, and a steady comparison at equal flows for a plate.
fn exchanger_units(frame: &Frame, b: &Balance, setup: &Setup) -> Option<f64> {
    let lower = setup.source_heights.0.unwrap_or(0.0);
    let upper = setup.source_heights.1.filter(|_| setup.heat_source == HeatSource::Coil);
    let water = |k: usize| {
        let degc = |h: f64| setup.profile.at(frame.at(k), h);
        upper.map_or(degc(lower), |u| f64::midpoint(degc(lower), degc(u)))
    };
    let mut units: Vec<f64> = intervals(frame, b)
        .filter(|&k| b.heating[k] && b.heating[k - 1])
        .filter_map(|k| {
            let (flow, back) = (frame.exchanger[0][k], frame.exchanger[1][k]);
            let effectiveness = (flow - back) / (flow - water(k));
            let told = flow - back >= LEAST_EXCHANGE_K && (0.02..0.98).contains(&effectiveness);
            told.then(|| -libm::log(1.0 - effectiveness))
        })
        .collect();
    if units.len() < 3 { None } else { quantile(&mut units, 0.5) }
}

/// Energy sent to the grid, and the part that a heater at rest could have taken.
fn export(frame: &Frame, b: &Balance, setup: &Setup) -> (Option<f64>, Option<f64>) {
    if frame.export[frame.context..].iter().all(|v| v.is_nan()) {
        return (None, None);
    }
    let rated: f64 = setup.elements.iter().map(|e| e.rated_w).sum();
    let lowest = setup.elements.iter().map(|e| e.height).fold(f64::INFINITY, f64::min);
    // The hottest water of the part that the lowest element heats: a thermostat there may feel it.
    let felt = |k: usize| {
        let above = setup.heights.iter().zip(frame.at(k)).filter(|(h, v)| **h >= lowest && !v.is_nan());
        let (mut sum, mut n) = (0.0, 0.0);
        for (_, v) in above {
            sum += v;
            n += 1.0;
        }
        sum / n
    };
    let (mut sent, mut missed) = (0.0, 0.0);
    for k in intervals(frame, b) {
        let export = frame.export[k];
        if export.is_nan() {
            continue;
        }
        sent += export * b.hours[k];
        let power = b.heater_wh[k] / b.hours[k];
        // At part power the thermostat is closed and more could be taken; at rest, only far below the set point.
        let at_part = power >= POWERED_W && b.heater_wh[k - 1] >= POWERED_W * b.hours[k - 1];
        let room = power < POWERED_W && setup.set_point_degc.is_some_and(|set| felt(k) < set - ROOM_K);
        if (at_part || room) && export >= LEAST_EXPORT_W {
            missed += export.min((rated - power).max(0.0)) * b.hours[k];
        }
    }
    (Some(sent / 1000.0), setup.set_point_degc.map(|_| missed / 1000.0))
}

/// Minutes for a decade at temperatures, the last of them remembered: most readings come in steps, so few are new, and each new one
/// takes an exponential.
struct DecadeMinutes {
    death: ThermalDeath,
    /// Bits of the temperature, and its minutes; by a hash of the bits.
    known: [(u64, f64); DECADES_KNOWN],
}

/// A day's temperatures in tenths of a kelvin, several times over.
const DECADES_KNOWN: usize = 256;

impl DecadeMinutes {
    fn new() -> Self {
        let death = ThermalDeath::default();
        Self { death, known: [(0.0_f64.to_bits(), death.decade_min(0.0)); DECADES_KNOWN] }
    }

    fn at(&mut self, degc: f64) -> f64 {
        let bits = degc.to_bits();
        // The upper bits of a product with the golden ratio (D. Knuth, The Art of Computer Programming 3, 6.4).
        let slot = &mut self.known[(bits.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 56) as usize];
        if slot.0 != bits {
            *slot = (bits, self.death.decade_min(degc));
        }
        slot.1
    }
}

/// Disinfection and hours of growth at each probe.
fn hygiene(frame: &Frame, b: &Balance) -> (Vec<f32>, Vec<f32>) {
    let mut decade_min = DecadeMinutes::new();
    let n = frame.width;
    let (mut dose, mut growth) = (vec![0.0; n], vec![0.0; n]);
    let mut seen = vec![false; n];
    for k in intervals(frame, b) {
        let hours = b.hours[k];
        for (p, &degc) in frame.at(k).iter().enumerate() {
            seen[p] |= !degc.is_nan();
            // Most of the water is too cold for any credit.
            if degc >= NO_CREDIT_BELOW_DEGC {
                dose[p] += hours * 60.0 / decade_min.at(degc);
            } else if GROWTH_DEGC.contains(&degc) {
                growth[p] += hours;
            }
        }
    }
    let f32s = |sums: Vec<f64>| {
        let known = sums.into_iter().zip(&seen);
        known.map(|(sum, seen)| if *seen { sum as f32 } else { f32::NAN }).collect()
    };
    (f32s(dose), f32s(growth))
}

/// Falls of the top below what a shower needs within two intervals of a draw-off.
fn run_outs(frame: &Frame, b: &Balance, drawn: &[Drawn]) -> i64 {
    let drawn_near =
        |k: usize| (k.saturating_sub(2)..=k).any(|i| drawn.get(i).is_some_and(|d| d.litres > 0.0));
    let mut armed = frame.context > 0
        && (0..frame.context)
            .any(|k| frame.at(k).first().is_some_and(|t| *t >= COOL_DEGC + RUN_OUT_MARGIN_K));
    let mut count = 0;
    for k in intervals(frame, b) {
        let Some(&top) = frame.at(k).first() else { continue };
        if top >= COOL_DEGC + RUN_OUT_MARGIN_K {
            armed = true;
        } else if armed && top < COOL_DEGC {
            count += i64::from(drawn_near(k));
            armed = false;
        }
    }
    count
}

/// Register against power over the intervals where both are known.
fn register_over_power(frame: &Frame, b: &Balance, setup: &Setup) -> Option<f64> {
    let (mut by_register, mut by_power) = (0.0, 0.0);
    for k in intervals(frame, b) {
        let step = frame.register[k] - frame.register[k - 1];
        let whole = setup.elements.iter().all(|e| !frame.power[usize::from(e.index).min(1)][k].is_nan());
        let power: f64 = frame.power.iter().map(|c| c[k]).filter(|v| !v.is_nan()).sum();
        if step >= 0.0 && whole && frame.power.iter().any(|c| !c[k].is_nan()) {
            by_register += step;
            by_power += power * b.hours[k];
        }
    }
    (by_register.max(by_power) >= LEAST_COMPARED_WH && by_power > 0.0).then(|| by_register / by_power)
}
