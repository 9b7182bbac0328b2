//! Prints the page of an invented fleet: `cargo run -p drawoff-report --example demo_page > page.html`.

use std::collections::BTreeMap;
use std::io::Write;

use drawoff_contract::results::{EvidenceRow, FindingRow, HomeRow, QualityRow, VisitRow};
use drawoff_contract::{Fault, Money, Utc};
use drawoff_report::PageInput;

const STEP_MS: i64 = 300_000;
const DAY_MS: i64 = 86_400_000;
/// 12 January 2026, 00:00 UTC.
const START_MS: i64 = 1_768_176_000_000;

fn main() -> std::io::Result<()> {
    let stories = [
        ("Q-0412", Fault::StuckOn, 0.995, 610, "Millbrook"),
        ("Q-0077", Fault::ThermostatHot, 0.94, 120, "Harbour side, north of the old bridge"),
        ("Q-0198", Fault::ElementOpen, 0.98, 410, "Millbrook"),
        ("Q-0233", Fault::LeakSteady, 0.91, 380, "Upper Fenwick"),
        ("Q-0051", Fault::LossDoubled, 0.83, 140, ""),
        ("Q-0300", Fault::GravityNight, 0.7, 95, "Upper Fenwick"),
        ("Q-0118-with-a-very-long-identifier-from-another-system", Fault::SensorSwap, 0.62, 9, "Millbrook"),
    ];
    let visits: Vec<VisitRow> = stories.iter().enumerate().map(|(i, s)| visit(i, *s)).collect();
    let mut evidence = Vec::new();
    for (i, visit) in visits.iter().enumerate() {
        evidence.extend(days_of(&visit.home, i));
    }
    let homes: Vec<HomeRow> = visits.iter().map(|v| home(&v.home)).collect();
    let findings = findings(&visits);
    let quality: Vec<QualityRow> = visits.iter().map(|v| quality(&v.home)).collect();
    let zones: BTreeMap<String, chrono_tz::Tz> =
        visits.iter().map(|v| (v.home.clone(), chrono_tz::Europe::London)).collect();
    let set_points = visits.iter().map(|v| (v.home.clone(), 60.0)).collect();
    let notes = ["Invented homes, for looking at the page only.".to_owned()];
    let page = drawoff_report::service_list(&PageInput {
        title: "Service list: invented fleet",
        currency: "GBP",
        visits: &visits,
        evidence: &evidence,
        homes: &homes,
        findings: &findings,
        counted: &drawoff_report::Counted::of(&findings),
        quality: &quality,
        zones: &zones,
        set_points: &set_points,
        max_cards: 6,
        notes: &notes,
        plan: drawoff_report::PlanTables::default(),
        news: None,
        hrefs: None,
    });
    let mut out = std::io::stdout().lock();
    if std::env::args().nth(1).as_deref() == Some("terminal") {
        return out.write_all(drawoff_report::terminal::top_of_list(&visits, 80, 5).as_bytes());
    }
    out.write_all(page.as_bytes())
}

fn visit(i: usize, (home, fault, probability, cost, area): (&str, Fault, f64, i64, &str)) -> VisitRow {
    VisitRow {
        rank: i as i64 + 1,
        home: home.to_owned(),
        area: area.to_owned(),
        fault: fault.code().to_owned(),
        problem: fault.title().to_owned(),
        safety: fault.is_safety(),
        worth: Money(cost * 800_000),
        worth_p05: Money(cost * 800_000),
        worth_p95: Money(cost * 800_000),
        probability,
        since: (i != 1).then_some(Utc(START_MS + DAY_MS + 31 * 3_600_000)),
        cost_per_year: Money(cost * 1_000_000),
        cost_per_year_p05: Money(cost * 700_000),
        cost_per_year_p95: Money(cost * 1_400_000),
        carbon_kg_per_year: (i != 1).then_some(cost as f64 * 0.6),
        bring: "Immersion element of the same rating, sealing washer, thermostat, insulated tools, clamp meter."
            .to_owned(),
        check_first: "Is the isolator on and the fuse whole? Then resistance of the element, cold and isolated.".to_owned(),
        caution: "Mains electricity: isolate, lock off, prove dead. Water of 60 °C and more scalds.".to_owned(),
        reason: "Called for 9.4 h on each of the last 11 days; power stayed under 15 W; the top probe fell from 58 to 31 °C."
            .to_owned(),
        also: if i == 2 { "Probe reads off (72 %)".to_owned() } else { String::new() },
        last_visit: None,
        last_finding: None,
        currency: "GBP".to_owned(),
    }
}

