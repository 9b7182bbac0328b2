//! Days of visits: homes of one area together, a number of visits a day, danger first.

use std::collections::BTreeMap;

use drawoff_contract::plan_tables::{RoundRow, VanRow};
use drawoff_contract::results::VisitRow;
use drawoff_contract::{Fault, Money};

use crate::learning::Learned;
use crate::parts::load;
use crate::settings::WorthSettings;

/// The listed visits as rounds, in the order in which to drive them.
///
/// Each area's visits are cut in days, by rank. What is left of an area and fills less than half a day is put together with the
/// same of other areas, one area after the other, and so are homes without an area. A round with danger goes before one without, then the larger
/// worth. A week has as many rounds as it takes to make its visits.
#[must_use]
pub fn rounds(visits: &[VisitRow], settings: &WorthSettings, learned: &Learned) -> Vec<RoundRow> {
    let a_day = settings.visits_per_day.max(1);
    let days = settings.visits_per_week.div_ceil(a_day).max(1);
    let mut by_area: BTreeMap<&str, Vec<&VisitRow>> = BTreeMap::new();
    for visit in visits {
        by_area.entry(&visit.area).or_default().push(visit);
    }
    let mut left: Vec<&VisitRow> = by_area.remove("").unwrap_or_default();
    let mut all: Vec<Vec<&VisitRow>> = Vec::new();
    for of_area in by_area.into_values() {
        for day in of_area.chunks(a_day) {
            if 2 * day.len() >= a_day { all.push(day.to_vec()) } else { left.extend(day) }
        }
    }
    // Homes of one area follow each other, the area of the best rank first; a home without an area stands for itself.
    let mut best: BTreeMap<&str, i64> = BTreeMap::new();
    for visit in left.iter().filter(|v| !v.area.is_empty()) {
        let rank = best.entry(&visit.area).or_insert(visit.rank);
        *rank = visit.rank.min(*rank);
    }
    left.sort_by_key(|v| (best.get(v.area.as_str()).copied().unwrap_or(v.rank), v.rank));
    all.extend(left.chunks(a_day).map(<[&VisitRow]>::to_vec));
    let first_rank = |day: &[&VisitRow]| day.first().map_or(i64::MAX, |v| v.rank);
    let worth = |day: &[&VisitRow]| day.iter().fold(0_i64, |sum, v| sum.saturating_add(v.worth.0));
    let danger = |day: &[&VisitRow]| day.iter().any(|v| v.safety);
    all.sort_by(|a, b| {
        danger(b).cmp(&danger(a)).then(worth(b).cmp(&worth(a))).then(first_rank(a).cmp(&first_rank(b)))
    });
    let row = |i: usize, place: usize, v: &VisitRow| RoundRow {
        round: i as i64 + 1,
        week: (i / days) as i64 + 1,
        day: (i % days) as i64 + 1,
        place: place as i64 + 1,
        area: v.area.clone(),
        home: v.home.clone(),
        fault: v.fault.clone(),
        rank: v.rank,
        minutes: Fault::from_code(&v.fault).map_or(0.0, |f| learned.minutes(f, v.probability)),
        worth: Money(v.worth.0),
        currency: v.currency.clone(),
    };
    all.iter()
        .enumerate()
        .flat_map(|(i, day)| day.iter().enumerate().map(move |(place, v)| row(i, place, v)))
        .collect()
}

