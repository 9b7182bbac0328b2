//! From a plan to homes: readings, register row and truth of each.

use arrow::array::RecordBatch;
use drawoff_contract::{ContractError, Fault, Utc};

use crate::climate::climate;
use crate::control::Mode;
use crate::design::{Design, design};
use crate::dice::{Purpose, dice};
use crate::export::{arrive, to_batch};
use crate::household::{Demand, demands};
use crate::measure::rows;
use crate::order::Order;
use crate::plan::FleetPlan;
use crate::register::{RegisterRow, SourceEntry};
use crate::simulate::{Scene, simulate};
use crate::source::Source;
use crate::sums::{DaySums, Simulated, kwh};
use crate::truth::{
    HomeTruth, TruthDayRow, TruthDrawRow, TruthFaultRow, TruthHomeRow, TruthSourceRow, TruthStoredRow,
};
use crate::unusual::FEED_SWING_K;
use crate::usable::USABLE_DEGC;

/// Days simulated before the period, so that it starts from a lived-in cylinder.
pub(crate) const WARM_UP_S: i64 = 2 * 86_400;

/// One generated home.
#[derive(Clone, Debug)]
pub struct HomeData {
    /// Readings in the layout of [`crate::readings_schema`], in the order in which they arrived.
    pub readings: RecordBatch,
    /// Its line of the asset register.
    pub register: RegisterRow,
    /// What really happened.
    pub truth: HomeTruth,
}

/// Makes home `index` of a plan, from 0. Pure: the same arguments give the same bytes.
///
/// # Errors
/// Only when the readings do not fit their schema, which would be a mistake in this crate.
pub fn generate_home(plan: &FleetPlan, index: u32) -> Result<HomeData, ContractError> {
    let home = design(plan, index);
    generate(plan, index, &home)
}

pub(crate) fn generate(plan: &FleetPlan, index: u32, home: &Design) -> Result<HomeData, ContractError> {
    home_data(plan, index, home, &run(plan, index, home))
}

/// What is seen and told of a home that was run.
pub(crate) fn home_data(
    plan: &FleetPlan,
    index: u32,
    home: &Design,
    run: &Simulated,
) -> Result<HomeData, ContractError> {
    let sent = rows(plan, index, home, &run.samples);
    let arrived = arrive(plan, index, &home.faults, sent);
    Ok(HomeData {
        readings: to_batch(plan, &home.id, &arrived)?,
        register: register_row(plan, home),
        truth: HomeTruth {
            home: truth_home(plan, home, run),
            days: truth_days(plan, home, run),
            draws: truth_draws(home, run),
            stored: truth_stored(home, run),
            sources: truth_sources(plan, home, run),
            faults: truth_faults(plan, home),
        },
    })
}

/// A home as it really was, with orders from outside or without.
#[derive(Clone, Debug)]
pub struct UnderOrders {
    /// Electricity by half-hour from the start of the plan on, Wh.
    pub electric_wh: Vec<f64>,
    /// Draw-offs in order of start.
    pub draws: Vec<TruthDrawRow>,
}

/// Makes home `index` of a plan with the same weather and the same wants of its people, while its heater follows orders. What is exported of
/// it comes with it.
///
/// # Errors
/// As [`generate_home`].
///
/// ```
/// use drawoff_synth::{FleetPlan, Order, generate_under_orders};
/// let plan = FleetPlan { days: 1, ..FleetPlan::default() };
/// let all_day = Order { start_ms: plan.start_ms, end_ms: plan.start_ms + 86_400_000, hold: true };
/// let taken_wh = |orders: &[Order]| generate_under_orders(&plan, 0, orders).unwrap().1.electric_wh.iter().sum::<f64>();
/// assert!(taken_wh(&[]) > 0.0);
/// assert_eq!(taken_wh(&[all_day]), 0.0);
/// ```
pub fn generate_under_orders(
    plan: &FleetPlan,
    index: u32,
    orders: &[Order],
) -> Result<(HomeData, UnderOrders), ContractError> {
    let home = design(plan, index);
    let run = run_with(plan, index, &home, &wanted(plan, index, &home), orders);
    let in_half_hour = usize::try_from(1800 / plan.cadence_s()).unwrap_or(1).max(1);
    let hours = plan.cadence_s() as f64 / 3600.0;
    let electric_wh = run
        .samples
        .chunks(in_half_hour)
        .map(|part| part.iter().map(|s| (s.power_w[0] + s.power_w[1]) * hours).sum())
        .collect();
    let really = UnderOrders { electric_wh, draws: truth_draws(&home, &run) };
    Ok((home_data(plan, index, &home, &run)?, really))
}

