//! What the data could not say: faults of the export, homes not assessed, rows lost.

use std::collections::BTreeMap;

use drawoff_contract::results::FindingRow;
use drawoff_contract::{Fault, FaultClass, Outcome};

use super::{Counted, PageInput};
use crate::{text, words};

/// Homes named for one fault of the data; the files hold all.
const MOST_NAMES: usize = 40;
/// Reasons named; the files hold all.
const MOST_REASONS: usize = 60;

/// The section on data quality; `heading` is HTML.
pub(crate) fn section(input: &PageInput<'_>, heading: &str) -> String {
    let mut out = format!(
        "<section id=\"quality\" aria-labelledby=\"quality-h\">\n<h2 id=\"quality-h\">{heading}</h2>\n"
    );
    out.push_str(&rows(input));
    out.push_str(&data_findings(input.findings));
    out.push_str(&outcomes(input.counted));
    out.push_str(&reasons(input.counted));
    out.push_str("</section>\n");
    out
}

fn rows(input: &PageInput<'_>) -> String {
    let sum = |part: fn(&drawoff_contract::results::QualityRow) -> i64| {
        let total = input.quality.iter().fold(0_i64, |t, q| t.saturating_add(part(q)));
        words::grouped(&total.max(0).to_string())
    };
    format!(
        "<p>Rows in: {} = {} used + {} masked + {} rejected. Values in: {} = {} used + {} masked + {} absent. \
         Expected rows that never came: {}.</p>\n",
        sum(|q| q.rows_in),
        sum(|q| q.rows_used),
        sum(|q| q.rows_masked),
        sum(|q| q.rows_rejected),
        sum(|q| q.values_in),
        sum(|q| q.values_used),
        sum(|q| q.values_masked),
        sum(|q| q.values_absent),
        sum(|q| q.rows_missing),
    )
}

fn data_findings(findings: &[FindingRow]) -> String {
    let mut homes: BTreeMap<Fault, Vec<&str>> = BTreeMap::new();
    for finding in findings.iter().filter(|f| f.outcome == Outcome::Fault.code()) {
        match Fault::from_code(&finding.fault) {
            Some(fault) if fault.class() == FaultClass::Data => {
                homes.entry(fault).or_default().push(&finding.home)
            }
            _ => {}
        }
    }
    if homes.is_empty() {
        return "<p>No home has a finding about its export.</p>\n".to_owned();
    }
    let mut out = String::from(
        "<h3>Homes whose export needs a look</h3>\n<p>These bring no visit: mend the export.</p>\n<dl class=\"work\">\n",
    );
    for (fault, mut names) in homes {
        names.sort_unstable();
        names.dedup();
        let shown: Vec<String> = names.iter().take(MOST_NAMES).map(|n| text::isolated(n)).collect();
        let rest = names.len() - shown.len();
        let more = if rest > 0 { format!(" and {} more", words::count(rest)) } else { String::new() };
        out.push_str(&format!(
            "<div><dt>{} ({})</dt><dd>{}{more}</dd></div>\n",
            fault.title(),
            words::count(names.len()),
            shown.join(", ")
        ));
    }
    out.push_str("</dl>\n");
    out
}

fn outcomes(counted: &Counted) -> String {
    let counts = &counted.outcomes;
    if counts.is_empty() {
        return String::new();
    }
    let mut out = String::from(
        "<h3>What was assessed</h3>\n<table class=\"counts\"><caption>Homes by outcome of each assessment</caption>\n<thead><tr>\
         <th scope=\"col\">Assessment<th scope=\"col\">Fault<th scope=\"col\">Sound<th scope=\"col\">Not assessed\
         <th scope=\"col\">Too little data</thead>\n<tbody>\n",
    );
    for (fault, numbers) in counts {
        out.push_str(&format!("<tr><th scope=\"row\">{}", fault.title()));
        for number in numbers {
            out.push_str(&format!("<td>{}", words::count(*number)));
        }
        out.push('\n');
    }
    out.push_str("</tbody></table>\n");
    out
}

fn reasons(counted: &Counted) -> String {
    // By input first: one missing column usually stops several assessments.
    let reasons = &counted.stopped;
    if reasons.is_empty() {
        return String::new();
    }
    let mut out = String::from("<h3>Why homes were not assessed</h3>\n<ul class=\"notes\">\n");
    let total = reasons.len();
    for (reason, stopped) in reasons.iter().take(MOST_REASONS) {
        let titles: Vec<String> = stopped
            .faults
            .iter()
            .map(|code| Fault::from_code(code).map_or_else(|| text::isolated(code), |f| f.title().to_owned()))
            .collect();
        let noun = if stopped.homes == 1 { "home" } else { "homes" };
        out.push_str(&format!(
            "<li><strong>Missing: {}</strong>: {} {noun}, not assessed for {}</li>\n",
            text::isolated(reason),
            words::count(stopped.homes),
            titles.join("; ").to_lowercase()
        ));
    }
    if total > MOST_REASONS {
        out.push_str(&format!("<li>and {} further reasons, in the files</li>\n", total - MOST_REASONS));
    }
    out.push_str("</ul>\n");
    out
}
