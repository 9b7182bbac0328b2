//! A home of the daybook written by hand: sound in every respect, so that a case changes one thing.

use drawoff_contract::daybook::{DayNote, DrawNote, SpellNote};
use drawoff_contract::{Cylinder, Day, Element, HeatSource, Utc};
use drawoff_faults::probes::{Probes, sound_probes};
use drawoff_faults::{Assessment, Context, assess};
use drawoff_homes::{FleetPriors, HomeNotes, Settings, read_home};
use drawoff_tank::Water;

pub(crate) const DAYS: usize = 28;
pub(crate) const PROBES: usize = 5;
const DAY_MS: i64 = 86_400_000;
const HOUR_MS: i64 = 3_600_000;
/// 5 January 2026.
const FIRST_DAY: i32 = 20_458;
/// 200 l, Wh/K.
pub(crate) const CAPACITY_WH_PER_K: f64 = 230.0;
const LOSS_W_PER_K: f64 = 1.6;
const ROOM_DEGC: f64 = 18.0;

/// Register and daybook of one home.
#[derive(Clone, Debug)]
pub(crate) struct Home {
    pub(crate) cylinder: Cylinder,
    pub(crate) days: Vec<DayNote>,
    pub(crate) spells: Vec<SpellNote>,
    pub(crate) draws: Vec<DrawNote>,
}

/// 200 l, an element of 3 kW at the base, five probes, 60 degC, heated for two hours each night, 120 l drawn a day.
pub(crate) fn sound() -> Home {
    let mut home = Home { cylinder: cylinder(), days: Vec::new(), spells: Vec::new(), draws: Vec::new() };
    for i in 0..DAYS {
        home.days.push(day(i));
        home.spells.extend([idle(i, 5.0), idle(i, 12.0), idle(i, 22.0), heat(i)]);
        home.draws.extend([draw(i, 7.5, 60.0), draw(i, 19.0, 60.0)]);
    }
    home
}

fn cylinder() -> Cylinder {
    Cylinder {
        home: "by hand".to_owned(),
        area: String::new(),
        zone: chrono_tz::Europe::London,
        volume_l: Some(200.0),
        height_m: None,
        probe_heights: vec![0.9, 0.7, 0.5, 0.3, 0.1],
        elements: vec![Element { index: 0, rated_w: 3000.0, height: 0.05 }],
        heat_source: HeatSource::Element,
        source_rated_w: None,
        source_lower_height: None,
        source_upper_height: None,
        declared_loss_w_per_k: Some(LOSS_W_PER_K),
        set_point_degc: Some(60.0),
        tariff: None,
        low_rate: None,
        control: Some("night".to_owned()),
        occupants: None,
        installed: None,
    }
}

pub(crate) fn start_ms(i: usize) -> i64 {
    i64::from(FIRST_DAY) * DAY_MS + i as i64 * DAY_MS
}

pub(crate) fn at_ms(i: usize, hour: f64) -> i64 {
    start_ms(i) + (hour * HOUR_MS as f64) as i64
}

/// A little scatter from day to day, the same every time: between -1 and 1.
pub(crate) fn scatter(i: usize) -> f64 {
    ((i * 7919 + 3) % 13) as f64 / 6.0 - 1.0
}

fn f32s(values: &[f64]) -> Vec<f32> {
    values.iter().map(|v| *v as f32).collect()
}

fn half_hours(of: impl Fn(f64) -> f64) -> Vec<f32> {
    (0..48).map(|slot| of(f64::from(slot) / 2.0) as f32).collect()
}

