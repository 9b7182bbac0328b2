//! The plots of the page on savings, each with its table.

use std::collections::BTreeMap;

use drawoff_contract::{Day, Money};

use super::SavingsInput;
use crate::home::bars::{BASE, HEIGHT, LEFT, RIGHT, TOP, ceiling, grid, label, svg};
use crate::{text, words};

/// Most bars of the distribution.
const MOST_BARS: usize = 16;

fn section(id: &str, title: &str, body: &str) -> String {
    format!(
        "<section id=\"{id}\" aria-labelledby=\"{id}-h\">\n<h2 id=\"{id}-h\">{title}</h2>\n{body}</section>\n"
    )
}

fn not_assessed(id: &str, title: &str) -> String {
    section(id, title, "<p>Not assessed: no home could be priced.</p>\n")
}

fn main_units(money: Money) -> f64 {
    money.0 as f64 / 1e6
}

fn box_at(x: f64, wide: f64, from: f64, to: f64, high: f64) -> String {
    let y = |v: f64| BASE - (v / high).clamp(0.0, 1.0) * (BASE - TOP);
    format!("M{x:.1} {:.1}V{:.1}h{wide:.1}V{:.1}z", y(from), y(to), y(from))
}

/// How many homes saved how much.
pub(super) fn distribution(input: &SavingsInput<'_>) -> String {
    const TITLE: &str = "How much homes saved";
    let mut saved: Vec<f64> = input.homes.iter().filter_map(|h| h.saved).map(main_units).collect();
    if saved.is_empty() {
        return not_assessed("distribution", TITLE);
    }
    saved.sort_by(f64::total_cmp);
    let (least, most) = (saved[0], saved[saved.len() - 1]);
    let (_, step) = ceiling((most - least).max(1e-3) / MOST_BARS as f64 * 4.0);
    let first = (least / step).floor();
    let bars = ((most / step).floor() - first) as usize + 1;
    let mut counts = vec![0_usize; bars];
    for value in &saved {
        counts[((value / step).floor() - first) as usize] += 1;
    }
    let (high, grid_step) = ceiling(counts.iter().copied().max().unwrap_or(0) as f64);
    let (mut ink, mut labels) = (String::new(), String::new());
    grid(high, grid_step, "homes", &mut ink, &mut labels);
    let wide = (RIGHT - LEFT) / bars as f64;
    let mut path = String::new();
    let mut table = String::new();
    let decimals = usize::from(step < 1.0) + usize::from(step < 0.1);
    for (i, count) in counts.iter().enumerate() {
        let x = LEFT + wide * i as f64;
        path.push_str(&box_at(x + 0.06 * wide, 0.88 * wide, 0.0, *count as f64, high));
        let from = (first + i as f64) * step;
        if i % bars.div_ceil(6) == 0 {
            labels.push_str(&label("", x, HEIGHT - 2.0, &format!("{from:.decimals$}")));
        }
        table.push_str(&format!(
            "<tr><th scope=\"row\">{from:.decimals$} to {:.decimals$}<td>{count}\n",
            from + step
        ));
    }
    ink.push_str(&format!("<path class=\"power\" d=\"{path}\"/>"));
    let description = format!(
        "{} homes between {least:.0} and {most:.0} {}, in steps of {step:.decimals$}. The table gives the numbers.",
        saved.len(),
        input.currency
    );
    let plot = svg("distribution-plot", "Homes by money saved", &description, &ink, &labels);
    let currency = text::html(input.currency);
    section(
        "distribution",
        TITLE,
        &format!(
            "<figure>{plot}<figcaption>Homes by money saved over the days used, {currency}; below 0 where the reference costs less</figcaption></figure>\n\
             <details><summary>Table</summary>\n<table class=\"counts\"><thead><tr><th scope=\"col\">saved, {currency}<th scope=\"col\">homes</thead><tbody>\n{table}</table></details>\n"
        ),
    )
}