/// Two pairs of days with a week between, five probes, a heater in the morning.
fn days_of(home: &str, i: usize) -> Vec<EvidenceRow> {
    let mut rows = Vec::new();
    let mut stored: [f64; 5] = [58.0, 56.0, 50.0, 40.0, 28.0];
    for day in [0, 1, 2, 9, 10] {
        for step in 1..=288_i64 {
            let hour = step as f64 / 12.0;
            let broken = i != 4 && day >= 2;
            let called = (5.0..8.0).contains(&hour) || (broken && stored[0] < 50.0);
            let on = called && !(broken && i == 2);
            for (n, t) in stored.iter_mut().enumerate() {
                let heat = if on { 0.55 + 0.12 * n as f64 } else { 0.0 };
                let draw =
                    if (7.5..8.0).contains(&hour) || (18.0..18.6).contains(&hour) { n as f64 } else { 0.0 };
                *t = (*t + heat - 0.0009 * (*t - 18.0) - draw * 0.9).clamp(11.0, 61.0);
            }
            rows.push(EvidenceRow {
                home: home.to_owned(),
                time: Utc(START_MS + day * DAY_MS + step * STEP_MS),
                probes_degc: stored.iter().map(|&t| ((t * 10.0).round() / 10.0) as f32).collect(),
                power_w: (i != 3).then_some(if on { 2850.0 } else { 0.0 }),
                call: (i != 0).then_some(f64::from(called)),
                surroundings_degc: Some(18.0),
            });
        }
    }
    rows
}

fn home(home: &str) -> HomeRow {
    HomeRow {
        home: home.to_owned(),
        zone: "Europe/London".to_owned(),
        standing_loss_w_per_k: Some(2.13),
        standing_loss_w_per_k_p05: Some(1.88),
        standing_loss_w_per_k_p95: Some(2.41),
        standing_loss_reported_w_per_k: None,
        standing_loss_reported_w_per_k_p05: None,
        standing_loss_reported_w_per_k_p95: None,
        standing_loss_z: None,
        long_run_w_per_k: None,
        long_run_w_per_k_p05: None,
        long_run_w_per_k_p95: None,
        surroundings_degc: Some(18.0),
        surroundings_source: "measured".to_owned(),
        standing_loss_kwh_per_day: Some(1.9),
        loss_at_45k_kwh_per_24h: Some(2.3),
        declared_loss_at_45k_kwh_per_24h: Some(1.6),
        litres_per_day: Some(124.0),
        energy_kwh_per_day: Some(5.1),
        heater_kwh_per_day: Some(7.4),
        heat_per_metered: None,
        heat_per_metered_p05: None,
        heat_per_metered_p95: None,
        flow_metered_over_heat: None,
        flow_metered_over_heat_p05: None,
        flow_metered_over_heat_p95: None,
        least_draw_off_litres: None,
        unseen_hours_per_day: None,
        mean_stored_degc: Some(47.0),
        lowest_top_degc: Some(31.0),
        highest_degc: Some(61.0),
        v40_by_hour_litres: Vec::new(),
        weekday_draw_by_hour: Vec::new(),
        weekend_draw_by_hour: Vec::new(),
        habit_group: None,
        small_draws_per_day: None,
        shower_draws_per_day: None,
        bath_draws_per_day: None,
        good_days: 27,
        idle_segments: 80,
        verdicts: String::new(),
    }
}

fn findings(visits: &[VisitRow]) -> Vec<FindingRow> {
    let mut rows = Vec::new();
    for (i, visit) in visits.iter().enumerate() {
        for (n, fault) in Fault::ALL.iter().enumerate() {
            let listed = fault.code() == visit.fault;
            let outcome = match (listed, (i + n) % 9) {
                (true, _) => "fault",
                (false, 0) => "not_assessed",
                (false, 1) => "too_little_data",
                (false, 2) if n > 12 => "fault",
                _ => "sound",
            };
            rows.push(FindingRow {
                home: visit.home.clone(),
                fault: fault.code().to_owned(),
                outcome: outcome.to_owned(),
                probability: listed.then_some(visit.probability),
                onset: None,
                effect: None,
                statistic: String::new(),
                margin: None,
                evidence_days: 11,
                energy_kwh_per_year: None,
                energy_kwh_per_year_p05: None,
                energy_kwh_per_year_p95: None,
                evidence_for: String::new(),
                evidence_against: "One morning of heat on the third day.".to_owned(),
                missing: if outcome == "not_assessed" { "heater power".to_owned() } else { String::new() },
                folded_under: String::new(),
            });
        }
    }
    rows
}

fn quality(home: &str) -> QualityRow {
    QualityRow {
        home: home.to_owned(),
        rows_in: 8064,
        rows_used: 8040,
        rows_masked: 20,
        rows_rejected: 4,
        values_in: 64_512,
        values_used: 64_000,
        values_masked: 400,
        values_absent: 112,
        by_reason: "spike 20/400".to_owned(),
        rows_out_of_order: 3,
        rows_missing: 12,
        longest_gap_hours: 0.5,
        stamps_doubled: 0,
        register_restarts: 0,
        change_of_hour_days: 0,
    }
}
