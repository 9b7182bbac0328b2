//! What a fleet saved, as one self-contained HTML page: no script, no external address.

use drawoff_contract::Money;
use drawoff_contract::savings_tables::{
    BeforeAfterRow, SavingFleetRow, SavingHalfHourRow, SavingMonthRow, SavingPartRow, SavingRow, StillOpenRow,
};

use crate::page::{Frame, dictionary, prose, shell_in};
use crate::{text, words};

mod charts;

/// What the page is made from. All text is taken as hostile.
#[derive(Clone, Copy, Debug)]
pub struct SavingsInput<'a> {
    /// Heading of the page.
    pub title: &'a str,
    /// Currency code of all amounts.
    pub currency: &'a str,
    /// Region and basis of the carbon series, and any shift of series, as sentences.
    pub notes: &'a [String],
    /// One row a home.
    pub homes: &'a [SavingRow],
    /// Parts of savings.
    pub parts: &'a [SavingPartRow],
    /// Months.
    pub months: &'a [SavingMonthRow],
    /// Statements about the fleet.
    pub fleet: &'a [SavingFleetRow],
    /// What could still be saved.
    pub still_open: &'a [StillOpenRow],
    /// Homes on the page; the rest are in the tables.
    pub most_homes: usize,
}

const LEAD: &str = "What these cylinders saved against a stated counterfactual, in energy, money and greenhouse gases, with intervals; \
and what they still could.";

const METHOD: &str = "<section id=\"method\" aria-labelledby=\"method-h\">\n<h2 id=\"method-h\">Method</h2>\n<ol class=\"steps\">\n\
<li><strong>A, replay.</strong> The home's own draw-offs, loss, cold feed and volume go through a layered cylinder twice: under the rule that \
it is heated by, learnt from every other week, and under the reference. The difference is the saving. What the replay of the own rule gets wrong \
against the meter is the model error; it stands on its own line and is in no saving.</li>\n\
<li><strong>B, before and after.</strong> Daily energy before a change, by heat taken, cold feed and kind of day, foretells the days after it; \
intervals by blocks of weeks.</li>\n\
<li><strong>C, matched controls.</strong> The change of a home less that of homes without one which took as much before; intervals by home.</li>\n\
<li><strong>Parts.</strong> Less (or more) heat delivered, less heat lost, cheaper hours, own surplus at the payment forgone for it, and another \
source of heat: each is the difference of two bills, and together they are the saving to the last unit. The house comes first, the cylinder takes \
what would have been sent out.</li>\n\
<li><strong>Greenhouse gases.</strong> Average intensity says what a use emitted; marginal intensity what a change of it brings about. Both are named \
where both are given.</li>\n\
<li><strong>Money</strong> is whole millionths, rounded once a half-hour; homes are sums of half-hours, the fleet is a sum of homes. A standing \
charge is never saved.</li>\n</ol>\n</section>\n";

/// The page as one HTML file, UTF-8. Same rows, same bytes.
#[must_use]
pub fn savings_page(input: &SavingsInput<'_>) -> String {
    savings_page_in(input, &Frame::default())
}

/// [`savings_page`] among the other pages of its run.
#[must_use]
pub fn savings_page_in(input: &SavingsInput<'_>, frame: &Frame<'_>) -> String {
    let links = [
        ("#figures", "In figures"),
        ("#distribution", "Homes"),
        ("#parts", "Where it came from"),
        ("#months", "Months"),
        ("#open", "Still open"),
        ("#method", "Method"),
        ("#columns", "What the columns mean"),
    ];
    let mut body = prose::CAUTIONS.to_owned();
    body.push_str(&figures(input));
    body.push_str(&charts::distribution(input));
    body.push_str(&charts::parts(input));
    body.push_str(&charts::months(input));
    body.push_str(&still_open(input));
    body.push_str(METHOD);
    body.push_str(
        "<section id=\"columns\" aria-labelledby=\"columns-h\">\n<h2 id=\"columns-h\">What the columns mean</h2>\n",
    );
    body.push_str(&dictionary::table::<SavingRow>(false));
    body.push_str(&dictionary::table::<SavingHalfHourRow>(false));
    body.push_str(&dictionary::table::<SavingPartRow>(false));
    body.push_str(&dictionary::table::<SavingMonthRow>(false));
    body.push_str(&dictionary::table::<SavingFleetRow>(false));
    body.push_str(&dictionary::table::<BeforeAfterRow>(false));
    body.push_str(&dictionary::table::<StillOpenRow>(false));
    body.push_str("</section>\n");
    shell_in(frame, input.title, LEAD, &links, &body)
}