/// From the reference's cost to the metered one, part by part.
pub(super) fn parts(input: &SavingsInput<'_>) -> String {
    const TITLE: &str = "Where it came from";
    let priced = || input.homes.iter().filter(|h| h.saved.is_some());
    if priced().next().is_none() {
        return not_assessed("parts", TITLE);
    }
    let sum = |get: fn(&drawoff_contract::savings_tables::SavingRow) -> Option<Money>| {
        Money(priced().filter_map(get).map(|m| m.0).sum())
    };
    let mut by_part: BTreeMap<&str, i64> = BTreeMap::new();
    for part in input.parts {
        *by_part.entry(&part.part).or_default() += part.saved.map_or(0, |m| m.0);
    }
    let names = [
        ("service", "less heat delivered"),
        ("less_heat_lost", "less heat lost"),
        ("hours", "cheaper hours"),
        ("own_surplus", "own surplus used"),
        ("heat_source", "other source of heat"),
    ];
    // Each bar: name, from, to, and whether it is a whole cost.
    let mut bars: Vec<(&str, i64, i64, bool)> = Vec::new();
    let reference = sum(|h| h.cost_reference).0;
    bars.push(("reference", 0, reference, true));
    let mut at = reference;
    for (code, name) in names {
        let saved = by_part.get(code).copied().unwrap_or(0);
        bars.push((name, at, at - saved, false));
        at -= saved;
    }
    bars.push(("replayed", 0, sum(|h| h.cost_replayed).0, true));
    let metered = sum(|h| h.cost_metered).0;
    bars.push(("model error", at, metered, false));
    bars.push(("metered", 0, metered, true));
    let highest = bars.iter().map(|b| b.1.max(b.2)).max().unwrap_or(0) as f64 / 1e6;
    let (high, step) = ceiling(highest);
    let (mut ink, mut labels) = (String::new(), String::new());
    grid(high, step, input.currency, &mut ink, &mut labels);
    let wide = (RIGHT - LEFT) / bars.len() as f64;
    let (mut wholes, mut changes, mut table) = (String::new(), String::new(), String::new());
    for (i, (name, from, to, whole)) in bars.iter().enumerate() {
        let x = LEFT + wide * i as f64;
        let shape = box_at(x + 0.08 * wide, 0.84 * wide, *from as f64 / 1e6, *to as f64 / 1e6, high);
        if *whole { &mut wholes } else { &mut changes }.push_str(&shape);
        let amount = if *whole { *to } else { to - from };
        let sign = if *whole || amount < 0 { "" } else { "+" };
        let y = BASE - (from.max(to).to_owned() as f64 / 1e6 / high).clamp(0.0, 1.0) * (BASE - TOP) - 8.0;
        labels.push_str(&label(
            "halo",
            x + 0.08 * wide,
            y,
            &format!("{sign}{}", words::whole(amount as f64 / 1e6)),
        ));
        // Names turn about between two lines, so that they do not run into each other on a telephone.
        let line = HEIGHT - 2.0 + 26.0 * (i % 2) as f64;
        labels.push_str(&label("", x + 0.08 * wide, line, name.split(' ').next_back().unwrap_or("")));
        table.push_str(&format!(
            "<tr><th scope=\"row\">{name}<td>{sign}{}\n",
            text::html(&words::money_amount(Money(amount), input.currency))
        ));
    }
    ink.push_str(&format!("<path class=\"power\" d=\"{wholes}\"/><path class=\"call\" d=\"{changes}\"/>"));
    let description = format!(
        "Costs of all priced homes from the reference, {:.0} {}, part by part to the metered energy, {:.0}. The table gives the numbers.",
        reference as f64 / 1e6,
        input.currency,
        metered as f64 / 1e6
    );
    let plot = svg("parts-plot", "From the reference to the meter", &description, &ink, &labels);
    let plot = plot.replacen("plot bars", "plot bars tall", 1);
    let currency = text::html(input.currency);
    section(
        "parts",
        TITLE,
        &format!(
            "<figure>{plot}<figcaption>Whole costs as framed bars, changes as solid ones, {currency}; the model error is in no saving</figcaption></figure>\n\
             <table class=\"counts\"><thead><tr><th scope=\"col\">step<th scope=\"col\">{currency}</thead><tbody>\n{table}</table>\n"
        ),
    )
}

/// Cost of reference and replay by month.
pub(super) fn months(input: &SavingsInput<'_>) -> String {
    const TITLE: &str = "Month by month";
    let mut sums: BTreeMap<Day, (i64, i64, i64)> = BTreeMap::new();
    for row in input.months {
        if let (Some(reference), Some(replayed)) = (row.cost_reference, row.cost_replayed) {
            let sum = sums.entry(row.month).or_default();
            *sum = (sum.0 + reference.0, sum.1 + replayed.0, sum.2 + row.days);
        }
    }
    let highest = sums.values().map(|s| s.0.max(s.1)).max().unwrap_or(0) as f64 / 1e6;
    if highest <= 0.0 {
        return not_assessed("months", TITLE);
    }
    let (high, step) = ceiling(highest);
    let (mut ink, mut labels) = (String::new(), String::new());
    grid(high, step, input.currency, &mut ink, &mut labels);
    let wide = (RIGHT - LEFT) / sums.len() as f64;
    let (mut reference, mut replayed, mut table) = (String::new(), String::new(), String::new());
    for (i, (month, sum)) in sums.iter().enumerate() {
        let x = LEFT + wide * i as f64;
        reference.push_str(&box_at(x + 0.08 * wide, 0.4 * wide, 0.0, sum.0 as f64 / 1e6, high));
        replayed.push_str(&box_at(x + 0.52 * wide, 0.4 * wide, 0.0, sum.1 as f64 / 1e6, high));
        let name = words::day(*month);
        let name = name.split_once(' ').map_or(name.as_str(), |n| n.1);
        labels.push_str(&label("", x + 0.08 * wide, HEIGHT - 2.0, name));
        let money = |m: i64| text::html(&words::money_amount(Money(m), input.currency));
        table.push_str(&format!(
            "<tr><th scope=\"row\">{}<td>{}<td>{}<td>{}<td>{}\n",
            text::html(name),
            words::whole(sum.2 as f64),
            money(sum.0),
            money(sum.1),
            money(sum.0 - sum.1)
        ));
    }
    ink.push_str(&format!(
        "<path class=\"power\" d=\"{reference}\"/><path class=\"call\" d=\"{replayed}\"/>"
    ));
    let description = format!(
        "Costs of all priced homes in {} months, reference beside replay, up to {highest:.0} {}. The table gives the numbers.",
        sums.len(),
        input.currency
    );
    let plot = svg("months-plot", "Costs by month", &description, &ink, &labels);
    let currency = text::html(input.currency);
    section(
        "months",
        TITLE,
        &format!(
            "<figure>{plot}<figcaption>Left, framed: the reference; right, solid: the replay of the homes' own rules; {currency}</figcaption></figure>\n\
             <table class=\"counts\"><thead><tr><th scope=\"col\">month<th scope=\"col\">home-days<th scope=\"col\">reference, {currency}<th scope=\"col\">replayed<th scope=\"col\">saved</thead><tbody>\n{table}</table>\n"
        ),
    )
}
