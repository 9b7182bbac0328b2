//! Figures that only a slip of units can make: said before anybody believes the list.

use drawoff_contract::daybook::DayNote;
use drawoff_contract::{Account, ContractError, Cylinder, Element, Mask};
use drawoff_homes::robust::median;

/// Median top temperature of a fleet of hot-water cylinders, degC.
const TOP_DEGC: std::ops::RangeInclusive<f64> = 25.0..=85.0;
/// Median full power of a fleet's elements over their rating.
const POWER_SHARE: std::ops::RangeInclusive<f64> = 0.2..=3.0;
/// More of the values than this out of range is no run of bad probes.
const OUT_OF_RANGE_SHARE: f64 = 0.2;

/// What tells a slip of units, of one home.
pub(crate) struct UnitSigns {
    /// Median of the day's mean of the top probe, degC; NaN without one.
    top_degc: f64,
    /// Median full power of each element over its rating; NaN where it is not seen.
    power_shares: Vec<f64>,
}

impl UnitSigns {
    pub(crate) fn of(cylinder: &Cylinder, days: &[DayNote]) -> Self {
        let top: Vec<f64> =
            days.iter().filter_map(|d| d.probe_mean_degc.first().map(|v| f64::from(*v))).collect();
        let share = |element: &Element| {
            let of_day = |d: &DayNote| d.element_full_power_w.get(usize::from(element.index)).copied();
            let powers: Vec<f64> = days.iter().filter_map(of_day).map(f64::from).collect();
            median(&powers) / element.rated_w
        };
        Self { top_degc: median(&top), power_shares: cylinder.elements.iter().map(share).collect() }
    }
}

/// Problems with the units of a whole export; empty when there are none.
pub(crate) fn unit_slips(homes: &[UnitSigns], total: &Account) -> Vec<ContractError> {
    let mut out = Vec::new();
    let mut say = |message: String| {
        let hint = "check the units in the mapping: degC, degF, K or tenths_degC; W or kW; Wh or kWh";
        out.push(ContractError::new("units", message).with_hint(hint));
    };
    let tops: Vec<f64> = homes.iter().map(|h| h.top_degc).collect();
    let shares: Vec<f64> = homes.iter().flat_map(|h| h.power_shares.iter().copied()).collect();
    let top = median(&tops);
    if !top.is_nan() && !TOP_DEGC.contains(&top) {
        say(format!("the middle home's top probe reads {top:.0} degC, which hot water is not"));
    }
    let share = median(&shares);
    if !share.is_nan() && !POWER_SHARE.contains(&share) {
        say(format!("full power is {share:.3} times the rating of the middle element"));
    }
    let masked =
        Mask::REASONS.iter().position(|m| *m == Mask::OutOfRange).map_or(0, |i| total.values_masked[i]);
    let seen = total.values_used + total.all_values_masked();
    if masked as f64 > OUT_OF_RANGE_SHARE * seen as f64 {
        say(format!("{masked} of {seen} values lie outside what their quantity can be"));
    }
    out
}