/// A number as a reader wants it; a dash where there is none.
fn number(value: Option<f64>) -> String {
    value.filter(|v| v.is_finite()).map_or("–".to_owned(), |v| {
        let text = if v.abs() < 100.0 { format!("{:.2}", v + 0.0) } else { format!("{:.0}", v + 0.0) };
        text.replace('-', "\u{2212}")
    })
}

fn figures(input: &SavingsInput<'_>) -> String {
    let mut out = String::from(
        "<section id=\"figures\" aria-labelledby=\"figures-h\">\n<h2 id=\"figures-h\">In figures</h2>\n<table class=\"counts\">\n\
         <caption>Statements about the fleet, with 90 % intervals; the three baselines side by side, then the days and homes behind them</caption>\n\
         <thead><tr><th scope=\"col\">Baseline and statement<th scope=\"col\">value<th scope=\"col\">from<th scope=\"col\">to<th scope=\"col\">unit<th scope=\"col\">homes</thead><tbody>\n",
    );
    for row in input.fleet {
        let baseline = if row.baseline.is_empty() {
            String::new()
        } else {
            format!("<b>{}</b> ", text::html(&row.baseline))
        };
        let note = if row.note.is_empty() {
            String::new()
        } else {
            format!(" <span class=\"aside\">{}</span>", text::html(&row.note))
        };
        // Homes and days are counted: they have no hundredths.
        let is_count = matches!(row.unit.as_str(), "" | "d") && row.value.is_some_and(|v| v.fract() == 0.0);
        let value = match row.value {
            None => "not assessed".to_owned(),
            Some(v) if is_count => words::whole(v),
            Some(v) => number(Some(v)),
        };
        out.push_str(&format!(
            "<tr><th scope=\"row\">{baseline}{}{note}<td>{value}<td>{}<td>{}<td>{}<td>{}\n",
            text::html(&row.statement),
            number(row.p05),
            number(row.p95),
            text::html(&row.unit),
            row.homes
        ));
    }
    out.push_str("</table>\n");
    if !input.notes.is_empty() {
        out.push_str("<h3>Remarks on this run</h3>\n<ul class=\"notes\">\n");
        for note in input.notes {
            out.push_str(&format!("<li>{}</li>\n", text::isolated(note)));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n");
    out
}

fn still_open(input: &SavingsInput<'_>) -> String {
    let money =
        |m: Option<Money>| m.map_or("–".to_owned(), |m| text::html(&words::money(m, input.currency)));
    let mut rows: Vec<&StillOpenRow> = input.still_open.iter().filter(|r| r.change_saves.is_some()).collect();
    rows.sort_by(|a, b| b.change_saves.cmp(&a.change_saves).then(a.home.cmp(&b.home)));
    let shown = rows.len().min(input.most_homes);
    let mut out = format!(
        "<section id=\"open\" aria-labelledby=\"open-h\">\n<h2 id=\"open-h\">Still open</h2>\n\
         <p>The cheapest plan knows the draw-offs that came, so it is a bound and no promise; it keeps the demand that is not exceeded on 19 of 20 days \
         in hot water and the thermostat. It is planned to heat all of the water once a week, which is not checked again in the finer cylinder: \
         hygiene rules come before any plan. A set point is never advised below 60 °C, and a change of it is for \
         a competent person under local rules on hygiene and scalding. A timer or tariff is worked out with the set point that the home has: where that is \
         below 60 °C, see to it first.</p>\n\
         <table class=\"counts open\">\n<caption>The {shown} homes of {} whose best single change saves most</caption>\n\
         <thead><tr><th scope=\"col\">Home<th scope=\"col\" class=\"said\">change<th scope=\"col\">saves<th scope=\"col\">paid<th scope=\"col\">cheapest plan</thead><tbody>\n",
        input.still_open.len()
    );
    for row in &rows[..shown] {
        out.push_str(&format!(
            "<tr><th scope=\"row\">{}<td class=\"said\">{}<td>{}<td>{}<td>{}\n",
            text::isolated(&row.home),
            text::html(&row.change_words),
            money(row.change_saves),
            money(row.paid),
            money(row.cheapest)
        ));
    }
    out.push_str("</table>\n</section>\n");
    out
}
