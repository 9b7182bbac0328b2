//! The pages of one run: overview, service list, calls and rounds, data quality, method, columns, and a page a listed home.
//!
//! Pure, as all reports: rows in, text out. Every page stands in one file with its style; only the list carries a script, which sorts and
//! filters rows that are there without it.

use crate::home::{self, Fleet, HomeStory};
use crate::page::{self, Frame, PageInput, dictionary, glossary, headline, list, plan, prose, quality};
use crate::{text, words};

mod kinds;

/// Rows of one page of the list: with long names and words they stay well below 500 kB.
pub const ROWS_A_PAGE: usize = 600;

/// Files and names of the pages of a service list.
pub const PAGES: [(&str, &str); 6] = [
    ("index.html", "Overview"),
    ("list.html", "Service list"),
    ("plan.html", "Calls and rounds"),
    ("quality.html", "Data quality"),
    ("method.html", "Method and words"),
    ("columns.html", "Columns"),
];

fn frame(here: &'static str) -> Frame<'static> {
    Frame { pages: &PAGES, up: "", here, sorts: here == "list.html" }
}

/// All pages but those of single homes, as file name and text. Same rows, same bytes.
#[must_use]
pub fn pages(input: &PageInput<'_>) -> Vec<(String, String)> {
    let mut out = vec![("index.html".to_owned(), index(input))];
    out.extend(lists(input));
    out.push(("plan.html".to_owned(), plan_page(input)));
    out.push(("quality.html".to_owned(), quality_page(input)));
    out.push(("method.html".to_owned(), method()));
    out.push(("columns.html".to_owned(), columns()));
    out
}

/// Pages beside the only page of a job that is not a service list: its words and its columns. The job's own page is `index.html` with
/// [`job_frame`].
#[must_use]
pub fn beside(pages: &'static [(&'static str, &'static str)]) -> Vec<(String, String)> {
    let words = page::shell_in(
        &job_frame(pages, "words.html"),
        "Words",
        "What the words of these pages mean.",
        &[],
        &format!("{}{}", glossary::section(), prose::CAUTIONS),
    );
    let columns =
        page::shell_in(&job_frame(pages, "columns.html"), "Columns", COLUMNS_LEAD, &[], &dictionary::all());
    vec![("words.html".to_owned(), words), ("columns.html".to_owned(), columns)]
}

/// Where a page of such a job stands.
#[must_use]
pub fn job_frame(pages: &'static [(&'static str, &'static str)], here: &'static str) -> Frame<'static> {
    Frame { pages, up: "", here, sorts: false }
}

/// Pages of a run on savings.
pub const SAVINGS_PAGES: [(&str, &str); 3] =
    [("index.html", "Savings"), ("words.html", "Words"), ("columns.html", "Columns")];
/// Pages of a run on flexible load.
pub const FLEXIBLE_PAGES: [(&str, &str); 3] =
    [("index.html", "Flexible load"), ("words.html", "Words"), ("columns.html", "Columns")];

const COLUMNS_LEAD: &str = "The data dictionary: every table of a run, every column with its unit and meaning, as they stand in the Parquet files.";

/// The page of one home, within its folder `homes/`.
#[must_use]
pub fn home_page(story: &HomeStory, fleet: &Fleet) -> String {
    home::page_in(story, Some(fleet), &Frame { pages: &PAGES, up: "../", here: "", sorts: false })
}

/// Letters of the mark in the name of a home's page.
const MARK: usize = 10;

/// A name for the file of a home's page: what of its identifier is plain, and a mark that tells alike ones apart (`fingerprint` is
/// hexadecimal). Never leaves its folder, whatever the identifier.
#[must_use]
pub fn file_name(home: &str, fingerprint: &str) -> String {
    const LONGEST: usize = 40;
    let plain: String = home
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' })
        .take(LONGEST)
        .collect();
    let mark: String = fingerprint.chars().take(MARK).collect();
    format!("{}-{mark}.html", plain.trim_matches('-')).trim_start_matches('-').to_owned()
}

/// Whether a file's name is one that [`file_name`] gives.
#[must_use]
pub fn is_file_name(name: &str) -> bool {
    let Some(stem) = name.strip_suffix(".html") else { return false };
    let mark = stem.rsplit('-').next().unwrap_or(stem);
    mark.len() == MARK && mark.chars().all(|c| matches!(c, '0'..='9' | 'a'..='f'))
}

/// Whether a file's name is that of a second or later page of the list.
#[must_use]
pub fn is_later_list(name: &str) -> bool {
    let number = name.strip_prefix("list-").and_then(|rest| rest.strip_suffix(".html"));
    number.is_some_and(|n| !n.is_empty() && n.chars().all(|c| c.is_ascii_digit()))
}

fn index(input: &PageInput<'_>) -> String {
    let mut body = page::changed(input);
    body.push_str(&headline::section(input));
    body.push_str(&kinds::section(input));
    body.push_str(prose::CAUTIONS);
    let links = [
        ("#changed", "What changed"),
        ("#figures", "In figures"),
        ("#kinds", "What was found"),
        ("#caution", "Cautions"),
    ];
    page::shell_in(&frame("index.html"), input.title, prose::LEAD, &links, &body)
}