/// Period of a plan, UTC seconds.
pub(crate) fn period_s(plan: &FleetPlan) -> core::ops::Range<i64> {
    let start_s = plan.start_ms.div_euclid(1000);
    start_s..start_s + i64::from(plan.days) * 86_400
}

/// What the people of a home want, from the days before the period on.
pub(crate) fn wanted(plan: &FleetPlan, index: u32, home: &Design) -> Vec<Demand> {
    let period_s = period_s(plan);
    let people = |second| home.people_at(second - period_s.start);
    demands(plan, index, period_s.start - WARM_UP_S..period_s.end, home.habit, people)
}

pub(crate) fn run(plan: &FleetPlan, index: u32, home: &Design) -> Simulated {
    run_for(plan, index, home, &wanted(plan, index, home))
}

/// Runs a home for given demands.
pub(crate) fn run_for(plan: &FleetPlan, index: u32, home: &Design, demands: &[Demand]) -> Simulated {
    run_with(plan, index, home, demands, &[])
}

fn run_with(plan: &FleetPlan, index: u32, home: &Design, demands: &[Demand], orders: &[Order]) -> Simulated {
    let range_s = period_s(plan);
    let lived_s = range_s.start - WARM_UP_S..range_s.end;
    let swing_k = home.unusual.feed_swing_k.unwrap_or(FEED_SWING_K);
    let climate = climate(plan.seed, index, lived_s, home.place, home.control.solar_peak_w, swing_k);
    simulate(&Scene {
        home,
        climate: &climate,
        demands,
        zone: plan.zone,
        range_s,
        warm_up_s: WARM_UP_S,
        cadence_s: plan.cadence_s(),
        pace: plan.pace,
        rng: dice(plan.seed, index, Purpose::Voltage),
        orders,
        // Probes that were drawn keep their place in the home's one stream.
        pocket_rng: plan.sets_probes().then(|| dice(plan.seed, index, Purpose::Pockets)),
    })
}

fn register_row(plan: &FleetPlan, home: &Design) -> RegisterRow {
    let two_rate = matches!(home.control.mode, Mode::Night | Mode::Partial);
    RegisterRow {
        home: home.id.clone(),
        area: home.area.to_owned(),
        zone: plan.zone.name().to_owned(),
        volume_l: home.volume_l,
        probe_heights: home.probe_heights.clone(),
        elements: [0, 1].map(|i| registered_element(home, i)),
        source: plan.has_further_columns().then(|| source_entry(&home.source)),
        declared_loss_kwh_per_24h: home.declared_loss_w_per_k * 45.0 * 0.024,
        set_point_degc: home.final_set_point_degc(),
        tariff: if two_rate { "two-rate" } else { "single-rate" }.to_owned(),
        low_rate: two_rate.then_some(home.control.window),
        control: home.control_word().to_owned(),
        occupants: home.people_registered.then_some(home.people),
        installed: home.installed,
    }
}

/// Rated power (W) and height of an element in the water or in a pump's chamber.
fn registered_element(home: &Design, index: usize) -> Option<(f64, f64)> {
    let boost = match &home.source {
        Source::HeatPump(pump) => Some(&pump.boost.element),
        Source::Coil(_) => None,
        Source::Elements | Source::TopPump(_) => home.heaters.iter().find(|h| h.index == index),
    };
    boost.filter(|h| h.index == index).map(|h| (h.rated_w, h.height))
}

fn source_entry(source: &Source) -> SourceEntry {
    let kind = source.kind();
    let (rated_w, lower, upper) = match source {
        Source::Elements => (None, None, None),
        // A pump takes its water at the very base.
        Source::TopPump(pump) => (None, Some(0.0), Some(pump.return_height)),
        Source::Coil(coil) => (Some(coil.boiler_w), Some(coil.lower), Some(coil.upper)),
        Source::HeatPump(pump) => (Some(pump.heat_w), Some(0.0), Some(pump.return_height)),
    };
    SourceEntry { kind, rated_w, lower, upper }
}

