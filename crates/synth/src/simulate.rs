//! Runs one home: weather, people, control and cylinder in steps.

use core::ops::Range;

use chrono_tz::Tz;
use drawoff_contract::Fault;
use drawoff_contract::local::{day_of, minute_of_day, offset_minutes, weekday};
use drawoff_contract::readings::MAX_PROBES;
use rand_chacha::ChaCha8Rng;

use crate::climate::{Climate, Wander};
use crate::control::{Moment, Switches, cut_out_degc, switches};
use crate::cylinder::{Cylinder, HEAT_CAPACITY_J_PER_KG_K, INLET_DENSITY_KG_PER_L, STORED_DENSITY_KG_PER_L};
use crate::delivery::{Around, Delivery};
use crate::design::Design;
use crate::dice::uniform;
use crate::fault::{How, Injected};
use crate::household::Demand;
use crate::impose::{BROKEN_INLET_ENTRAINMENT, Imposed, imposed};
use crate::measure::ProbeErrors;
use crate::order::{Order, ordered};
use crate::plan::Pace;
use crate::source::Source;
use crate::sums::{DaySums, Drawn, Sample, Simulated};
use crate::unusual::ReturnLoop;
use crate::usable::{STORED_EVERY_S, Stored};

/// Step of draws and heating, s.
pub(crate) const STEP_S: i64 = 20;
/// Steps between updates of what moves slowly: losses, conduction, leaks, weather, timers.
const SLOW_STEPS: i64 = 6;
/// At quick pace: longest rest while nothing flows, s; divides a day.
const LONG_REST_S: i64 = 600;
/// At quick pace: time between two portions of heat, s; divides any cadence.
const LONG_HEAT_S: i64 = 60;
/// People stop a shower or bath when the water has run this cold, degC.
const GIVE_UP_DEGC: f64 = 32.0;
/// A control that learns lets the charge fall by this before it heats again, K.
const CHARGE_DEADBAND_K: f64 = 4.0;
/// Local hours of gravity circulation: from 22:00 to 06:00.
const GRAVITY_MINUTES: (u32, u32) = (22 * 60, 6 * 60);

/// What a run needs to know.
pub(crate) struct Scene<'a> {
    pub(crate) home: &'a Design,
    pub(crate) climate: &'a Climate,
    /// In order of start.
    pub(crate) demands: &'a [Demand],
    pub(crate) zone: Tz,
    /// UTC seconds.
    pub(crate) range_s: Range<i64>,
    /// Before the range; leaves no trace but the state of the cylinder.
    pub(crate) warm_up_s: i64,
    /// Between samples; a multiple of [`STEP_S`].
    pub(crate) cadence_s: i64,
    pub(crate) pace: Pace,
    /// Random numbers for mains voltage, and for probe pockets that have none of their own.
    pub(crate) rng: ChaCha8Rng,
    /// Random numbers for probe pockets.
    pub(crate) pocket_rng: Option<ChaCha8Rng>,
    /// Orders from outside.
    pub(crate) orders: &'a [Order],
}

struct Run<'a> {
    scene: &'a Scene<'a>,
    tank: Cylinder,
    closed: [bool; 2],
    imposed: Imposed,
    moment: Moment,
    feed_degc: f64,
    room_degc: f64,
    heating: bool,
    /// Time that has gone by without loss or conduction yet.
    unrested_s: i64,
    /// Heat of each element that is not in the water yet.
    unmixed_j: [f64; 2],
    /// What a source that is no element goes on with.
    delivery: Delivery,
    pump_on: bool,
    /// Water on its way round the secondary return, kg.
    looped_kg: f64,
    outside_degc: f64,
    weekday: u32,
    now: DaySums,
    out: Simulated,
}

/// A probe in its pocket: it follows the water with a lag, and feels a little of the room.
struct Pocket {
    height: f64,
    /// Part of the difference that is made up in one step.
    follow: f64,
    towards_room: f64,
    /// NaN before the first step.
    degc: f64,
}

