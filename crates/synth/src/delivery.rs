//! How heat of a source that is no element gets into the water, step by step, and what it takes of electricity.

mod heat_pump;

use crate::cylinder::{Cylinder, HEAT_CAPACITY_J_PER_KG_K, STORED_DENSITY_KG_PER_L};
use crate::impose::Imposed;
use crate::source::{Coil, PumpFlow, Source, TopPump};
use crate::stalled::{CHAMBER, Stalled, Vessel};

/// The return of a chamber may be this much above the cut-out of the thermostat before the chamber's own limit holds it, K.
const CHAMBER_MARGIN_K: f64 = 6.0;
/// How fast a boiler's flow nears what it is set to, s.
const BOILER_LAG_S: f64 = 120.0;
/// What a pump that runs on loses by its pipes, W/K: our own choice.
const PIPE_W_PER_K: f64 = 2.0;
/// How fast a pipe cools once nothing flows, s.
const PIPE_LAG_S: f64 = 1800.0;

/// What goes on from step to step.
#[derive(Clone, Debug, Default)]
pub(crate) struct Delivery {
    /// Water that the pump has taken and not brought back yet, kg; and the heat put into it, J.
    held_kg: f64,
    held_j: f64,
    /// Flow temperature of the boiler, degC; `None` while it is not called.
    boiler_degc: Option<f64>,
    boost_done: bool,
    /// A chamber or condenser whose pump moves too little.
    stalled: Stalled,
    /// The source's own water, flow and return, degC; `None` before it first ran.
    primary_degc: Option<[f64; 2]>,
    /// Whether it was warmed in this step.
    primary_flows: bool,
}

/// What the source sees of the world.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Around<'a> {
    pub(crate) outside_degc: f64,
    pub(crate) room_degc: f64,
    pub(crate) imposed: &'a Imposed,
    /// 0 Monday, local.
    pub(crate) weekday: u32,
    /// Of the timer.
    pub(crate) minute: u32,
    /// Mains voltage over its nominal value.
    pub(crate) voltage: f64,
    /// Where the thermostat opens, degC.
    pub(crate) cut_out_degc: f64,
    pub(crate) seconds: f64,
}

/// What one step brought.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Delivered {
    /// Into the water, W: by the source, by its boost element.
    pub(crate) heat_w: [f64; 2],
    /// Electric power by column of the export, W.
    pub(crate) electric_w: [f64; 2],
    pub(crate) boost_on: bool,
    pub(crate) pump_on: bool,
    /// Lost by a chamber or condenser that its pump does not serve, W.
    pub(crate) lost_w: f64,
    /// Water that a pump carries round while nothing heats, kg, and the heat that its pipes lose, J.
    pub(crate) carried: (f64, f64),
}

impl Delivery {
    /// Heat on its way, J: part of what is stored.
    pub(crate) fn held_j(&self) -> f64 {
        self.held_j + self.stalled.held_j()
    }

    /// The source's own water, flow and return, degC; NaN where it has none.
    pub(crate) fn primary_degc(&self) -> [f64; 2] {
        self.primary_degc.unwrap_or([f64::NAN; 2])
    }

    /// One step; `called_w` is what the switches give to heater 0.
    pub(crate) fn step(
        &mut self,
        source: &Source,
        tank: &mut Cylinder,
        called_w: f64,
        around: &Around<'_>,
    ) -> Delivered {
        self.primary_flows = false;
        let out = match source {
            Source::Elements => Delivered::default(),
            Source::TopPump(pump) => self.top_pump(pump, tank, called_w, around),
            Source::Coil(coil) => self.coil(coil, tank, called_w > 0.0, around),
            Source::HeatPump(pump) => self.heat_pump(pump, tank, called_w > 0.0, around),
        };
        if !self.primary_flows && matches!(source, Source::Coil(_) | Source::HeatPump(_)) {
            self.cool_primary(around);
        }
        out
    }

    fn warm_primary(&mut self, flow_and_return_degc: [f64; 2]) {
        (self.primary_degc, self.primary_flows) = (Some(flow_and_return_degc), true);
    }

