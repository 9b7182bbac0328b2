//! One home as plain lines for a terminal.

use drawoff_contract::Outcome;
use drawoff_contract::results::FindingRow;

use super::{HomeStory, figures, number, title};
use crate::text::{fitted, visible, width};
use crate::words;

/// Narrower terminals get lines of this width.
const NARROWEST: usize = 50;
const NAME: usize = 24;
/// Days of the table at the end.
const LAST_DAYS: usize = 7;

/// All that is known as lines, none wider than `width_columns` (50 at least); text from data cannot steer the terminal.
#[must_use]
pub fn lines(story: &HomeStory, width_columns: usize) -> String {
    let total = width_columns.max(NARROWEST);
    let mut out = String::new();
    let area = story.visit.as_ref().map(|v| v.area.as_str()).filter(|a| !a.is_empty());
    let heading =
        area.map_or_else(|| format!("Home {}", story.home), |a| format!("Home {}, {a}", story.home));
    out.push_str(&format!("{}\n", fitted(&heading, total)));
    out.push_str(&format!("{}\n", "=".repeat(width(&fitted(&heading, total)))));
    found(story, total, &mut out);
    visit(story, total, &mut out);
    looked_for(story, total, &mut out);
    for group in figures::groups(story) {
        head(group.name, &mut out);
        for (name, value) in group.rows {
            named(name, &value, total, &mut out);
        }
    }
    days(story, &mut out);
    out
}

fn head(name: &str, out: &mut String) {
    out.push_str(&format!("\n{name}\n{}\n", "-".repeat(width(name))));
}

fn named(name: &str, value: &str, total: usize, out: &mut String) {
    let room = total - NAME - 2;
    if width(name) >= NAME {
        wrapped(name, total - 2).iter().for_each(|l| out.push_str(&format!("  {l}\n")));
        return named("", value, total, out);
    }
    for (i, line) in wrapped(value, room).iter().enumerate() {
        let name = if i == 0 { name } else { "" };
        let pad = " ".repeat(NAME.saturating_sub(width(name)));
        out.push_str(&format!("  {name}{pad}{line}\n"));
    }
}

fn found(story: &HomeStory, total: usize, out: &mut String) {
    head("What was found", out);
    let found = story.found();
    if found.is_empty() {
        out.push_str("  Nothing: no fault stands out in these data.\n");
    }
    for f in found {
        let since = words::since(f.onset, story.zone());
        let sure = f.probability.map_or_else(|| "–".to_owned(), words::per_cent);
        let line = format!("{}: {}, since {since}", title(&f.fault), sure.replace('\u{a0}', " "));
        wrapped(&line, total - 2).iter().for_each(|l| out.push_str(&format!("  {l}\n")));
        evidence(f, total, out);
    }
}

fn evidence(f: &FindingRow, total: usize, out: &mut String) {
    for (name, value) in [("for", &f.evidence_for), ("against", &f.evidence_against)] {
        for (i, line) in wrapped(value, total - 13).iter().enumerate() {
            out.push_str(&format!("    {:<9}{line}\n", if i == 0 { name } else { "" }));
        }
    }
    if let Some(kwh) = f.energy_kwh_per_year.filter(|v| v.abs() >= 0.5) {
        let range = match (f.energy_kwh_per_year_p05, f.energy_kwh_per_year_p95) {
            (Some(low), Some(high)) => format!(" ({} to {})", words::whole(low), words::whole(high)),
            _ => String::new(),
        };
        out.push_str(&format!("    {:<9}{}{range} kWh a year\n", "wastes", words::whole(kwh)));
    }
}

fn visit(story: &HomeStory, total: usize, out: &mut String) {
    if let Some(v) = &story.visit {
        head("The visit", out);
        let cost = words::money(v.cost_per_year, &v.currency);
        let safety = if v.safety { "; listed first for safety" } else { "" };
        named("Rank", &format!("{}{safety}", v.rank), total, out);
        named("Costs a year", &cost.replace('\u{a0}', " "), total, out);
        named("Check first", &v.check_first, total, out);
        named("Bring", &v.bring, total, out);
        named("Caution", &v.caution, total, out);
        if !v.also.is_empty() {
            named("Also", &v.also, total, out);
        }
    }
    if !story.left_off.is_empty() {
        head("Not on the list", out);
        for l in &story.left_off {
            named(title(&l.fault), &l.why, total, out);
        }
    }
}

fn looked_for(story: &HomeStory, total: usize, out: &mut String) {
    head("Looked for as well", out);
    let sound: Vec<&str> =
        story.with(Outcome::Sound).filter(|f| f.folded_under.is_empty()).map(|f| title(&f.fault)).collect();
    if !sound.is_empty() {
        named("Sound", &sound.join(", "), total, out);
    }
    for f in story.findings.iter().filter(|f| !f.folded_under.is_empty()) {
        named(title(&f.fault), &format!("explained by: {}", title(&f.folded_under)), total, out);
    }
    for f in story.with(Outcome::NotAssessed) {
        named(title(&f.fault), &format!("not assessed, needs {}", f.missing), total, out);
    }
    for f in story.with(Outcome::TooLittleData) {
        let why = if f.evidence_against.is_empty() { &f.missing } else { &f.evidence_against };
        named(title(&f.fault), &format!("too little data: {why}"), total, out);
    }
}

fn days(story: &HomeStory, out: &mut String) {
    if story.days.is_empty() {
        return;
    }
    head("Last days", out);
    out.push_str(&format!("  {:<13}{:>8}{:>8}{:>10}{:>9}\n", "day", "litres", "kWh", "heater", "loss"));
    for d in story.days.iter().rev().take(LAST_DAYS).rev() {
        out.push_str(&format!(
            "  {:<13}{:>8}{:>8}{:>10}{:>9}\n",
            words::day(d.day),
            number(d.litres, 0),
            number(d.energy_kwh, 1),
            number(d.heater_kwh, 1),
            number(d.loss_kwh, 2)
        ));
    }
    out.push_str("  kWh; a dash where it is not known.\n");
}

/// Text in lines of at most `columns`, broken at blanks; a longer word is cut.
fn wrapped(text: &str, columns: usize) -> Vec<String> {
    let mut out = Vec::new();
    let mut line = String::new();
    for word in visible(text).split_whitespace() {
        let word = fitted(word, columns);
        if !line.is_empty() && width(&line) + 1 + width(&word) > columns {
            out.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(&word);
    }
    if !line.is_empty() {
        out.push(line);
    }
    out
}
