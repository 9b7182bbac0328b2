//! Findings that could bring a visit, and the value of mending each.

use std::collections::BTreeMap;

use drawoff_contract::results::FindingRow;
use drawoff_contract::{Cylinder, Fault, FaultClass, Outcome};
use polars::prelude::*;

use crate::background::{Background, DAYS_TRUSTED, Visited, iso};
use crate::ring::Stakes;
use crate::settings::WorthSettings;
use crate::tariff::price_micro_per_kwh;
use drawoff_contract::money::{cost_micro, micro, share_micro, whole_wh};

/// A finding with outcome `fault`, its home's area, and its value in millionths of the currency.
pub(crate) struct Candidate<'a> {
    pub(crate) finding: &'a FindingRow,
    pub(crate) fault: Fault,
    /// Probability, 0 to 1; 0 when the finding has none, which bars it from the list.
    pub(crate) probability: f64,
    pub(crate) area: String,
    pub(crate) cost_per_year: i64,
    pub(crate) cost_per_year_p05: i64,
    pub(crate) cost_per_year_p95: i64,
    /// Probability x (energy cost + comfort + safety) a year.
    pub(crate) expected: i64,
    /// Expected value x share of visits that mend the fault - cost of the visit.
    pub(crate) worth: i64,
    /// The same at the ends of the interval of the energy.
    pub(crate) worth_p05: i64,
    pub(crate) worth_p95: i64,
    /// What ringing first is weighed by.
    pub(crate) stakes: Stakes,
    /// What the log of visits says of it.
    pub(crate) visited: Visited<'a>,
}

impl Candidate<'_> {
    /// Whether it is a story of its own: a fault of the cylinder or a probe, under no other's story.
    pub(crate) fn stands_alone(&self) -> bool {
        self.finding.folded_under.is_empty() && self.fault.class() != FaultClass::Data
    }

    /// Why it cannot bring a visit, if so. Safety findings are not held back by a low probability.
    pub(crate) fn barred(&self, settings: &WorthSettings) -> Option<String> {
        if self.finding.probability.is_none_or(|p| !(0.0..=1.0).contains(&p)) {
            return Some("the finding has no probability between 0 and 1".to_owned());
        }
        if let Some(why) = self.mended() {
            return Some(why);
        }
        (!self.fault.is_safety() && self.probability < settings.min_probability).then(|| {
            format!(
                "probability {:.2} is below the settings' {:.2}",
                self.probability, settings.min_probability
            )
        })
    }

    /// Whether a telephone call about it makes sense: its probability is one, and no visit has just mended it.
    pub(crate) fn may_be_rung(&self) -> bool {
        self.finding.probability.is_some_and(|p| (0.0..=1.0).contains(&p)) && self.mended().is_none()
    }

    /// That a visit has just found it, if so: the readings need time to show whether it was mended.
    pub(crate) fn mended(&self) -> Option<String> {
        let day = self.visited.mended?;
        Some(format!("found and mended on {}; judged again after {DAYS_TRUSTED} days", iso(day)))
    }

    /// The evidence, and that a visit since found nothing, if so.
    pub(crate) fn reason(&self) -> String {
        let evidence = self.finding.evidence_for.trim_end();
        let Some(day) = self.visited.nothing_found else { return evidence.to_owned() };
        let stop = if evidence.is_empty() || evidence.ends_with('.') { "" } else { "." };
        format!("{evidence}{stop} A visit on {} found nothing.", iso(day)).trim_start().to_owned()
    }
}

/// All findings with outcome `fault`, valued; unknown codes and homes come back as notes.
pub(crate) fn candidates<'a>(
    findings: &'a [FindingRow],
    cylinders: &BTreeMap<String, Cylinder>,
    settings: &WorthSettings,
    background: &Background<'a>,
    micro_of_visit: i64,
    notes: &mut Vec<String>,
) -> PolarsResult<Vec<Candidate<'a>>> {
    let mut called: Vec<(&FindingRow, Fault)> = Vec::new();
    for row in findings.iter().filter(|r| Outcome::from_code(&r.outcome) == Some(Outcome::Fault)) {
        match Fault::from_code(&row.fault) {
            Some(fault) => called.push((row, fault)),
            None => {
                notes.push(format!("home {:?}: finding {:?} is no fault code; left out", row.home, row.fault))
            }
        }
    }
    notes.sort();
    let calls = df!(
        "call" => (0..called.len() as i64).collect::<Vec<_>>(),
        "home" => called.iter().map(|(row, _)| row.home.as_str()).collect::<Vec<_>>(),
    )?;
    let joined = calls
        .left_join(&register_frame(cylinders, settings)?, ["home"], ["home"])?
        .sort(["call"], SortMultipleOptions::default().with_multithreaded(false))?;
    let (areas, prices) = (joined.column("area")?.str()?, joined.column("price_micro_per_kwh")?.i64()?);
    let visits = background.visits_by_home();
    let default_price = price_micro_per_kwh(None, settings);
    let mut out = Vec::with_capacity(called.len());
    for (i, (finding, fault)) in called.into_iter().enumerate() {
        let price = prices.get(i).unwrap_or(default_price);
        let cost = |kwh: Option<f64>| cost_micro(whole_wh(kwh.unwrap_or(0.0)), price);
        let energy = finding.energy_kwh_per_year;
        let probability = finding.probability.filter(|p| p.is_finite()).unwrap_or(0.0);
        let cost_per_year = cost(energy);
        // Without an interval the cost itself is the only figure there is.
        let cost_per_year_p05 = cost(finding.energy_kwh_per_year_p05.or(energy));
        let cost_per_year_p95 = cost(finding.energy_kwh_per_year_p95.or(energy));
        let value_of = |cost: i64| {
            cost.saturating_add(settings.comfort_micro(fault)).saturating_add(settings.safety_micro(fault))
        };
        let stakes = |value: i64| Stakes {
            probability,
            value,
            fix: settings.fix(fault),
            visit_cost: micro_of_visit,
            call_cost: micro(settings.call_cost),
        };
        let value = value_of(cost_per_year);
        let expected = share_micro(value, probability);
        let home = finding.home.as_str();
        let its_visits = visits.get(home).map_or(&[][..], Vec::as_slice);
        out.push(Candidate {
            finding,
            fault,
            probability,
            area: areas.get(i).unwrap_or_default().to_owned(),
            cost_per_year,
            cost_per_year_p05,
            cost_per_year_p95,
            expected,
            worth: stakes(value).of_visit(),
            worth_p05: stakes(value_of(cost_per_year_p05)).of_visit(),
            worth_p95: stakes(value_of(cost_per_year_p95)).of_visit(),
            stakes: stakes(value),
            visited: background.visited(its_visits, finding, fault, cylinders.get(home)),
        });
    }
    Ok(out)
}

/// What the register says of each home, as far as worth needs it.
fn register_frame(
    cylinders: &BTreeMap<String, Cylinder>,
    settings: &WorthSettings,
) -> PolarsResult<DataFrame> {
    df!(
        "home" => cylinders.keys().map(String::as_str).collect::<Vec<_>>(),
        "area" => cylinders.values().map(|c| c.area.as_str()).collect::<Vec<_>>(),
        "price_micro_per_kwh" =>
            cylinders.values().map(|c| price_micro_per_kwh(Some(c), settings)).collect::<Vec<_>>(),
    )
}
