//! One card a listed home: what is wrong, what to do, and the telling days.

use std::collections::{BTreeMap, BTreeSet};

use chrono_tz::Tz;
use drawoff_contract::results::{EvidenceRow, FindingRow, HomeRow, VisitRow};
use drawoff_contract::small_tables::{NOTHING_FOUND, OTHER_FOUND};
use drawoff_contract::{Day, Fault, Utc};

use super::axis::Axis;
use super::plot::Plot;
use super::{PageInput, hourly, list, plot};
use crate::{text, words};

/// Cards of the first homes of the list.
pub(super) fn section(input: &PageInput<'_>) -> String {
    let count = input.card_count();
    if count == 0 {
        return String::new();
    }
    let wanted: BTreeSet<&str> = input.visits[..count].iter().map(|v| v.home.as_str()).collect();
    let mut evidence: BTreeMap<&str, Vec<&EvidenceRow>> = BTreeMap::new();
    for row in input.evidence.iter().filter(|r| wanted.contains(r.home.as_str())) {
        evidence.entry(&row.home).or_default().push(row);
    }
    for rows in evidence.values_mut() {
        rows.sort_by_key(|r| r.time);
    }
    let homes: BTreeMap<&str, &HomeRow> = input.homes.iter().map(|h| (h.home.as_str(), h)).collect();
    let findings: BTreeMap<(&str, &str), &FindingRow> = input
        .findings
        .iter()
        .filter(|f| wanted.contains(f.home.as_str()))
        .map(|f| ((f.home.as_str(), f.fault.as_str()), f))
        .collect();

    let mut out =
        String::from("<section aria-labelledby=\"cards-h\">\n<h2 id=\"cards-h\">Home by home</h2>\n");
    if count < input.visits.len() {
        out.push_str(&format!("<p>The first {} homes of the list.</p>\n", words::count(count)));
    }
    for (i, visit) in input.visits[..count].iter().enumerate() {
        let rows = evidence.get(visit.home.as_str()).map_or(&[][..], Vec::as_slice);
        let finding = findings.get(&(visit.home.as_str(), visit.fault.as_str())).copied();
        out.push_str(&card(input, i + 1, visit, homes.get(visit.home.as_str()).copied(), finding, rows));
    }
    out.push_str("</section>\n");
    out
}

fn card(
    input: &PageInput<'_>,
    id: usize,
    visit: &VisitRow,
    home: Option<&HomeRow>,
    finding: Option<&FindingRow>,
    rows: &[&EvidenceRow],
) -> String {
    let area =
        if visit.area.is_empty() { String::new() } else { format!(", {}", text::isolated(&visit.area)) };
    let mut out = format!(
        "<article id=\"visit-{id}\" aria-labelledby=\"visit-{id}-h\">\n<h3 id=\"visit-{id}-h\">\
         <span class=\"rank\"><span class=\"quiet\">Rank </span>{}</span> <span>{}{} \
         <span class=\"place\">Home {}{area}</span></span></h3>\n<dl class=\"facts\">\n",
        visit.rank,
        list::safety_mark(visit),
        text::isolated(&visit.problem),
        text::isolated(&visit.home),
    );
    let zone = input.zone(&visit.home);
    out.push_str(&fact("How sure", &list::sure(visit.probability)));
    out.push_str(&fact("Since", &text::html(&words::since(visit.since, zone))));
    out.push_str(&fact("Costs a year", &list::cost(visit, input.currency_of(visit))));
    if let Some(kg) = visit.carbon_kg_per_year.filter(|kg| kg.is_finite()) {
        out.push_str(&fact("Carbon a year", &format!("{} kg CO₂ equivalent", text::html(&words::whole(kg)))));
    }
    out.push_str("</dl>\n");
    out.push_str(&figure(input, id, visit, rows));
    out.push_str("<dl class=\"work\">\n");
    out.push_str(&worded("Why", &visit.reason));
    if let Some(finding) = finding {
        out.push_str(&worded("Against it", &finding.evidence_against));
    }
    out.push_str(&worded("Check first", &visit.check_first));
    out.push_str(&worded("Bring", &visit.bring));
    out.push_str(&worded("Caution", &visit.caution));
    out.push_str(&worded("Also found", &visit.also));
    if let Some(day) = visit.last_visit {
        out.push_str(&fact("Last visit", &last_visit(day, visit.last_finding.as_deref())));
    }
    if let Some(home) = home {
        out.push_str(&fact("The home", &known(home)));
    }
    out.push_str("</dl>\n</article>\n");
    out
}

