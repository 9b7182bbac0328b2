//! Figures that only a slip of units can make: said before anybody believes the list.

use drawoff_contract::daybook::{DayNote, SpellNote};
use drawoff_contract::{Account, ContractError, Cylinder, Element, HeatSource, Mask};
use drawoff_homes::robust::median;

/// Median top temperature of a fleet of hot-water cylinders, degC.
const TOP_DEGC: std::ops::RangeInclusive<f64> = 25.0..=85.0;
/// Median full power of a fleet's elements over their rating.
const POWER_SHARE: std::ops::RangeInclusive<f64> = 0.2..=3.0;
/// More of the values than this out of range is no run of bad probes.
const OUT_OF_RANGE_SHARE: f64 = 0.2;

/// Rise of the mean of the water in a spell of heating that stands out from draw-offs, K.
const RISE_K: f64 = 3.0;
/// Heat of a litre of water, Wh/(l K): 1 kg and 4.19 kJ/(kg K) (IAPWS, rounded).
const WH_PER_LITRE_K: f64 = 1.163;

/// What tells a slip of units, of one home.
pub(crate) struct UnitSigns {
    /// Median of the day's mean of the top probe, degC; NaN without one.
    top_degc: f64,
    /// Median full power of each element over its rating; NaN where it is not seen.
    power_shares: Vec<f64>,
    /// Of each clear spell of heating: metered energy over the heat that the water took up.
    balances: Vec<f64>,
}

impl UnitSigns {
    pub(crate) fn of(cylinder: &Cylinder, days: &[DayNote], spells: &[SpellNote]) -> Self {
        let top: Vec<f64> =
            days.iter().filter_map(|d| d.probe_mean_degc.first().map(|v| f64::from(*v))).collect();
        let share = |element: &Element| {
            let of_day = |d: &DayNote| d.element_full_power_w.get(usize::from(element.index)).copied();
            let powers: Vec<f64> = days.iter().filter_map(of_day).map(f64::from).collect();
            median(&powers) / element.rated_w
        };
        Self {
            top_degc: median(&top),
            power_shares: cylinder.elements.iter().map(share).collect(),
            balances: balances(cylinder, spells),
        }
    }
}

/// Metered energy over heat taken up, of the clear spells of heating. Elements only: a coil has no meter, and a heat pump gives more than it takes.
fn balances(cylinder: &Cylinder, spells: &[SpellNote]) -> Vec<f64> {
    let Some(volume_l) = cylinder.volume_l.filter(|_| cylinder.heat_source == HeatSource::Element) else {
        return Vec::new();
    };
    let of_spell = |s: &SpellNote| {
        let rise_k = s.rise_k.filter(|rise| *rise > RISE_K)?;
        Some(1000.0 * s.energy_kwh? / (volume_l * WH_PER_LITRE_K * rise_k))
    };
    spells.iter().filter_map(of_spell).collect()
}

/// The balance that proves the units of volume, temperature and energy at once, in words; `None` without clear heating.
pub(crate) fn balance_told(homes: &[UnitSigns]) -> Option<String> {
    let all: Vec<f64> = homes.iter().flat_map(|h| h.balances.iter().copied()).collect();
    (!all.is_empty()).then(|| {
        format!(
            "balance: in {} spells of heating the metered energy is {:.2} times the heat that the water took up (about 1 where the units are right)",
            all.len(),
            median(&all)
        )
    })
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