impl Pocket {
    fn new(rng: &mut ChaCha8Rng, height: f64, errors: &ProbeErrors) -> Self {
        let lag_s = uniform(rng, errors.lag_s.0, errors.lag_s.1);
        let follow = 1.0 - libm::exp(-(STEP_S as f64) / lag_s);
        Self { height, follow, towards_room: uniform(rng, 0.0, errors.towards_room), degc: f64::NAN }
    }

    fn follow(&mut self, tank: &Cylinder, room_degc: f64) {
        let water_degc = tank.at_degc(self.height);
        let felt_degc = water_degc - self.towards_room * (water_degc - room_degc);
        self.degc =
            if self.degc.is_nan() { felt_degc } else { self.degc + self.follow * (felt_degc - self.degc) };
    }
}

/// Runs a home over its range of time.
pub(crate) fn simulate(scene: &Scene<'_>) -> Simulated {
    let &Scene { home, climate, warm_up_s, cadence_s, .. } = scene;
    let range_s = &scene.range_s;
    let first_s = range_s.start - warm_up_s;
    let room_degc = climate.room_degc(first_s);
    let mut run = Run {
        tank: Cylinder::new(home.body.clone(), home.control.set_point_degc - 12.0, room_degc),
        scene,
        closed: [true; 2],
        imposed: Imposed::default(),
        moment: Moment::default(),
        feed_degc: climate.feed_degc(first_s),
        room_degc,
        heating: false,
        unrested_s: 0,
        unmixed_j: [0.0; 2],
        delivery: Delivery::default(),
        pump_on: false,
        looped_kg: 0.0,
        outside_degc: climate.outside_degc(first_s),
        weekday: 0,
        now: DaySums::default(),
        out: Simulated::default(),
    };
    let mut rng = scene.rng.clone();
    // Power goes with the square of the voltage: sd 1.2 % of voltage, 2.4 % of power.
    let mut voltage = Wander::new(0.012);
    let usual_voltage = uniform(&mut rng, 0.985, 1.015);
    // 207 to 216 V of 230 V.
    let home_voltage =
        if home.unusual.low_voltage { 0.9 + (usual_voltage - 0.985) * 4.0 / 3.0 } else { usual_voltage };
    run.moment.voltage = home_voltage;
    let mut own_rng = scene.pocket_rng.clone();
    let pocket_rng = own_rng.as_mut().unwrap_or(&mut rng);
    let mut pockets: Vec<Pocket> =
        home.true_probe_heights.iter().map(|&h| Pocket::new(pocket_rng, h, &home.probe_errors)).collect();
    let moving = home.faults.iter().find(|f| f.fault == Fault::SensorHeight);
    let (mut power_sum_w, mut export_sum_w) = ([0.0; 2], 0.0);
    let mut queue = scene.demands.iter().peekable();
    let mut open: Vec<(&Demand, Drawn)> = Vec::new();
    let mut day_start_j = run.stored_j();
    let mut slow_count = 0.0;
    for step in 0..(range_s.end - first_s) / STEP_S {
        let second = first_s + step * STEP_S;
        let recorded = second >= range_s.start;
        if second == range_s.start {
            run.rest();
            run.mix();
            run.now = DaySums::default();
            run.out = Simulated::default();
            day_start_j = run.stored_j();
            slow_count = 0.0;
        }
        if step % SLOW_STEPS == 0 {
            run.slow_step(second);
            slow_count += 1.0;
            if let Some(moved) = moving.filter(|f| f.is_on(second - range_s.start)) {
                move_probe(&mut pockets, &home.true_probe_heights, moved);
            }
        }
        while let Some(demand) = queue.next_if(|d| d.start_s < second + STEP_S) {
            open.push((demand, Drawn { start_s: demand.start_s, ..Drawn::default() }));
        }
        if !open.is_empty() {
            run.rest();
            run.mix();
            run.draw(second, &mut open);
        }
        let switched = run.heat(second);
        for pocket in &mut pockets {
            pocket.follow(&run.tank, run.room_degc);
        }
        for (sum, power) in power_sum_w.iter_mut().zip(switched.power_w) {
            *sum += power;
        }
        export_sum_w += (run.moment.surplus_w - switched.power_w[0] - switched.power_w[1]).max(0.0);
        let end = second + STEP_S;
        if (end - range_s.start).rem_euclid(cadence_s) == 0 {
            let steps = cadence_s as f64 / STEP_S as f64;
            if recorded {
                let mut probe_degc = [f64::NAN; MAX_PROBES];
                for (value, pocket) in probe_degc.iter_mut().zip(&pockets) {
                    *value = pocket.degc;
                }
                run.out.samples.push(Sample {
                    probe_degc,
                    power_w: power_sum_w.map(|w| w / steps),
                    call: switched.call,
                    pump: run.pump_on,
                    room_degc: run.room_degc,
                    export_w: export_sum_w / steps,
                    primary_degc: run.delivery.primary_degc(),
                });
            }
            (power_sum_w, export_sum_w) = ([0.0; 2], 0.0);
            run.moment.voltage = home_voltage + voltage.next(&mut rng);
        }
        if recorded && end.rem_euclid(STORED_EVERY_S) == 0 {
            run.out.stored.push(Stored::of(&run.tank, end));
        }
        if recorded && (end.rem_euclid(86_400) == 0 || end == range_s.end) {
            run.rest();
            run.mix();
            let stored_j = run.stored_j();
            run.close_day(stored_j - day_start_j, slow_count);
            day_start_j = stored_j;
            slow_count = 0.0;
        }
    }
    let unfinished = open.into_iter().map(|(_, drawn)| drawn);
    run.out.draws.extend(unfinished);
    run.out.draws.retain(|d| d.litres > 0.0 && d.start_s >= range_s.start);
    run.out.draws.sort_by_key(|d| d.start_s);
    run.out
}

