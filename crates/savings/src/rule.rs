//! When a cylinder is heated: windows, set points and hysteresis of its heaters, in words that stand in tables.

use drawoff_contract::DailyWindow;
use drawoff_tank::replay::Heater;

use crate::history::{HalfHour, SLOTS};

/// One heater and when it may run.
#[derive(Clone, Debug, PartialEq)]
pub struct TimedHeater {
    /// Heater and thermostat.
    pub heater: Heater,
    /// Whether it may run in each half-hour of the day.
    pub permitted: [bool; SLOTS],
}

/// How a cylinder is heated.
#[derive(Clone, Debug, PartialEq)]
pub struct Rule {
    /// Heaters, in the order in which they are served: where only one may run at a time, the first that calls does.
    pub heaters: Vec<TimedHeater>,
    /// Whether the timer is not put forward in summer.
    pub winter_clock: bool,
    /// Whether only one heater runs at a time.
    pub one_at_a_time: bool,
    /// Whether spare solar power heats as well, as it comes.
    pub diverted: bool,
}

/// A rule that may run at any time.
pub const ALWAYS: [bool; SLOTS] = [true; SLOTS];

/// Half-hours that begin inside any of the windows.
#[must_use]
pub fn slots_of(windows: &[DailyWindow]) -> [bool; SLOTS] {
    std::array::from_fn(|slot| windows.iter().any(|w| w.contains(slot as u32 * 30)))
}

impl Rule {
    /// The slot of a half-hour by this rule's clock.
    #[must_use]
    pub fn slot(&self, step: &HalfHour) -> usize {
        if self.winter_clock { step.winter_slot } else { step.slot }
    }

    /// In words: set point and windows of each heater.
    #[must_use]
    pub fn words(&self) -> String {
        let one = |timed: &TimedHeater| {
            let heater = timed.heater;
            let when = windows_in_words(&timed.permitted);
            format!(
                "{:.1} kW from {:.0} % of the height to {:.1} °C, {when}",
                heater.power_w / 1000.0,
                heater.low * 100.0,
                heater.set_degc
            )
        };
        let mut text = self.heaters.iter().map(one).collect::<Vec<_>>().join("; ");
        if self.winter_clock && self.heaters.iter().any(|h| h.permitted != ALWAYS) {
            text.push_str("; timer stays on winter time");
        }
        if self.diverted {
            text.push_str("; spare solar power as it comes");
        }
        text
    }
}

/// Runs of permitted half-hours, "23:00-06:30"; a run over midnight is one.
fn windows_in_words(permitted: &[bool; SLOTS]) -> String {
    if permitted.iter().all(|p| *p) {
        return "at any time".to_owned();
    }
    let starts = (0..SLOTS).filter(|&s| permitted[s] && !permitted[(s + SLOTS - 1) % SLOTS]);
    let words: Vec<String> = starts
        .map(|start| {
            let length = (0..SLOTS).take_while(|i| permitted[(start + i) % SLOTS]).count();
            let end = (start + length) % SLOTS;
            format!("{:02}:{:02}-{:02}:{:02}", start / 2, start % 2 * 30, end / 2, end % 2 * 30)
        })
        .collect();
    if words.is_empty() { "never".to_owned() } else { words.join(" and ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn windows_over_midnight_are_one_run() {
        let night = slots_of(&[
            DailyWindow { start_min: 1410, minutes: 420 },
            DailyWindow { start_min: 780, minutes: 60 },
        ]);
        assert_eq!(windows_in_words(&night), "13:00-14:00 and 23:30-06:30");
        assert_eq!(windows_in_words(&ALWAYS), "at any time");
        assert_eq!(windows_in_words(&[false; SLOTS]), "never");
    }
}
