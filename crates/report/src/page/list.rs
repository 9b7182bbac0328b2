//! The list itself: one table that turns into blocks on a small screen.

use drawoff_contract::results::VisitRow;

use super::PageInput;
use crate::{text, words};

/// Rows on the page at most, so that it opens anywhere; the files hold all.
const MOST_ROWS: usize = 500;

/// The list as a section.
pub(super) fn section(input: &PageInput<'_>) -> String {
    let mut out =
        String::from("<section id=\"list\" aria-labelledby=\"list-h\">\n<h2 id=\"list-h\">The list</h2>\n");
    if input.visits.is_empty() {
        out.push_str("<p>No visit is offered. See the section on data quality for homes that could not be assessed.</p>\n</section>\n");
        return out;
    }
    // Roles are written out because a table that is laid out as blocks loses its own.
    out.push_str(
        "<table class=\"list\" role=\"table\"><caption>Homes to visit: safety first, then by worth of the visit</caption>\n\
         <thead role=\"rowgroup\"><tr role=\"row\">",
    );
    for name in ["Rank", "Home", "Problem", "How sure", "Since", "Costs a year"] {
        out.push_str(&format!("<th scope=\"col\" role=\"columnheader\">{name}</th>"));
    }
    out.push_str("</tr></thead>\n<tbody role=\"rowgroup\">\n");
    for (i, visit) in input.visits.iter().take(MOST_ROWS).enumerate() {
        out.push_str(&row(input, i, visit));
    }
    out.push_str("</tbody></table>\n");
    let rest = input.visits.len().saturating_sub(MOST_ROWS);
    if rest > 0 {
        out.push_str(&format!("<p>{} more are in the files of the run.</p>\n", words::count(rest)));
    }
    out.push_str("</section>\n");
    out
}

fn row(input: &PageInput<'_>, i: usize, visit: &VisitRow) -> String {
    let currency = input.currency_of(visit);
    let home = text::isolated(&visit.home);
    let home = if i < input.card_count() { format!("<a href=\"#visit-{}\">{home}</a>", i + 1) } else { home };
    let area = if visit.area.is_empty() {
        String::new()
    } else {
        format!(" <span class=\"area\">{}</span>", text::isolated(&visit.area))
    };
    format!(
        "<tr role=\"row\"><td role=\"cell\" class=\"rank\">{}</td><th scope=\"row\" role=\"rowheader\">{home}{area}</th>\
         <td role=\"cell\" class=\"problem\">{}{}</td>{}{}{}</tr>\n",
        visit.rank,
        safety_mark(visit),
        text::isolated(&visit.problem),
        cell("How sure", &sure(visit.probability)),
        cell("Since", &text::html(&words::since(visit.since, input.zone(&visit.home)))),
        cell("Costs a year", &cost(visit, currency)),
    )
}

/// A word and a shape, so that the mark does not hang on colour.
pub(super) fn safety_mark(visit: &VisitRow) -> &'static str {
    if visit.safety {
        "<strong class=\"safety\"><span aria-hidden=\"true\">▲</span> Safety first</strong> "
    } else {
        ""
    }
}

/// How sure, in words and per cent.
pub(super) fn sure(probability: f64) -> String {
    format!("{} <span class=\"aside\">{}</span>", words::sure(probability), words::per_cent(probability))
}

/// Cost a year with its interval.
pub(super) fn cost(visit: &VisitRow, currency: &str) -> String {
    format!(
        "{} <span class=\"aside\">{}</span>",
        text::html(&words::money(visit.cost_per_year, currency)),
        text::html(&words::money_range(visit.cost_per_year_p05, visit.cost_per_year_p95, currency)),
    )
}

fn cell(name: &str, content: &str) -> String {
    format!(
        "<td role=\"cell\"><span class=\"k\" aria-hidden=\"true\">{name}</span> <span>{content}</span></td>"
    )
}
