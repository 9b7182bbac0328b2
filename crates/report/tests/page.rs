//! The page as a whole: hostile data, size, determinism, what a reader needs.

use std::collections::BTreeMap;

use chrono_tz::Tz;
use drawoff_contract::results::{EvidenceRow, FindingRow, QualityRow, VisitRow};
use drawoff_contract::{Day, Money, Utc};
use drawoff_report::{PageInput, service_list};

const HOSTILE: &[&str] = &[
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "' onmouseover='alert(1)",
    "</title></style></svg><svg onload=alert(1)>",
    "<!-- --> ]]> &lt;b&gt; &#60;b&#62;",
    "a\u{202e}b\u{2066}c\u{200f}d\u{0}e\u{1b}[31mf\u{9b}g\r\n\u{2028}h\u{feff}i\u{e0041}j",
    "javascript:alert(1)",
    "{{7*7}} ${7*7} %s %n",
];

/// 12 January 2026, 00:00 UTC.
const START_MS: i64 = 1_768_176_000_000;

fn visit(rank: i64, text: &str) -> VisitRow {
    let all = || text.to_owned();
    VisitRow {
        rank,
        home: format!("{rank} {text}"),
        area: all(),
        fault: all(),
        problem: all(),
        safety: rank == 1,
        worth: Money(1),
        worth_p05: Money(1),
        worth_p95: Money(1),
        probability: 0.5,
        since: Some(Utc(START_MS + 3_600_000)),
        cost_per_year: Money(120_000_000),
        cost_per_year_p05: Money(90_000_000),
        cost_per_year_p95: Money(150_000_000),
        carbon_kg_per_year: Some(412.4),
        bring: all(),
        check_first: all(),
        caution: all(),
        reason: all(),
        also: all(),
        last_visit: Some(Day(20_460)),
        last_finding: Some(all()),
        currency: all(),
    }
}

fn finding(home: &str, text: &str, outcome: &str, fault: &str) -> FindingRow {
    FindingRow {
        home: home.to_owned(),
        fault: fault.to_owned(),
        outcome: outcome.to_owned(),
        probability: None,
        onset: None,
        effect: None,
        statistic: text.to_owned(),
        margin: None,
        evidence_days: 0,
        energy_kwh_per_year: None,
        energy_kwh_per_year_p05: None,
        energy_kwh_per_year_p95: None,
        evidence_for: text.to_owned(),
        evidence_against: text.to_owned(),
        missing: text.to_owned(),
        folded_under: String::new(),
    }
}

fn quality(home: &str) -> QualityRow {
    QualityRow {
        home: home.to_owned(),
        rows_in: i64::MAX,
        rows_used: 2,
        rows_masked: 0,
        rows_rejected: -4,
        values_in: 2,
        values_used: 2,
        values_masked: 0,
        values_absent: 0,
        by_reason: String::new(),
        rows_out_of_order: 0,
        rows_missing: 0,
        longest_gap_hours: f64::NAN,
        stamps_doubled: 0,
        register_restarts: 0,
        change_of_hour_days: 0,
    }
}

fn readings(home: &str, days: i64, probes: usize, value: impl Fn(i64, usize) -> f32) -> Vec<EvidenceRow> {
    (1..=days * 288)
        .map(|i| EvidenceRow {
            home: home.to_owned(),
            time: Utc(START_MS + i * 300_000),
            probes_degc: (0..probes).map(|p| value(i, p)).collect(),
            power_w: Some(if i % 2 == 0 { 3000.0 } else { 0.0 }),
            call: Some((i % 3) as f64),
            surroundings_degc: Some(18.0),
        })
        .collect()
}

fn page(
    title: &str,
    visits: &[VisitRow],
    evidence: &[EvidenceRow],
    findings: &[FindingRow],
    zone: Tz,
) -> String {
    let quality: Vec<QualityRow> = visits.iter().map(|v| quality(&v.home)).collect();
    let zones: BTreeMap<String, Tz> = visits.iter().map(|v| (v.home.clone(), zone)).collect();
    let set_points: BTreeMap<String, f64> = visits.iter().map(|v| (v.home.clone(), 60.0)).collect();
    service_list(&PageInput {
        title,
        currency: "GBP",
        visits,
        evidence,
        homes: &[],
        findings,
        counted: &drawoff_report::Counted::of(findings),
        quality: &quality,
        zones: &zones,
        set_points: &set_points,
        max_cards: 50,
        notes: &[title.to_owned()],
        plan: drawoff_report::PlanTables::default(),
        news: None,
        hrefs: None,
    })
}

/// Names of all tags, in order; anything that is not a tag of ours fails.
fn tags(html: &str) -> Vec<String> {
    html.split('<')
        .skip(1)
        .map(|part| {
            let name: String = part.chars().take_while(|c| !c.is_whitespace() && *c != '>').collect();
            name.to_lowercase()
        })
        .collect()
}

