//! What changed from one service list to another, and why each rank did.

use std::collections::{BTreeMap, BTreeSet};

use drawoff_contract::news_table::NewsRow;
use drawoff_contract::results::{FindingRow, LeftOffRow, VisitRow};
use drawoff_contract::small_tables::{NOTHING_FOUND, OTHER_FOUND, VisitLogRow};
use drawoff_contract::{Fault, Money, Outcome};

use crate::words;

/// A change of worth below this share of the larger is no news: a day more of readings brings that (common practice, no source).
const NOTABLE_SHARE: f64 = 0.1;
/// A change of probability below this is not told.
const NOTABLE_PROBABILITY: f64 = 0.005;

/// Kinds of change in the order in which they are told, with the heading of each.
pub const KINDS: [(&str, &str); 9] = [
    ("new", "New on the list"),
    ("worse", "Worse"),
    ("other_story", "Another story"),
    ("better", "Less pressing"),
    ("moved", "Moved by others"),
    ("left_off", "Pushed off the list"),
    ("done", "Done: visited"),
    ("cleared", "Cleared without a visit"),
    ("unknown", "No longer known"),
];

/// What of a run is compared.
#[derive(Clone, Debug, Default)]
pub struct Side {
    /// The service list, in its order.
    pub visits: Vec<VisitRow>,
    /// Findings that brought no visit, and why.
    pub left_off: Vec<LeftOffRow>,
    /// All homes that were read.
    pub homes: BTreeSet<String>,
    /// The log of visits.
    pub log: Vec<VisitLogRow>,
    /// Findings of the homes that only one of the lists has.
    pub findings: BTreeMap<String, Vec<FindingRow>>,
}

impl Side {
    /// Homes of this list that the other has not.
    #[must_use]
    pub fn only_here(&self, other: &Self) -> BTreeSet<String> {
        let there: BTreeSet<&str> = other.visits.iter().map(|v| v.home.as_str()).collect();
        let here = self.visits.iter().filter(|v| !there.contains(v.home.as_str()));
        here.map(|v| v.home.clone()).collect()
    }

    fn finding(&self, home: &str, fault: &str) -> Option<&FindingRow> {
        self.findings.get(home)?.iter().find(|f| f.fault == fault)
    }

    fn left_off(&self, home: &str, fault: &str) -> Option<&LeftOffRow> {
        self.left_off.iter().find(|l| l.home == home && l.fault == fault)
    }
}

/// Every home whose place or story differs, in the order of [`KINDS`], then of the lists. Homes that are as before are left out.
#[must_use]
pub fn between(before: &Side, now: &Side) -> Vec<NewsRow> {
    let old: BTreeMap<&str, (usize, &VisitRow)> = places(&before.visits);
    let new: BTreeMap<&str, (usize, &VisitRow)> = places(&now.visits);
    let passed = passed(&old, &new);
    let mut rows: Vec<NewsRow> = Vec::new();
    for visit in &now.visits {
        let both = old.get(visit.home.as_str()).zip(new.get(visit.home.as_str()));
        match both {
            Some((o, n)) => {
                let passed = passed.get(visit.home.as_str()).copied().unwrap_or_default();
                rows.extend(in_both(o.1, n.1, passed));
            }
            None => rows.push(arrived(before, visit)),
        }
    }
    let gone = before.visits.iter().filter(|v| !new.contains_key(v.home.as_str()));
    rows.extend(gone.map(|visit| departed(before, now, visit)));
    let place = |row: &NewsRow| KINDS.iter().position(|k| k.0 == row.change);
    rows.sort_by_key(place);
    rows
}

fn places(visits: &[VisitRow]) -> BTreeMap<&str, (usize, &VisitRow)> {
    visits.iter().enumerate().map(|(i, v)| (v.home.as_str(), (i, v))).collect()
}

fn row(change: &str, old: Option<&VisitRow>, new: Option<&VisitRow>, why: String) -> NewsRow {
    let shown = new.or(old);
    let text = |part: fn(&VisitRow) -> &str| shown.map_or(String::new(), |v| part(v).to_owned());
    NewsRow {
        home: text(|v| &v.home),
        change: change.to_owned(),
        fault_before: old.map_or(String::new(), |v| v.fault.clone()),
        fault_now: new.map_or(String::new(), |v| v.fault.clone()),
        problem: text(|v| &v.problem),
        safety: shown.is_some_and(|v| v.safety),
        rank_before: old.map(|v| v.rank),
        rank_now: new.map(|v| v.rank),
        probability_before: old.map(|v| v.probability),
        probability_now: new.map(|v| v.probability),
        worth_before: old.map(|v| v.worth),
        worth_now: new.map(|v| v.worth),
        arrived_before_it: 0,
        left_before_it: 0,
        overtook: 0,
        overtaken_by: 0,
        why,
        currency: text(|v| &v.currency),
    }
}

