//! Changes of a list, on lists written by hand.

use drawoff_contract::Day;

use super::*;

fn visit(rank: i64, home: &str, worth: i64, probability: f64) -> VisitRow {
    VisitRow {
        rank,
        home: home.to_owned(),
        area: String::new(),
        fault: "leak_steady".to_owned(),
        problem: "A leak".to_owned(),
        safety: false,
        worth: Money(worth * 1_000_000),
        worth_p05: Money(0),
        worth_p95: Money(0),
        probability,
        since: None,
        cost_per_year: Money(worth * 1_000_000),
        cost_per_year_p05: Money(0),
        cost_per_year_p95: Money(0),
        carbon_kg_per_year: None,
        bring: String::new(),
        check_first: String::new(),
        caution: String::new(),
        reason: String::new(),
        also: String::new(),
        last_visit: None,
        last_finding: None,
        currency: "GBP".to_owned(),
    }
}

fn side(homes: &[(&str, i64)]) -> Side {
    let visits: Vec<VisitRow> =
        homes.iter().zip(1..).map(|((home, worth), rank)| visit(rank, home, *worth, 0.9)).collect();
    let homes = ["a", "b", "c", "d", "e", "f"].map(str::to_owned).into();
    Side { visits, homes, ..Side::default() }
}

fn finding(outcome: &str) -> FindingRow {
    FindingRow {
        home: "a".to_owned(),
        fault: "leak_steady".to_owned(),
        outcome: outcome.to_owned(),
        probability: None,
        onset: None,
        effect: None,
        statistic: String::new(),
        margin: None,
        evidence_days: 0,
        energy_kwh_per_year: None,
        energy_kwh_per_year_p05: None,
        energy_kwh_per_year_p95: None,
        evidence_for: String::new(),
        evidence_against: String::new(),
        missing: String::new(),
        folded_under: String::new(),
    }
}

fn kinds(rows: &[NewsRow]) -> Vec<(&str, &str)> {
    rows.iter().map(|r| (r.home.as_str(), r.change.as_str())).collect()
}

#[test]
fn the_same_list_is_no_news() {
    let a = side(&[("a", 90), ("b", 80)]);
    assert_eq!(between(&a, &a), []);
    assert!(lines(&[], 5).contains("alike"));
}

#[test]
fn every_changed_rank_adds_up() {
    // a goes, f comes on top, d passes b and c.
    let before = side(&[("a", 90), ("b", 80), ("c", 70), ("d", 60), ("e", 50)]);
    let now = side(&[("f", 95), ("d", 85), ("b", 80), ("c", 70), ("e", 50)]);
    let rows = between(&before, &now);
    assert_eq!(
        kinds(&rows),
        [("f", "new"), ("d", "worse"), ("b", "moved"), ("c", "moved"), ("a", "unknown")]
    );
    for row in rows.iter().filter(|r| r.rank_before.is_some() && r.rank_now.is_some()) {
        let moved = row.arrived_before_it - row.left_before_it - row.overtook + row.overtaken_by;
        assert_eq!(row.rank_now, row.rank_before.map(|r| r + moved), "{row:?}");
    }
    let d = &rows[1];
    assert_eq!((d.arrived_before_it, d.left_before_it, d.overtook, d.overtaken_by), (1, 1, 2, 0));
    assert_eq!(
        d.why,
        "cost a year £60 to £85; worth £60 to £85; 1 home before it is gone; 1 new home comes before it; 2 homes fell behind it"
    );
}

#[test]
fn a_home_that_goes_is_done_cleared_pushed_off_or_unknown() {
    let before = side(&[("a", 90)]);
    let change = |edit: &dyn Fn(&mut Side)| {
        let mut now = side(&[]);
        edit(&mut now);
        between(&before, &now).remove(0)
    };
    let made = VisitLogRow {
        home: "a".to_owned(),
        date: Day(20_541),
        finding: NOTHING_FOUND.to_owned(),
        parts: String::new(),
        minutes: None,
    };
    let done = change(&|now| now.log.push(made.clone()));
    assert_eq!((done.change.as_str(), done.why.as_str()), ("done", "visited 29 Mar 2026, nothing found"));
    for (outcome, kind) in [("sound", "cleared"), ("too_little_data", "unknown"), ("not_assessed", "unknown")]
    {
        let row = change(&|now| {
            now.findings.insert("a".to_owned(), vec![finding(outcome)]);
        });
        assert_eq!(row.change, kind, "{outcome}");
    }
    let pushed = change(&|now| {
        now.left_off.push(LeftOffRow {
            home: "a".to_owned(),
            fault: "leak_steady".to_owned(),
            why: "rank 9 is beyond the capacity of 8 visits".to_owned(),
        });
    });
    assert_eq!(
        (pushed.change.as_str(), pushed.why.as_str()),
        ("left_off", "rank 9 is beyond the capacity of 8 visits")
    );
    assert_eq!(change(&|now| now.homes.clear()).why, "no readings of this home in this run");
    // A visit that the earlier run knew of already did not take the home off the list.
    let mut known = before.clone();
    known.log.push(made.clone());
    let mut now = side(&[]);
    now.log.push(made);
    assert_eq!(between(&known, &now)[0].change, "unknown");
}

#[test]
fn safety_and_another_story_come_before_worth() {
    let before = side(&[("a", 90), ("b", 80)]);
    let mut now = side(&[("a", 90), ("b", 80)]);
    now.visits[1].safety = true;
    now.visits[0].fault = "stuck_on".to_owned();
    let rows = between(&before, &now);
    assert_eq!(kinds(&rows), [("b", "worse"), ("a", "other_story")]);
    assert_eq!(rows[0].why, "now listed first for safety");
    assert!(rows[1].why.starts_with("was taken for: "), "{}", rows[1].why);
}

#[test]
fn the_sweep_counts_what_four_plain_passes_count() {
    // Two lists of many homes, some in one of them only, in orders of no pattern.
    let list = |factor: usize, without: usize| -> Vec<VisitRow> {
        let mut homes: Vec<usize> = (0..120).filter(|home| home % 7 != without).collect();
        homes.sort_by_key(|home| (home * factor) % 127);
        homes.iter().zip(1..).map(|(home, rank)| visit(rank, &format!("{home:03}"), 100, 0.9)).collect()
    };
    let (old, new) = (list(31, 2), list(45, 5));
    let (before, now) = (places(&old), places(&new));
    let swept = passed(&before, &now);
    let both: Vec<(&str, usize, usize)> =
        before.iter().filter_map(|(home, o)| Some((*home, o.0, now.get(home)?.0))).collect();
    assert!(both.len() > 80 && swept.len() == both.len());
    let number = |n: usize| i64::try_from(n).unwrap();
    for &(home, o, n) in &both {
        let plain = [
            now.iter().filter(|(home, at)| at.0 < n && !before.contains_key(*home)).count(),
            before.iter().filter(|(home, at)| at.0 < o && !now.contains_key(*home)).count(),
            both.iter().filter(|b| b.1 < o && b.2 > n).count(),
            both.iter().filter(|b| b.1 > o && b.2 < n).count(),
        ];
        let found = swept[home];
        assert_eq!(
            [found.arrived, found.left, found.overtook, found.overtaken_by],
            plain.map(number),
            "{home}"
        );
    }
    assert!(swept.values().any(|p| p.overtook > 0 && p.overtaken_by > 0 && p.left > 0 && p.arrived > 0));
}
