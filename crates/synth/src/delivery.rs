//! How heat of a source that is no element gets into the water, step by step, and what it takes of electricity.

use crate::cylinder::{Cylinder, HEAT_CAPACITY_J_PER_KG_K, STORED_DENSITY_KG_PER_L};
use crate::source::{Boost, Coil, HeatPump, PumpFlow, Source, TopPump};

/// The return of a chamber may be this much above the cut-out of the thermostat before the chamber's own limit holds it, K.
const CHAMBER_MARGIN_K: f64 = 6.0;
/// How fast a boiler's flow nears what it is set to, s.
const BOILER_LAG_S: f64 = 120.0;
/// Between condensing and return temperature of the water, K.
const CONDENSER_APPROACH_K: f64 = 4.0;
/// Between outside air and evaporating temperature, K.
const EVAPORATOR_APPROACH_K: f64 = 7.0;
/// Highest return of a heat pump, degC: above it the compressor stops.
const COMPRESSOR_LIMIT_DEGC: f64 = 63.0;
/// Longest weekly boost, minutes.
const BOOST_MINUTES: u32 = 240;

/// What goes on from step to step.
#[derive(Clone, Debug, Default)]
pub(crate) struct Delivery {
    /// Water that the pump has taken and not brought back yet, kg; and the heat put into it, J.
    held_kg: f64,
    held_j: f64,
    /// Flow temperature of the boiler, degC; `None` while it is not called.
    boiler_degc: Option<f64>,
    boost_done: bool,
}

/// What the source sees of the world.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Around {
    pub(crate) outside_degc: f64,
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
}

impl Delivery {
    /// Heat on its way, J: part of what is stored.
    pub(crate) fn held_j(&self) -> f64 {
        self.held_j
    }

    /// One step; `called_w` is what the switches give to heater 0.
    pub(crate) fn step(
        &mut self,
        source: &Source,
        tank: &mut Cylinder,
        called_w: f64,
        around: &Around,
    ) -> Delivered {
        match source {
            Source::Elements => Delivered::default(),
            Source::TopPump(pump) => self.top_pump(pump, tank, called_w, around),
            Source::Coil(coil) => self.coil(coil, tank, called_w > 0.0, around),
            Source::HeatPump(pump) => self.heat_pump(pump, tank, called_w > 0.0, around),
        }
    }

    fn top_pump(&mut self, pump: &TopPump, tank: &mut Cylinder, called_w: f64, around: &Around) -> Delivered {
        if called_w <= 0.0 {
            self.stop(tank, pump.return_height);
            return Delivered::default();
        }
        let limit_degc = around.cut_out_degc + CHAMBER_MARGIN_K;
        let intake_degc = tank.intake_degc();
        let flow_w_per_k = flow_w_per_k(pump.flow, called_w, intake_degc);
        let heat_w = called_w.min(flow_w_per_k * (limit_degc - intake_degc).max(0.0));
        self.carry(tank, flow_w_per_k, heat_w, pump.return_height, around.seconds);
        Delivered { heat_w: [heat_w, 0.0], electric_w: [heat_w, 0.0], boost_on: false, pump_on: true }
    }

    fn coil(&mut self, coil: &Coil, tank: &mut Cylinder, on: bool, around: &Around) -> Delivered {
        if !on {
            self.boiler_degc = None;
            return Delivered::default();
        }
        let start_degc = tank.at_degc(coil.lower);
        let boiler_degc = self.boiler_degc.get_or_insert(start_degc);
        *boiler_degc += (coil.flow_degc - *boiler_degc) * (1.0 - libm::exp(-around.seconds / BOILER_LAG_S));
        let given_w =
            |degc: f64| tank.coil_w(coil.lower..coil.upper, degc, coil.ua_w_per_k, coil.primary_w_per_k);
        // The heat rises in proportion to the flow temperature, so the boiler's limit gives the temperature it can hold.
        let (asked_w, cooler_w) = (given_w(*boiler_degc), given_w(*boiler_degc - 10.0));
        if asked_w > coil.boiler_w {
            *boiler_degc -= 10.0 * (asked_w - coil.boiler_w) / (asked_w - cooler_w);
        }
        let heights = coil.lower..coil.upper;
        let heat_w =
            tank.heat_by_coil(heights, *boiler_degc, coil.ua_w_per_k, coil.primary_w_per_k, around.seconds);
        Delivered { heat_w: [heat_w, 0.0], ..Delivered::default() }
    }

    fn heat_pump(&mut self, pump: &HeatPump, tank: &mut Cylinder, on: bool, around: &Around) -> Delivered {
        let mut out = Delivered { electric_w: [pump.standby_w, 0.0], ..Delivered::default() };
        let intake_degc = tank.intake_degc();
        // A heat pump gives more heat in mild weather: 2 % a kelvin, our own choice.
        let heat_w = pump.heat_w * (1.0 + 0.02 * (around.outside_degc - 7.0)).clamp(0.6, 1.3);
        let flow_w_per_k = flow_w_per_k(pump.flow, heat_w, intake_degc);
        let return_degc = intake_degc + heat_w / flow_w_per_k;
        if on && return_degc < COMPRESSOR_LIMIT_DEGC {
            self.carry(tank, flow_w_per_k, heat_w, pump.return_height, around.seconds);
            out.heat_w[0] = heat_w;
            let factor = performance(pump.carnot_share, around.outside_degc, return_degc);
            out.electric_w[0] += heat_w / factor + pump.pump_w;
            out.pump_on = true;
        } else {
            self.stop(tank, pump.return_height);
        }
        let boost_w = self.boost_w(&pump.boost, tank, around);
        out.heat_w[1] = boost_w;
        out.boost_on = boost_w > 0.0;
        out.electric_w[usize::from(pump.boost.own_meter)] += boost_w;
        tank.heat(boost_w * around.seconds, pump.boost.element.height);
        out
    }

    fn boost_w(&mut self, boost: &Boost, tank: &Cylinder, around: &Around) -> f64 {
        let due = around.weekday == boost.weekday
            && (boost.start_min..boost.start_min + BOOST_MINUTES).contains(&around.minute);
        self.boost_done =
            due && (self.boost_done || tank.at_degc(boost.element.thermostat_height) >= boost.until_degc);
        if due && !self.boost_done { boost.element.rated_w * around.voltage * around.voltage } else { 0.0 }
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

/// Coefficient of performance of a compressor that reaches a part of the Carnot factor between evaporator and condenser.
fn performance(carnot_share: f64, outside_degc: f64, return_degc: f64) -> f64 {
    let hot_k = return_degc + CONDENSER_APPROACH_K + 273.15;
    let cold_k = outside_degc - EVAPORATOR_APPROACH_K + 273.15;
    (carnot_share * hot_k / (hot_k - cold_k).max(10.0)).max(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::Heater;
    use crate::cylinder::tests_body;

    const STEP_S: f64 = 20.0;

    fn around() -> Around {
        Around {
            outside_degc: 7.0,
            weekday: 0,
            minute: 720,
            voltage: 1.0,
            cut_out_degc: 60.0,
            seconds: STEP_S,
        }
    }

    /// Runs for a number of minutes and looks that the heat is in the tank; gives what was brought, J of heat and electricity.
    fn run(source: &Source, tank: &mut Cylinder, called_w: f64, minutes: u32) -> (f64, f64) {
        let mut state = Delivery::default();
        let (before_j, mut heat_j, mut electric_j) = (tank.stored_j(), 0.0, 0.0);
        for _ in 0..3 * minutes {
            let brought = state.step(source, tank, called_w, &around());
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
