//! Makes a home of a trial one that can have its fault.

use drawoff_contract::Fault;
use rand_chacha::ChaCha8Rng;

use super::{Design, class_b_w};
use crate::control::Mode;
use crate::dice::{below, chance};
use crate::source::Source;
use drawoff_contract::Level;

/// A boiler's flow has to be this much above what the thermostat asks for, K.
const BOILER_MARGIN_K: f64 = 6.0;

/// Gives a home the control that a fault asks for, before its severity is known.
pub(super) fn prepare(fault: Fault, level: Level, home: &mut Design) {
    match fault {
        Fault::DearHours => {
            home.control.mode = Mode::Night;
            home.control.boost = None;
        }
        // A welded relay shows only where a timer would keep it open.
        Fault::StuckOn if level == Level::Mild => timed(home),
        Fault::RunsOut => timed(home),
        _ => {}
    }
}

/// Changes what has to be changed for a fault of this severity; most faults can be at any home.
pub(super) fn fit(rng: &mut ChaCha8Rng, fault: Fault, severity: f64, home: &mut Design) {
    match fault {
        Fault::RunsOut => {
            let volume_l = if chance(rng, 0.5) { 120.0 } else { 150.0 };
            resize(home, volume_l);
            // SAP 2012, table 1b, line 43: 25 N + 36 l a day of stored water.
            home.people = (((severity * volume_l - 36.0) / 25.0).round() as u32).max(2);
            home.people_before = Some(1 + below(rng, 2) as u32);
            home.people_registered = false;
        }
        Fault::ScaldRisk => {
            if let Source::Coil(coil) = &mut home.source {
                coil.flow_degc = coil.flow_degc.max(severity + BOILER_MARGIN_K);
            }
        }
        Fault::ThermostatHot => {
            let asked_degc = home.control.set_point_degc + severity + BOILER_MARGIN_K;
            if let Source::Coil(coil) = &mut home.source {
                coil.flow_degc = coil.flow_degc.max(asked_degc.min(85.0));
            }
        }
        _ => {}
    }
}

/// Lets a timer keep its hours, where heating was permitted round the clock.
pub(crate) fn timed(home: &mut Design) {
    if home.control.mode == Mode::Always {
        let other = matches!(home.source, Source::HeatPump(_) | Source::Coil(_));
        home.control.mode = if other { Mode::Programmer } else { Mode::Night };
    }
}

/// Puts a cylinder of another size into the home, as well insulated as the one before.
fn resize(home: &mut Design, volume_l: f64) {
    let ratio = volume_l / home.volume_l;
    let loss_ratio = class_b_w(volume_l) / class_b_w(home.volume_l);
    home.volume_l = volume_l;
    home.body.volume_l *= ratio;
    home.body.height_m *= libm::cbrt(ratio);
    home.body.insulation_j_per_k *= ratio;
    home.body.loss_w_per_k *= loss_ratio;
    home.declared_loss_w_per_k *= loss_ratio;
}
