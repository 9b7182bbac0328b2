//! Which column of an asset register is which. Names and ranges must agree before a line counts as sure: no physics tells a tariff.

use std::collections::BTreeMap;

use crate::line::{Line, quoted};

/// A register as text.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RegisterTable {
    /// Sign between fields.
    pub separator: char,
    /// Names, and a cell a row; empty where there is none.
    pub columns: Vec<(String, Vec<String>)>,
}

/// What later lines need of the register.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// Litres by home.
    pub volume_l: BTreeMap<String, f64>,
    /// The zone, where all homes share one.
    pub zone: Option<String>,
    /// Heights of probes that the register lists, by home; empty where no column is a list of them.
    pub heights: BTreeMap<String, usize>,
}

/// Share of the cells that must fit.
const FITS: f64 = 0.9;
/// Separators of lists within a cell, the rarer first.
const LIST_SEPARATORS: [&str; 5] = ["|", ";", "/", ",", " "];

struct Columns<'t> {
    table: &'t RegisterTable,
    used: Vec<bool>,
    lines: Vec<Line>,
}

impl<'t> Columns<'t> {
    fn cells(&self, column: usize) -> impl Iterator<Item = &'t str> + use<'t> {
        self.table.columns[column].1.iter().map(String::as_str).filter(|c| !c.is_empty())
    }

