//! Temperature of the cold feed by month and hour: UK Standard Assessment Procedure 10.2, Table J1, and the wrapper of the UK
//! Home Energy Model for the Future Homes Standard.

/// From the mains by month, degC.
pub const MAINS_DEGC: [f64; 12] = [8.0, 8.2, 9.3, 12.7, 14.6, 16.7, 18.4, 17.6, 16.6, 14.3, 11.1, 8.5];

/// From a header tank under the roof by month, degC.
pub const HEADER_DEGC: [f64; 12] = [11.1, 11.3, 12.3, 14.5, 16.2, 18.8, 21.3, 19.3, 18.7, 16.2, 13.2, 11.2];

/// Rise in the course of a day, K.
const DAY_SWING_K: f64 = 1.5;

/// Feed in an hour of the day (0 to 23, local) whose mean is `day_degc`: coldest at 06:00, warmest from 15:00 on, degC.
///
/// ```
/// use drawoff_tank::norms::feed::hour_degc;
/// assert!((hour_degc(8.0, 6) - 6.9688).abs() < 1e-4);
/// ```
#[must_use]
pub fn hour_degc(day_degc: f64, hour: u32) -> f64 {
    let evening_degc = day_degc + DAY_SWING_K * 15.0 / 48.0;
    let hour = f64::from(hour % 24);
    if hour < 6.0 {
        evening_degc - DAY_SWING_K * hour / 6.0
    } else if hour < 15.0 {
        evening_degc - DAY_SWING_K * (15.0 - hour) / 9.0
    } else {
        evening_degc
    }
}
