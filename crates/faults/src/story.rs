//! All faults of a home, and one story out of them.

use drawoff_contract::{Fault, FaultClass, HeatSource, Outcome};

use crate::assessment::Assessment;
use crate::context::Context;
use crate::{
    data, elements, exchanger, losses, meter, mixing, probe_place, probes, pumps, service, switching,
    thermostat, timing,
};

/// Which finding explains which other: the second is listed under the first.
const EXPLAINS: &[(Fault, Fault)] = &[
    (Fault::SensorSwap, Fault::SensorOffset),
    (Fault::GravityNight, Fault::Destratified),
    (Fault::SensorStuck, Fault::SensorOffset),
    (Fault::SensorStuck, Fault::SensorSwap),
    (Fault::SensorStuck, Fault::Destratified),
    (Fault::SensorSwap, Fault::Destratified),
    (Fault::StuckOn, Fault::ThermostatHot),
    (Fault::ElementOpen, Fault::ThermostatCold),
    (Fault::ElementOpen, Fault::ElementHalf),
    (Fault::LeakSteady, Fault::GravityNight),
    (Fault::LeakSteady, Fault::LeakHeating),
    (Fault::LeakSteady, Fault::LossDoubled),
    (Fault::LeakHeating, Fault::GravityNight),
    (Fault::Destratified, Fault::LeakHeating),
    (Fault::GravityNight, Fault::LossDoubled),
    (Fault::SensorStuck, Fault::SensorDrift),
    (Fault::SensorStuck, Fault::SensorHeight),
    (Fault::SensorDrift, Fault::SensorOffset),
    (Fault::SensorOffset, Fault::SensorHeight),
    (Fault::SensorSwap, Fault::SensorHeight),
    (Fault::SensorSwap, Fault::SensorDrift),
    (Fault::Destratified, Fault::SensorHeight),
    (Fault::PumpStuck, Fault::SensorHeight),
    (Fault::ElementOpen, Fault::SensorHeight),
    (Fault::ElementHalf, Fault::SensorHeight),
    (Fault::ThermostatHot, Fault::SensorHeight),
    (Fault::ThermostatCold, Fault::SensorHeight),
    (Fault::LeakSteady, Fault::SensorHeight),
    (Fault::LeakHeating, Fault::SensorHeight),
    (Fault::LossDoubled, Fault::SensorHeight),
    (Fault::GravityNight, Fault::SensorHeight),
    (Fault::StuckOn, Fault::SensorHeight),
    (Fault::PumpFailed, Fault::SensorHeight),
    (Fault::ExchangerDecline, Fault::SensorHeight),
    (Fault::DearHours, Fault::SensorHeight),
    (Fault::PumpStuck, Fault::Destratified),
    (Fault::PumpStuck, Fault::RunsOut),
    (Fault::PumpFailed, Fault::ElementOpen),
    (Fault::PumpFailed, Fault::RelayChatter),
    (Fault::PumpFailed, Fault::ThermostatCold),
    (Fault::PumpFailed, Fault::ThermostatHot),
    (Fault::PumpFailed, Fault::ExchangerDecline),
    (Fault::PumpFailed, Fault::RunsOut),
    (Fault::PumpFailed, Fault::HygieneLow),
    (Fault::MeterScale, Fault::ElementHalf),
    (Fault::MeterScale, Fault::LeakHeating),
    (Fault::MeterScale, Fault::LeakSteady),
    (Fault::MeterScale, Fault::GravityNight),
    (Fault::MeterScale, Fault::PumpFailed),
    (Fault::RelayChatter, Fault::ElementHalf),
    (Fault::RelayChatter, Fault::MeterScale),
    (Fault::ElementOpen, Fault::RunsOut),
    (Fault::ElementOpen, Fault::HygieneLow),
    (Fault::ElementHalf, Fault::RunsOut),
    (Fault::ThermostatCold, Fault::RunsOut),
    (Fault::ThermostatCold, Fault::HygieneLow),
    (Fault::ExchangerDecline, Fault::RunsOut),
    (Fault::LeakSteady, Fault::RunsOut),
    (Fault::Destratified, Fault::RunsOut),
    (Fault::StuckOn, Fault::DearHours),
    (Fault::StuckOn, Fault::ScaldRisk),
    (Fault::ThermostatHot, Fault::ScaldRisk),
    // An element that takes no power, and a thermostat that opens early, leave the surplus to the grid.
    (Fault::ElementOpen, Fault::SurplusMissed),
    (Fault::ThermostatCold, Fault::SurplusMissed),
    // An element beside the heat pump gives less than the heat pump's rating, and its heat arrives; behind a standing pump nothing does.
    (Fault::BackupHeating, Fault::PumpFailed),
];

/// Assesses every fault of a home, in the order of [`Fault::ALL`], and folds what another finding explains.
#[must_use]
pub fn assess(ctx: &Context<'_>) -> Vec<Assessment> {
    let mut all: Vec<Assessment> = Fault::ALL.iter().map(|f| assess_one(ctx, *f)).collect();
    short_record(ctx, &mut all);
    greater_flow_first(&mut all);
    arriving_heat_first(&mut all);
    fold(&mut all);
    all
}

/// Sources at which a fault has a limit of its own; others are not assessed. An element outside the water, in a chamber, is
/// as open or weak as one inside; what hangs on the metered heat needs a source whose heat is metered.
fn has_limit(fault: Fault, source: HeatSource) -> bool {
    match fault {
        Fault::ElementOpen | Fault::ElementHalf | Fault::LeakHeating => {
            matches!(source, HeatSource::Element | HeatSource::TopPump)
        }
        // The compressor's own limit lies below what would be too hot.
        Fault::StuckOn | Fault::ThermostatHot => source != HeatSource::HeatPump,
        _ => true,
    }
}

