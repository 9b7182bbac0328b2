//! One home read from its daybook.

use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::local::minute_of_day;
use drawoff_contract::results::{CoolingRow, HomeRow};
use drawoff_contract::seed::seed;
use drawoff_contract::{Cylinder, Day, HeatSource};
use drawoff_tank::shape::Shape;
use drawoff_tank::water::Water;

use crate::cooling::stretches;
use crate::days::{Balance, Days, read_days};
use crate::flow_meter::{self, FlowMeter, MeterState};
use crate::heat_input::heat_input;
use crate::long_run::{NO_USE_KWH, drawn_kwh, long_run};
use crate::loss::{Loss, standing_loss};
use crate::mean_profile::{Means, means};
use crate::priors::FleetPriors;
use crate::robust::median;
use crate::verdicts::{Findings, verdicts};
use crate::zone::{ZoneSetup, reading_step_k};

/// Loss assumed for the balance where none can be read or is declared; the same as the daybook's.
const ASSUMED_LOSS_W_PER_K: f64 = 1.6;

/// Settings of the reading.
#[derive(Clone, Copy, Debug)]
pub struct Settings {
    /// Water properties.
    pub water: Water,
    /// Seed of the run.
    pub seed: u64,
}

/// The daybook of one home, with what the register says of it.
#[derive(Clone, Copy, Debug)]
pub struct HomeNotes<'a> {
    /// Register.
    pub cylinder: &'a Cylinder,
    /// Day rows in order.
    pub days: &'a [DayNote],
    /// Spells in order.
    pub spells: &'a [SpellNote],
    /// Draw-offs in order.
    pub draws: &'a [DrawNote],
}

/// What was read.
#[derive(Clone, Debug)]
pub struct HomeReading {
    /// Row of the results.
    pub row: HomeRow,
    /// Days and draw-offs.
    pub days: Days,
    /// Flow meter held against the heat; `None` without one.
    pub flow_meter: Option<FlowMeter>,
    /// Standing loss of the skin; `None` with too few idle segments.
    pub loss: Option<Loss>,
    /// How the water cooled in the idle stretches behind it; empty without.
    pub cooling: Vec<CoolingRow>,
    /// Loss against the volume mean that the balance used, W/K.
    pub balance_w_per_k: f64,
    /// Cold feed by day, degC.
    pub cold_degc: Vec<f64>,
    /// Cold feed by day as the fleet shows it, degC.
    pub fleet_cold_degc: Vec<f64>,
    /// Surroundings by day, degC.
    pub room_degc: Vec<f64>,
    /// Standard deviation of the true surroundings about these, K.
    pub room_spread_k: f64,
}

