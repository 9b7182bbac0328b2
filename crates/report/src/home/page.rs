//! One home as one self-contained HTML page: no script, no external address.

use drawoff_contract::Outcome;
use drawoff_contract::results::{EvidenceRow, FindingRow};

use super::{Fleet, HomeStory, bars, cooling, figures, front, heights, power, tables, title, week};
use crate::page::card::{Subject, readings};
use crate::page::{Frame, prose, shell_in};
use crate::{text, words};

/// The page, UTF-8. Same rows, same bytes.
#[must_use]
pub fn page(story: &HomeStory) -> String {
    page_in(story, None, &Frame::default())
}

/// [`page`] among the other pages of its run, the home marked in its fleet where that is given.
#[must_use]
pub fn page_in(story: &HomeStory, fleet: Option<&Fleet>, frame: &Frame<'_>) -> String {
    let name = format!("Home {}", story.home);
    let lead = match story.found().first() {
        Some(f) => format!("{}: {}.", title(&f.fault), words::sure(f.probability.unwrap_or(f64::NAN))),
        None => "No fault stands out in these data.".to_owned(),
    };
    let cylinder = cylinder(story);
    let mut links = vec![("#findings", "Findings"), ("#figures", "Figures")];
    if !cylinder.is_empty() {
        links.push(("#cylinder", "Cooling and heating"));
    }
    links.extend([("#use", "Use"), ("#draw-offs", "Draw-offs")]);
    let mut body = findings(story);
    body.push_str(&telling_days(story));
    body.push_str(&figure_lists(story));
    body.push_str(&cylinder);
    if let Some(fleet) = fleet {
        body.push_str(&fleet.section(story));
    }
    body.push_str(&usage(story));
    body.push_str(prose::CAUTIONS);
    shell_in(frame, &name, &lead, &links, &body)
}

fn worded(name: &str, data: &str) -> String {
    if data.is_empty() {
        return String::new();
    }
    format!("<div><dt>{name}</dt><dd>{}</dd></div>\n", text::isolated(data))
}

fn findings(story: &HomeStory) -> String {
    let mut out = String::from(
        "<section id=\"findings\" aria-labelledby=\"findings-h\">\n<h2 id=\"findings-h\">What was found</h2>\n",
    );
    let found = story.found();
    if found.is_empty() {
        out.push_str("<p>Nothing: no fault stands out in these data.</p>\n");
    }
    for f in found {
        out.push_str(&one(story, f));
    }
    if let Some(v) = &story.visit {
        let safety = if v.safety { " Listed first for safety." } else { "" };
        out.push_str(&format!(
            "<h3>The visit</h3>\n<p>Rank {} of the list.{safety}</p>\n<dl class=\"work\">\n",
            v.rank
        ));
        for (name, data) in [
            ("Check first", &v.check_first),
            ("Bring", &v.bring),
            ("Caution", &v.caution),
            ("Also found", &v.also),
        ] {
            out.push_str(&worded(name, data));
        }
        out.push_str("</dl>\n");
    }
    if !story.left_off.is_empty() {
        out.push_str("<h3>Not on the list</h3>\n<dl class=\"work\">\n");
        story.left_off.iter().for_each(|l| out.push_str(&worded(&text::html(title(&l.fault)), &l.why)));
        out.push_str("</dl>\n");
    }
    out.push_str(&looked_for(story));
    out.push_str("</section>\n");
    out
}

fn one(story: &HomeStory, f: &FindingRow) -> String {
    let sure = f.probability.map_or_else(String::new, |p| {
        format!("{} <span class=\"aside\">{}</span>", words::sure(p), words::per_cent(p))
    });
    let mut out =
        format!("<article><h3><span>{}</span></h3>\n<dl class=\"facts\">\n", text::html(title(&f.fault)));
    out.push_str(&format!("<div><dt>How sure</dt><dd>{sure}</dd></div>\n"));
    out.push_str(&worded("Since", &words::since(f.onset, story.zone())));
    if let Some(kwh) = f.energy_kwh_per_year.filter(|v| v.is_finite() && v.abs() >= 0.5) {
        let range = match (f.energy_kwh_per_year_p05, f.energy_kwh_per_year_p95) {
            (Some(low), Some(high)) => format!(" ({} to {})", words::whole(low), words::whole(high)),
            _ => String::new(),
        };
        out.push_str(&worded("Wastes", &format!("{}{range} kWh a year", words::whole(kwh))));
    }
    out.push_str("</dl>\n<dl class=\"work\">\n");
    out.push_str(&worded("For it", &f.evidence_for));
    out.push_str(&worded("Against it", &f.evidence_against));
    if let Some(effect) = f.effect.filter(|v| v.is_finite()) {
        out.push_str(&worded(
            "Measured",
            &format!("{}, {} days", measured(effect, &f.statistic), f.evidence_days),
        ));
    }
    out.push_str("</dl></article>\n");
    out
}

