//! What is rung first, which visits make a day, and what the van carries.

use drawoff_contract::plan_tables::{RingRow, RoundRow, VanRow};
use drawoff_contract::{Fault, Money};

use super::PageInput;
use super::list::{cell, head, sure};
use crate::{text, words};

/// Calls on the page; the files hold all.
const MOST_CALLS: usize = 200;
/// Days of visits on the page; the files hold all.
const MOST_ROUNDS: usize = 60;

/// All sections that there are rows for.
pub(crate) fn sections(input: &PageInput<'_>) -> String {
    let mut out = String::new();
    if !input.plan.ring.is_empty() {
        out.push_str(&ring(input));
    }
    if !input.plan.rounds.is_empty() {
        out.push_str(&rounds(input));
    }
    out
}

fn ring(input: &PageInput<'_>) -> String {
    let rows = input.plan.ring;
    let mut out = String::from(
        "<section id=\"ring\" aria-labelledby=\"ring-h\">\n<h2 id=\"ring-h\">Ring first</h2>\n\
         <p>What a telephone call may settle is rung before anyone drives there; these calls take no place in the list. Nobody is asked to \
         open a cover or to touch a valve.</p>\n",
    );
    out.push_str(&head(
        "list news calls",
        "Calls, most gain first",
        &["Rank", "Home", "Problem", "How sure", "Gain", "Ask"],
    ));
    for row in rows.iter().take(MOST_CALLS) {
        out.push_str(&call(input, row));
    }
    out.push_str("</tbody></table>\n");
    out.push_str(&rest(rows.len(), MOST_CALLS, "calls", "ring_first"));
    out.push_str("</section>\n");
    out
}

fn call(input: &PageInput<'_>, row: &RingRow) -> String {
    let area = if row.area.is_empty() {
        String::new()
    } else {
        format!(" <span class=\"area\">{}</span>", text::isolated(&row.area))
    };
    let caution = if row.caution.is_empty() {
        String::new()
    } else {
        format!(" <span class=\"aside\">{}</span>", text::isolated(&row.caution))
    };
    format!(
        "<tr role=\"row\"><td role=\"cell\" class=\"rank\">{}</td><th scope=\"row\" role=\"rowheader\">{}{area}</th>\
         <td role=\"cell\" class=\"problem\">{}</td>{}{}{}</tr>\n",
        row.rank,
        input.linked(&row.home),
        text::isolated(&row.problem),
        cell("How sure", &sure(row.probability)),
        cell("Gain", &text::html(&words::money(row.worth, currency(input, &row.currency)))),
        cell("Ask", &format!("{}{caution}", text::isolated(&row.ask))),
    )
}

fn currency<'a>(input: &'a PageInput<'_>, own: &'a str) -> &'a str {
    if own.is_empty() { input.currency } else { own }
}

fn rest(all: usize, most: usize, what: &str, table: &str) -> String {
    if all <= most {
        return String::new();
    }
    format!("<p>{} more {what} are in the table <code>{table}</code>.</p>\n", words::count(all - most))
}

fn rounds(input: &PageInput<'_>) -> String {
    let rows = input.plan.rounds;
    let days: Vec<&[RoundRow]> = rows.chunk_by(|a, b| a.round == b.round).collect();
    let mut out = String::from(
        "<section id=\"rounds\" aria-labelledby=\"rounds-h\">\n<h2 id=\"rounds-h\">Rounds and van</h2>\n\
         <p>Visits put into days by area, in the order in which to drive them, and what to load for each. Order and times are a plan from \
         the list alone: roads and appointments are not known here.</p>\n",
    );
    for day in days.iter().take(MOST_ROUNDS) {
        out.push_str(&round(input, day));
    }
    out.push_str(&rest(days.len(), MOST_ROUNDS, "rounds", "rounds"));
    out.push_str("</section>\n");
    out
}

fn round(input: &PageInput<'_>, day: &[RoundRow]) -> String {
    let Some(first) = day.first() else { return String::new() };
    let hours = day.iter().map(|r| r.minutes).sum::<f64>() / 60.0;
    let worth = Money(day.iter().fold(0_i64, |all, r| all.saturating_add(r.worth.0)));
    let mut areas: Vec<&str> = day.iter().map(|r| r.area.as_str()).filter(|a| !a.is_empty()).collect();
    areas.dedup();
    let areas: Vec<String> = areas.into_iter().map(text::isolated).collect();
    let areas = if areas.is_empty() { String::new() } else { format!(": {}", areas.join(", ")) };
    let visits = if day.len() == 1 { "1 visit".to_owned() } else { format!("{} visits", day.len()) };
    let caption = format!(
        "{visits}, {hours:.1} h on site, worth {}",
        text::html(&words::money(worth, currency(input, &first.currency)))
    );
    let mut out = format!("<h3>Week {}, day {}{areas}</h3>\n", first.week, first.day);
    out.push_str(&head("list news", &caption, &["Place", "Home", "Problem", "Minutes", "List"]));
    for row in day {
        let problem = Fault::from_code(&row.fault).map_or(row.fault.as_str(), |f| f.title());
        out.push_str(&format!(
            "<tr role=\"row\"><td role=\"cell\" class=\"rank\">{}</td><th scope=\"row\" role=\"rowheader\">{}</th>\
             <td role=\"cell\" class=\"problem\">{}</td>{}{}</tr>\n",
            row.place,
            input.linked(&row.home),
            text::isolated(problem),
            cell("Minutes", &format!("{:.0}", row.minutes)),
            cell("List", &format!("rank {}", row.rank)),
        ));
    }
    out.push_str("</tbody></table>\n");
    let load: Vec<&VanRow> = input.plan.van.iter().filter(|v| v.round == first.round).collect();
    if !load.is_empty() {
        out.push_str("<details open><summary>Load for this day</summary>\n<ul class=\"notes load\">\n");
        for item in load {
            let used = item.expected.filter(|e| e.is_finite());
            let used = used.map_or(String::new(), |e| format!(", {e:.1} probably used"));
            out.push_str(&format!(
                "<li>{} × {} <span class=\"aside\">{}{used}</span></li>\n",
                item.count,
                text::isolated(&item.item),
                text::html(&item.kind),
            ));
        }
        out.push_str("</ul></details>\n");
    }
    out
}
