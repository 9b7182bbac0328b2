//! Hot water that a household is assumed to use: UK Standard Assessment Procedure 2012 (Tables 1b to 1d) and 10.2 (appendix
//! J), and the wrapper of the UK Home Energy Model for the Future Homes Standard.
//!
//! Months are 0 for January to 11 for December.

/// Litres of a month over those of the mean month (Table 1c, J2).
pub const MONTHLY_FACTORS: [f64; 12] =
    [1.10, 1.06, 1.02, 0.98, 0.94, 0.90, 0.90, 0.94, 0.98, 1.02, 1.06, 1.10];

/// Rise of the water drawn above the feed by month, K (Table 1d).
pub const MONTHLY_RISE_K: [f64; 12] =
    [41.2, 41.4, 40.1, 37.6, 36.4, 33.9, 30.4, 33.4, 33.5, 36.3, 39.4, 39.9];

/// Occupants of a dwelling by floor area, m2 (Table 1b); NaN in, NaN out.
///
/// ```
/// assert!((drawoff_tank::norms::household::occupants(100.0) - 2.7395).abs() < 1e-4);
/// ```
#[must_use]
pub fn occupants(floor_m2: f64) -> f64 {
    if floor_m2 <= 13.9 {
        return 1.0;
    }
    let above = floor_m2 - 13.9;
    1.0 + 1.76 * (1.0 - libm::exp(-0.000_349 * above * above)) + 0.0013 * above
}

/// Litres a day of the mean month, all uses (2012 edition, Table 1b).
///
/// ```
/// assert_eq!(drawoff_tank::norms::household::litres_per_day(3.0), 111.0); // 25 * 3 + 36
/// ```
#[must_use]
pub fn litres_per_day(occupants: f64) -> f64 {
    25.0 * occupants + 36.0
}

/// Heat above the feed in the water of a month, kWh (2012 edition, line 45); a month beyond December counts as December.
#[must_use]
pub fn month_kwh(occupants: f64, month: usize) -> f64 {
    let month = month.min(11);
    let litres = litres_per_day(occupants) * MONTHLY_FACTORS[month] * super::DAYS_OF_MONTH[month];
    litres * MONTHLY_RISE_K[month] * 4.190 / 3600.0
}

/// Litres a day of uses other than showers and baths in a month (10.2, equation J11).
#[must_use]
pub fn other_litres_per_day(occupants: f64, month: usize) -> f64 {
    (9.8 * occupants + 14.0) * MONTHLY_FACTORS[month.min(11)]
}

/// Hot litres a day for baths where there is a shower as well, from water stored at 52 degC to a bath of 42 degC (10.2, J6 to J8).
///
/// `behaviour` is the factor of the month (J5): 1.035 in January.
#[must_use]
pub fn bath_litres_per_day(occupants: f64, behaviour: f64, feed_degc: f64) -> f64 {
    (0.13 * occupants + 0.19) * 73.0 * behaviour * (42.0 - feed_degc) / (52.0 - feed_degc)
}

/// Litres a day at 52 degC, all uses (Home Energy Model, Future Homes Standard).
///
/// ```
/// assert!((drawoff_tank::norms::household::litres_per_day_at_52(2.0) - 83.843).abs() < 1e-3);
/// ```
#[must_use]
pub fn litres_per_day_at_52(occupants: f64) -> f64 {
    0.85 * 60.3 * libm::pow(occupants, 0.71)
}

/// Heat lost in pipes over the heat drawn (2012 edition, line 46).
pub const PIPE_LOSS_SHARE: f64 = 0.15;

/// Heat that a water heater must give over a period, kWh (line 62): what is drawn less the pipe loss in it, that pipe loss
/// (line 46), and the losses of store, primary pipes and, of a combination boiler, keeping hot.
///
/// ```
/// // 0.85 * 100 + 0.15 * 100 + 30
/// assert!((drawoff_tank::norms::household::required_kwh(100.0, 30.0) - 130.0).abs() < 1e-9);
/// ```
#[must_use]
pub fn required_kwh(drawn_kwh: f64, losses_kwh: f64) -> f64 {
    (1.0 - PIPE_LOSS_SHARE) * drawn_kwh + pipe_loss_kwh(drawn_kwh) + losses_kwh
}

/// Heat lost in pipes between store and taps, kWh (line 46).
#[must_use]
pub fn pipe_loss_kwh(drawn_kwh: f64) -> f64 {
    PIPE_LOSS_SHARE * drawn_kwh
}

/// Heat that warms the house, kWh: a quarter of what is drawn less pipe loss, four fifths of the losses (line 65).
#[must_use]
pub fn gains_kwh(drawn_kwh: f64, losses_kwh: f64) -> f64 {
    0.25 * (1.0 - PIPE_LOSS_SHARE) * drawn_kwh + 0.8 * losses_kwh
}