#[test]
fn hostile_data_adds_no_markup_and_no_hidden_characters() {
    let build = |text: &str| {
        let visits = [visit(1, text), visit(2, text)];
        let evidence = readings(&visits[0].home, 1, 3, |_, p| 40.0 + p as f32);
        let findings = [
            finding(&visits[0].home, text, "fault", "data_gaps"),
            finding(&visits[0].home, text, "fault", text),
            finding(&visits[1].home, text, "not_assessed", "element_open"),
            finding(&visits[1].home, text, text, text),
        ];
        page(text, &visits, &evidence, &findings, Tz::UTC)
    };
    let plain = tags(&build("plain"));
    for text in HOSTILE {
        let html = build(text);
        assert_eq!(tags(&html), plain, "{text:?}");
        let hidden = |c: char| c != '\n' && drawoff_report::text::is_hidden(c);
        assert!(!html.chars().any(hidden), "{text:?}");
        assert!(!html.contains("' onmouseover='"), "{text:?}");
    }
}

#[test]
fn nothing_comes_from_outside_and_nothing_runs() {
    let visits = [visit(1, "plain")];
    let html = page("Title", &visits, &readings(&visits[0].home, 2, 4, |_, _| 50.0), &[], Tz::UTC);
    for word in
        ["http://", "https://", "//", "<script", "src=", "@import", "url(", " onload", "<link", "style=\""]
    {
        assert!(!html.contains(word), "{word}");
    }
}

#[test]
fn every_plot_has_a_title_a_description_and_a_table() {
    let visits = [visit(1, "one"), visit(2, "two")];
    let mut evidence = readings(&visits[0].home, 2, 4, |i, p| 60.0 - p as f32 - (i % 9) as f32);
    evidence.extend(readings(&visits[1].home, 1, 1, |_, _| f32::NAN));
    let html = page("Title", &visits, &evidence, &[], chrono_tz::Europe::London);
    let count = |word: &str| html.matches(word).count();
    assert_eq!(
        (count("<figure>"), count("role=\"img\""), count("<title id="), count("<desc id=")),
        (2, 2, 2, 2)
    );
    assert_eq!(count("<table class=\"hours"), 2);
    assert_eq!((count("<h1>"), count("<main>"), count("<header>"), count("<footer>")), (1, 1, 1, 1));
    assert!(html.contains("began") && html.contains("set point 60"));
    for id in html.split(" id=\"").skip(1).map(|p| p.split('"').next().unwrap()) {
        assert_eq!(html.matches(&format!(" id=\"{id}\"")).count(), 1, "{id}");
    }
    for target in html.split("href=\"#").skip(1).map(|p| p.split('"').next().unwrap()) {
        assert!(html.contains(&format!(" id=\"{target}\"")), "{target}");
    }
}

#[test]
fn a_card_stays_small_whatever_the_readings() {
    // Every value differs from its neighbours, on all of twelve probes: the worst case for a path.
    let visits = [visit(1, "noisy")];
    for (days, probes, most_bytes) in [(4, 4, 25_000), (5, 6, 30_000), (14, 12, 34_000)] {
        let noise = |i: i64, p: usize| ((i * 7919 + p as i64 * 104_729) % 900) as f32 / 10.0;
        let evidence = readings(&visits[0].home, days, probes, noise);
        let html = page("Title", &visits, &evidence, &[], Tz::UTC);
        let card = html.split("<article").nth(1).unwrap().split("</article>").next().unwrap();
        assert!(card.len() < most_bytes, "{days} days, {probes} probes: {} bytes", card.len());
    }
}

#[test]
fn the_order_of_the_readings_does_not_matter() {
    let visits = [visit(1, "x")];
    let evidence = readings(&visits[0].home, 1, 3, |i, p| (i % 50) as f32 + p as f32);
    let reversed: Vec<EvidenceRow> = evidence.iter().rev().cloned().collect();
    assert_eq!(page("T", &visits, &evidence, &[], Tz::UTC), page("T", &visits, &reversed, &[], Tz::UTC));
}

#[test]
fn absurd_readings_cost_the_plot_not_the_page() {
    let visits = [visit(1, "x")];
    let mut evidence = readings(&visits[0].home, 1, 2, |i, _| if i % 2 == 0 { f32::INFINITY } else { -1e30 });
    evidence[0].time = Utc(i64::MIN);
    evidence[1].time = Utc(i64::MAX);
    evidence[2].probes_degc = Vec::new();
    evidence[3].power_w = Some(f64::NAN);
    evidence[4].power_w = Some(-1e300);
    let html = page("T", &visits, &evidence, &[], chrono_tz::Europe::London);
    assert!(!html.contains("NaN") && !html.contains("inf"));
}

#[test]
fn an_empty_run_says_so() {
    let html = page("Empty", &[], &[], &[], Tz::UTC);
    assert!(html.contains("No visit is offered"));
    assert!(!html.contains("<article"));
}

#[test]
fn a_long_list_stays_under_half_a_megabyte() {
    let visits: Vec<VisitRow> = (1..=3000).map(|i| visit(i, "Element gives no heat")).collect();
    let html = service_list(&PageInput {
        title: "Long",
        currency: "GBP",
        visits: &visits,
        evidence: &[],
        homes: &[],
        findings: &[],
        counted: &drawoff_report::Counted::default(),
        quality: &[],
        zones: &BTreeMap::new(),
        set_points: &BTreeMap::new(),
        max_cards: 0,
        notes: &[],
        plan: drawoff_report::PlanTables::default(),
        news: None,
        hrefs: None,
    });
    assert!(html.len() < 500_000, "{}", html.len());
    assert!(html.contains("2,500 more"));
}
