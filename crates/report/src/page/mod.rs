//! The service list as one self-contained HTML page: no script, no external address.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::results::{EvidenceRow, FindingRow, HomeRow, QualityRow, VisitRow};

use crate::text;

mod axis;
mod card;
mod dictionary;
mod headline;
mod heater;
mod hourly;
mod list;
mod plot;
mod prose;
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
    let title = text::html(input.title);
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n<meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>{title}</title>\n<style>\n{}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#list\">Skip to the list</a>\n<header>\n<h1>{title}</h1>\n<p class=\"lead\">{}</p>\n\
         <nav aria-label=\"On this page\"><a href=\"#list\">The list</a> <a href=\"#quality\">Data quality</a> \
         <a href=\"#method\">Method</a> <a href=\"#columns\">What the columns mean</a></nav>\n</header>\n<main>\n",
        include_str!("style.css"),
        prose::LEAD,
    );
    out.push_str(prose::CAUTIONS);
    out.push_str(&headline::section(input));
    out.push_str(&list::section(input));
    out.push_str(&card::section(input));
    out.push_str(&quality::section(input));
    out.push_str(prose::METHOD);
    out.push_str(&dictionary::section());
    out.push_str("</main>\n<footer><p>");
    out.push_str(prose::FOOT);
    out.push_str("</p></footer>\n</body>\n</html>\n");
    out
}
