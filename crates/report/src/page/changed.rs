//! What changed since an earlier run, for the top of a page.

use drawoff_contract::news_table::NewsRow;

use super::PageInput;
use super::list::{cell, head};
use crate::news::{KINDS, ranks};
use crate::{text, words};

/// Homes named for each kind of change; the file holds all.
const MOST_ROWS: usize = 60;
/// What is folded: it needs nobody to do anything.
const FOLDED: &str = "moved";

/// The section on what changed; says so where there was no run to compare with.
pub(crate) fn section(input: &PageInput<'_>) -> String {
    let mut out = String::from(
        "<section id=\"changed\" aria-labelledby=\"changed-h\">\n<h2 id=\"changed-h\">What changed</h2>\n",
    );
    let Some(rows) = input.news else {
        out.push_str(
            "<p>No earlier run was given to compare with: name its folder as <code>pages.since</code>, set \
             <code>pages.since_last</code>, or ask <code>drawoff diff</code>.</p>\n</section>\n",
        );
        return out;
    };
    let of = |kind: &str| rows.iter().filter(|r| r.change == kind).collect::<Vec<_>>();
    out.push_str("<dl class=\"figures tally\">\n");
    for (kind, name) in KINDS {
        let count = of(kind).len();
        if count > 0 || ["new", "worse", "done", "cleared"].contains(&kind) {
            out.push_str(&format!("<div><dt>{name}</dt><dd><b>{}</b></dd></div>\n", words::count(count)));
        }
    }
    out.push_str("</dl>\n");
    if rows.is_empty() {
        out.push_str("<p>Nothing: the same homes at the same places as in the earlier run.</p>\n");
    }
    for (kind, name) in KINDS {
        let of_kind = of(kind);
        if of_kind.is_empty() {
            continue;
        }
        let table = table(input, name, &of_kind);
        if kind == FOLDED {
            out.push_str(&format!(
                "<details><summary>{name} ({})</summary>\n{table}</details>\n",
                of_kind.len()
            ));
        } else {
            out.push_str(&format!("<h3>{name}</h3>\n{table}"));
        }
    }
    out.push_str("</section>\n");
    out
}

fn table(input: &PageInput<'_>, name: &str, rows: &[&NewsRow]) -> String {
    let mut out = head(
        "list news",
        &format!("<span class=\"quiet\">{name}</span>"),
        &["Home", "Problem", "Place", "Why"],
    );
    for row in rows.iter().take(MOST_ROWS) {
        let safety = if row.safety {
            "<strong class=\"safety\"><span aria-hidden=\"true\">▲</span> Safety first</strong> "
        } else {
            ""
        };
        out.push_str(&format!(
            "<tr role=\"row\"><th scope=\"row\" role=\"rowheader\">{}</th><td role=\"cell\" class=\"problem\">{safety}{}</td>{}{}</tr>\n",
            input.linked(&row.home),
            text::isolated(&row.problem),
            cell("Place", &ranks(row)),
            cell("Why", &text::isolated(&row.why)),
        ));
    }
    out.push_str("</tbody></table>\n");
    if rows.len() > MOST_ROWS {
        out.push_str(&format!(
            "<p>and {} more, in the table <code>news</code>.</p>\n",
            words::count(rows.len() - MOST_ROWS)
        ));
    }
    out
}