type Places<'a> = BTreeMap<&'a str, (usize, &'a VisitRow)>;

/// Which others moved a home that both lists have.
#[derive(Clone, Copy, Debug, Default)]
struct Passed {
    arrived: i64,
    left: i64,
    overtook: i64,
    overtaken_by: i64,
}

/// [`Passed`] of every home that both lists have, in one sweep over the old one.
fn passed<'a>(before: &Places<'a>, now: &Places<'a>) -> BTreeMap<&'a str, Passed> {
    let only_in = |own: &Places<'a>, other: &Places<'a>| {
        let only = own.iter().filter(|(home, _)| !other.contains_key(*home));
        sorted(only.map(|(_, at)| at.0))
    };
    let (arrived, left) = (only_in(now, before), only_in(before, now));
    let mut both: Vec<(usize, usize, &str)> =
        now.iter().filter_map(|(home, n)| Some((before.get(home)?.0, n.0, *home))).collect();
    both.sort_unstable();
    let new_places = sorted(both.iter().map(|b| b.1));
    let count = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
    // New places of those that came before in the old list, in order.
    let mut above: Vec<usize> = Vec::new();
    let mut out = BTreeMap::new();
    for (old_at, new_at, home) in both {
        let still_above = above.partition_point(|at| *at < new_at);
        let passed = Passed {
            arrived: count(arrived.partition_point(|at| *at < new_at)),
            left: count(left.partition_point(|at| *at < old_at)),
            overtook: count(above.len() - still_above),
            overtaken_by: count(new_places.partition_point(|at| *at < new_at) - still_above),
        };
        out.insert(home, passed);
        above.insert(still_above, new_at);
    }
    out
}

fn sorted(places: impl Iterator<Item = usize>) -> Vec<usize> {
    let mut places: Vec<usize> = places.collect();
    places.sort_unstable();
    places
}

/// Whose place or worth changed; `None` where neither did.
fn in_both(old: &VisitRow, new: &VisitRow, passed: Passed) -> Option<NewsRow> {
    let Passed { arrived, left, overtook, overtaken_by } = passed;
    let change = kind(old, new);
    if change == "moved" && old.rank == new.rank {
        return None;
    }
    let mut why = own_reasons(old, new);
    for (n, one, many) in [
        (left, "home before it is gone", "homes before it are gone"),
        (arrived, "new home comes before it", "new homes come before it"),
        (overtook, "home fell behind it", "homes fell behind it"),
        (overtaken_by, "home passed it", "homes passed it"),
    ] {
        if n > 0 {
            why.push(format!("{n} {}", if n == 1 { one } else { many }));
        }
    }
    Some(NewsRow {
        arrived_before_it: arrived,
        left_before_it: left,
        overtook,
        overtaken_by,
        ..row(change, Some(old), Some(new), why.join("; "))
    })
}

fn kind(old: &VisitRow, new: &VisitRow) -> &'static str {
    let (was, is) = (old.worth.0 as f64, new.worth.0 as f64);
    let notable = (is - was).abs() > NOTABLE_SHARE * was.abs().max(is.abs());
    if new.safety && !old.safety {
        "worse"
    } else if new.fault != old.fault {
        "other_story"
    } else if old.safety && !new.safety {
        "better"
    } else if notable {
        if is > was { "worse" } else { "better" }
    } else {
        "moved"
    }
}

/// What changed at the home itself.
fn own_reasons(old: &VisitRow, new: &VisitRow) -> Vec<String> {
    let mut why = Vec::new();
    if new.safety != old.safety {
        let words = if new.safety { "now listed first for safety" } else { "no longer listed for safety" };
        why.push(words.to_owned());
    }
    if new.fault != old.fault {
        why.push(format!("was taken for: {}", title(&old.fault)));
    }
    let money = |a: Money, b: Money| {
        format!("{} to {}", words::money(a, &new.currency), words::money(b, &new.currency))
    };
    let mut is_explained = new.safety != old.safety || new.fault != old.fault;
    if (new.probability - old.probability).abs() > NOTABLE_PROBABILITY {
        let (was, is) = (words::per_cent(old.probability), words::per_cent(new.probability));
        if was != is {
            why.push(format!("probability {was} to {is}"));
            is_explained = true;
        }
    }
    let shown = |m: Money| words::money(m, &new.currency);
    if shown(old.cost_per_year) != shown(new.cost_per_year) {
        why.push(format!("cost a year {}", money(old.cost_per_year, new.cost_per_year)));
        is_explained = true;
    }
    if shown(old.worth) != shown(new.worth) {
        let more =
            if is_explained { "" } else { " by the settings of the run (prices, weights, cost of a visit)" };
        why.push(format!("worth {}{more}", money(old.worth, new.worth)));
    }
    why
}