/// The day of the last visit, and what the log says was found.
fn last_visit(day: Day, finding: Option<&str>) -> String {
    let found = match finding {
        None => return words::day(day),
        Some(NOTHING_FOUND) => "nothing found".to_owned(),
        Some(OTHER_FOUND) => "something else found".to_owned(),
        Some(code) => format!("found: {}", Fault::from_code(code).map_or(code, |fault| fault.title())),
    };
    format!("{}, {}", words::day(day), text::isolated(&found))
}

fn fact(name: &str, content: &str) -> String {
    format!("<div><dt>{name}</dt><dd>{content}</dd></div>\n")
}

fn worded(name: &str, data: &str) -> String {
    if data.is_empty() { String::new() } else { fact(name, &text::isolated(data)) }
}

fn figure(input: &PageInput<'_>, id: usize, visit: &VisitRow, rows: &[&EvidenceRow]) -> String {
    let subject = Subject {
        id,
        home: &visit.home,
        problem: &visit.problem,
        zone: input.zone(&visit.home),
        set_point_degc: input.set_points.get(&visit.home).copied(),
        onset: visit.since,
    };
    readings(subject, rows)
}

/// Whose readings a figure shows.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Subject<'a> {
    /// Number of the figure on its page.
    pub(crate) id: usize,
    pub(crate) home: &'a str,
    pub(crate) problem: &'a str,
    pub(crate) zone: Tz,
    pub(crate) set_point_degc: Option<f64>,
    pub(crate) onset: Option<Utc>,
}

/// The plot of a home's readings, sorted by time, with the table beside it.
pub(crate) fn readings(subject: Subject<'_>, rows: &[&EvidenceRow]) -> String {
    let Some(axis) = Axis::of(rows) else {
        return "<p class=\"aside\">No readings of the telling days were kept for this home.</p>\n"
            .to_owned();
    };
    let Subject { id, home, problem, zone, set_point_degc, onset } = subject;
    let drawing = plot::svg(&Plot { id, home, problem, rows, axis: &axis, zone, set_point_degc, onset });
    let cut = if axis.spans.len() > 1 { " Days between the double lines are left out." } else { "" };
    format!(
        "<figure>{drawing}<figcaption>Probe temperatures, heater beneath; local time ({}). The top probe is the \
         thick solid line; dashes shorten towards the base.{cut}</figcaption>{}</figure>\n",
        text::html(zone.name()),
        hourly::table(home, rows, zone, axis.hours()),
    )
}

/// What is known of the home, in a sentence.
fn known(home: &HomeRow) -> String {
    let mut parts = Vec::new();
    if let Some(loss) = home.standing_loss_w_per_k.filter(|v| v.is_finite()) {
        let range = match (home.standing_loss_w_per_k_p05, home.standing_loss_w_per_k_p95) {
            (Some(low), Some(high)) => format!(" ({low:.2} to {high:.2})"),
            _ => String::new(),
        };
        parts.push(format!("standing loss {loss:.2}{range} W/K"));
    }
    match (home.loss_at_45k_kwh_per_24h, home.declared_loss_at_45k_kwh_per_24h) {
        (Some(found), Some(declared)) => {
            parts.push(format!("{found:.2} kWh/24 h at 45 K, declared {declared:.2}"));
        }
        (Some(found), None) => parts.push(format!("{found:.2} kWh/24 h at 45 K")),
        _ => {}
    }
    if let (Some(litres), Some(energy)) = (home.litres_per_day, home.energy_kwh_per_day) {
        parts.push(format!("draws {litres:.0} l and {energy:.1} kWh a day"));
    }
    if let Some(heater) = home.heater_kwh_per_day {
        parts.push(format!("heater {heater:.1} kWh a day"));
    }
    parts.push(format!("{} good days", home.good_days));
    parts.join("; ")
}