    /// Lets the source's own water come to the room while it stands.
    fn cool_primary(&mut self, around: &Around<'_>) {
        let share = 1.0 - libm::exp(-around.seconds / PIPE_LAG_S);
        let cooled = self.primary_degc.unwrap_or([around.room_degc; 2]);
        self.primary_degc = Some(cooled.map(|degc| degc + share * (around.room_degc - degc)));
    }

    fn top_pump(
        &mut self,
        pump: &TopPump,
        tank: &mut Cylinder,
        called_w: f64,
        around: &Around<'_>,
    ) -> Delivered {
        if called_w <= 0.0 {
            return self.idle(&CHAMBER, tank, pump.flow, pump.return_height, around);
        }
        let limit_degc = around.cut_out_degc + CHAMBER_MARGIN_K;
        let intake_degc = tank.intake_degc();
        let flow_w_per_k = flow_w_per_k(pump.flow, called_w, intake_degc) * around.imposed.flow_share;
        if around.imposed.flow_share < 1.0 {
            let water = [intake_degc, around.room_degc];
            let step = self.stalled.step(&CHAMBER, called_w, flow_w_per_k, water, around.seconds);
            self.carry(tank, flow_w_per_k, step.out_w, pump.return_height, around.seconds);
            return Delivered {
                heat_w: [step.in_w, 0.0],
                electric_w: [step.in_w, 0.0],
                lost_w: step.lost_w,
                pump_on: true,
                ..Delivered::default()
            };
        }
        let heat_w = called_w.min(flow_w_per_k * (limit_degc - intake_degc).max(0.0));
        self.carry(tank, flow_w_per_k, heat_w, pump.return_height, around.seconds);
        Delivered { heat_w: [heat_w, 0.0], electric_w: [heat_w, 0.0], pump_on: true, ..Delivered::default() }
    }

    /// While nothing heats: the pump stands, or runs on.
    fn idle(
        &mut self,
        vessel: &Vessel,
        tank: &mut Cylinder,
        flow: PumpFlow,
        height: f64,
        around: &Around<'_>,
    ) -> Delivered {
        let mut out = Delivered::default();
        let water = [tank.intake_degc(), around.room_degc];
        if around.imposed.flow_share < 1.0 {
            out.lost_w = self.stalled.step(vessel, 0.0, 0.0, water, around.seconds).lost_w;
        }
        let Some(pump) = around.imposed.idle_pump else {
            self.stop(tank, height);
            return out;
        };
        let flow_w_per_k = match flow {
            PumpFlow::Set(_) => flow_w_per_k(flow, 0.0, water[0]),
            PumpFlow::ToReach { most, .. } => flow_w_per_k(PumpFlow::Set(most), 0.0, water[0]),
        };
        let lost_w = PIPE_W_PER_K * (water[0] - water[1]);
        self.carry(tank, flow_w_per_k, -lost_w, height, around.seconds);
        out.pump_on = pump.told;
        out.carried = (flow_w_per_k / HEAT_CAPACITY_J_PER_KG_K * around.seconds, lost_w * around.seconds);
        out
    }