fn arrived(before: &Side, visit: &VisitRow) -> NewsRow {
    let why = if !before.homes.contains(&visit.home) {
        "no readings of this home in the earlier run".to_owned()
    } else if let Some(left) = before.left_off(&visit.home, &visit.fault) {
        format!("was left off: {}", left.why)
    } else {
        match before.finding(&visit.home, &visit.fault).and_then(|f| Outcome::from_code(&f.outcome)) {
            Some(Outcome::Sound) => "was assessed as sound".to_owned(),
            Some(Outcome::TooLittleData) => "there was too little data to tell".to_owned(),
            Some(Outcome::NotAssessed) => "was not assessed: an input was missing".to_owned(),
            Some(Outcome::Fault) => "was found and brought no visit".to_owned(),
            None => "was not assessed".to_owned(),
        }
    };
    let row = row("new", None, Some(visit), why);
    NewsRow { rank_before: None, ..row }
}

fn departed(before: &Side, now: &Side, visit: &VisitRow) -> NewsRow {
    let made = now.log.iter().filter(|l| l.home == visit.home && !before.log.contains(l));
    if let Some(made) = made.max_by_key(|l| l.date) {
        let found = match made.finding.as_str() {
            NOTHING_FOUND => "nothing found".to_owned(),
            OTHER_FOUND => "something else found".to_owned(),
            code => format!("found: {}", title(code)),
        };
        return row("done", Some(visit), None, format!("visited {}, {found}", words::day(made.date)));
    }
    if !now.homes.contains(&visit.home) {
        return row("unknown", Some(visit), None, "no readings of this home in this run".to_owned());
    }
    if let Some(left) = now.left_off(&visit.home, &visit.fault) {
        return row("left_off", Some(visit), None, left.why.clone());
    }
    let finding = now.finding(&visit.home, &visit.fault);
    let (change, why) = match finding.and_then(|f| Outcome::from_code(&f.outcome)) {
        Some(Outcome::Sound) => ("cleared", "is assessed as sound now".to_owned()),
        Some(Outcome::Fault) => match now.left_off.iter().find(|l| l.home == visit.home) {
            Some(left) => ("left_off", left.why.clone()),
            None => (
                "left_off",
                "is still found, and is settled by telephone first or folded into another".to_owned(),
            ),
        },
        Some(Outcome::TooLittleData) => ("unknown", "there is too little data to tell now".to_owned()),
        Some(Outcome::NotAssessed) | None => ("unknown", "is not assessed in this run".to_owned()),
    };
    row(change, Some(visit), None, why)
}

fn title(code: &str) -> String {
    Fault::from_code(code).map_or_else(|| code.to_owned(), |f| f.title().to_owned())
}

/// Lines for a terminal: a heading a kind of change and a line or two a home, at most `most` homes a kind; text is made visible by
/// whoever prints it.
#[must_use]
pub fn lines(rows: &[NewsRow], most: usize) -> String {
    if rows.is_empty() {
        return "Both lists are alike: same homes, same ranks, no worth that changed by a tenth.\n"
            .to_owned();
    }
    let mut out = String::new();
    for (kind, heading) in KINDS {
        let of_kind: Vec<&NewsRow> = rows.iter().filter(|r| r.change == kind).collect();
        if of_kind.is_empty() {
            continue;
        }
        out.push_str(&format!("{heading} ({})\n", of_kind.len()));
        for row in of_kind.iter().take(most) {
            let safety = if row.safety { "  ! safety first" } else { "" };
            out.push_str(&format!("  {}  {}  {}{safety}\n", ranks(row), row.home, row.problem));
            out.push_str(&format!("      {}\n", row.why));
        }
        if of_kind.len() > most {
            out.push_str(&format!("  and {} more: --json tells all\n", of_kind.len() - most));
        }
        out.push('\n');
    }
    out
}

/// "rank 5 to 3", "rank 3, new" or "was rank 5".
#[must_use]
pub fn ranks(row: &NewsRow) -> String {
    match (row.rank_before, row.rank_now) {
        (Some(was), Some(is)) if was == is => format!("rank {is} as before"),
        (Some(was), Some(is)) => format!("rank {was} to {is}"),
        (None, Some(is)) => format!("rank {is}"),
        (Some(was), None) => format!("was rank {was}"),
        (None, None) => String::new(),
    }
}

#[cfg(test)]
#[path = "news_tests.rs"]
mod tests;
