use drawoff_contract::{Day, Utc};

use super::*;
use crate::text::width;

/// 12 January 2026, 00:00 UTC.
const START_MS: i64 = 1_768_176_000_000;
const DAY_MS: i64 = 86_400_000;
const HOSTILE: &str = "</title><script>alert(1)</script>\u{1b}[31m\u{202e}\"'x";

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

#[test]
fn every_verdict_of_the_readings_has_words() {
    // The names are given in `homes::verdicts`; an unknown one is shown as it is rather than dropped.
    assert_eq!(verdicts::in_words("use.no_draws, new.verdict"), ["no draw-off was seen", "new.verdict"]);
    assert!(verdicts::in_words("").is_empty());
}
