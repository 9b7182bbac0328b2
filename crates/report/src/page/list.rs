//! The list itself: one table that turns into blocks on a small screen.

use drawoff_contract::results::VisitRow;

use super::PageInput;
use crate::{text, words};

/// Rows on the page at most, so that it opens anywhere; the files hold all.
const MOST_ROWS: usize = 500;

/// Columns of the list.
pub(crate) const COLUMNS: [&str; 6] = ["Rank", "Home", "Problem", "How sure", "Since", "Costs a year"];

/// The beginning of a table that turns into blocks on a small screen.
pub(crate) fn head(class: &str, caption: &str, columns: &[&str]) -> String {
    // Roles are written out because a table that is laid out as blocks loses its own.
    let mut out = format!(
        "<table class=\"{class}\" role=\"table\"><caption>{caption}</caption>\n<thead role=\"rowgroup\"><tr role=\"row\">"
    );
    for name in columns {
        out.push_str(&format!("<th scope=\"col\" role=\"columnheader\">{name}</th>"));
    }
    out.push_str("</tr></thead>\n<tbody role=\"rowgroup\">\n");
    out
}

/// The list as a section.
pub(super) fn section(input: &PageInput<'_>) -> String {
    let mut out =
        String::from("<section id=\"list\" aria-labelledby=\"list-h\">\n<h2 id=\"list-h\">The list</h2>\n");
    if input.visits.is_empty() {
        out.push_str("<p>No visit is offered. See the section on data quality for homes that could not be assessed.</p>\n</section>\n");
        return out;
    }
    out.push_str(&head("list", "Homes to visit: safety first, then by worth of the visit", &COLUMNS));
    for (i, visit) in input.visits.iter().take(MOST_ROWS).enumerate() {
        let card = (i < input.card_count()).then(|| format!("#visit-{}", i + 1));
        out.push_str(&row(input, card.as_deref(), visit));
    }
    out.push_str("</tbody></table>\n");
    let rest = input.visits.len().saturating_sub(MOST_ROWS);
    if rest > 0 {
        out.push_str(&format!("<p>{} more are in the files of the run.</p>\n", words::count(rest)));
    }
    out.push_str("</section>\n");
    out
}

/// One row; the home leads to its card on this page, or else to its own page.
fn row(input: &PageInput<'_>, card: Option<&str>, visit: &VisitRow) -> String {
    let home = match card {
        Some(card) => format!("<a href=\"{card}\">{}</a>", text::isolated(&visit.home)),
        None => input.linked(&visit.home),
    };
    cells(input, visit, &home, |_| String::new())
}

/// One row with what to sort by beside the cells whose words do not sort.
pub(crate) fn sortable_row(input: &PageInput<'_>, visit: &VisitRow) -> String {
    cells(input, visit, &input.linked(&visit.home), |column| {
        let key = match column {
            "Rank" => visit.rank.to_string(),
            "How sure" => format!("{:.4}", visit.probability),
            // Before all data comes before all dates.
            "Since" => visit.since.map_or(0, |s| s.0).to_string(),
            "Costs a year" => visit.cost_per_year.0.to_string(),
            _ => return String::new(),
        };
        format!(" data-k=\"{key}\"")
    })
}

fn cells(input: &PageInput<'_>, visit: &VisitRow, home: &str, key: impl Fn(&str) -> String) -> String {
    let area = if visit.area.is_empty() {
        String::new()
    } else {
        format!(" <span class=\"area\">{}</span>", text::isolated(&visit.area))
    };
    let cell =
        |name: &str, content: &str| cell(name, content).replacen("<td", &format!("<td{}", key(name)), 1);
    format!(
        "<tr role=\"row\"><td role=\"cell\" class=\"rank\"{}>{}</td><th scope=\"row\" role=\"rowheader\">{home}{area}</th>\
         <td role=\"cell\" class=\"problem\">{}{}</td>{}{}{}</tr>\n",
        key("Rank"),
        visit.rank,
        safety_mark(visit),
        text::isolated(&visit.problem),
        cell("How sure", &sure(visit.probability)),
        cell("Since", &text::html(&words::since(visit.since, input.zone(&visit.home)))),
        cell("Costs a year", &cost(visit, input.currency_of(visit))),
    )
}

/// A word and a shape, so that the mark does not hang on colour.
pub(crate) fn safety_mark(visit: &VisitRow) -> &'static str {
    if visit.safety {
        "<strong class=\"safety\"><span aria-hidden=\"true\">▲</span> Safety first</strong> "
    } else {
        ""
    }
}

/// How sure, in words and per cent.
pub(crate) fn sure(probability: f64) -> String {
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

/// A cell with its column's name, which shows on a small screen.
pub(crate) fn cell(name: &str, content: &str) -> String {
    format!(
        "<td role=\"cell\"><span class=\"k\" aria-hidden=\"true\">{name}</span> <span>{content}</span></td>"
    )
}