fn day(i: usize) -> DayNote {
    let s = scatter(i);
    DayNote {
        home: "by hand".to_owned(),
        day: Day(FIRST_DAY + i as i32),
        day_start_utc: Utc(start_ms(i)),
        hours: 24.0,
        cadence_min: 5.0,
        instants: 288,
        instants_expected: 288,
        doubled: 0,
        longest_gap_min: 0.0,
        longest_gap_end: None,
        register_falls: Some(0),
        heater_kwh: Some(5.9 + 0.2 * s),
        mean_degc: Some(48.0),
        skin_degc: Some(48.0),
        surroundings_degc: Some(ROOM_DEGC),
        surroundings_by_half_hour: vec![ROOM_DEGC as f32; 48],
        stored_kwh_by_half_hour: half_hours(|_| CAPACITY_WH_PER_K * 0.048),
        heater_kwh_by_half_hour: half_hours(|h| if (2.0..4.0).contains(&h) { 1.475 } else { 0.0 }),
        net_out_kwh_by_half_hour: half_hours(|h| if h == 7.5 || h == 19.0 { 2.4 } else { 0.02 }),
        net_out_hours_by_half_hour: vec![0.5; 48],
        mean_degc_by_half_hour: vec![48.0; 48],
        top_degc_by_half_hour: vec![58.0; 48],
        v40_by_half_hour: vec![180.0; 48],
        probe_min_degc: f32s(&[
            52.0 + 0.1 * s,
            45.0 + 0.1 * s,
            35.0 - 0.1 * s,
            20.0 + 0.1 * s,
            10.2 + 0.1 * s,
        ]),
        probe_mean_degc: f32s(&[57.0, 54.0 + 0.2 * s, 48.0 + 0.3 * s, 40.0 - 0.3 * s, 30.0]),
        probe_max_degc: f32s(&[
            60.3 + 0.2 * s,
            60.2 + 0.2 * s,
            60.1 + 0.1 * s,
            60.0 + 0.1 * s,
            59.8 + 0.1 * s,
        ]),
        probe_frozen_hours: vec![1.5; PROBES],
        probe_frozen_expected_k: vec![0.5; PROBES],
        probe_flat_residual_k: f32s(&[0.05 * s, -0.04 * s, 0.03, 0.06 * s, 0.0]),
        probe_flat_count: vec![60.0; PROBES],
        probe_flat_scatter_k: vec![0.15; PROBES],
        probe_inversion_k: vec![0.0; PROBES * PROBES],
        element_call_hours: f32s(&[2.0, f64::NAN]),
        element_dead_hours: f32s(&[0.0, f64::NAN]),
        element_on_hours: f32s(&[2.0, f64::NAN]),
        element_full_power_w: f32s(&[2950.0 + 10.0 * s, f64::NAN]),
        element_uncalled_hours: f32s(&[0.0, f64::NAN]),
        draw_top_fall_k: 0.8,
        draw_mean_fall_k: 10.0,
        spread_k: Some(40.0 + s),
        quiet_w: Some(5.0 + 3.0 * s),
        quiet_night_w: Some(5.0 + 3.0 * s),
        quiet_day_w: Some(6.0 + 3.0 * s),
        quiet_night_l_per_min: Some(0.004 + 0.002 * s),
        quiet_day_l_per_min: Some(0.006 + 0.002 * s),
        least_seen_l: Some(1.5),
        power_gain: Some(1.0),
        drawn_feed_degc: None,
        drawn_feed_se_k: None,
        metered_l: None,
        metered_hours: 0.0,
        metered_start_s: Vec::new(),
        metered_end_s: Vec::new(),
        metered_draw_l: Vec::new(),
        metered_outlet_degc: Vec::new(),
        unseen_hours: 0.0,
        heating_quiet_w: Some(8.0 + 5.0 * s),
        element_kwh: f32s(&[5.9 + 0.2 * s, f64::NAN]),
        element_starts_in_hour: f32s(&[1.0, f64::NAN]),
        called_still_hours: 1.8,
        called_still_kwh: Some(1.8 * 2.9),
        pump_hours: None,
        pump_alone_hours: None,
        exchanger_units: None,
        export_kwh: None,
        export_with_room_kwh: None,
        probe_dose_decades: f32s(&[300.0, 300.0, 200.0, 60.0, 0.0]),
        probe_growth_hours: f32s(&[0.0, 0.0, 1.0, 4.0, 6.0]),
        run_outs: 0,
        scald_hours: 0.0,
        register_over_power: Some(1.0 + 0.01 * s),
    }
}

