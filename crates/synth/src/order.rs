//! Orders from outside to a home's heater: held off, or told to heat.

/// One order; times are UTC milliseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Order {
    /// From here on.
    pub start_ms: i64,
    /// Until here.
    pub end_ms: i64,
    /// Nothing heats while it holds; otherwise the lowest element heats up to where its thermostat opens, whatever the timer says.
    pub hold: bool,
}

/// What is ordered at a second; `None` where nothing is.
pub(crate) fn ordered(orders: &[Order], second: i64) -> Option<bool> {
    let ms = second * 1000;
    orders.iter().find(|o| o.start_ms <= ms && ms < o.end_ms).map(|o| o.hold)
}
