//! The figures at the top, and the run's own remarks.

use std::collections::BTreeSet;

use drawoff_contract::Money;

use super::PageInput;
use crate::{text, words};

/// Headline figures and notes.
pub(crate) fn section(input: &PageInput<'_>) -> String {
    let read: BTreeSet<&str> = input
        .homes
        .iter()
        .map(|h| h.home.as_str())
        .chain(input.quality.iter().map(|q| q.home.as_str()))
        .collect();
    let listed: BTreeSet<&str> = input.visits.iter().map(|v| v.home.as_str()).collect();
    let safety = input.visits.iter().filter(|v| v.safety).count();
    let visits = match (input.visits.len(), safety) {
        (0, _) => "no visit is offered".to_owned(),
        (n, 0) => format!("{}, none for safety", visits(n)),
        (n, s) => format!("{}, {} first for safety", visits(n), words::count(s)),
    };
    let mut out = String::from(
        "<section id=\"figures\" aria-labelledby=\"figures-h\">\n<h2 id=\"figures-h\">In figures</h2>\n<dl class=\"figures\">\n",
    );
    out.push_str(&figure("Homes read", &words::count(read.len()), "with at least one row of readings"));
    out.push_str(&figure(
        "Homes assessed",
        &words::count(input.counted.assessed),
        "for at least one fault of cylinder or probe",
    ));
    out.push_str(&figure("Homes listed", &words::count(listed.len()), &visits));
    let (total, range) = at_stake(input);
    out.push_str(&figure("At stake a year", &text::html(&total), &text::html(&range)));
    out.push_str("</dl>\n");
    if !input.notes.is_empty() {
        out.push_str("<h3>Remarks on this run</h3>\n<ul class=\"notes\">\n");
        for note in input.notes {
            out.push_str(&format!("<li>{}</li>\n", text::with_code(note)));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
    out
}

fn figure(name: &str, value: &str, under: &str) -> String {
    format!("<div><dt>{name}</dt><dd><b>{value}</b> <span>{under}</span></dd></div>\n")
}

fn visits(n: usize) -> String {
    if n == 1 { "1 visit offered".to_owned() } else { format!("{} visits offered", words::count(n)) }
}

fn at_stake(input: &PageInput<'_>) -> (String, String) {
    let same = || input.visits.iter().filter(|v| input.currency_of(v) == input.currency);
    let sum = |part: fn(&drawoff_contract::results::VisitRow) -> Money| {
        Money(same().fold(0_i64, |total, v| total.saturating_add(part(v).0)))
    };
    let total = words::money(sum(|v| v.cost_per_year), input.currency);
    let range =
        words::money_range(sum(|v| v.cost_per_year_p05), sum(|v| v.cost_per_year_p95), input.currency);
    let others = input.visits.len() - same().count();
    let beside = if others > 0 {
        format!("; {} visits in another currency left out", words::count(others))
    } else {
        String::new()
    };
    (
        total,
        format!(
            "if every listed finding is right; {range} with every home at its own end of the range{beside}"
        ),
    )
}
