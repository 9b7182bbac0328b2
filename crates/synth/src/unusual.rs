//! What is out of the ordinary at a home and still sound: easily taken for a fault.
//!
//! Sizes are common practice, no source, or our own choice.

use drawoff_contract::DailyWindow;
use rand_chacha::ChaCha8Rng;

use crate::control::Mode;
use crate::design::{Design, timed};
use crate::dice::{below, chance, normal, uniform};
use crate::household::Habit;
use crate::source::Source;

/// Swing of the cold feed over the year, to either side of its mean, K.
pub(crate) const FEED_SWING_K: f64 = 3.5;

/// What is unusual; by default nothing.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Unusual {
    /// A loop that keeps far taps hot, by design.
    pub(crate) return_loop: Option<ReturnLoop>,
    /// A weekly heating above the set point.
    pub(crate) hygiene: Option<HygieneCycle>,
    /// The mains hold 207 to 216 V instead of about 230 V.
    pub(crate) low_voltage: bool,
    /// When somebody turns the thermostat, seconds after the start of the period, and what to, degC.
    pub(crate) set_point: Option<(i64, f64)>,
    /// Swing of the cold feed over the year, K, where it is not the town's.
    pub(crate) feed_swing_k: Option<f64>,
    /// Mean temperature at which a control that learns stops, by weekday from Monday, degC.
    pub(crate) part_charge_degc: Option<[f64; 7]>,
}

/// A secondary return: water from the top goes round the taps and comes back, in the hours of a timer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct ReturnLoop {
    pub(crate) l_per_min: f64,
    /// Loss coefficient of its insulated pipes, W/K.
    pub(crate) pipe_w_per_k: f64,
    /// Where it comes back, volume fraction from the base.
    pub(crate) height: f64,
    pub(crate) hours: [DailyWindow; 2],
}

impl ReturnLoop {
    pub(crate) fn runs(&self, minute: u32) -> bool {
        self.hours.iter().any(|h| h.contains(minute))
    }

    /// Mean loss coefficient over the day, W/K.
    fn mean_w_per_k(&self) -> f64 {
        self.pipe_w_per_k * f64::from(self.hours.iter().map(|h| h.minutes).sum::<u32>()) / 1440.0
    }
}

/// When the thermostat is raised once a week.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct HygieneCycle {
    /// 0 Monday, local.
    pub(crate) weekday: u32,
    pub(crate) hours: DailyWindow,
    pub(crate) degc: f64,
}

/// Gives a home what its habit asks for beyond the people's use of water. `days` is the length of the period.
pub(crate) fn settle(rng: &mut ChaCha8Rng, home: &mut Design, days: u32) {
    match home.habit {
        Habit::SecondaryReturn => {
            let length = |rng: &mut ChaCha8Rng, least: u32| least + 30 * below(rng, 5) as u32;
            let morning =
                DailyWindow { start_min: 330 + 15 * below(rng, 5) as u32, minutes: length(rng, 120) };
            let evening =
                DailyWindow { start_min: 990 + 15 * below(rng, 5) as u32, minutes: length(rng, 180) };
            let found = ReturnLoop {
                l_per_min: uniform(rng, 1.0, 2.5),
                // 15 to 30 m of insulated pipe at about 0.2 W/(m K).
                pipe_w_per_k: uniform(rng, 3.0, 6.0),
                height: uniform(rng, 0.35, 0.6),
                hours: [morning, evening],
            };
            home.declared_loss_w_per_k += found.mean_w_per_k();
            home.unusual.return_loop = Some(found);
        }
        Habit::HygieneCycle => {
            // A timer's own hours, so that the cycle needs no other; a window that begins before midnight begins there.
            let window = home.control.window;
            let start_min = if window.start_min >= 720 { 0 } else { window.start_min };
            home.unusual.hygiene = Some(HygieneCycle {
                weekday: below(rng, 7) as u32,
                hours: DailyWindow { start_min, minutes: 240 },
                degc: uniform(rng, 65.0, 69.0).round(),
            });
        }
        Habit::LowVoltage => home.unusual.low_voltage = true,
        Habit::SetPointChange => {
            let at_s = (uniform(rng, 0.34, 0.6) * f64::from(days) * 86_400.0) as i64;
            let step_k = 3.0 + below(rng, 4) as f64;
            // Never below what hygiene asks for, nor up to where water scalds at once.
            let down = chance(rng, 0.5) && home.control.set_point_degc - step_k >= 55.0;
            let highest_degc = if matches!(home.source, Source::HeatPump(_)) { 57.0 } else { 66.0 };
            let to_degc = home.control.set_point_degc + if down { -step_k } else { step_k };
            home.unusual.set_point = Some((at_s, to_degc.min(highest_degc)));
        }
        // Water from a river or a shallow main follows the season more than the town's does.
        Habit::InletSeason => home.unusual.feed_swing_k = Some(uniform(rng, 7.0, 9.0)),
        Habit::ClockChange | Habit::WinterTimeMeter => {
            timed(home);
            home.control.timer_follows_dst = home.habit == Habit::ClockChange;
        }
        Habit::PartCharge => {
            let level_degc = uniform(rng, 46.0, 52.0);
            home.unusual.part_charge_degc = Some([0, 1, 2, 3, 4, 5, 6].map(|day| {
                let weekend_k = if day >= 5 { 3.0 } else { 0.0 };
                (level_degc + weekend_k + normal(rng, 0.0, 1.5)).clamp(42.0, 56.0)
            }));
        }
        Habit::FullExporting => home.control.solar_peak_w = uniform(rng, 5000.0, 7000.0),
        _ => {}
    }
}

/// The mode that a habit needs, where it needs one.
pub(crate) fn mode_for(habit: Habit, mode: Mode) -> Mode {
    match (habit, mode) {
        (Habit::ClockChange | Habit::WinterTimeMeter, Mode::Always) => Mode::Night,
        _ => mode,
    }
}