/// An effect with what it is: "−1.50 (stop temperature against the set point, K)".
fn measured(effect: f64, statistic: &str) -> String {
    let size = format!("{:.2}", effect.abs());
    let sign = if effect < 0.0 && size != "0.00" { "\u{2212}" } else { "" };
    format!("{sign}{size} ({})", statistic.replace("degC", "°C"))
}

fn looked_for(story: &HomeStory) -> String {
    let mut out = String::from(
        "<details><summary>Looked for as well</summary>\n<table class=\"counts\"><caption>Every other fault and what its \
         assessment came to</caption><thead><tr><th scope=\"col\">Fault</th><th scope=\"col\" class=\"said\">Outcome</th></tr></thead><tbody>\n",
    );
    for f in &story.findings {
        let words = match Outcome::from_code(&f.outcome) {
            Some(Outcome::Fault) => continue,
            _ if !f.folded_under.is_empty() => format!("explained by: {}", title(&f.folded_under)),
            Some(Outcome::Sound) => match f.effect.filter(|v| v.is_finite()) {
                Some(effect) => format!("sound; {}", measured(effect, &f.statistic)),
                None => "sound".to_owned(),
            },
            Some(Outcome::NotAssessed) => format!("not assessed: needs {}", f.missing),
            Some(Outcome::TooLittleData) if f.evidence_against.is_empty() => {
                format!("too little data: {}", f.missing)
            }
            Some(Outcome::TooLittleData) => format!("too little data: {}", f.evidence_against),
            None => f.outcome.clone(),
        };
        out.push_str(&format!(
            "<tr><th scope=\"row\">{}</th><td class=\"said\">{}</td></tr>\n",
            text::html(title(&f.fault)),
            text::isolated(&words)
        ));
    }
    out.push_str("</tbody></table></details>\n");
    out
}

fn telling_days(story: &HomeStory) -> String {
    let mut rows: Vec<&EvidenceRow> = story.evidence.iter().collect();
    rows.sort_by_key(|r| r.time);
    if rows.is_empty() {
        return String::new();
    }
    let subject = Subject {
        id: 0,
        home: &story.home,
        problem: story.visit.as_ref().map_or("Readings", |v| v.problem.as_str()),
        zone: story.zone(),
        set_point_degc: story.cylinder.as_ref().and_then(|c| c.set_point_degc),
        onset: story.visit.as_ref().and_then(|v| v.since),
    };
    format!(
        "<section id=\"days\" aria-labelledby=\"days-h\">\n<h2 id=\"days-h\">The telling days</h2>\n{}</section>\n",
        readings(subject, &rows) + &heights::figure(story, &rows) + &front::figure(story, &rows)
    )
}

fn figure_lists(story: &HomeStory) -> String {
    let mut out = String::from(
        "<section id=\"figures\" aria-labelledby=\"figures-h\">\n<h2 id=\"figures-h\">What is known</h2>\n",
    );
    for group in figures::groups(story) {
        out.push_str(&format!("<h3>{}</h3>\n<dl class=\"work\">\n", group.name));
        group.rows.iter().for_each(|(name, value)| out.push_str(&worded(name, value)));
        out.push_str("</dl>\n");
    }
    out.push_str("</section>\n");
    out
}

fn cylinder(story: &HomeStory) -> String {
    let plots = cooling::figure(story) + &power::figures(story);
    if plots.is_empty() {
        return plots;
    }
    format!(
        "<section id=\"cylinder\" aria-labelledby=\"cylinder-h\">\n<h2 id=\"cylinder-h\">How it cools, how it heats</h2>\n{plots}</section>\n"
    )
}

fn usage(story: &HomeStory) -> String {
    let mut out = String::from(
        "<section id=\"use\" aria-labelledby=\"use-h\">\n<h2 id=\"use-h\">Day by day, hour by hour</h2>\n",
    );
    match bars::days(&story.days, &story.vacancy) {
        Some(plot) => out.push_str(&format!(
            "<figure>{plot}<figcaption>Bars: heat drawn. Dashed line: heater energy. Mark beneath: a day without use.\
             </figcaption></figure>\n"
        )),
        None => out.push_str("<p>No use and no heating was seen.</p>\n"),
    }
    out.push_str(&tables::days(story));
    if let Some(row) = &story.row {
        if let Some(plot) = bars::hours(&row.weekday_draw_by_hour, &row.weekend_draw_by_hour) {
            out.push_str(&format!(
                "<figure>{plot}<figcaption>Mean heat drawn by local hour. Bars: weekdays. Dashed line: Saturdays and \
                 Sundays.</figcaption></figure>\n"
            ));
        }
        out.push_str(&tables::hours(story));
    }
    out.push_str(&week::figure(story));
    out.push_str("<div id=\"draw-offs\">");
    out.push_str(&tables::draws(story));
    out.push_str("</div>\n</section>\n");
    out
}