fn spell(i: usize, kind: &str, from_h: f64, to_h: f64) -> SpellNote {
    SpellNote {
        home: "by hand".to_owned(),
        day: Day(FIRST_DAY + i as i32),
        kind: kind.to_owned(),
        start: Utc(at_ms(i, from_h)),
        end: Utc(at_ms(i, to_h)),
        from_yesterday: false,
        to_tomorrow: false,
        level_degc: Vec::new(),
        slope_or_stop: Vec::new(),
        surroundings_degc: Some(ROOM_DEGC),
        energy_kwh: None,
        rise_k: None,
        stop_degc: None,
        element: None,
        power_w: None,
        call_ended: false,
        called: None,
        net_out_w: None,
    }
}

/// Ninety minutes at rest: each probe cools by the insulation, a little faster or slower by the day.
pub(crate) fn idle(i: usize, hour: f64) -> SpellNote {
    let levels = [58.0, 57.9, 57.8, 57.7, 57.6];
    let factor = 1.0 + 0.05 * scatter(i + hour as usize);
    let slope = |t: f64| -LOSS_W_PER_K * factor * (t - ROOM_DEGC) / CAPACITY_WH_PER_K;
    SpellNote {
        level_degc: f32s(&levels),
        slope_or_stop: levels.iter().map(|t| slope(*t) as f32).collect(),
        net_out_w: Some(5.0),
        ..spell(i, "idle", hour, hour + 1.5)
    }
}

/// Two hours at 2.95 kW: 25 K of rise and the loss.
pub(crate) fn heat(i: usize) -> SpellNote {
    SpellNote {
        level_degc: f32s(&[55.0, 52.0, 48.0, 45.0, 42.0]),
        slope_or_stop: f32s(&[60.3 + 0.2 * scatter(i), 60.2, 60.1, 60.0, 59.8]),
        energy_kwh: Some(5.9),
        rise_k: Some(25.2),
        stop_degc: Some(60.0),
        element: Some(0),
        power_w: Some(2950.0),
        call_ended: true,
        called: Some(true),
        // The thermostat's end wanders with what was drawn.
        ..spell(i, "heat", 2.0, 4.0 + 0.4 * scatter(i))
    }
}

fn draw(i: usize, hour: f64, litres: f64) -> DrawNote {
    DrawNote {
        home: "by hand".to_owned(),
        day: Day(FIRST_DAY + i as i32),
        start: Utc(at_ms(i, hour)),
        end: Utc(at_ms(i, hour + 0.25)),
        energy_kwh: litres * 1.16 * 0.045,
        litres,
        outlet_degc: 57.0,
        heating: false,
    }
}

impl Home {
    /// The home cut to days for which `keep` holds; others are gone from all tables.
    pub(crate) fn keep_days(&mut self, keep: impl Fn(usize) -> bool) {
        let kept: Vec<Day> =
            self.days.iter().enumerate().filter(|(i, _)| keep(*i)).map(|(_, d)| d.day).collect();
        self.days.retain(|d| kept.contains(&d.day));
        self.spells.retain(|s| kept.contains(&s.day));
        self.draws.retain(|d| kept.contains(&d.day));
    }

    /// Every fault of this home.
    pub(crate) fn assessed(&self) -> Vec<Assessment> {
        let notes = HomeNotes {
            cylinder: &self.cylinder,
            days: &self.days,
            spells: &self.spells,
            draws: &self.draws,
        };
        let priors = FleetPriors::new(&[notes]);
        let sound = sound_probes(Probes {
            days: &self.days,
            probes: self.cylinder.probe_heights.len(),
            cold_degc: &priors.fleet_cold_feed(&self.days),
        });
        let reading = read_home(notes, &priors, &sound, Settings { water: Water::Iapws, seed: 1 });
        assess(&Context {
            cylinder: &self.cylinder,
            days: &self.days,
            spells: &self.spells,
            draws: &self.draws,
            reading: &reading,
        })
    }
}