fn assess_one(ctx: &Context<'_>, fault: Fault) -> Assessment {
    if !has_limit(fault, ctx.cylinder.heat_source) {
        return Assessment::not_assessed(fault, "source of heat", "limits for this source of heat");
    }
    let view = probes::Probes {
        days: ctx.days,
        probes: ctx.cylinder.probe_heights.len(),
        cold_degc: &ctx.reading.fleet_cold_degc,
    };
    match fault {
        Fault::ElementOpen => elements::element_open(ctx),
        Fault::ElementHalf => elements::element_half(ctx),
        Fault::ThermostatHot => thermostat::thermostat_hot(ctx),
        Fault::ThermostatCold => thermostat::thermostat_cold(ctx),
        Fault::Destratified => mixing::destratified(ctx),
        Fault::LeakSteady => losses::leak_steady(ctx),
        Fault::LeakHeating => losses::leak_heating(ctx),
        Fault::LossDoubled => losses::loss_doubled(ctx),
        Fault::GravityNight => losses::gravity_night(ctx),
        Fault::StuckOn => elements::stuck_on(ctx),
        Fault::SensorStuck => probes::sensor_stuck(view),
        Fault::SensorOffset => probes::sensor_offset(view),
        Fault::SensorSwap => probes::sensor_swap(view),
        Fault::DataGaps => data::data_gaps(ctx),
        Fault::ClockShift => data::clock_shift(ctx),
        Fault::MeterReset => data::meter_reset(ctx),
        Fault::RelayChatter => switching::relay_chatter(ctx),
        Fault::PumpFailed => pumps::pump_failed(ctx),
        Fault::PumpStuck => pumps::pump_stuck(ctx),
        Fault::ExchangerDecline => exchanger::exchanger_decline(ctx),
        Fault::BackupHeating => exchanger::backup_heating(ctx),
        Fault::SurplusMissed => timing::surplus_missed(ctx),
        Fault::SensorDrift => probe_place::sensor_drift(view),
        Fault::SensorHeight => probe_place::sensor_height(view),
        Fault::MeterScale => meter::meter_scale(ctx),
        Fault::DearHours => timing::dear_hours(ctx),
        Fault::RunsOut => service::runs_out(ctx),
        Fault::HygieneLow => service::hygiene_low(ctx),
        Fault::ScaldRisk => service::scald_risk(ctx),
    }
}

/// Fewer days than this make nothing sound: there was no occasion to show otherwise.
const LEAST_DAYS: usize = 3;

fn short_record(ctx: &Context<'_>, all: &mut [Assessment]) {
    if ctx.days.iter().filter(|d| d.instants > 0).count() >= LEAST_DAYS {
        return;
    }
    for a in all
        .iter_mut()
        .filter(|a| matches!(a.outcome, Outcome::Sound) || (a.is_fault() && !a.fault.is_safety()))
    {
        *a = Assessment::too_little(a.fault, a.statistic, "fewer than 3 days");
    }
}

/// A valve that passes while heating also shows in the quiet hours of a cylinder that heats most of the time: the greater
/// flow is the story.
fn greater_flow_first(all: &mut [Assessment]) {
    let effect = |f: Fault| all.iter().find(|a| a.fault == f && a.is_fault()).map(|a| a.effect);
    if let (Some(steady), Some(heating)) = (effect(Fault::LeakSteady), effect(Fault::LeakHeating))
        && heating > 2.0 * steady
    {
        for a in all.iter_mut().filter(|a| a.fault == Fault::LeakSteady) {
            fold_one(a, Fault::LeakHeating);
        }
    }
}

/// A weak element gives less than the rated heat, and takes as much less: what it takes arrives. Behind a standing pump the chamber's
/// limit lowers what is taken, and still less arrives.
fn arriving_heat_first(all: &mut [Assessment]) {
    let effect = |f: Fault| all.iter().find(|a| a.fault == f && a.is_fault()).map(|a| a.effect);
    let (Some(missing), Some(lowered)) = (effect(Fault::PumpFailed), effect(Fault::ElementHalf)) else {
        return;
    };
    let (folded, cause) = if missing > lowered + ARRIVES_WITHIN {
        (Fault::ElementHalf, Fault::PumpFailed)
    } else {
        (Fault::PumpFailed, Fault::ElementHalf)
    };
    for a in all.iter_mut().filter(|a| a.fault == folded) {
        fold_one(a, cause);
    }
}

/// Difference of two shares of the rating that loss and unseen draw-offs explain.
const ARRIVES_WITHIN: f64 = 0.12;

fn fold_one(a: &mut Assessment, cause: Fault) {
    a.folded_under = Some(cause);
    a.outcome = Outcome::Sound;
    a.probability = a.probability.min(0.3);
    a.evidence_against = format!("Explained by: {}.", cause.title());
}

/// Folds explained findings: they turn sound, keep their evidence, and name what explains them.
fn fold(all: &mut [Assessment]) {
    let present: Vec<Fault> = all.iter().filter(|a| a.is_fault()).map(|a| a.fault).collect();
    for a in all.iter_mut().filter(|a| a.fault.class() != FaultClass::Data) {
        let by = EXPLAINS.iter().find(|(cause, effect)| *effect == a.fault && present.contains(cause));
        if let (true, Some((cause, _))) = (a.is_fault(), by) {
            fold_one(a, *cause);
        }
    }
}