/// What to load for each round: a part for every visit that wants one, tools once.
#[must_use]
pub fn van(rounds: &[RoundRow], visits: &[VisitRow]) -> Vec<VanRow> {
    let probability: BTreeMap<&str, f64> = visits.iter().map(|v| (v.home.as_str(), v.probability)).collect();
    // Parts before tools, each by name.
    let mut items: BTreeMap<(i64, i64, &str, &str), (i64, f64)> = BTreeMap::new();
    for row in rounds {
        let Some(fault) = Fault::from_code(&row.fault) else { continue };
        let load = load(fault);
        let p = probability.get(row.home.as_str()).copied().unwrap_or(0.0);
        for (kind, list) in [("part", load.parts), ("tool", load.tools)] {
            for item in list {
                let entry = items.entry((row.round, row.week, kind, *item)).or_default();
                *entry = (entry.0 + 1, entry.1 + p);
            }
        }
    }
    items
        .into_iter()
        .map(|((round, week, kind, item), (visits, expected))| VanRow {
            round,
            week,
            item: item.to_owned(),
            kind: kind.to_owned(),
            count: if kind == "part" { visits } else { 1 },
            expected: (kind == "part").then_some(expected),
            visits,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::background::Background;
    use crate::rank::made_up::{cylinder, found, two_rates};
    use crate::rank::rank;

    /// Visits of homes in these areas, the first the most worth; the second home's heater will not stop.
    fn visits(areas: &[&str]) -> Vec<VisitRow> {
        let name = |i: usize| format!("h{i:02}");
        let cylinders = areas.iter().enumerate().map(|(i, area)| {
            let mut c = cylinder(&name(i), "flat");
            (*area).clone_into(&mut c.area);
            (name(i), c)
        });
        let findings: Vec<_> = (0..areas.len())
            .map(|i| {
                let fault = if i == 1 { Fault::StuckOn } else { Fault::ElementHalf };
                found(&name(i), fault, 0.9, 3000.0 - 100.0 * i as f64)
            })
            .collect();
        rank(&findings, &cylinders.collect(), &two_rates(), &Background::default()).unwrap().visits
    }

    fn planned(areas: &[&str], a_day: usize) -> (Vec<RoundRow>, Vec<VisitRow>) {
        let visits = visits(areas);
        let settings = WorthSettings { visits_per_day: a_day, visits_per_week: 2 * a_day, ..two_rates() };
        (rounds(&visits, &settings, &Learned::default()), visits)
    }

    #[test]
    fn neighbours_share_a_day_and_danger_goes_first() {
        let (rounds, _) =
            planned(&["north", "south", "north", "south", "north", "south", "north", "east", ""], 3);
        let of = |round: i64| -> Vec<&str> {
            rounds.iter().filter(|r| r.round == round).map(|r| r.home.as_str()).collect()
        };
        // South holds the heater that will not stop; north fills a day; its fourth home goes with east and the unknown.
        assert_eq!(of(1), ["h01", "h03", "h05"]);
        assert_eq!(of(2), ["h00", "h02", "h04"]);
        assert_eq!(of(3), ["h06", "h07", "h08"]);
        let weeks: Vec<(i64, i64)> = [0, 3, 6].iter().map(|&i| (rounds[i].week, rounds[i].day)).collect();
        assert_eq!(weeks, [(1, 1), (1, 2), (2, 1)]);
    }

    #[test]
    fn nobody_drives_back_and_forth_between_areas() {
        let (rounds, _) = planned(&["east", "west", "east", "west", ""], 5);
        let homes: Vec<&str> = rounds.iter().map(|r| r.home.as_str()).collect();
        // West holds the danger and so the best rank.
        assert_eq!(homes, ["h01", "h03", "h00", "h02", "h04"]);
    }

    #[test]
    fn every_visit_is_made_once() {
        let (rounds, visits) = planned(&["a", "b", "a", "c", "c", "", "a", "b", "a", "d", "e"], 4);
        let mut ranks: Vec<i64> = rounds.iter().map(|r| r.rank).collect();
        ranks.sort_unstable();
        assert_eq!(ranks, (1..=visits.len() as i64).collect::<Vec<_>>());
        let most = (1..=9).map(|n| rounds.iter().filter(|r| r.round == n).count()).max();
        assert_eq!(most, Some(4));
    }

    #[test]
    fn the_van_holds_a_part_for_each_and_a_tool_for_all() {
        let (rounds, visits) = planned(&["north", "south", "north", "north"], 3);
        let van = van(&rounds, &visits);
        let north = rounds.iter().find(|r| r.area == "north").unwrap().round;
        let element =
            van.iter().find(|v| v.round == north && v.item.contains("element of the register")).unwrap();
        assert_eq!((element.count, element.visits, element.kind.as_str()), (3, 3, "part"));
        assert!((element.expected.unwrap() - 2.7).abs() < 1e-9);
        let meter = van.iter().find(|v| v.round == north && v.item == "multimeter").unwrap();
        assert_eq!((meter.count, meter.visits, meter.expected), (1, 3, None));
    }
}