    fn name(&self, column: usize) -> &'t str {
        &self.table.columns[column].0
    }

    /// Free columns whose cells mostly fit.
    fn fitting(&self, fits: &dyn Fn(&str) -> bool) -> Vec<usize> {
        let good = |&c: &usize| {
            let (all, fit) =
                self.cells(c).fold((0_usize, 0_usize), |(a, f), cell| (a + 1, f + usize::from(fits(cell))));
            all > 0 && fit as f64 >= FITS * all as f64
        };
        (0..self.table.columns.len()).filter(|&c| !self.used[c]).filter(good).collect()
    }

    fn take(&mut self, column: usize, line: Line) {
        self.used[column] = true;
        self.lines.push(line);
    }

    fn numbers(&self, column: usize) -> Vec<f64> {
        self.cells(column).filter_map(number).collect()
    }

    /// Free columns whose names have one of the words and whose numbers lie in one of the ranges.
    fn named(&self, words: &[&str], units: &[(&'static str, f64, f64)]) -> Vec<(usize, &'static str)> {
        let is_named = |c: &usize| words.iter().any(|w| self.name(*c).to_lowercase().contains(w));
        let of = |c: usize| {
            let numbers = self.numbers(c);
            let unit = units.iter().find(|(_, low, high)| {
                numbers.iter().filter(|n| (low..=high).contains(n)).count() as f64
                    >= FITS * numbers.len() as f64
            });
            unit.map(|(unit, ..)| (c, *unit))
        };
        self.fitting(&|cell| number(cell).is_some()).into_iter().filter(is_named).filter_map(of).collect()
    }

    fn range(&self, column: usize) -> String {
        let numbers = self.numbers(column);
        let (low, high) = numbers.iter().fold((f64::MAX, f64::MIN), |(l, h), n| (l.min(*n), h.max(*n)));
        format!("its name, and {low} to {high}")
    }

    /// A line `key = { column = .., unit = .. }` for a column that name and range point to.
    fn with_unit(
        &mut self,
        key: &str,
        words: &[&str],
        units: &[(&'static str, f64, f64)],
    ) -> Option<(usize, &'static str)> {
        let found = self.named(words, units);
        let (column, unit) = *found.first()?;
        let text = format!("{key} = {{ column = {}, unit = \"{unit}\" }}", quoted(self.name(column)));
        let reason = format!("{}{}", self.range(column), self.others(found.iter().map(|f| f.0)));
        self.take(column, Line::when(found.len() == 1, text, reason, "which of these columns it is"));
        Some((column, unit))
    }

    fn plain(&mut self, key: &str, words: &[&str], fits: &dyn Fn(&str) -> bool) {
        let is_named = |c: &usize| {
            let name = self.name(*c).to_lowercase();
            words.iter().any(|w| name.contains(w))
        };
        let found: Vec<usize> = self.fitting(fits).into_iter().filter(is_named).collect();
        if let Some(&column) = found.first() {
            let text = format!("{key} = {}", quoted(self.name(column)));
            let reason =
                format!("its name, and what its cells look like{}", self.others(found.iter().copied()));
            self.take(column, Line::when(found.len() == 1, text, reason, "which of these columns it is"));
        }
    }

    /// What to say of columns that fit as well as the first.
    fn others(&self, columns: impl Iterator<Item = usize>) -> String {
        let names: Vec<&str> = columns.skip(1).map(|c| self.name(c)).collect();
        if names.is_empty() { String::new() } else { format!("; {} would fit as well", names.join(", ")) }
    }
}

/// Reads the section `[register]` for homes of these names.
#[must_use]
pub fn read_register(table: &RegisterTable, homes: &[String]) -> (Vec<Line>, Facts) {
    let mut c = Columns { table, used: vec![false; table.columns.len()], lines: Vec::new() };
    c.lines.push(Line::sure(
        format!("separator = {}", quoted(&table.separator.to_string())),
        "it gives every line as many fields",
    ));
    let decimal_comma = table.separator != ','
        && (0..table.columns.len()).any(|i| {
            c.cells(i).any(|cell| {
                cell.split_once(',')
                    .is_some_and(|(a, b)| a.parse::<i64>().is_ok() && b.parse::<u64>().is_ok())
            })
        });
    if decimal_comma {
        c.lines.push(Line::unsure(
            "decimal = \",\"",
            "some cells are numbers with a comma",
            "whether these are lists of two numbers",
        ));
    }
    let mut facts = Facts::default();
    let known = |column: usize| homes.iter().filter(|h| table.columns[column].1.contains(h)).count();
    let best = (0..table.columns.len()).max_by_key(|&i| (known(i), usize::MAX - i)).filter(|&i| known(i) > 0);
    let Some(home) = best else {
        c.lines.push(Line::unsure(
            "home = \"home\"",
            "no column of the register holds homes of the export",
            "how both name a home",
        ));
        c.lines.push(Line::unsure("default_zone = \"UTC\"", "nothing told", "where the homes are"));
        return (c.lines, facts);
    };
    let text = format!("home = {}", quoted(c.name(home)));
    let line = Line::when(
        known(home) == homes.len(),
        text,
        format!("it holds {} of the {} homes looked at", known(home), homes.len()),
        "the homes that it lacks",
    );
    c.take(home, line);
    zone(&mut c, &mut facts);
    volume(&mut c, home, &mut facts);
    heights_and_elements(&mut c, home, &mut facts);
    c.with_unit("declared_loss", &["loss"], &[("kWh/24h", 0.3, 6.0), ("W_at_45K", 12.0, 260.0)]);
    c.with_unit(
        "set_point",
        &["stat", "set_point", "setpoint", "set point"],
        &[("degC", 35.0, 95.0), ("K", 308.0, 368.0), ("degF", 96.0, 204.0)],
    );
    c.plain("low_rate", &["low_rate", "low rate", "off_peak", "low"], &|cell| {
        cell.contains(':') && cell.ends_with("min")
    });
    c.plain("area", &["area", "district", "round", "ward"], &|cell| number(cell).is_none());
    c.plain("tariff", &["tariff"], &|_| true);
    c.plain("control", &["control"], &|cell| number(cell).is_none());
    c.plain("occupants", &["occupant", "people", "persons"], &|cell| {
        number(cell).is_some_and(|n| (0.0..=20.0).contains(&n))
    });
    let is_year = |cell: &str| {
        cell.get(..4).and_then(|y| y.parse::<u32>().ok()).is_some_and(|y| (1900..=2100).contains(&y))
    };
    c.plain("installed", &["install", "commission", "fitted", "year"], &is_year);
    let left: Vec<&str> = (0..table.columns.len()).filter(|&i| !c.used[i]).map(|i| c.name(i)).collect();
    if !left.is_empty() {
        let names = left.join(", ");
        c.lines.push(Line::unsure(
            "# left out",
            format!("no use found for {names}"),
            "whether one of them is worth a line",
        ));
    }
    (c.lines, facts)
}

fn zone(c: &mut Columns<'_>, facts: &mut Facts) {
    match c.fitting(&|cell| cell.contains('/') && cell.parse::<chrono_tz::Tz>().is_ok()).first() {
        Some(&column) => {
            let zones: std::collections::BTreeSet<&str> = c.cells(column).collect();
            facts.zone = (zones.len() == 1).then(|| zones.first().map(|z| (*z).to_owned())).flatten();
            let text = format!("zone = {}", quoted(c.name(column)));
            c.take(column, Line::sure(text, "its cells are zones of the tz database"));
        }
        None => c.lines.push(Line::unsure(
            "default_zone = \"UTC\"",
            "no column holds a time zone",
            "where the homes are",
        )),
    }
}

fn volume(c: &mut Columns<'_>, home: usize, facts: &mut Facts) {
    let words = ["litre", "liter", "volume", "vessel", "capacity", "m3"];
    let Some((column, unit)) = c.with_unit("volume", &words, &[("l", 30.0, 2000.0), ("m3", 0.03, 2.0)])
    else {
        return;
    };
    let factor = if unit == "l" { 1.0 } else { 1000.0 };
    let rows = c.table.columns[home].1.iter().zip(&c.table.columns[column].1);
    facts.volume_l = rows.filter_map(|(home, cell)| Some((home.clone(), number(cell)? * factor))).collect();
}

/// Heights, given as fractions, per cent, or lengths that need the height of the cylinder.
fn heights_and_elements(c: &mut Columns<'_>, home: usize, facts: &mut Facts) {
    let mut in_lengths = false;
    let lists = LIST_SEPARATORS.iter().find_map(|s| {
        let is_list = |cell: &str| {
            let parts: Vec<Option<f64>> = cell.split(s).map(number).collect();
            parts.len() > 1 && parts.iter().all(Option::is_some)
        };
        c.fitting(&is_list).first().map(|&column| (column, *s))
    });
    if let Some((column, separator)) = lists {
        let items = |cell: &str| cell.split(separator).filter_map(number).collect::<Vec<f64>>();
        let all: Vec<Vec<f64>> = c.cells(column).map(items).collect();
        let rows = c.table.columns[home].1.iter().zip(&c.table.columns[column].1);
        facts.heights = rows
            .filter(|(_, cell)| !cell.is_empty())
            .map(|(h, cell)| (h.clone(), items(cell).len()))
            .collect();
        let unit = height_unit(all.iter().flatten().copied());
        in_lengths = unit == "mm";
        let falling = all.iter().filter(|l| l.windows(2).all(|w| w[0] > w[1])).count();
        let rising = all.iter().filter(|l| l.windows(2).all(|w| w[0] < w[1])).count();
        let (order, agree) = if falling >= rising { ("top_first", falling) } else { ("base_first", rising) };
        let text = format!(
            "probe_heights = {{ column = {}, unit = \"{unit}\", list_separator = \"{separator}\", order = \"{order}\" }}",
            quoted(c.name(column))
        );
        let reason = format!("lists of numbers, {} of {} from one end to the other", agree, all.len());
        c.take(column, Line::when(agree == all.len(), text, reason, "the lists that go up and down"));
    }
    if let Some(column) = c.fitting(&|cell| packed(cell).is_some()).first().copied() {
        let patterns: std::collections::BTreeSet<(String, String, String)> =
            c.cells(column).filter_map(packed).collect();
        if let (1, Some((pattern, power, height))) = (patterns.len(), patterns.first()) {
            in_lengths |= height == "mm";
            let text = format!(
                "elements = {{ column = {}, list_separator = \";\", pattern = {}, power_unit = \"{power}\", height_unit = \"{height}\" }}",
                quoted(c.name(column)),
                quoted(pattern)
            );
            c.take(
                column,
                Line::sure(
                    text,
                    "all cells have this form; 1 is the lower element if it is the lower height",
                ),
            );
        }
    } else {
        for (key, words) in
            [("element_lower", ["low", "bottom", "base"]), ("element_upper", ["upp", "top", "high"])]
        {
            in_lengths |= element(c, key, &words);
        }
    }
    let found = c.with_unit(
        "tank_height",
        &["height"],
        &[("m", 0.4, 3.0), ("mm", 400.0, 3000.0), ("cm", 40.0, 300.0)],
    );
    if in_lengths && found.is_none() {
        c.lines.push(Line::unsure(
            "# tank_height = { column = \"\", unit = \"mm\" }",
            "heights are lengths",
            "which column is the height of the cylinder",
        ));
    }
}

/// A pair of columns of power and height of one element; whether the height is a length.
fn element(c: &mut Columns<'_>, key: &str, words: &[&str]) -> bool {
    let named: Vec<usize> = c
        .fitting(&|cell| number(cell).is_some())
        .into_iter()
        .filter(|&i| words.iter().any(|w| c.name(i).to_lowercase().contains(w)))
        .collect();
    let all_in = |i: usize, low: f64, high: f64| c.numbers(i).iter().all(|n| (low..=high).contains(n));
    let is_power = |i: &usize| {
        let name = c.name(*i).to_lowercase();
        !name.contains("height")
            && !name.contains("pct")
            && (all_in(*i, 0.5, 12.0) || all_in(*i, 500.0, 12_000.0))
    };
    let Some(power) = named.iter().copied().find(is_power) else { return false };
    let filled = |i: usize| c.table.columns[i].1.iter().map(String::is_empty).collect::<Vec<bool>>();
    let Some(height) = named.iter().copied().find(|&i| i != power && filled(i) == filled(power)) else {
        return false;
    };
    let power_unit = if all_in(power, 0.5, 12.0) { "kW" } else { "W" };
    let unit = height_unit(c.numbers(height).into_iter());
    let text = format!(
        "{key} = {{ power = {}, power_unit = \"{power_unit}\", height = {}, height_unit = \"{unit}\" }}",
        quoted(c.name(power)),
        quoted(c.name(height))
    );
    let reason = format!(
        "names, power within what elements have, and both are given for the same {} homes",
        c.cells(power).count()
    );
    c.used[height] = true;
    c.take(power, Line::sure(text, reason));
    unit == "mm"
}

fn height_unit(heights: impl Iterator<Item = f64>) -> &'static str {
    match heights.fold(0.0, f64::max) {
        highest if highest <= 1.0 => "fraction",
        highest if highest <= 100.0 => "percent",
        _ => "mm",
    }
}

/// The pattern of a cell of elements like `EL1=3.0kW@235mm;EL2=...`, with the units of power and height.
fn packed(cell: &str) -> Option<(String, String, String)> {
    let mut patterns = cell.split(';').map(|item| {
        let mut parts: Vec<(bool, String)> = Vec::new();
        for ch in item.chars() {
            let digit = ch.is_ascii_digit() || (ch == '.' && parts.last().is_some_and(|(d, _)| *d));
            match parts.last_mut() {
                Some((was, text)) if *was == digit => text.push(ch),
                _ => parts.push((digit, ch.to_string())),
            }
        }
        let numbers = parts.iter().filter(|(digit, _)| *digit).count();
        let mut names = ["{n}", "{power}", "{height}"].into_iter();
        let texts: Vec<&str> = parts.iter().filter(|(digit, _)| !digit).map(|(_, t)| t.as_str()).collect();
        let power = texts
            .iter()
            .skip(1)
            .find_map(|t| if t.starts_with("kW") { Some("kW") } else { t.starts_with('W').then_some("W") });
        let height = texts.last().and_then(|t| match t.trim() {
            "mm" => Some("mm"),
            "%" => Some("percent"),
            _ => None,
        });
        let pattern: String =
            parts.iter().map(|(digit, t)| if *digit { names.next().unwrap_or("") } else { t }).collect();
        (numbers == 3).then_some((pattern, power?.to_owned(), height?.to_owned()))
    });
    let first = patterns.next()??;
    patterns.all(|p| p.as_ref() == Some(&first)).then_some(first)
}

pub(crate) fn number(cell: &str) -> Option<f64> {
    cell.trim().replace(',', ".").parse().ok().filter(|n: &f64| n.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn packed_elements_show_their_pattern() {
        let pattern = ("EL{n}={power}kW@{height}mm".to_owned(), "kW".to_owned(), "mm".to_owned());
        assert_eq!(packed("EL1=3.0kW@235mm;EL2=3.0kW@836mm"), Some(pattern));
        assert_eq!(packed("EL1=3.0kW@235mm;top 3 kW"), None);
        assert_eq!(packed("96|84|69"), None);
    }

    #[test]
    fn a_register_that_tells_little_gets_unsure_lines() {
        let column =
            |name: &str, cells: &[&str]| (name.to_owned(), cells.iter().map(|c| (*c).to_owned()).collect());
        let table = RegisterTable {
            separator: ',',
            columns: vec![column("who", &["a", "b"]), column("odd", &["7", "8"])],
        };
        let (lines, facts) = read_register(&table, &["a".to_owned()]);
        let texts: Vec<&str> = lines.iter().map(|l| l.text.as_str()).collect();
        assert_eq!(texts, ["separator = \",\"", "home = \"who\"", "default_zone = \"UTC\"", "# left out"]);
        assert!(lines[2].unsure.is_some() && lines[3].unsure.is_some() && facts.volume_l.is_empty());
    }
}
