//! The service list as one self-contained HTML page: no script, no external address.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::results::{EvidenceRow, FindingRow, HomeRow, QualityRow, VisitRow};

use crate::text;

mod axis;
pub(crate) mod card;
pub(crate) mod dictionary;
mod headline;
mod heater;
mod hourly;
mod list;
mod plot;
pub(crate) mod prose;
mod quality;
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
    /// Findings of all homes.
    pub findings: &'a [FindingRow],
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
}

impl PageInput<'_> {
    pub(crate) fn zone(&self, home: &str) -> Tz {
        self.zones.get(home).copied().unwrap_or(Tz::UTC)
    }

    pub(crate) fn currency_of<'b>(&'b self, visit: &'b VisitRow) -> &'b str {
        if visit.currency.is_empty() { self.currency } else { &visit.currency }
    }

    pub(crate) fn card_count(&self) -> usize {
        self.visits.len().min(self.max_cards)
    }
}

/// The page as one HTML file, UTF-8. Same rows, same bytes.
#[must_use]
pub fn service_list(input: &PageInput<'_>) -> String {
    let links = [
        ("#list", "The list"),
        ("#quality", "Data quality"),
        ("#method", "Method"),
        ("#columns", "What the columns mean"),
    ];
    let mut body = prose::CAUTIONS.to_owned();
    body.push_str(&headline::section(input));
    body.push_str(&list::section(input));
    body.push_str(&card::section(input));
    body.push_str(&quality::section(input));
    body.push_str(prose::METHOD);
    body.push_str(&dictionary::section());
    shell(input.title, prose::LEAD, &links, &body)
}

/// A page about `body`, which is HTML; title and lead are text. The first link is where the skip link leads.
pub(crate) fn shell(title: &str, lead: &str, links: &[(&str, &str)], body: &str) -> String {
    let title = text::html(title);
    let first = links.first().map_or("#", |l| l.0);
    let links: Vec<String> = links.iter().map(|(to, name)| format!("<a href=\"{to}\">{name}</a>")).collect();
    format!(
        "<!DOCTYPE html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n<meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>{title}</title>\n<style>\n{}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"{first}\">Skip to the content</a>\n<header>\n<h1>{title}</h1>\n<p class=\"lead\">{}</p>\n\
         <nav aria-label=\"On this page\">{}</nav>\n</header>\n<main>\n{body}</main>\n<footer><p>{}</p></footer>\n</body>\n</html>\n",
        include_str!("style.css"),
        text::html(lead),
        links.join(" "),
        prose::FOOT,
    )
}
