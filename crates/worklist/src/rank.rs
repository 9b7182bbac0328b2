//! The service list: one story per home, safety first, then by worth.

use std::collections::BTreeMap;

use drawoff_contract::plan_tables::RingRow;
use drawoff_contract::results::{FindingRow, VisitRow};
use drawoff_contract::{ContractError, Cylinder, Fault, FaultClass, Money};
use polars::prelude::*;

use crate::background::Background;
use crate::candidate::{Candidate, candidates};
use crate::ring::{RING_CAUTION, Telephone, ring_first};
use crate::settings::WorthSettings;
use crate::tariff::unknown_tariffs;
use crate::words::words;
use drawoff_contract::money::micro;

/// A ranked list, what is not on it, and what a planner should know of how it was made.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Worklist {
    /// Visits, rank 1 first. Visits that cost more than they bring stay on the list, at its end, with a negative worth.
    pub visits: Vec<VisitRow>,
    /// Homes that are rung before anyone drives there, most gain first; none of them is among the visits.
    pub ring_first: Vec<RingRow>,
    /// Homes with a fault and no visit: those beyond the capacity in their order, then the others by home.
    pub left_off: Vec<LeftOff>,
    /// Unknown tariffs, homes that the register lacks, findings without a yearly energy, safety findings that the log of
    /// visits keeps off the list.
    pub notes: Vec<String>,
}

/// A home with a fault that is not on the list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeftOff {
    /// The export's own identifier.
    pub home: String,
    /// Fault code.
    pub fault: String,
    /// Why it brings no visit now.
    pub why: String,
}

/// Ranks the visits that the findings call for.
///
/// One story a home: of its findings that no other explains, safety first, equipment and probes before how the home is served, then
/// the largest probability x yearly value. A story that a telephone call may settle for less is rung first and takes no place
/// in the list; what a visit found in the last weeks is taken as mended and is none. Rank: safety findings before all others; then worth, probability and home identifier. Equal
/// input in any order gives the same list.
///
/// # Errors
/// When the settings do not pass their own check.
pub fn rank(
    findings: &[FindingRow],
    cylinders: &BTreeMap<String, Cylinder>,
    settings: &WorthSettings,
    background: &Background<'_>,
) -> Result<Worklist, ContractError> {
    settings.check()?;
    assemble(findings, cylinders, settings, background)
        .map_err(|e| ContractError::new("service_list", e.to_string()))
}

fn assemble(
    findings: &[FindingRow],
    cylinders: &BTreeMap<String, Cylinder>,
    settings: &WorthSettings,
    background: &Background<'_>,
) -> PolarsResult<Worklist> {
    let mut list = Worklist::default();
    let cost = micro(settings.visit_cost);
    let all = candidates(findings, cylinders, settings, background, cost, &mut list.notes)?;
    let mut by_home: BTreeMap<&str, Vec<&Candidate<'_>>> = BTreeMap::new();
    for i in order_within_homes(&all)? {
        by_home.entry(&all[i].finding.home).or_default().push(&all[i]);
    }
    let mut stories: Vec<&Candidate<'_>> = Vec::new();
    let mut to_ring = Vec::new();
    let mut without_story = Vec::new();
    for its_findings in by_home.values() {
        let story = its_findings.iter().find(|c| c.stands_alone() && c.barred(settings).is_none());
        match story.map(|s| (s, ring_first(s.fault, &s.stakes))) {
            Some((story, None)) => stories.push(story),
            Some((story, Some((telephone, worth)))) => to_ring.push((telephone, worth, *story)),
            None => match worth_a_call(its_findings) {
                Some(call) => to_ring.push(call),
                None => without_story
                    .extend(its_findings.first().map(|c| left_off(c, &why_no_story(c, settings)))),
            },
        }
    }
    to_ring.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.2.finding.home.cmp(&b.2.finding.home)));
    let ring = |(place, (telephone, worth, story)): (usize, &(Telephone, i64, &Candidate<'_>))| {
        call(place, telephone, *worth, story, &settings.currency)
    };
    list.ring_first = to_ring.iter().enumerate().map(ring).collect();
    for (place, i) in order_of_visits(&stories)?.into_iter().enumerate() {
        let story = stories[i];
        if place < settings.visits_per_list {
            let at_home = by_home.get(story.finding.home.as_str()).map_or(&[][..], Vec::as_slice);
            list.visits.push(visit(place, story, at_home, &settings.currency, background));
        } else {
            let safety = if story.fault.is_safety() { "safety finding, but " } else { "" };
            let why = format!(
                "{safety}rank {} is beyond the capacity of {} visits",
                place + 1,
                settings.visits_per_list
            );
            list.left_off.push(left_off(story, &why));
        }
    }
    list.left_off.extend(without_story);
    let called = || by_home.keys().map(|home| (*home, cylinders.get(*home)));
    list.notes.extend(unknown_tariffs(called().filter_map(|(_, c)| c), settings));
    for (home, _) in called().filter(|(_, c)| c.is_none()) {
        list.notes
            .push(format!("home {home:?} is not in the register: no area, costed at the default tariff"));
    }
    for story in stories.iter().filter(|s| s.finding.energy_kwh_per_year.is_none_or(f64::is_nan)) {
        let (home, fault) = (&story.finding.home, story.fault.code());
        list.notes
            .push(format!("home {home:?}: {fault} has no yearly energy; worth is comfort and safety alone"));
    }
    Ok(list)
}