fn lists(input: &PageInput<'_>) -> Vec<(String, String)> {
    let name = |n: usize| if n == 0 { "list.html".to_owned() } else { format!("list-{}.html", n + 1) };
    let parts: Vec<_> = input.visits.chunks(ROWS_A_PAGE).collect();
    let mut out = Vec::new();
    for (n, visits) in parts.iter().enumerate() {
        let from = n * ROWS_A_PAGE;
        let caption = "Homes to visit: safety first, then by worth of the visit";
        let mut table = list::head("list", caption, &list::COLUMNS);
        // Likelihood and cost are looked for from the most down.
        for falls in ["How sure", "Costs a year"] {
            table = table.replace(&format!(">{falls}</th>"), &format!(" data-down>{falls}</th>"));
        }
        table =
            table.replacen("<table ", &format!("<table data-sorts data-all=\"{}\" ", input.visits.len()), 1);
        visits.iter().for_each(|visit| table.push_str(&list::sortable_row(input, visit)));
        table.push_str("</tbody></table>\n");
        let mut body = format!(
            "<section id=\"list\" aria-labelledby=\"list-h\">\n<h2 id=\"list-h\">Ranks {} to {}</h2>\n{table}",
            from + 1,
            from + visits.len()
        );
        if parts.len() > 1 {
            let links: Vec<String> = (0..parts.len())
                .map(|p| {
                    let ranks = format!("{} to {}", p * ROWS_A_PAGE + 1, (p * ROWS_A_PAGE + parts[p].len()));
                    if p == n {
                        format!("<b>{ranks}</b>")
                    } else {
                        format!("<a href=\"{}\">{ranks}</a>", name(p))
                    }
                })
                .collect();
            body.push_str(&format!(
                "<p>The list goes on over {} pages; where a page can be filtered and ordered, that holds for its own rows. \
                 <code>service_list.csv</code> holds them all.</p>\n<nav aria-label=\"Parts of the list\">{}</nav>\n",
                parts.len(),
                links.join(" ")
            ));
        }
        body.push_str("</section>\n");
        out.push((name(n), list_page(input, &body)));
    }
    if out.is_empty() {
        let body = "<section id=\"list\"><p>No visit is offered. The page on data quality tells which homes could not be assessed.</p></section>\n";
        out.push((name(0), list_page(input, body)));
    }
    out
}

fn list_page(input: &PageInput<'_>, body: &str) -> String {
    let lead =
        "Cylinders to visit, safety first, then by what the visit is worth. Each home leads to its own page.";
    let body = format!("{body}{}", prose::CAUTIONS);
    page::shell_in(&frame("list.html"), &list_title(input.title), lead, &[], &body)
}

/// The run's own title, said to be a list where it does not say so itself.
fn list_title(title: &str) -> String {
    if title.to_lowercase().contains("list") { title.to_owned() } else { format!("Service list: {title}") }
}

fn plan_page(input: &PageInput<'_>) -> String {
    let mut body = plan::sections(input);
    if body.is_empty() {
        body.push_str("<section><p>Nothing is to be rung or driven to.</p></section>\n");
    }
    body.push_str(prose::CAUTIONS);
    let lead = "Whom to ring before anyone drives there, which visits make a day, and what the van carries.";
    page::shell_in(&frame("plan.html"), "Calls and rounds", lead, &[], &body)
}

fn quality_page(input: &PageInput<'_>) -> String {
    let lead = "What the exports could not say: every row and value accounted for, and what was not assessed, and why.";
    page::shell_in(
        &frame("quality.html"),
        "Data quality",
        lead,
        &[],
        &quality::section(input, "Rows and values"),
    )
}

fn method() -> String {
    let links = [("#method", "Method"), ("#glossary", "Glossary"), ("#caution", "Cautions")];
    let body = format!("{}{}{}", prose::METHOD, glossary::section(), prose::CAUTIONS);
    page::shell_in(
        &frame("method.html"),
        "Method and words",
        "How the list is made, and what its words mean.",
        &links,
        &body,
    )
}

fn columns() -> String {
    page::shell_in(&frame("columns.html"), "Columns", COLUMNS_LEAD, &[], &dictionary::all())
}

/// "12 homes", "1 home".
fn homes(n: usize) -> String {
    if n == 1 { "1 home".to_owned() } else { format!("{} homes", words::count(n)) }
}

/// A bar of a share from 0 to 1 that a table cell holds.
fn bar(share: f64) -> String {
    let share = if share.is_finite() { share.clamp(0.0, 1.0) } else { 0.0 };
    format!(
        "<svg class=\"bar\" aria-hidden=\"true\"><rect width=\"{}%\" height=\"100%\"/></svg>",
        text::html(&format!("{:.1}", share * 100.0))
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_stay_in_their_folder() {
        assert_eq!(file_name("OS-00012", "0123456789abcdef"), "os-00012-0123456789.html");
        for hostile in
            ["../../etc/x", "", "..", "a/b", "CON", "\u{1b}[2J", "東京", ".hidden", &"x".repeat(300)]
        {
            let name = file_name(hostile, "0123456789abcdef");
            assert!(name.ends_with("0123456789.html") && name.len() < 64, "{name}");
            assert!(name.chars().all(|c| c.is_ascii_alphanumeric() || "-.".contains(c)), "{name}");
            assert!(!name.starts_with('.') && !name.starts_with('-'), "{name}");
            assert!(is_file_name(&name), "{name}");
        }
        for other in ["index.html", "notes-0123456789.txt", "os-1-012345678.html", "my-decade-page.html"] {
            assert!(!is_file_name(other), "{other}");
        }
        assert!(is_later_list("list-2.html") && !is_later_list("list.html") && !is_later_list("list-x.html"));
    }
}
