//! When the elements heat: thermostat, timer, part-tank charging, surplus diverter.

use drawoff_contract::DailyWindow;

use crate::cylinder::Cylinder;
use crate::impose::Imposed;
use crate::simulate::STEP_S;

/// The over-temperature cut-out of our scenario, degC: where a welded thermostat ends up.
pub(crate) const OVER_TEMPERATURE_DEGC: f64 = 82.0;
/// Below this a diverter does not start, W.
const DIVERTER_START_W: f64 = 100.0;

/// How heating is controlled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Mode {
    /// The thermostat decides round the clock.
    Always,
    /// A timer permits heating in the hours of the low rate, and in a boost window.
    Night,
    /// A programmer permits heating in a window or two, whatever the tariff.
    Programmer,
    /// Only part of the cylinder is heated: the upper element by day, or a short charge at night.
    Partial,
    /// A diverter sends spare solar power to the element; a short charge at night backs it up.
    Surplus,
}

impl Mode {
    /// Word in the register and the truth table.
    pub(crate) fn code(self) -> &'static str {
        match self {
            Self::Always => "always",
            Self::Night => "night",
            Self::Programmer => "programmer",
            Self::Partial => "partial",
            Self::Surplus => "pv",
        }
    }
}

/// One element with its thermostat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Heater {
    /// 0 lower, 1 upper.
    pub(crate) index: usize,
    pub(crate) rated_w: f64,
    /// Volume fraction from the base.
    pub(crate) height: f64,
    /// Where its thermostat feels the water, volume fraction from the base.
    pub(crate) thermostat_height: f64,
}

/// Settings of the control.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Control {
    pub(crate) mode: Mode,
    pub(crate) window: DailyWindow,
    pub(crate) boost: Option<DailyWindow>,
    pub(crate) timer_follows_dst: bool,
    pub(crate) set_point_degc: f64,
    pub(crate) deadband_k: f64,
    pub(crate) solar_peak_w: f64,
}

/// State of the switches over one step.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Switches {
    /// Whether the relay calls, by element.
    pub(crate) call: [bool; 2],
    /// Power, W, by element.
    pub(crate) power_w: [f64; 2],
}

/// What the switches see of the world.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Moment {
    /// The timer's minute of the day.
    pub(crate) minute: u32,
    /// Spare solar power, W.
    pub(crate) surplus_w: f64,
    /// Mains voltage over its nominal value.
    pub(crate) voltage: f64,
    /// UTC second.
    pub(crate) second: i64,
    /// Set point for now, degC, where it is not the control's.
    pub(crate) set_point_degc: Option<f64>,
    /// A control that learns has its charge.
    pub(crate) charged: bool,
    /// Held off (true) or told to heat (false) from outside; `None` without an order.
    pub(crate) ordered: Option<bool>,
}

/// Decides one step. `closed` keeps the state of the thermostats.
pub(crate) fn switches(
    control: &Control,
    heaters: &[Heater],
    tank: &Cylinder,
    moment: Moment,
    imposed: &Imposed,
    closed: &mut [bool; 2],
) -> Switches {
    let Moment { minute, voltage, .. } = moment;
    let surplus_w = moment.surplus_w * imposed.diverted_share;
    let mut out = Switches::default();
    let alone = heaters.len() == 1;
    for heater in heaters {
        let i = heater.index;
        let felt_degc = tank.at_degc(heater.thermostat_height);
        let cut_out_degc = cut_out_degc(control, moment, imposed);
        let told = moment.ordered == Some(false) && (alone || i == 0);
        if felt_degc >= cut_out_degc || (moment.charged && !told) {
            closed[i] = false;
        } else if felt_degc <= cut_out_degc - control.deadband_k || told {
            closed[i] = true;
        }
        let left_on = imposed.left_on.is_some_and(|hours| hours.contains(minute));
        let scheduled = permitted(control, i, alone, minute) || left_on || told;
        let diverted = control.mode == Mode::Surplus && (alone || i == 0) && surplus_w >= DIVERTER_START_W;
        out.call[i] = closed[i] && (scheduled || diverted);
        let driven_w = match (scheduled || imposed.relay_welded, diverted) {
            (true, _) => heater.rated_w * voltage * voltage,
            // A diverter holds its power whatever the voltage.
            (false, true) => heater.rated_w.min(surplus_w),
            (false, false) => 0.0,
        };
        if closed[i] {
            out.power_w[i] = driven_w * imposed.power_share[i];
        }
        if let Some(chatter) = imposed.chatter {
            // Contacts may open and close more than once within a step: the water and the meter get the mean.
            out.power_w[i] *= chatter.closed_part(moment.second, STEP_S as f64);
            out.call[i] &= !chatter.called || chatter.is_closed(moment.second);
        }
    }
    if moment.ordered == Some(true) {
        return Switches::default();
    }
    // Common practice, no source: where both may heat at any hour, the upper element goes first.
    if control.mode == Mode::Always && out.call[1] {
        out.call[0] = false;
        out.power_w[0] = 0.0;
    }
    out
}

