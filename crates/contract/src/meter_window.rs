//! Low-rate hours as a meter's own clock keeps them.

use chrono_tz::Tz;

use crate::local::LocalDay;
use crate::register::DailyWindow;

const MINUTE_MS: i64 = 60_000;
const HALF_HOUR_MS: i64 = 30 * MINUTE_MS;

/// A daily window of a clock that is not put forward in summer.
///
/// Teleswitched and clocked meters for two rates run so: a window of 00:00 to 07:00 GMT is 01:00 to 08:00 of British summer
/// time. By local time the window moves; by the meter it has the same length on every day, those with a change of hour too.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MeterWindow {
    /// Window by the meter's clock.
    pub window: DailyWindow,
    /// How far the meter's clock stands east of UTC, minutes.
    pub east_min: i64,
}

impl MeterWindow {
    /// Whether an instant, UTC milliseconds, lies inside.
    ///
    /// ```
    /// use drawoff_contract::{DailyWindow, meter_window::MeterWindow};
    /// let seven = MeterWindow { window: DailyWindow { start_min: 0, minutes: 420 }, east_min: 0 };
    /// assert!(seven.contains(6 * 3_600_000) && !seven.contains(7 * 3_600_000));
    /// ```
    #[must_use]
    pub fn contains(self, ms: i64) -> bool {
        let minute = (ms.div_euclid(MINUTE_MS) + self.east_min).rem_euclid(1440);
        u32::try_from(minute).is_ok_and(|minute| self.window.contains(minute))
    }
}

/// Half-hours of a local day that begin inside any of the windows; those of a split supply are several.
#[must_use]
pub fn half_hours_within(windows: &[MeterWindow], day: &LocalDay) -> usize {
    starts(day).filter(|&ms| windows.iter().any(|window| window.contains(ms))).count()
}

/// The same for a window that the local clock keeps.
#[must_use]
pub fn half_hours_by_local_clock(window: DailyWindow, zone: Tz, day: &LocalDay) -> usize {
    starts(day).filter(|&ms| window.contains(crate::local::minute_of_day(zone, ms))).count()
}

fn starts(day: &LocalDay) -> impl Iterator<Item = i64> {
    let start_ms = day.start_ms;
    (0..day.half_hours() as i64).map(move |i| start_ms + i * HALF_HOUR_MS)
}
