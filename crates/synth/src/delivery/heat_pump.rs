//! A heat pump with its plate exchanger, and the element that boosts or backs it up.

use super::{Around, Delivered, Delivery, flow_w_per_k};
use crate::cylinder::Cylinder;
use crate::source::{Boost, HeatPump, PumpFlow};
use crate::stalled::CONDENSER;

/// Between condensing and return temperature of the water, K.
const CONDENSER_APPROACH_K: f64 = 4.0;
/// Between outside air and evaporating temperature, K.
const EVAPORATOR_APPROACH_K: f64 = 7.0;
/// Highest return of a heat pump, degC: above it the compressor stops.
const COMPRESSOR_LIMIT_DEGC: f64 = 63.0;
/// Longest weekly boost, minutes.
const BOOST_MINUTES: u32 = 240;

impl Delivery {
    pub(super) fn heat_pump(
        &mut self,
        pump: &HeatPump,
        tank: &mut Cylinder,
        on: bool,
        around: &Around<'_>,
    ) -> Delivered {
        let imposed = around.imposed;
        let intake_degc = tank.intake_degc();
        // A heat pump gives more heat in mild weather: 2 % a kelvin, our own choice.
        let heat_w = pump.heat_w * (1.0 + 0.02 * (around.outside_degc - 7.0)).clamp(0.6, 1.3);
        // The same heat through a worse exchanger asks for hotter water on the other side.
        let approach_k = CONDENSER_APPROACH_K / imposed.exchanger_share;
        let further_k = approach_k - CONDENSER_APPROACH_K;
        let mut limit_degc = COMPRESSOR_LIMIT_DEGC - further_k;
        let mut flow = pump.flow;
        if let Some(left_k) = imposed.left_to_element_k {
            limit_degc = limit_degc.min(around.cut_out_degc - left_k);
            if let PumpFlow::ToReach { degc, .. } = &mut flow {
                *degc = degc.min(limit_degc - 1.0);
            }
        }
        let flow_w_per_k = flow_w_per_k(flow, heat_w, intake_degc) * imposed.flow_share;
        let return_degc = intake_degc + heat_w / flow_w_per_k;
        let mut out = if on && imposed.flow_share < 1.0 {
            self.starved(pump, tank, [heat_w, flow_w_per_k], around)
        } else if on && return_degc < limit_degc {
            self.carry(tank, flow_w_per_k, heat_w, pump.return_height, around.seconds);
            self.warm_primary([return_degc + approach_k, intake_degc + approach_k]);
            let factor = performance(pump.carnot_share, around.outside_degc, return_degc + further_k);
            Delivered {
                heat_w: [heat_w, 0.0],
                electric_w: [pump.standby_w + (heat_w / factor + pump.pump_w), 0.0],
                pump_on: true,
                ..Delivered::default()
            }
        } else {
            let idle = self.idle(&CONDENSER, tank, pump.flow, pump.return_height, around);
            Delivered { electric_w: [pump.standby_w, 0.0], ..idle }
        };
        let makes_up = on && out.heat_w[0] <= 0.0 && imposed.left_to_element_k.is_some();
        let boost_w = self.boost_w(&pump.boost, tank, makes_up, around);
        out.heat_w[1] = boost_w;
        out.boost_on = boost_w > 0.0;
        out.electric_w[usize::from(pump.boost.own_meter)] += boost_w;
        tank.heat(boost_w * around.seconds, pump.boost.element.height);
        out
    }

    /// A heat pump whose circulating pump moves too little: the compressor trips by its pressure, and tries again.
    fn starved(
        &mut self,
        pump: &HeatPump,
        tank: &mut Cylinder,
        [heat_w, flow_w_per_k]: [f64; 2],
        around: &Around<'_>,
    ) -> Delivered {
        let intake_degc = tank.intake_degc();
        let water = [intake_degc, around.room_degc];
        let step = self.stalled.step(&CONDENSER, heat_w, flow_w_per_k, water, around.seconds);
        self.carry(tank, flow_w_per_k, step.out_w, pump.return_height, around.seconds);
        let approach_k = if step.in_w > 0.0 { CONDENSER_APPROACH_K } else { 0.0 };
        self.warm_primary([step.degc + approach_k, intake_degc.min(step.degc) + approach_k]);
        let factor = performance(pump.carnot_share, around.outside_degc, step.degc);
        Delivered {
            heat_w: [step.in_w, 0.0],
            electric_w: [pump.standby_w + pump.pump_w + step.in_w / factor, 0.0],
            lost_w: step.lost_w,
            pump_on: true,
            ..Delivered::default()
        }
    }

    /// Power of the boost element: in its weekly hours, or where it has to make up for the heat pump.
    fn boost_w(&mut self, boost: &Boost, tank: &Cylinder, makes_up: bool, around: &Around<'_>) -> f64 {
        let due = around.weekday == boost.weekday
            && (boost.start_min..boost.start_min + BOOST_MINUTES).contains(&around.minute)
            && !around.imposed.boost_off;
        self.boost_done =
            due && (self.boost_done || tank.at_degc(boost.element.thermostat_height) >= boost.until_degc);
        let on = makes_up || (due && !self.boost_done);
        if on { boost.element.rated_w * around.voltage * around.voltage } else { 0.0 }
    }
}

/// Coefficient of performance of a compressor that reaches a part of the Carnot factor between evaporator and condenser.
pub(super) fn performance(carnot_share: f64, outside_degc: f64, return_degc: f64) -> f64 {
    let hot_k = return_degc + CONDENSER_APPROACH_K + 273.15;
    let cold_k = outside_degc - EVAPORATOR_APPROACH_K + 273.15;
    (carnot_share * hot_k / (hot_k - cold_k).max(10.0)).max(1.0)
}