fn truth_sources(plan: &FleetPlan, home: &Design, run: &Simulated) -> Vec<TruthSourceRow> {
    let first_day = plan.start_ms.div_euclid(86_400_000);
    let elements = home.source == Source::Elements;
    run.days
        .iter()
        .enumerate()
        .map(|(i, day)| {
            let boost_j = if elements { 0.0 } else { day.element_j[1] };
            let heat_j = day.element_j.iter().sum::<f64>() - boost_j;
            let electric_j: f64 = day.electric_j.iter().sum();
            let is_heat_pump = matches!(home.source, Source::HeatPump(_));
            TruthSourceRow {
                id: home.id.clone(),
                date: Utc((first_day + i as i64) * 86_400_000),
                source: home.source.kind().code().to_owned(),
                heat_kwh: kwh(heat_j),
                boost_kwh: kwh(boost_j),
                electric_kwh: (!matches!(home.source, Source::Coil(_))).then_some(kwh(electric_j)),
                performance: (is_heat_pump && heat_j > 0.0).then(|| heat_j / (electric_j - boost_j)),
            }
        })
        .collect()
}

fn truth_home(plan: &FleetPlan, home: &Design, run: &Simulated) -> TruthHomeRow {
    let days = f64::from(plan.days.max(1));
    let sum = |get: &dyn Fn(&DaySums) -> f64| run.days.iter().map(get).sum::<f64>();
    let element_j = sum(&|d| d.element_j.iter().sum());
    let raised: f64 =
        home.faults.iter().filter(|f| f.fault == Fault::LossDoubled).map(|f| f.severity).product();
    let kinds: Vec<&str> = home.faults.iter().map(|f| f.fault.code()).collect();
    TruthHomeRow {
        id: home.id.clone(),
        litres: home.volume_l,
        mode: home.control_word().to_owned(),
        element_layout: home.layout().to_owned(),
        trait_: home.habit.code().to_owned(),
        occupants: i64::from(home.people),
        ua_w_k: home.body.loss_w_per_k * raised,
        ua_healthy_w_k: home.body.loss_w_per_k,
        ua_declared_w_k: home.declared_loss_w_per_k,
        litres_per_day: sum(&|d| d.litres.draw) / days,
        litres_leak_per_day: sum(&|d| d.litres.leak) / days,
        kwh_draw_per_day: kwh(sum(&|d| d.heat_j.draw)) / days,
        kwh_loss_per_day: kwh(sum(&|d| d.loss_j)) / days,
        kwh_element_per_day: kwh(element_j) / days,
        draws_per_day: run.draws.len() as f64 / days,
        closure_pct: 100.0 * sum(&|d| d.unexplained_j()) / element_j.max(1.0),
        set_c: home.final_set_point_degc(),
        deadband_k: home.control.deadband_k,
        timer_follows_dst: home.control.timer_follows_dst,
        fault: kinds.join(";"),
        sim_seconds: 0.0,
        ua_effective_w_k: run.loss_j / run.excess_k_s,
        window: format!("[{}, {}]", home.control.window.start_min, home.control.window.minutes),
        pm_boost: home.control.boost.is_some(),
    }
}

fn truth_days(plan: &FleetPlan, home: &Design, run: &Simulated) -> Vec<TruthDayRow> {
    let first_day = plan.start_ms.div_euclid(86_400_000);
    let main = home.heaters.first().map_or(0, |h| h.index);
    run.days
        .iter()
        .enumerate()
        .map(|(i, day)| TruthDayRow {
            id: home.id.clone(),
            date: Utc((first_day + i as i64) * 86_400_000),
            litres_draw: day.litres.draw,
            litres_leak: day.litres.leak,
            litres_circulated: day.litres.circulation,
            kwh_draw: kwh(day.heat_j.draw),
            kwh_leak: kwh(day.heat_j.leak),
            kwh_circulation: kwh(day.heat_j.circulation),
            kwh_use_side_total: kwh(day.heat_j.draw + day.heat_j.leak + day.heat_j.circulation),
            kwh_loss: kwh(day.loss_j),
            kwh_element_main: kwh(day.element_j[main]),
            kwh_element_upper: if main == 0 { kwh(day.element_j[1]) } else { 0.0 },
            kwh_storage_change: kwh(day.storage_change_j),
            mean_tank_c: day.mean_tank_degc,
            mean_room_c: day.mean_room_degc,
            cold_inlet_c: day.mean_feed_degc,
        })
        .collect()
}

