//! The service list as one self-contained HTML page: no script, no external address; and what all pages share.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::news_table::NewsRow;
use drawoff_contract::plan_tables::{RingRow, RoundRow, VanRow};
use drawoff_contract::results::{EvidenceRow, FindingRow, HomeRow, QualityRow, VisitRow};

use crate::text;

pub(crate) use changed::section as changed;
pub use counted::Counted;
pub use frame::Frame;
pub(crate) use frame::shell_in;

mod axis;
pub(crate) mod card;
mod changed;
mod counted;
pub(crate) mod dictionary;
mod frame;
pub(crate) mod glossary;
pub(crate) mod headline;
mod heater;
mod hourly;
pub(crate) mod list;
pub(crate) mod plan;
mod plot;
pub(crate) mod prose;
pub(crate) mod quality;
mod trace;

/// What a page is made from. All text is taken as hostile.
#[derive(Clone, Copy, Debug)]
pub struct PageInput<'a> {
    /// Heading of the page.
    pub title: &'a str,
    /// ISO 4217 code of the totals; visits in another currency are left out of them, and counted.
    pub currency: &'a str,
    /// The service list, in its order.
    pub visits: &'a [VisitRow],
    /// Readings of the telling days; any order.
    pub evidence: &'a [EvidenceRow],
    /// What is known of each home.
    pub homes: &'a [HomeRow],
    /// Findings with the outcome `fault`; others may be among them.
    pub findings: &'a [FindingRow],
    /// What is told of all findings together.
    pub counted: &'a Counted,
    /// Row accounting of each home.
    pub quality: &'a [QualityRow],
    /// Time zone of each home; UTC where absent.
    pub zones: &'a BTreeMap<String, Tz>,
    /// Thermostat set point of each home, degC; not drawn where absent.
    pub set_points: &'a BTreeMap<String, f64>,
    /// Homes at the top of the list that get a card with a plot.
    pub max_cards: usize,
    /// Remarks on this run.
    pub notes: &'a [String],
    /// Calls, rounds and van.
    pub plan: PlanTables<'a>,
    /// What changed since an earlier run; `None` when none was given to compare with.
    pub news: Option<&'a [NewsRow]>,
    /// Address of each home's own page, as seen from the page; homes without one are not linked, or lead to their card.
    pub hrefs: Option<&'a BTreeMap<String, String>>,
}

/// Tables for the one who plans; empty ones are left out of a page.
#[derive(Clone, Copy, Debug, Default)]
pub struct PlanTables<'a> {
    /// Homes that are rung before anyone drives there.
    pub ring: &'a [RingRow],
    /// Visits by day.
    pub rounds: &'a [RoundRow],
    /// What to load.
    pub van: &'a [VanRow],
}

impl PlanTables<'_> {
    /// Whether the section that a link leads to is there.
    fn has(&self, link: &str) -> bool {
        match link {
            "#ring" => !self.ring.is_empty(),
            "#rounds" => !self.rounds.is_empty(),
            _ => true,
        }
    }
}

impl PageInput<'_> {
    pub(crate) fn zone(&self, home: &str) -> Tz {
        self.zones.get(home).copied().unwrap_or(Tz::UTC)
    }

    pub(crate) fn currency_of<'b>(&'b self, visit: &'b VisitRow) -> &'b str {
        if visit.currency.is_empty() { self.currency } else { &visit.currency }
    }

    /// The identifier, as a link where the home has a page.
    pub(crate) fn linked(&self, home: &str) -> String {
        let name = text::isolated(home);
        match self.hrefs.and_then(|hrefs| hrefs.get(home)) {
            Some(href) => format!("<a href=\"{}\">{name}</a>", text::html(href)),
            None => name,
        }
    }

    pub(crate) fn card_count(&self) -> usize {
        self.visits.len().min(self.max_cards)
    }
}

/// The page as one HTML file, UTF-8. Same rows, same bytes.
#[must_use]
pub fn service_list(input: &PageInput<'_>) -> String {
    let links = [
        ("#changed", "What changed"),
        ("#list", "The list"),
        ("#ring", "Ring first"),
        ("#rounds", "Rounds and van"),
        ("#quality", "Data quality"),
        ("#method", "Method"),
        ("#glossary", "Glossary"),
        ("#columns", "What the columns mean"),
    ];
    let is_there = |link: &str| input.plan.has(link) && (link != "#changed" || input.news.is_some());
    let links: Vec<(&str, &str)> = links.into_iter().filter(|l| is_there(l.0)).collect();
    let mut body = prose::CAUTIONS.to_owned();
    if input.news.is_some() {
        body.push_str(&changed(input));
    }
    body.push_str(&headline::section(input));
    body.push_str(&list::section(input));
    body.push_str(&plan::sections(input));
    body.push_str(&card::section(input));
    body.push_str(&quality::section(input, "Data quality"));
    body.push_str(prose::METHOD);
    body.push_str(&glossary::section());
    body.push_str(&dictionary::section());
    shell_in(&Frame::default(), input.title, prose::LEAD, &links, &body)
}