/// Sets a probe to the height where it really is.
fn move_probe(pockets: &mut [Pocket], heights: &[f64], moved: &Injected) {
    if let How::Probe(probe) = moved.how
        && let (Some(pocket), Some(height)) = (pockets.get_mut(probe), heights.get(probe))
    {
        pocket.height = (height + moved.severity).clamp(0.02, 0.98);
    }
}

impl Run<'_> {
    fn slow_step(&mut self, second: i64) {
        let seconds = (SLOW_STEPS * STEP_S) as f64;
        let Scene { home, climate, zone, range_s, .. } = self.scene;
        let before = core::mem::replace(&mut self.imposed, imposed(&home.faults, second - range_s.start));
        if before != self.imposed {
            self.rest();
        }
        if before.loss_factor != self.imposed.loss_factor {
            (self.out.loss_j, self.out.excess_k_s) = (0.0, 0.0);
        }
        self.impose_on_body();
        let local = minute_of_day(*zone, second * 1000);
        self.moment.minute = if home.control.timer_follows_dst {
            local
        } else {
            let shift = offset_minutes(*zone, range_s.start * 1000) - offset_minutes(*zone, second * 1000);
            (i64::from(local) + shift).rem_euclid(1440) as u32
        };
        self.moment.surplus_w = climate.surplus_w(second);
        self.feed_degc = climate.feed_degc(second);
        self.room_degc = climate.room_degc(second);
        let by_weekday = home.unusual.hygiene.is_some() || home.unusual.part_charge_degc.is_some();
        if home.source != Source::Elements || by_weekday {
            self.outside_degc = climate.outside_degc(second);
            self.weekday = weekday(day_of(*zone, second * 1000));
        }
        self.unusual_step(second, local);

        self.now.mean_room_degc += self.room_degc;
        self.now.mean_feed_degc += self.feed_degc;

        self.unrested_s += SLOW_STEPS * STEP_S;
        let night = local >= GRAVITY_MINUTES.0 || local < GRAVITY_MINUTES.1;
        let flows = self.imposed.leak_l_per_min > 0.0
            || self.imposed.pump_l_per_min > 0.0
            || (night && self.imposed.gravity_l_per_min > 0.0)
            || home.unusual.return_loop.is_some_and(|r| r.runs(local));
        let due = (second + SLOW_STEPS * STEP_S).rem_euclid(LONG_REST_S) == 0;
        if self.scene.pace == Pace::Fine || due || flows || self.heating {
            self.rest();
        }

        let heating_leak = if self.heating { self.imposed.leak_heating_l_per_min } else { 0.0 };
        self.heating = false;
        self.leak((self.imposed.leak_l_per_min + heating_leak) * seconds / 60.0);
        if self.imposed.pump_l_per_min > 0.0 {
            self.circulate(self.imposed.pump_l_per_min * seconds / 60.0, 0.0, seconds);
        }
        if night {
            let pipe_w_per_k = self.imposed.pipe_w_per_k;
            self.circulate(self.imposed.gravity_l_per_min * seconds / 60.0, pipe_w_per_k, seconds);
        }
        if let Some(found) = home.unusual.return_loop.filter(|r| r.runs(local)) {
            self.loop_round(&found, seconds);
        }
    }

    /// What the look-alikes of faults do to the control.
    fn unusual_step(&mut self, second: i64, local: u32) {
        let Scene { home, range_s, .. } = self.scene;
        let unusual = &home.unusual;
        let turned =
            unusual.set_point.filter(|(at_s, _)| second - range_s.start >= *at_s).map(|(_, degc)| degc);
        let cycle = unusual.hygiene.filter(|h| h.weekday == self.weekday && h.hours.contains(local));
        self.moment.set_point_degc = cycle.map(|h| h.degc).or(turned);
        if let Some(levels_degc) = unusual.part_charge_degc {
            let (mean_degc, level_degc) = (self.tank.mean_degc(), levels_degc[self.weekday as usize % 7]);
            self.moment.charged = mean_degc >= level_degc
                || (self.moment.charged && mean_degc > level_degc - CHARGE_DEADBAND_K);
        }
    }

    /// Carries water round the secondary return, a layer at a time.
    fn loop_round(&mut self, found: &ReturnLoop, seconds: f64) {
        let kg_per_s = found.l_per_min / 60.0 * STORED_DENSITY_KG_PER_L;
        let kept = libm::exp(-found.pipe_w_per_k / (kg_per_s * HEAT_CAPACITY_J_PER_KG_K));
        self.looped_kg += kg_per_s * seconds;
        let layer_kg = self.tank.layer_kg();
        while self.looped_kg >= layer_kg {
            self.looped_kg -= layer_kg;
            let back_degc = self.room_degc + (self.tank.top_degc() - self.room_degc) * kept;
            let taken_degc = self.tank.carry_back(back_degc, found.height);
            self.now.litres.circulation += layer_kg / INLET_DENSITY_KG_PER_L;
            self.now.heat_j.circulation += layer_kg * HEAT_CAPACITY_J_PER_KG_K * (taken_degc - back_degc);
        }
    }

    /// Loses heat and conducts for the time since that was last done.
    fn rest(&mut self) {
        if self.unrested_s == 0 {
            return;
        }
        let seconds = self.unrested_s as f64;
        let lost_j = self.tank.rest(seconds, self.room_degc);
        let mean_degc = self.tank.mean_degc();
        self.now.loss_j += lost_j;
        self.out.loss_j += lost_j;
        self.out.excess_k_s += (mean_degc - self.room_degc) * seconds;
        self.now.mean_tank_degc += mean_degc * (self.unrested_s / (SLOW_STEPS * STEP_S)) as f64;
        self.unrested_s = 0;
    }

    fn impose_on_body(&mut self) {
        let sound = &self.scene.home.body;
        let body = self.tank.body_mut();
        body.loss_w_per_k = sound.loss_w_per_k * self.imposed.loss_factor;
        body.conduction_w_per_m_k = self.imposed.conduction_w_per_m_k.unwrap_or(sound.conduction_w_per_m_k);
        if let Some(share) = self.imposed.stirred_share {
            body.least_stirred_l = share * sound.volume_l;
            body.entrainment = BROKEN_INLET_ENTRAINMENT;
        }
    }

    fn leak(&mut self, litres: f64) {
        let out_degc = self.tank.flow(litres * STORED_DENSITY_KG_PER_L, self.feed_degc);
        self.now.litres.leak += litres * STORED_DENSITY_KG_PER_L / INLET_DENSITY_KG_PER_L;
        self.now.heat_j.leak +=
            litres * STORED_DENSITY_KG_PER_L * HEAT_CAPACITY_J_PER_KG_K * (out_degc - self.feed_degc);
    }

    /// Carries water from the top through a pipe that cools it and back to the base.
    fn circulate(&mut self, litres: f64, pipe_w_per_k: f64, seconds: f64) {
        if litres <= 0.0 {
            return;
        }
        let heat_capacity = litres * STORED_DENSITY_KG_PER_L * HEAT_CAPACITY_J_PER_KG_K;
        let kept = libm::exp(-pipe_w_per_k * seconds / heat_capacity);
        let back_degc = self.room_degc + (self.tank.top_degc() - self.room_degc) * kept;
        let out_degc = self.tank.flow(litres * STORED_DENSITY_KG_PER_L, back_degc);
        self.now.litres.circulation += litres * STORED_DENSITY_KG_PER_L / INLET_DENSITY_KG_PER_L;
        self.now.heat_j.circulation += heat_capacity * (out_degc - back_degc);
    }

    /// Serves the open taps over one step; the mixing valve takes what it needs of hot water.
    fn draw(&mut self, second: i64, open: &mut Vec<(&Demand, Drawn)>) {
        let top_degc = self.tank.top_degc();
        let mut total_kg = 0.0;
        let mut parts = Vec::with_capacity(open.len());
        for (demand, drawn) in open.iter() {
            let until = (demand.start_s + demand.seconds).min(second + STEP_S);
            let seconds = (until - demand.start_s.max(second)).max(0) as f64;
            let hot_share = if top_degc > demand.mixed_degc {
                (demand.mixed_degc - self.feed_degc) / (top_degc - self.feed_degc)
            } else {
                1.0
            };
            let whole_kg = demand.l_per_min * seconds / 60.0 * hot_share * INLET_DENSITY_KG_PER_L;
            let kg = match demand.wanted {
                Some(wanted) if top_degc >= wanted.useful_degc => {
                    let left_j = (wanted.heat_j - drawn.useful_j).max(0.0);
                    whole_kg.min(left_j / (HEAT_CAPACITY_J_PER_KG_K * (top_degc - self.feed_degc)))
                }
                _ => whole_kg,
            };
            total_kg += kg;
            parts.push((if kg < whole_kg { seconds * kg / whole_kg } else { seconds }, kg));
        }
        let out_degc = self.tank.flow(total_kg, self.feed_degc);
        let l_per_min = total_kg / INLET_DENSITY_KG_PER_L * 60.0 / STEP_S as f64;
        self.tank.stir_by_inlet(total_kg, l_per_min);
        for ((demand, drawn), (seconds, kg)) in open.iter_mut().zip(parts) {
            let litres = kg / INLET_DENSITY_KG_PER_L;
            let heat_j = kg * HEAT_CAPACITY_J_PER_KG_K * (out_degc - self.feed_degc);
            drawn.seconds += seconds;
            drawn.litres += litres;
            drawn.litre_degc += litres * out_degc;
            drawn.heat_j += heat_j;
            if demand.wanted.is_some_and(|w| out_degc >= w.useful_degc) {
                drawn.useful_j += heat_j;
            }
            drawn.highest_degc = drawn.highest_degc.max(out_degc);
            self.now.litres.draw += litres;
            self.now.heat_j.draw += heat_j;
        }
        let draws = &mut self.out.draws;
        open.retain(|(demand, drawn)| {
            let over = demand.start_s + demand.seconds <= second + STEP_S
                || demand.wanted.is_some_and(|w| drawn.useful_j >= (1.0 - 2e-4) * w.heat_j)
                || (demand.gives_up && drawn.seconds >= 60.0 && out_degc < GIVE_UP_DEGC);
            if over {
                draws.push(drawn.clone());
            }
            !over
        });
    }

    fn heat(&mut self, second: i64) -> Switches {
        let home = self.scene.home;
        self.moment.second = second;
        self.moment.ordered = ordered(self.scene.orders, second);
        let switched =
            switches(&home.control, &home.heaters, &self.tank, self.moment, &self.imposed, &mut self.closed);
        if home.source != Source::Elements {
            return self.deliver(switched);
        }
        for heater in &home.heaters {
            let heat_j = switched.power_w[heater.index] * STEP_S as f64;
            if heat_j > 0.0 {
                self.rest();
                self.heating = true;
            }
            self.now.element_j[heater.index] += heat_j;
            self.now.electric_j[heater.index] += heat_j;
            self.unmixed_j[heater.index] += heat_j;
        }
        if self.scene.pace == Pace::Fine || (second + STEP_S).rem_euclid(LONG_HEAT_S) == 0 {
            self.mix();
        }
        switched
    }

    /// One step of a source that is no element; gives the calls, and the electric power by column.
    fn deliver(&mut self, switched: Switches) -> Switches {
        let home = self.scene.home;
        if switched.power_w[0] > 0.0 {
            self.rest();
            self.heating = true;
        } else if self.imposed.idle_pump.is_some() {
            self.rest();
        }
        let around = Around {
            outside_degc: self.outside_degc,
            room_degc: self.room_degc,
            imposed: &self.imposed,
            weekday: self.weekday,
            minute: self.moment.minute,
            voltage: self.moment.voltage,
            cut_out_degc: cut_out_degc(&home.control, self.moment, &self.imposed),
            seconds: STEP_S as f64,
        };
        let brought = self.delivery.step(&home.source, &mut self.tank, switched.power_w[0], &around);
        for i in 0..2 {
            self.heating |= brought.heat_w[i] > 0.0;
            self.now.element_j[i] += brought.heat_w[i] * around.seconds;
            self.now.electric_j[i] += brought.electric_w[i] * around.seconds;
        }
        self.now.loss_j += brought.lost_w * around.seconds;
        self.now.litres.circulation += brought.carried.0 / INLET_DENSITY_KG_PER_L;
        self.now.heat_j.circulation += brought.carried.1;
        self.pump_on = brought.pump_on;
        Switches { call: [switched.call[0], brought.boost_on], power_w: brought.electric_w }
    }

    /// Heat in water, insulation, and in what a pump has taken out and not brought back yet, J.
    fn stored_j(&self) -> f64 {
        self.tank.stored_j() + self.delivery.held_j()
    }

    /// Puts the elements' heat into the water.
    fn mix(&mut self) {
        for heater in &self.scene.home.heaters {
            self.tank.heat(core::mem::take(&mut self.unmixed_j[heater.index]), heater.height);
        }
    }

    fn close_day(&mut self, storage_change_j: f64, slow_count: f64) {
        self.now.storage_change_j = storage_change_j;
        for mean in [&mut self.now.mean_tank_degc, &mut self.now.mean_room_degc, &mut self.now.mean_feed_degc]
        {
            *mean /= slow_count;
        }
        self.out.days.push(core::mem::take(&mut self.now));
    }
}