    fn coil(&mut self, coil: &Coil, tank: &mut Cylinder, on: bool, around: &Around<'_>) -> Delivered {
        if !on {
            self.boiler_degc = None;
            return Delivered::default();
        }
        let ua_w_per_k = coil.ua_w_per_k * around.imposed.exchanger_share;
        let primary_w_per_k = coil.primary_w_per_k * around.imposed.flow_share;
        let start_degc = tank.at_degc(coil.lower);
        let boiler_degc = self.boiler_degc.get_or_insert(start_degc);
        *boiler_degc += (coil.flow_degc - *boiler_degc) * (1.0 - libm::exp(-around.seconds / BOILER_LAG_S));
        if primary_w_per_k <= 0.0 {
            // The boiler holds its own water hot, and none of it comes round.
            let returned_degc = self.primary_degc.map_or(around.room_degc, |p| p[1]);
            let share = 1.0 - libm::exp(-around.seconds / PIPE_LAG_S);
            let returned_degc = returned_degc + share * (around.room_degc - returned_degc);
            let flow_degc = *boiler_degc;
            self.warm_primary([flow_degc, returned_degc]);
            return Delivered::default();
        }
        let given_w = |degc: f64| tank.coil_w(coil.lower..coil.upper, degc, ua_w_per_k, primary_w_per_k);
        // The heat rises in proportion to the flow temperature, so the boiler's limit gives the temperature it can hold.
        let (asked_w, cooler_w) = (given_w(*boiler_degc), given_w(*boiler_degc - 10.0));
        if asked_w > coil.boiler_w {
            *boiler_degc -= 10.0 * (asked_w - coil.boiler_w) / (asked_w - cooler_w);
        }
        let heights = coil.lower..coil.upper;
        let flow_degc = *boiler_degc;
        let heat_w = tank.heat_by_coil(heights, flow_degc, ua_w_per_k, primary_w_per_k, around.seconds);
        self.warm_primary([flow_degc, flow_degc - heat_w / primary_w_per_k]);
        Delivered { heat_w: [heat_w, 0.0], ..Delivered::default() }
    }

    /// Takes water from the base, heats it, and brings it back a layer at a time, so that the grid smears nothing.
    fn carry(&mut self, tank: &mut Cylinder, flow_w_per_k: f64, heat_w: f64, height: f64, seconds: f64) {
        self.held_kg += flow_w_per_k / HEAT_CAPACITY_J_PER_KG_K * seconds;
        self.held_j += heat_w * seconds;
        let layer_kg = tank.layer_kg();
        while self.held_kg >= layer_kg {
            let heat_j = self.held_j * layer_kg / self.held_kg;
            tank.carry_up(heat_j, height);
            self.held_kg -= layer_kg;
            self.held_j -= heat_j;
        }
    }

    fn stop(&mut self, tank: &mut Cylinder, height: f64) {
        tank.heat(core::mem::take(&mut self.held_j), height);
        self.held_kg = 0.0;
    }
}