/// The first finding of a home that is too doubtful for a visit and still worth a call.
fn worth_a_call<'a, 'f>(its_findings: &[&'a Candidate<'f>]) -> Option<(Telephone, i64, &'a Candidate<'f>)> {
    its_findings.iter().filter(|c| c.stands_alone() && c.may_be_rung()).find_map(|c| {
        let (telephone, worth) = ring_first(c.fault, &c.stakes).filter(|(_, worth)| *worth > 0)?;
        Some((telephone, worth, *c))
    })
}

/// Candidates by home: those that stand alone first, safety before money, largest expected value first.
fn order_within_homes(all: &[Candidate<'_>]) -> PolarsResult<Vec<usize>> {
    let frame = df!(
        "index" => (0..all.len() as i64).collect::<Vec<_>>(),
        "home" => all.iter().map(|c| c.finding.home.as_str()).collect::<Vec<_>>(),
        "alone" => all.iter().map(|c| i64::from(c.stands_alone())).collect::<Vec<_>>(),
        "safety" => all.iter().map(|c| i64::from(c.fault.is_safety())).collect::<Vec<_>>(),
        "service" => all.iter().map(|c| i64::from(c.fault.class() == FaultClass::Service)).collect::<Vec<_>>(),
        "expected" => all.iter().map(|c| c.expected).collect::<Vec<_>>(),
        "fault" => all.iter().map(|c| position(c.fault)).collect::<Vec<_>>(),
    )?;
    sorted_index(
        &frame,
        &[
            ("home", false),
            ("alone", true),
            ("safety", true),
            ("service", false),
            ("expected", true),
            ("fault", false),
        ],
    )
}

/// Stories in the order of their visits.
fn order_of_visits(stories: &[&Candidate<'_>]) -> PolarsResult<Vec<usize>> {
    let frame = df!(
        "index" => (0..stories.len() as i64).collect::<Vec<_>>(),
        "safety" => stories.iter().map(|c| i64::from(c.fault.is_safety())).collect::<Vec<_>>(),
        "worth" => stories.iter().map(|c| c.worth).collect::<Vec<_>>(),
        "probability" => stories.iter().map(|c| c.probability).collect::<Vec<_>>(),
        "home" => stories.iter().map(|c| c.finding.home.as_str()).collect::<Vec<_>>(),
    )?;
    sorted_index(&frame, &[("safety", true), ("worth", true), ("probability", true), ("home", false)])
}

/// The `index` column after sorting by keys, each with whether the largest comes first.
fn sorted_index(frame: &DataFrame, keys: &[(&str, bool)]) -> PolarsResult<Vec<usize>> {
    let options = SortMultipleOptions::default()
        .with_order_descending_multi(keys.iter().map(|k| k.1))
        .with_multithreaded(false)
        .with_maintain_order(true);
    let sorted = frame.sort(keys.iter().map(|k| k.0), options)?;
    let index = sorted.column("index")?.i64()?;
    Ok((0..sorted.height()).filter_map(|i| usize::try_from(index.get(i)?).ok()).collect())
}

fn position(fault: Fault) -> i64 {
    Fault::ALL.iter().position(|&f| f == fault).map_or(i64::MAX, |p| p as i64)
}

fn visit(
    place: usize,
    story: &Candidate<'_>,
    at_home: &[&Candidate<'_>],
    currency: &str,
    background: &Background<'_>,
) -> VisitRow {
    let energy_kwh = story.finding.energy_kwh_per_year.filter(|kwh| kwh.is_finite());
    let last_visit = story.visited.last;
    let words = words(story.fault);
    let others = at_home.iter().filter(|c| c.fault != story.fault);
    VisitRow {
        rank: place as i64 + 1,
        home: story.finding.home.clone(),
        area: story.area.clone(),
        fault: story.fault.code().to_owned(),
        problem: story.fault.title().to_owned(),
        safety: story.fault.is_safety(),
        worth: Money(story.worth),
        worth_p05: Money(story.worth_p05),
        worth_p95: Money(story.worth_p95),
        probability: story.probability,
        since: story.finding.onset,
        cost_per_year: Money(story.cost_per_year),
        cost_per_year_p05: Money(story.cost_per_year_p05),
        cost_per_year_p95: Money(story.cost_per_year_p95),
        carbon_kg_per_year: energy_kwh.zip(background.carbon_g_per_kwh).map(|(kwh, g)| kwh * g / 1000.0),
        bring: words.bring.to_owned(),
        check_first: words.check_first.to_owned(),
        caution: words.caution(),
        reason: story.reason(),
        also: others.map(|c| also(c)).collect::<Vec<_>>().join("; "),
        last_visit: last_visit.map(|v| v.date),
        last_finding: last_visit.map(|v| v.finding.clone()),
        currency: currency.to_owned(),
    }
}

fn call(place: usize, telephone: &Telephone, worth: i64, story: &Candidate<'_>, currency: &str) -> RingRow {
    RingRow {
        rank: place as i64 + 1,
        home: story.finding.home.clone(),
        area: story.area.clone(),
        fault: story.fault.code().to_owned(),
        problem: story.fault.title().to_owned(),
        probability: story.probability,
        worth: Money(worth),
        worth_of_visit: Money(story.worth),
        ask: telephone.ask.to_owned(),
        caution: format!("{RING_CAUTION} {}", words(story.fault).caution()),
        reason: story.reason(),
        since: story.finding.onset,
        currency: currency.to_owned(),
    }
}

fn also(other: &Candidate<'_>) -> String {
    let probability = other.finding.probability.map(|p| format!("{p:.2}"));
    let explained =
        Fault::from_code(&other.finding.folded_under).map(|f| format!("explained by: {}", f.title()));
    let asides: Vec<String> = probability.into_iter().chain(explained).chain(other.mended()).collect();
    let title = other.fault.title();
    if asides.is_empty() { title.to_owned() } else { format!("{title} ({})", asides.join(", ")) }
}

fn left_off(candidate: &Candidate<'_>, why: &str) -> LeftOff {
    LeftOff {
        home: candidate.finding.home.clone(),
        fault: candidate.fault.code().to_owned(),
        why: why.to_owned(),
    }
}

fn why_no_story(candidate: &Candidate<'_>, settings: &WorthSettings) -> String {
    let folded_under = &candidate.finding.folded_under;
    if candidate.fault.class() == FaultClass::Data {
        "a fault of the export brings no visit: settle it with whoever runs the export".to_owned()
    } else if !folded_under.is_empty() {
        format!("explained by {folded_under}, which brings no visit")
    } else {
        candidate.barred(settings).unwrap_or_default()
    }
}

#[cfg(test)]
pub(crate) mod made_up {
    //! Homes and findings for tests to fill.

    use super::*;
    use crate::settings::Tariff;
    use drawoff_contract::Outcome;

    pub(crate) fn cylinder(home: &str, tariff: &str) -> Cylinder {
        Cylinder { area: "north".to_owned(), tariff: Some(tariff.to_owned()), ..Cylinder::unknown(home) }
    }

    pub(crate) fn two_rates() -> WorthSettings {
        let tariff = |name: &str, unit_rate, low_rate, default| Tariff {
            name: name.to_owned(),
            unit_rate,
            low_rate,
            default,
        };
        WorthSettings {
            visit_cost: 50.0,
            tariffs: vec![tariff("flat", 0.25, None, true), tariff("two-rate", 0.30, Some(0.10), false)],
            ..WorthSettings::default()
        }
    }

    pub(crate) fn found(home: &str, fault: Fault, probability: f64, kwh: f64) -> FindingRow {
        FindingRow {
            home: home.to_owned(),
            fault: fault.code().to_owned(),
            outcome: Outcome::Fault.code().to_owned(),
            probability: Some(probability),
            onset: None,
            effect: None,
            statistic: String::new(),
            margin: None,
            evidence_days: 0,
            energy_kwh_per_year: Some(kwh),
            energy_kwh_per_year_p05: Some(kwh / 2.0),
            energy_kwh_per_year_p95: Some(kwh * 2.0),
            evidence_for: format!("seen at {home}"),
            evidence_against: String::new(),
            missing: String::new(),
            folded_under: String::new(),
        }
    }
}

#[cfg(test)]
mod tests;