/// Reads one home. `sound` says which probes may be used for the loss, top first.
#[must_use]
pub fn read_home(
    notes: HomeNotes<'_>,
    priors: &FleetPriors,
    sound: &[bool],
    settings: Settings,
) -> HomeReading {
    let cylinder = notes.cylinder;
    let home = &cylinder.home;
    let rooms = priors.rooms(notes.days);
    let volume_l = cylinder.volume_l.unwrap_or(f64::NAN);
    let shape = Shape::new(volume_l, cylinder.height_m);
    let capacity = volume_l * settings.water.wh_per_l_k(45.0);
    let spells: Vec<&SpellNote> = notes.spells.iter().collect();
    let loss = standing_loss(
        &spells,
        ZoneSetup {
            heights: &cylinder.probe_heights,
            shape,
            capacity_wh_per_k: capacity,
            rooms: &rooms,
            sound,
            step_k: reading_step_k(notes.days),
        },
        seed(settings.seed, home, "standing loss"),
    );
    let room_degc: Vec<f64> = notes.days.iter().map(|d| rooms.of_day(d.day)).collect();
    let cold_degc = priors.cold_feed(notes.days);
    let means: Vec<Option<Means>> = notes
        .days
        .iter()
        .zip(&cold_degc)
        .map(|(day, cold)| day_means(notes, day, sound, *cold, shape))
        .collect();
    let volume_degc: Vec<f64> = means.iter().map(|m| m.map_or(f64::NAN, |m| m.volume_degc)).collect();
    let lifts: Vec<(f64, f64)> = means
        .iter()
        .zip(&room_degc)
        .filter_map(|(m, room)| m.map(|m| (m.skin_degc - room, m.volume_degc - room)))
        .collect();
    let (skin_lift, mean_lift) = mean_pair(&lifts);
    // Against the volume mean the coefficient is that of the skin times what the skin feels over what the mean says.
    let felt = felt(skin_lift, mean_lift);
    // The balance runs on the straight-line mean of the daybook, so its coefficient is against that one.
    let (_, plain_lift) = mean_pair(
        &notes
            .days
            .iter()
            .zip(&room_degc)
            .filter_map(|(d, r)| Some((0.0, d.mean_degc? - r)))
            .collect::<Vec<_>>(),
    );
    let declared = cylinder.declared_loss_w_per_k;
    let balance_w_per_k = loss
        .as_ref()
        .map_or(declared.unwrap_or(ASSUMED_LOSS_W_PER_K), |l| l.w_per_k * self::felt(skin_lift, plain_lift));
    let heat = heat_input(notes, &rooms, balance_w_per_k, capacity);
    let draws: Vec<&DrawNote> = notes.draws.iter().collect();
    let days = read_days(
        home,
        notes.days,
        &draws,
        &Balance {
            loss_w_per_k: balance_w_per_k,
            first_pass_w_per_k: declared.unwrap_or(ASSUMED_LOSS_W_PER_K),
            rooms: &rooms,
            cold_degc: &cold_degc,
            heat_input: heat.as_ref(),
            water: settings.water,
            zone: cylinder.zone,
        },
    );
    let flow_meter = flow_meter::check(notes.days, &days);
    let days = if flow_meter.is_some_and(|m| m.state == MeterState::Sound) {
        flow_meter::by_meter(notes.days, days, &cold_degc, settings.water)
    } else {
        days
    };
    let good = days.rows.iter().filter(|d| d.energy_kwh.is_some()).count();
    let volume_w_per_k = loss.as_ref().map(|l| (l.w_per_k * felt, l.p05 * felt, l.p95 * felt));
    let long_run = long_run(notes, &rooms, &volume_degc, seed(settings.seed, home, "long run"));
    let mut verdicts = verdicts(&Findings {
        notes,
        priors,
        loss: loss.as_ref(),
        long_run,
        rooms_source: rooms.source,
        room_degc: &room_degc,
        sound,
        good_days: good,
        volume_w_per_k,
    });
    if heat.is_none() {
        verdicts.push("use.heat_input_not_known");
    } else if cylinder.heat_source == HeatSource::HeatPump {
        verdicts.push("use.heat_input_estimated");
    }
    verdicts.extend(flow_meter.as_ref().and_then(FlowMeter::verdict));
    let checked = flow_meter.filter(|m| m.state != MeterState::Unchecked);
    let performance = heat.as_ref().map(|h| h.typical).filter(|h| h.heats > 0);
    let mean = |pick: &dyn Fn(&drawoff_contract::results::DayRow) -> Option<f64>| {
        let known: Vec<f64> = days.rows.iter().filter_map(pick).collect();
        (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
    };
    let row = HomeRow {
        home: home.clone(),
        zone: notes.cylinder.zone.name().to_owned(),
        standing_loss_w_per_k: volume_w_per_k.map(|w| w.0),
        standing_loss_w_per_k_p05: volume_w_per_k.map(|w| w.1),
        standing_loss_w_per_k_p95: volume_w_per_k.map(|w| w.2),
        // The fleet's part is filled in by `shrink::report_fleet` once all homes are read.
        standing_loss_reported_w_per_k: volume_w_per_k.map(|w| w.0),
        standing_loss_reported_w_per_k_p05: volume_w_per_k.map(|w| w.1),
        standing_loss_reported_w_per_k_p95: volume_w_per_k.map(|w| w.2),
        standing_loss_z: None,
        long_run_w_per_k: long_run.map(|l| l.w_per_k),
        long_run_w_per_k_p05: long_run.map(|l| l.p05),
        long_run_w_per_k_p95: long_run.map(|l| l.p95),
        surroundings_degc: (!room_degc.is_empty())
            .then(|| room_degc.iter().sum::<f64>() / room_degc.len() as f64),
        surroundings_source: rooms.source.to_owned(),
        standing_loss_kwh_per_day: loss
            .as_ref()
            .map(|l| l.w_per_k * skin_lift * 0.024)
            .filter(|v| v.is_finite()),
        loss_at_45k_kwh_per_24h: loss.as_ref().map(|l| l.w_per_k * 45.0 * 0.024),
        declared_loss_at_45k_kwh_per_24h: declared.map(|d| d * 45.0 * 0.024),
        litres_per_day: mean(&|d| d.litres),
        energy_kwh_per_day: mean(&|d| d.energy_kwh),
        heater_kwh_per_day: mean(&|d| d.heater_kwh),
        heat_per_metered: performance.map(|h| h.per_metered),
        heat_per_metered_p05: performance.map(|h| h.p05),
        heat_per_metered_p95: performance.map(|h| h.p95),
        flow_metered_over_heat: checked.map(|m| m.over_heat),
        flow_metered_over_heat_p05: checked.map(|m| m.p05),
        flow_metered_over_heat_p95: checked.map(|m| m.p95),
        least_draw_off_litres: typical(notes.days, |d| d.least_seen_l),
        unseen_hours_per_day: (!notes.days.is_empty())
            .then(|| notes.days.iter().map(|d| d.unseen_hours).sum::<f64>() / notes.days.len() as f64),
        mean_stored_degc: mean(&|d| d.mean_stored_degc),
        lowest_top_degc: extreme(notes.days, |d| d.probe_min_degc.first().copied(), f32::min),
        highest_degc: extreme(
            notes.days,
            |d| {
                d.probe_max_degc
                    .iter()
                    .zip(sound)
                    .filter(|(v, s)| **s && !v.is_nan())
                    .map(|(v, _)| *v)
                    .reduce(f32::max)
            },
            f32::max,
        ),
        v40_by_hour_litres: v40_by_hour(notes),
        weekday_draw_by_hour: days.weekday_kwh_by_hour.clone(),
        weekend_draw_by_hour: days.weekend_kwh_by_hour.clone(),
        habit_group: None,
        small_draws_per_day: None,
        shower_draws_per_day: None,
        bath_draws_per_day: None,
        good_days: i64::try_from(good).unwrap_or(i64::MAX),
        idle_segments: loss.as_ref().map_or(0, |l| i64::try_from(l.segments).unwrap_or(i64::MAX)),
        verdicts: verdicts.join(", "),
    };
    let room_spread_k = rooms.spread_k;
    let fleet_cold_degc = priors.fleet_cold_feed(notes.days);
    let cooling = loss.as_ref().map_or_else(Vec::new, |loss| stretches(home, loss, declared));
    HomeReading {
        row,
        days,
        flow_meter,
        loss,
        cooling,
        balance_w_per_k,
        cold_degc,
        fleet_cold_degc,
        room_degc,
        room_spread_k,
    }
}

/// Volume and skin mean of a day over its sound probes; `None` without any.
fn day_means(
    notes: HomeNotes<'_>,
    day: &DayNote,
    sound: &[bool],
    cold_degc: f64,
    shape: Shape,
) -> Option<Means> {
    let cylinder = notes.cylinder;
    // A draw-off of yesterday still lies cold at the base, and one before a heat may have gone unseen.
    let drawn = (-1..=1).any(|near| drawn_kwh(notes.draws, Day(day.day.0 + near)) > NO_USE_KWH);
    let lowest_element = cylinder.elements.iter().map(|e| e.height).reduce(f64::min).unwrap_or(0.0);
    let probes: Vec<(f64, f64)> = cylinder
        .probe_heights
        .iter()
        .zip(&day.probe_mean_degc)
        .zip(sound)
        .filter(|((_, degc), sound)| **sound && !degc.is_nan())
        .map(|((height, degc), _)| (*height, f64::from(*degc)))
        .collect();
    means(&probes, cold_degc, lowest_element, drawn, shape)
}

/// What the skin feels over what a mean says; 1 near the surroundings, where neither can be told.
fn felt(skin_lift_k: f64, mean_lift_k: f64) -> f64 {
    if mean_lift_k > 3.0 { (skin_lift_k / mean_lift_k).clamp(0.7, 1.3) } else { 1.0 }
}

fn mean_pair(pairs: &[(f64, f64)]) -> (f64, f64) {
    let n = pairs.len() as f64;
    (pairs.iter().map(|p| p.0).sum::<f64>() / n, pairs.iter().map(|p| p.1).sum::<f64>() / n)
}

fn typical(days: &[DayNote], pick: impl Fn(&DayNote) -> Option<f64>) -> Option<f64> {
    let known: Vec<f64> = days.iter().filter_map(pick).collect();
    (!known.is_empty()).then(|| median(&known))
}

fn extreme(
    days: &[DayNote],
    pick: impl Fn(&DayNote) -> Option<f32>,
    better: impl Fn(f32, f32) -> f32,
) -> Option<f64> {
    days.iter().filter_map(pick).filter(|v| !v.is_nan()).reduce(better).map(f64::from)
}

/// Median usable water at each local hour.
fn v40_by_hour(notes: HomeNotes<'_>) -> Vec<f32> {
    let mut hours: Vec<Vec<f64>> = vec![Vec::new(); 24];
    for day in notes.days {
        for (slot, v) in day.v40_by_half_hour.iter().enumerate().filter(|(_, v)| !v.is_nan()) {
            let minute = minute_of_day(notes.cylinder.zone, day.day_start_utc.0 + slot as i64 * 1_800_000);
            hours[(minute / 60) as usize].push(f64::from(*v));
        }
    }
    hours.iter().map(|h| median(h) as f32).collect()
}