fn truth_draws(home: &Design, run: &Simulated) -> Vec<TruthDrawRow> {
    // Thousandths of a litre and of a kelvin, millionths of a kWh: finer than any use of them, and small in a file.
    let thousandths = |value: f64| (value * 1000.0).round() / 1000.0;
    run.draws
        .iter()
        .map(|drawn| TruthDrawRow {
            id: home.id.clone(),
            start_utc: Utc(drawn.start_s * 1000),
            minutes: (drawn.seconds / 60.0).ceil() as i64,
            litres: thousandths(drawn.litres),
            mean_outlet_c: thousandths(drawn.litre_degc / drawn.litres),
            kwh: (kwh(drawn.heat_j) * 1e6).round() / 1e6,
        })
        .collect()
}

fn truth_stored(home: &Design, run: &Simulated) -> Vec<TruthStoredRow> {
    run.stored
        .iter()
        .map(|stored| TruthStoredRow {
            id: home.id.clone(),
            time: Utc(stored.at_s * 1000),
            v40_litres: stored.v40_l,
            stored_kwh: kwh(stored.heat_j),
            mean_degc: stored.mean_degc,
            outlet_usable: stored.top_degc >= USABLE_DEGC,
        })
        .collect()
}

fn truth_faults(plan: &FleetPlan, home: &Design) -> Vec<TruthFaultRow> {
    home.faults
        .iter()
        .map(|injected| TruthFaultRow {
            id: home.id.clone(),
            kind: injected.fault.code().to_owned(),
            cls: injected.fault.class().code().to_owned(),
            onset_utc: Utc(plan.start_ms + injected.onset_s * 1000),
            pre_existing: injected.pre_existing,
            severity: injected.severity,
            unit: injected.unit().to_owned(),
            detail: injected.detail(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::design::SAMPLE_KINDS;

    fn short(homes: u32) -> FleetPlan {
        FleetPlan { seed: 77, homes, days: 12, ..FleetPlan::default() }
    }

    #[test]
    fn a_home_is_the_same_in_any_fleet_and_any_order() {
        let first = generate_home(&short(40), 3).unwrap();
        let _other = generate_home(&short(40), 2).unwrap();
        let again = generate_home(&short(90), 3).unwrap();
        assert_eq!(first.readings, again.readings);
        assert_eq!((first.register, first.truth), (again.register, again.truth));
        let elsewhere = generate_home(&FleetPlan { seed: 78, ..short(40) }, 3).unwrap();
        assert_ne!(first.readings, elsewhere.readings);
    }

    #[test]
    fn energy_closes_in_every_home_and_day() {
        let plan = FleetPlan { days: 8, ..short(40) };
        for index in 0..40 {
            let home = design(&plan, index);
            let run = run(&plan, index, &home);
            assert_eq!((run.days.len(), run.samples.len()), (8, 8 * 288));
            for day in &run.days {
                assert!(day.unexplained_j().abs() < 10.0, "{index} {} J of {day:?}", day.unexplained_j());
            }
        }
    }

    #[test]
    fn draws_add_up_to_the_days() {
        let plan = short(40);
        for index in 0..6 {
            let truth = generate_home(&plan, index).unwrap().truth;
            let by_day: f64 = truth.days.iter().map(|d| d.litres_draw).sum();
            let by_draw: f64 = truth.draws.iter().map(|d| d.litres).sum();
            assert!((by_day - by_draw).abs() < 0.02 * by_day + 1e-9, "{by_day} {by_draw}");
            assert!((truth.home.litres_per_day - by_day / 12.0).abs() < 1e-9);
        }
    }

    #[test]
    fn a_fleet_holds_every_fault_and_its_tables_agree() {
        let plan = FleetPlan { days: 2, ..short(40) };
        let homes: Vec<HomeData> = (0..40).map(|i| generate_home(&plan, i).unwrap()).collect();
        let mut kinds: Vec<&str> =
            homes.iter().flat_map(|h| &h.truth.faults).map(|f| f.kind.as_str()).collect();
        kinds.sort_unstable();
        let mut all: Vec<&str> = SAMPLE_KINDS.iter().map(|f| f.code()).collect();
        all.sort_unstable();
        assert_eq!(kinds, all);
        for home in &homes {
            assert_eq!(home.register.home, home.truth.home.id);
            assert!(home.readings.num_rows() > 400);
        }
    }
}