/// Heat capacity of the pump's flow, W/K.
fn flow_w_per_k(flow: PumpFlow, heat_w: f64, intake_degc: f64) -> f64 {
    let of_flow = |l_per_min: f64| l_per_min / 60.0 * STORED_DENSITY_KG_PER_L * HEAT_CAPACITY_J_PER_KG_K;
    match flow {
        PumpFlow::Set(l_per_min) => of_flow(l_per_min),
        PumpFlow::ToReach { degc, least, most } => {
            (heat_w / (degc - intake_degc).max(0.1)).clamp(of_flow(least), of_flow(most))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::heat_pump::performance;
    use super::*;
    use crate::control::Heater;
    use crate::cylinder::tests_body;
    use crate::source::{Boost, HeatPump};

    const STEP_S: f64 = 20.0;

    fn around(imposed: &Imposed) -> Around<'_> {
        Around {
            outside_degc: 7.0,
            room_degc: 20.0,
            imposed,
            weekday: 0,
            minute: 720,
            voltage: 1.0,
            cut_out_degc: 60.0,
            seconds: STEP_S,
        }
    }

    /// Runs for a number of minutes and looks that the heat is in the tank; gives what was brought, J of heat and electricity.
    fn run(source: &Source, tank: &mut Cylinder, called_w: f64, minutes: u32) -> (f64, f64) {
        let (mut state, sound) = (Delivery::default(), Imposed::default());
        let (before_j, mut heat_j, mut electric_j) = (tank.stored_j(), 0.0, 0.0);
        for _ in 0..3 * minutes {
            let brought = state.step(source, tank, called_w, &around(&sound));
            heat_j += brought.heat_w.iter().sum::<f64>() * STEP_S;
            electric_j += brought.electric_w.iter().sum::<f64>() * STEP_S;
        }
        let stored_j = tank.stored_j() + state.held_j() - before_j;
        assert!((stored_j - heat_j).abs() < 1e-6 * heat_j.max(1.0), "{stored_j} {heat_j}");
        (heat_j, electric_j)
    }

    #[test]
    fn a_pump_to_the_top_lets_the_hot_zone_grow_downwards() {
        let flow = PumpFlow::ToReach { degc: 62.0, least: 0.5, most: 6.0 };
        let source = Source::TopPump(TopPump { flow, return_height: 0.98, pump_exported: true });
        let mut tank = Cylinder::new(tests_body(), 15.0, 20.0);
        // 3 kW for 80 min are 4 kWh: 47 K in 73 kg, 0.41 of the cylinder.
        run(&source, &mut tank, 3000.0, 80);
        assert!(tank.at_degc(0.9) > 60.0 && tank.at_degc(0.65) > 55.0, "{}", tank.at_degc(0.65));
        assert!(tank.at_degc(0.5) < 20.0 && tank.at_degc(0.1) < 15.1, "{}", tank.at_degc(0.5));
    }

    #[test]
    fn a_chamber_never_scalds_beyond_its_limit() {
        let source =
            Source::TopPump(TopPump { flow: PumpFlow::Set(1.5), return_height: 0.98, pump_exported: false });
        let mut tank = Cylinder::new(tests_body(), 55.0, 20.0);
        run(&source, &mut tank, 3000.0, 240);
        assert!(tank.top_degc() < 66.5 && tank.top_degc() > 60.0, "{}", tank.top_degc());
    }

    #[test]
    fn a_coil_gives_what_a_short_exchanger_gives_and_no_more_than_the_boiler() {
        let coil = |boiler_w| {
            Source::Coil(Coil {
                lower: 0.05,
                upper: 0.4,
                boiler_w,
                flow_degc: 75.0,
                ua_w_per_k: 600.0,
                primary_w_per_k: 1000.0,
                call_exported: true,
            })
        };
        // Water of one temperature: Q = 1000 W/K x (75 - 20) K x (1 - exp(-0.6)) = 24.8 kW.
        let tank = Cylinder::new(tests_body(), 20.0, 20.0);
        let whole_w = tank.coil_w(0.05..0.4, 75.0, 600.0, 1000.0);
        assert!((whole_w / 24_815.0 - 1.0).abs() < 1e-3, "{whole_w}");
        let mut tank = Cylinder::new(tests_body(), 20.0, 20.0);
        let (heat_j, electric_j) = run(&coil(12_000.0), &mut tank, 1.0, 20);
        assert!(heat_j / 1200.0 < 12_001.0 && heat_j / 1200.0 > 10_000.0, "{}", heat_j / 1200.0);
        assert!(electric_j == 0.0 && tank.at_degc(0.02) < 25.0 && tank.at_degc(0.9) > 35.0);
    }

    #[test]
    fn heat_pumps_take_less_than_they_give_and_boost_once_a_week() {
        // 40 % of Carnot between 0 and 54 degC: 0.4 x 327.15 / 54 = 2.42.
        assert!((performance(0.4, 7.0, 50.0) - 2.423).abs() < 0.001);
        let element = Heater { index: 1, rated_w: 3000.0, height: 0.2, thermostat_height: 0.5 };
        let pump = |weekday| {
            Source::HeatPump(HeatPump {
                heat_w: 5000.0,
                carnot_share: 0.4,
                standby_w: 8.0,
                pump_w: 40.0,
                flow: PumpFlow::Set(12.0),
                return_height: 0.7,
                pump_exported: false,
                boost: Boost { element, own_meter: true, weekday, start_min: 700, until_degc: 60.0 },
            })
        };
        let mut tank = Cylinder::new(tests_body(), 20.0, 20.0);
        let (heat_j, electric_j) = run(&pump(3), &mut tank, 1.0, 60);
        let factor = heat_j / electric_j;
        assert!((2.4..3.6).contains(&factor) && (heat_j - 18.0e6).abs() < 1.0, "{factor} {heat_j}");
        let mut tank = Cylinder::new(tests_body(), 45.0, 20.0);
        let (boost_j, _) = run(&pump(0), &mut tank, 0.0, 300);
        assert!(tank.at_degc(0.6) > 59.9 && boost_j > 8.0e6, "{} {boost_j}", tank.at_degc(0.6));
    }
}
