//! What the list is made of: faults and areas, with bars.

use std::collections::BTreeMap;

use drawoff_contract::Fault;
use drawoff_contract::results::VisitRow;

use super::{bar, homes};
use crate::page::PageInput;
use crate::{text, words};

/// Areas named; the rest are added up.
const MOST_AREAS: usize = 20;

#[derive(Default)]
struct Sum {
    homes: usize,
    safety: usize,
    cost: i64,
}

impl Sum {
    fn add(&mut self, visit: &VisitRow) {
        self.homes += 1;
        self.safety += usize::from(visit.safety);
        self.cost = self.cost.saturating_add(visit.cost_per_year.0);
    }
}

/// Two tables: by fault and by area.
pub(super) fn section(input: &PageInput<'_>) -> String {
    let mut by_fault: BTreeMap<&str, Sum> = BTreeMap::new();
    let mut by_area: BTreeMap<&str, Sum> = BTreeMap::new();
    // Amounts in another currency cannot be added up.
    for visit in input.visits.iter().filter(|v| input.currency_of(v) == input.currency) {
        by_fault.entry(&visit.fault).or_default().add(visit);
        by_area.entry(&visit.area).or_default().add(visit);
    }
    let mut out = String::from(
        "<section id=\"kinds\" aria-labelledby=\"kinds-h\">\n<h2 id=\"kinds-h\">What was found, and where</h2>\n",
    );
    if by_fault.is_empty() {
        out.push_str("<p>No visit is offered.</p>\n</section>\n");
        return out;
    }
    let title =
        |code: &str| Fault::from_code(code).map_or_else(|| text::isolated(code), |f| f.title().to_owned());
    out.push_str(&table(
        input,
        "Listed homes by what is probably wrong",
        "Probably wrong",
        by_fault,
        usize::MAX,
        title,
    ));
    if by_area.len() > 1 || !by_area.contains_key("") {
        let name =
            |area: &str| if area.is_empty() { "no area given".to_owned() } else { text::isolated(area) };
        out.push_str(&table(input, "Listed homes by area", "Area", by_area, MOST_AREAS, name));
    }
    out.push_str("</section>\n");
    out
}

fn table(
    input: &PageInput<'_>,
    caption: &str,
    first: &str,
    sums: BTreeMap<&str, Sum>,
    most: usize,
    name: impl Fn(&str) -> String,
) -> String {
    let mut sums: Vec<(&str, Sum)> = sums.into_iter().collect();
    sums.sort_by(|a, b| b.1.homes.cmp(&a.1.homes).then(a.0.cmp(b.0)));
    let highest = sums.first().map_or(1, |s| s.1.homes).max(1) as f64;
    let rest = sums.split_off(sums.len().min(most));
    let mut out = format!(
        "<table class=\"counts kinds\"><caption>{caption}; the bar shows the number of homes</caption>\n<thead><tr><th scope=\"col\">{first}</th>\
         <th scope=\"col\">Homes</th><th scope=\"col\" class=\"drawn\"><span class=\"quiet\">Bar of homes</span></th>\
         <th scope=\"col\">Safety</th><th scope=\"col\">Costs a year</th></tr></thead>\n<tbody>\n"
    );
    for (key, sum) in &sums {
        out.push_str(&format!(
            "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"drawn\">{}</td><td>{}</td><td>{}</td></tr>\n",
            name(key),
            words::count(sum.homes),
            bar(sum.homes as f64 / highest),
            if sum.safety > 0 { format!("▲ {}", sum.safety) } else { "–".to_owned() },
            text::html(&words::money(drawoff_contract::Money(sum.cost), input.currency)),
        ));
    }
    out.push_str("</tbody></table>\n");
    if !rest.is_empty() {
        let count = rest.iter().map(|s| s.1.homes).sum();
        out.push_str(&format!(
            "<p>{} more in {} other places.</p>\n",
            homes(count),
            words::count(rest.len())
        ));
    }
    out
}
