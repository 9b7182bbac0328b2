//! Figures that only a slip of units can make: said before anybody believes the list.

use drawoff_contract::{Account, ContractError, Mask};
use drawoff_homes::robust::median;

use crate::stages::HomeDaybook;

/// Median top temperature of a fleet of hot-water cylinders, degC.
const TOP_DEGC: std::ops::RangeInclusive<f64> = 25.0..=85.0;
/// Median full power of a fleet's elements over their rating.
const POWER_SHARE: std::ops::RangeInclusive<f64> = 0.2..=3.0;
/// More of the values than this out of range is no run of bad probes.
const OUT_OF_RANGE_SHARE: f64 = 0.2;

/// Problems with the units of a whole export; empty when there are none.
pub(crate) fn unit_slips(daybooks: &[HomeDaybook<'_>], total: &Account) -> Vec<ContractError> {
    let mut out = Vec::new();
    let mut say = |message: String| {
        let hint = "check the units in the mapping: degC, degF, K or tenths_degC; W or kW; Wh or kWh";
        out.push(ContractError::new("units", message).with_hint(hint));
    };
    let (mut tops, mut shares) = (Vec::new(), Vec::new());
    for (cylinder, notes) in daybooks.iter().filter_map(|d| Some((d.cylinder, d.notes.as_ref().ok()?))) {
        let top: Vec<f64> =
            notes.days.iter().filter_map(|d| d.probe_mean_degc.first().map(|v| f64::from(*v))).collect();
        tops.push(median(&top));
        for element in &cylinder.elements {
            let powers: Vec<f64> = notes
                .days
                .iter()
                .filter_map(|d| d.element_full_power_w.get(usize::from(element.index)).map(|v| f64::from(*v)))
                .collect();
            shares.push(median(&powers) / element.rated_w);
        }
    }
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