/// Where the thermostats open, degC.
pub(crate) fn cut_out_degc(control: &Control, moment: Moment, imposed: &Imposed) -> f64 {
    let set_degc = imposed.set_point_degc.or(moment.set_point_degc).unwrap_or(control.set_point_degc);
    imposed.thermostat_ceiling_degc.unwrap_or(set_degc + imposed.thermostat_offset_k)
}

fn permitted(control: &Control, element: usize, alone: bool, minute: u32) -> bool {
    let in_window = control.window.contains(minute);
    let in_boost = control.boost.is_some_and(|b| b.contains(minute));
    match control.mode {
        Mode::Always => true,
        Mode::Night | Mode::Programmer => in_window || (in_boost && (alone || element == 1)),
        Mode::Partial if alone => in_window || in_boost,
        Mode::Partial => element == 1 || in_window,
        Mode::Surplus => (in_window && (alone || element == 0)) || (in_boost && (alone || element == 1)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cylinder::CylinderBody;
    use crate::impose::Chatter;

    fn control(mode: Mode) -> Control {
        Control {
            mode,
            window: DailyWindow { start_min: 30, minutes: 420 },
            boost: None,
            timer_follows_dst: true,
            set_point_degc: 60.0,
            deadband_k: 5.0,
            solar_peak_w: 3000.0,
        }
    }

    fn tank(degc: f64) -> Cylinder {
        let body = CylinderBody {
            volume_l: 150.0,
            height_m: 1.0,
            loss_w_per_k: 1.5,
            top_fitting_share: 0.1,
            base_fitting_share: 0.05,
            insulation_j_per_k: 20_000.0,
            conduction_w_per_m_k: 1.0,
            jet_l: 8.0,
            least_stirred_l: 0.0,
            entrainment: 3.0,
        };
        Cylinder::new(body, degc, 20.0)
    }

    const LOWER: Heater = Heater { index: 0, rated_w: 3000.0, height: 0.1, thermostat_height: 0.15 };

    #[test]
    fn thermostats_hold_between_their_limits() {
        let (mut closed, none) = ([false; 2], Imposed::default());
        let mut power = |degc: f64| {
            switches(
                &control(Mode::Always),
                &[LOWER],
                &tank(degc),
                Moment { minute: 720, voltage: 1.0, ..Moment::default() },
                &none,
                &mut closed,
            )
            .power_w[0]
        };
        assert_eq!([57.0, 54.9, 58.0, 60.1, 57.0].map(&mut power), [0.0, 3000.0, 3000.0, 0.0, 0.0]);
    }

    #[test]
    fn timers_and_diverters_keep_their_hours() {
        let none = Imposed::default();
        let at = |mode, minute, surplus| {
            let moment = Moment { minute, surplus_w: surplus, voltage: 1.0, ..Moment::default() };
            switches(&control(mode), &[LOWER], &tank(20.0), moment, &none, &mut [false; 2])
        };
        assert_eq!(at(Mode::Night, 60, 0.0).power_w[0], 3000.0);
        assert_eq!(at(Mode::Night, 720, 0.0), Switches::default());
        assert_eq!(at(Mode::Surplus, 720, 900.0).power_w[0], 900.0);
        assert!(!at(Mode::Surplus, 720, 50.0).call[0]);
        assert_eq!(at(Mode::Surplus, 720, 9000.0).power_w[0], 3000.0);
    }

    #[test]
    fn what_is_imposed_opens_closes_and_permits() {
        let at = |imposed: &Imposed, moment: Moment, degc: f64| {
            let moment = Moment { voltage: 1.0, ..moment };
            switches(&control(Mode::Night), &[LOWER], &tank(degc), moment, imposed, &mut [true; 2])
        };
        let noon = Moment { minute: 720, ..Moment::default() };
        let night = Moment { minute: 60, ..Moment::default() };
        let left_on =
            Imposed { left_on: Some(DailyWindow { start_min: 700, minutes: 60 }), ..Imposed::default() };
        assert_eq!(at(&left_on, noon, 20.0).power_w[0], 3000.0);
        let sound = Imposed::default();
        assert_eq!(at(&sound, Moment { charged: true, ..night }, 20.0).power_w[0], 0.0);
        assert_eq!(at(&sound, Moment { set_point_degc: Some(66.0), ..night }, 64.0).power_w[0], 3000.0);
        let set_down = Imposed { set_point_degc: Some(50.0), ..Imposed::default() };
        assert_eq!(at(&set_down, night, 52.0).power_w[0], 0.0);
        let chatter = Some(Chatter { period_s: 180.0, called: true });
        let chatters = Imposed { chatter, ..Imposed::default() };
        let on = (0..180).map(|i| at(&chatters, Moment { second: 20 * i, ..night }, 20.0));
        let powered = on.filter(|s| s.power_w[0] > 0.0 && s.call[0]).count();
        assert!((80..140).contains(&powered), "{powered}");
    }
}
