//! The top of the service list as plain lines for a terminal.

use drawoff_contract::results::VisitRow;

use crate::text::{fitted, width};
use crate::words;

/// Width that is used when none is known.
pub const DEFAULT_WIDTH: usize = 80;
/// Narrower terminals get lines of this width: below it no column holds a word.
const NARROWEST: usize = 44;
const RANK: usize = 4;
const SURE: usize = 9;
const COST: usize = 9;
const GAP: usize = 2;

/// The first `n` visits as a table without colour, no line wider than `width_columns` (44 at least).
///
/// A row has rank, home, problem, how sure, and cost a year; text from data is cut and cannot steer the terminal.
#[must_use]
pub fn top_of_list(visits: &[VisitRow], width_columns: usize, n: usize) -> String {
    if visits.is_empty() {
        return "No visit is offered.\n".to_owned();
    }
    let total = width_columns.max(NARROWEST);
    let flexible = total - RANK - SURE - COST - 4 * GAP;
    let longest_home = visits.iter().take(n).map(|v| width(&fitted(&v.home, 24))).max().unwrap_or(4);
    let home = longest_home.clamp(4, flexible * 2 / 5);
    let problem = flexible - home;

    let mut out = line(["rank", "home", "problem", "sure", "cost/yr"], home, problem);
    out.push_str(&format!("{}\n", "-".repeat(total)));
    for visit in visits.iter().take(n) {
        let rank = visit.rank.to_string();
        let trouble = if visit.safety { format!("SAFETY: {}", visit.problem) } else { visit.problem.clone() };
        // A no-break space is not a blank to every terminal font.
        let sure = words::per_cent(visit.probability).replace('\u{a0}', " ");
        let cost = words::money(visit.cost_per_year, &visit.currency).replace('\u{a0}', " ");
        out.push_str(&line([&rank, &visit.home, &trouble, &sure, &cost], home, problem));
    }
    let rest = visits.len().saturating_sub(n);
    if rest > 0 {
        out.push_str(&format!("and {} more in the list\n", words::count(rest)));
    }
    out
}

fn line(cells: [&str; 5], home: usize, problem: usize) -> String {
    let [rank, home_text, problem_text, sure, cost] = cells;
    let parts = [
        right(rank, RANK),
        left(home_text, home),
        left(problem_text, problem),
        right(sure, SURE),
        right(cost, COST),
    ];
    format!("{}\n", parts.join(&" ".repeat(GAP)).trim_end())
}

fn left(text: &str, columns: usize) -> String {
    let cut = fitted(text, columns);
    format!("{cut}{}", " ".repeat(columns.saturating_sub(width(&cut))))
}

fn right(text: &str, columns: usize) -> String {
    let cut = fitted(text, columns);
    format!("{}{cut}", " ".repeat(columns.saturating_sub(width(&cut))))
}

#[cfg(test)]
mod tests {
    use drawoff_contract::Money;

    use super::*;

    fn visit(rank: i64, home: &str, problem: &str) -> VisitRow {
        VisitRow {
            rank,
            home: home.to_owned(),
            area: String::new(),
            fault: "element_open".to_owned(),
            problem: problem.to_owned(),
            safety: rank == 1,
            worth: Money(0),
            worth_p05: Money(0),
            worth_p95: Money(0),
            probability: 0.97,
            since: None,
            cost_per_year: Money(184_000_000),
            cost_per_year_p05: Money(0),
            cost_per_year_p95: Money(0),
            carbon_kg_per_year: None,
            bring: String::new(),
            check_first: String::new(),
            caution: String::new(),
            reason: String::new(),
            also: String::new(),
            last_visit: None,
            last_finding: None,
            currency: "GBP".to_owned(),
        }
    }

    #[test]
    fn rows_line_up() {
        let visits = [
            visit(1, "H-17", "Heater will not stop"),
            visit(2, "東京 4", "Element gives no heat"),
            visit(3, "x", "y"),
        ];
        let expected = "\
rank  home    problem                        sure    cost/yr
------------------------------------------------------------
   1  H-17    SAFETY: Heater will not…       97 %       £184
   2  東京 4  Element gives no heat          97 %       £184
and 1 more in the list
";
        assert_eq!(top_of_list(&visits, 60, 2), expected);
    }

    #[test]
    fn hostile_text_cannot_steer_the_terminal_or_break_its_width() {
        let home = format!("\u{1b}]0;x\u{7}\r\n\u{202e}{}", "東".repeat(60));
        let visits = [visit(1, &home, &"long ".repeat(40)), visit(i64::MAX, "", "\u{9b}31m")];
        for columns in [0, 44, 80, 200] {
            let out = top_of_list(&visits, columns, 9);
            assert!(out.chars().all(|c| c == '\n' || !crate::text::is_hidden(c)));
            assert!(out.lines().all(|l| width(l) <= columns.max(NARROWEST)), "{out}");
        }
        assert_eq!(top_of_list(&[], 80, 3), "No visit is offered.\n");
    }
}
