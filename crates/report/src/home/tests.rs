use drawoff_contract::{Day, Utc};

use super::*;
use crate::text::width;

/// 12 January 2026, 00:00 UTC.
const START_MS: i64 = 1_768_176_000_000;
const DAY_MS: i64 = 86_400_000;
const HOSTILE: &str = "</title><script>alert(1)</script>\u{1b}[31m\u{202e}\"'x";

/// A visit for one fault.
pub(super) fn visit_of(fault: &str, since: Option<i64>) -> VisitRow {
    let money = drawoff_contract::Money(1_000_000);
    VisitRow {
        rank: 1,
        home: "a".to_owned(),
        area: String::new(),
        fault: fault.to_owned(),
        problem: HOSTILE.to_owned(),
        safety: false,
        worth: money,
        worth_p05: money,
        worth_p95: money,
        probability: 0.8,
        since: since.map(Utc),
        cost_per_year: money,
        cost_per_year_p05: money,
        cost_per_year_p95: money,
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

fn finding(fault: &str, outcome: &str, probability: Option<f64>) -> FindingRow {
    FindingRow {
        home: "a".to_owned(),
        fault: fault.to_owned(),
        outcome: outcome.to_owned(),
        probability,
        onset: None,
        effect: Some(0.31),
        statistic: "l/min".to_owned(),
        margin: None,
        evidence_days: 20,
        energy_kwh_per_year: Some(700.0),
        energy_kwh_per_year_p05: Some(500.0),
        energy_kwh_per_year_p95: Some(900.0),
        evidence_for: format!("Cold comes in at night. {HOSTILE}"),
        evidence_against: "Nothing speaks against it.".to_owned(),
        missing: "power".to_owned(),
        folded_under: String::new(),
    }
}

fn story() -> HomeStory {
    let day = |i: i32| DayRow {
        home: "a".to_owned(),
        day: Day(20_465 + i),
        day_start_utc: Utc(START_MS + i64::from(i) * DAY_MS),
        hours: 24.0,
        litres: Some(100.0 + f64::from(i)),
        energy_kwh: (i != 3).then_some(4.0),
        heater_kwh: Some(5.5),
        loss_kwh: Some(1.2),
        mean_stored_degc: Some(52.0),
    };
    let draw = |i: i64| DrawOffRow {
        home: "a".to_owned(),
        start: Utc(START_MS + i * DAY_MS + 7 * 3_600_000),
        end: Utc(START_MS + i * DAY_MS + 7 * 3_600_000 + 300_000),
        litres: 40.0,
        energy_kwh: 1.9,
        class_small: Some(0.05),
        class_shower: Some(0.9),
        class_bath: Some(0.05),
    };
    HomeStory {
        home: format!("a{HOSTILE}"),
        findings: vec![
            finding("leak_steady", "fault", Some(0.7)),
            finding("stuck_on", "fault", Some(0.95)),
            finding("element_open", "not_assessed", None),
            finding("destratified", "sound", Some(0.01)),
        ],
        days: (0..12).map(day).collect(),
        draws: (0..12).map(draw).collect(),
        vacancy: vec![VacancyRow {
            home: "a".to_owned(),
            day: Day(20_468),
            state: drawoff_contract::habit_tables::VACANT.to_owned(),
            probability: Some(0.9),
        }],
        ..HomeStory::default()
    }
}

#[test]
fn the_surest_finding_comes_first_and_every_outcome_is_told() {
    let lines = lines(&story(), 80);
    let place = |what: &str| lines.find(what).unwrap_or_else(|| panic!("{what} is not in\n{lines}"));
    assert!(place("Heater will not stop: 95 %") < place("Steady loss of hot water: 70 %"));
    place("700 (500 to 900) kWh a year");
    place("not assessed, needs power");
    place("Stratification lost");
    assert!(lines.lines().filter(|l| l.contains("Jan 2026")).count() >= 7);
}

#[test]
fn lines_keep_their_width_and_steer_no_terminal() {
    for columns in [10, 60, 80, 132] {
        for line in lines(&story(), columns).lines() {
            assert!(width(line) <= columns.max(50), "{columns}: {line}");
            assert!(!line.chars().any(crate::text::is_hidden), "{line:?}");
        }
    }
}

#[test]
fn effects_are_told_with_a_true_sign_and_a_readable_unit() {
    let mut story = story();
    story.findings[3].effect = Some(-0.001);
    story.findings[3].statistic = "minutes at 60 degC".to_owned();
    story.findings[1].effect = Some(-1.5);
    let page = page(&story);
    assert!(
        page.contains("sound; 0.00 (minutes at 60 °C)") && page.contains("\u{2212}1.50 (l/min)"),
        "{page}"
    );
}

#[test]
fn text_from_data_is_no_markup() {
    let page = page(&story());
    assert!(!page.contains("<script") && !page.contains('\u{202e}') && !page.contains('\u{1b}'));
    assert_eq!(page.matches("</title>").count(), 3, "the page's own, and those of the plots by day and week");
    assert!(page.contains("&lt;script&gt;"));
    assert!(!page.contains("http://") && !page.contains("https://"));
}

#[test]
fn a_home_without_rows_is_not_known_and_still_gives_a_page() {
    let nothing = HomeStory { home: "b".to_owned(), ..HomeStory::default() };
    assert!(!nothing.is_known() && story().is_known());
    assert!(lines(&nothing, 80).contains("no fault stands out"));
    assert!(page(&nothing).contains("No use and no heating was seen"));
}

/// Two years of a home with twelve noisy probes, a leak that began, two elements and a draw-off an hour: all that a page can hold.
#[test]
fn the_page_of_a_long_record_stays_small() {
    const DAYS: i32 = 730;
    let onset = START_MS + i64::from(DAYS - 2) * DAY_MS;
    let days = i64::from(DAYS);
    let mut story = story();
    let (day, draw, found) = (story.days[0].clone(), story.draws[0].clone(), story.findings[0].clone());
    story.visit = Some(visit_of("leak_steady", Some(onset)));
    story.days = (0..DAYS).map(|i| DayRow { day: Day(20_465 + i), ..day.clone() }).collect();
    story.draws =
        (0..days * 24).map(|h| DrawOffRow { start: Utc(START_MS + h * 3_600_000), ..draw.clone() }).collect();
    story.findings = Fault::ALL
        .iter()
        .map(|f| FindingRow { fault: f.code().to_owned(), outcome: "sound".to_owned(), ..found.clone() })
        .collect();
    story.findings[7] = FindingRow { fault: "leak_steady".to_owned(), ..found };
    story.evidence = (1..=4 * 288)
        .map(|i| EvidenceRow {
            home: String::new(),
            time: Utc(onset - 2 * DAY_MS + i * 300_000),
            probes_degc: (0..12_i64).map(|p| ((i * 7919 + p * 104_729) % 900) as f32 / 10.0).collect(),
            power_w: Some((i % 2) as f64 * 3000.0),
            call: Some((i % 3) as f64),
            surroundings_degc: Some(18.0),
        })
        .collect();
    story.cylinder = Some(CylinderRow {
        home: String::new(),
        volume_l: Some(300.0),
        heat_source: "element".to_owned(),
        is_diverter: true,
        set_point_degc: Some(60.0),
        probe_heights: (0..12_u8).map(|p| 1.0 - f32::from(p) / 12.0).collect(),
        element_rated_w: vec![3000.0, 2500.0],
        element_heights: vec![0.1, 0.6],
        source_rated_w: None,
    });
    story.power = (0..DAYS)
        .map(|i| PowerNote {
            home: String::new(),
            day: Day(20_465 + i),
            element_full_power_w: vec![2900.0 + (i % 90) as f32, 2400.0 + (i % 80) as f32],
        })
        .collect();
    story.cooling = (0..days * 2)
        .map(|i| CoolingRow {
            home: String::new(),
            start: Utc(START_MS + i * DAY_MS / 2),
            end: Utc(START_MS + i * DAY_MS / 2 + 7_200_000),
            hours: 2.0 + (i % 7) as f64,
            lift_k: 40.0,
            fall_k: 0.5 + (i % 11) as f64 / 10.0,
            fitted_fall_k: 0.6,
            declared_fall_k: Some(0.4),
        })
        .collect();
    let page = page(&story);
    for id in [
        "plot-0",
        "heights",
        "front-before",
        "front-after",
        "cooling",
        "power-0",
        "power-1",
        "by-day",
        "week",
    ] {
        assert!(page.contains(&format!("id=\"{id}-title\"")), "{id}");
    }
    // What this home lacks: four plots of its fleet of 300 lines each, words of the visit, figures of the cylinder.
    const MORE_BYTES: usize = 18_000 + 10_000;
    assert!(page.len() <= 150_000 - MORE_BYTES, "{} bytes", page.len());
}

#[test]
fn every_verdict_of_the_readings_has_words() {
    // The names are given in `homes::verdicts`; an unknown one is shown as it is rather than dropped.
    assert_eq!(verdicts::in_words("use.no_draws, new.verdict"), ["no draw-off was seen", "new.verdict"]);
    assert!(verdicts::in_words("").is_empty());
}
