//! The score card of a run, and several cards pooled.

use std::collections::BTreeMap;

use drawoff_contract::Fault;
use drawoff_contract::habit_tables::VacancyRow;
use drawoff_contract::results::{DayRow, DrawOffRow, FindingRow, HomeRow, VisitRow};

use crate::amounts::{AmountScore, HomeResults};
use crate::calls::CallScore;
use crate::groups::GroupScore;
use crate::list::ListScore;
use crate::loss::LossScore;
use crate::part::Half;
use crate::trial::reliability::Prediction;
use crate::truth::Truth;
use crate::vacancy::VacancyScore;

/// Interval of the exports that most fleets send, 5 min (common practice, no source).
pub const DEFAULT_INTERVAL_MS: i64 = 300_000;

/// The results of one run. Homes that truth lacks are not scored.
#[derive(Clone, Copy, Debug)]
pub struct Run<'a> {
    /// Homes table.
    pub homes: &'a [HomeRow],
    /// Days table, local days.
    pub days: &'a [DayRow],
    /// Draw-offs table.
    pub draw_offs: &'a [DrawOffRow],
    /// Findings table.
    pub findings: &'a [FindingRow],
    /// Service list.
    pub visits: &'a [VisitRow],
    /// Empty days.
    pub vacancy: &'a [VacancyRow],
    /// Number of probes by home, to score draw-offs by it.
    pub probes: Option<&'a BTreeMap<String, usize>>,
    /// Interval of the readings, ms: tolerance of draw-off times, and half the gap within a draw-off group.
    pub interval_ms: i64,
}

impl Default for Run<'_> {
    fn default() -> Self {
        Self {
            homes: &[],
            days: &[],
            draw_offs: &[],
            findings: &[],
            visits: &[],
            vacancy: &[],
            probes: None,
            interval_ms: DEFAULT_INTERVAL_MS,
        }
    }
}

/// How a run compares with truth: counts and single errors, so that cards can be pooled.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ScoreCard {
    /// Homes scored.
    pub homes: usize,
    /// Of these, homes of which the run has no row at all; their faults count as missed.
    pub homes_without_results: Vec<String>,
    /// Homes of the run that truth lacks; not scored.
    pub homes_without_truth: usize,
    /// Standing loss.
    pub loss: LossScore,
    /// Litres and kWh a day.
    pub amounts: AmountScore,
    /// Draw-off groups.
    pub groups: GroupScore,
    /// Faults.
    pub calls: CallScore,
    /// Head of the service list.
    pub list: ListScore,
    /// Vacant days.
    pub vacancy: VacancyScore,
    /// Probabilities of all assessed findings.
    pub predictions: Vec<Prediction>,
}

/// Scores the homes of one half of a fleet.
#[must_use]
pub fn score(run: &Run<'_>, truth: &Truth, half: Half) -> ScoreCard {
    let homes = by_home(run.homes, |r| &r.home);
    let days = by_home(run.days, |r| &r.home);
    let draw_offs = by_home(run.draw_offs, |r| &r.home);
    let findings = by_home(run.findings, |r| &r.home);
    let vacancy = by_home(run.vacancy, |r| &r.home);
    let mut card = ScoreCard { list: ListScore::of(run.visits, truth, half), ..ScoreCard::default() };
    card.homes_without_truth =
        homes.keys().filter(|h| half.contains(h) && !truth.homes.contains_key(**h)).count();
    for (id, home) in truth.homes.iter().filter(|(id, _)| half.contains(id)) {
        let row = homes.get(id.as_str()).and_then(|rows| rows.first()).copied();
        let its_findings = rows_of(&findings, id);
        let its_draw_offs = rows_of(&draw_offs, id);
        card.homes += 1;
        if row.is_none() && its_findings.is_empty() {
            card.homes_without_results.push(id.clone());
        }
        card.loss.push(row, home);
        card.amounts
            .push(HomeResults { home: row, days: rows_of(&days, id), draw_offs: its_draw_offs }, home);
        card.groups.push(its_draw_offs, home, run.probes.and_then(|p| p.get(id)).copied(), run.interval_ms);
        card.calls.push(id, its_findings, home);
        card.vacancy.push(rows_of(&vacancy, id), home);
        let number = card.homes;
        let said = |r: &&FindingRow| Some((Fault::from_code(&r.fault)?, r.probability?));
        card.predictions.extend(its_findings.iter().filter_map(said).map(|(fault, p)| {
            let present = home.faults.iter().any(|f| f.fault == fault);
            Prediction { home: number, fault, p, present }
        }));
    }
    card
}

/// Pools the cards of several fleets: medians and intervals are then taken over all their homes.
#[must_use]
pub fn pool(cards: &[ScoreCard]) -> ScoreCard {
    let mut pooled = ScoreCard::default();
    for card in cards {
        let before = pooled.homes;
        let moved = card.predictions.iter().map(|p| Prediction { home: p.home + before, ..*p });
        pooled.predictions.extend(moved);
        pooled.homes += card.homes;
        pooled.homes_without_results.extend_from_slice(&card.homes_without_results);
        pooled.homes_without_truth += card.homes_without_truth;
        pooled.loss.add(&card.loss);
        pooled.amounts.add(&card.amounts);
        pooled.groups.add(&card.groups);
        pooled.calls.add(&card.calls);
        pooled.list.add(&card.list);
        pooled.vacancy.add(&card.vacancy);
    }
    pooled
}

type ByHome<'a, T> = BTreeMap<&'a str, Vec<&'a T>>;

fn by_home<T>(rows: &[T], home: impl Fn(&T) -> &String) -> ByHome<'_, T> {
    let mut map: ByHome<'_, T> = BTreeMap::new();
    for row in rows {
        map.entry(home(row).as_str()).or_default().push(row);
    }
    map
}

fn rows_of<'m, 'a, T>(map: &'m ByHome<'a, T>, home: &str) -> &'m [&'a T] {
    map.get(home).map_or(&[], Vec::as_slice)
}

#[cfg(test)]
pub(crate) mod made_up {
    //! Rows with nothing in them, for tests to fill.

    use drawoff_contract::results::{DrawOffRow, FindingRow, HomeRow, VisitRow};
    use drawoff_contract::{Fault, Money, Outcome, Utc};

    use crate::truth::{TruthDay, TruthHome};

    pub(crate) const HOUR: i64 = 3_600_000;

    pub(crate) fn truth_home() -> TruthHome {
        TruthHome {
            ua_w_per_k: 2.1,
            ua_effective_w_per_k: 2.0,
            litres_per_day: 100.0,
            kwh_draw_per_day: 5.0,
            kwh_loss_per_day: 1.0,
            days: vec![TruthDay { tank_above_room_k: 30.0, ..TruthDay::default() }],
            ..TruthHome::default()
        }
    }

    pub(crate) fn home_row(home: &str) -> HomeRow {
        HomeRow {
            home: home.to_owned(),
            zone: "Europe/London".to_owned(),
            standing_loss_w_per_k: None,
            standing_loss_w_per_k_p05: None,
            standing_loss_w_per_k_p95: None,
            standing_loss_reported_w_per_k: None,
            standing_loss_reported_w_per_k_p05: None,
            standing_loss_reported_w_per_k_p95: None,
            standing_loss_z: None,
            long_run_w_per_k: None,
            long_run_w_per_k_p05: None,
            long_run_w_per_k_p95: None,
            surroundings_degc: None,
            surroundings_source: String::new(),
            standing_loss_kwh_per_day: None,
            loss_at_45k_kwh_per_24h: None,
            declared_loss_at_45k_kwh_per_24h: None,
            litres_per_day: None,
            energy_kwh_per_day: None,
            heater_kwh_per_day: None,
            heat_per_metered: None,
            heat_per_metered_p05: None,
            heat_per_metered_p95: None,
            flow_metered_over_heat: None,
            flow_metered_over_heat_p05: None,
            flow_metered_over_heat_p95: None,
            least_draw_off_litres: None,
            unseen_hours_per_day: None,
            mean_stored_degc: None,
            lowest_top_degc: None,
            highest_degc: None,
            v40_by_hour_litres: Vec::new(),
            weekday_draw_by_hour: Vec::new(),
            weekend_draw_by_hour: Vec::new(),
            habit_group: None,
            small_draws_per_day: None,
            shower_draws_per_day: None,
            bath_draws_per_day: None,
            good_days: 0,
            idle_segments: 0,
            verdicts: String::new(),
        }
    }

    pub(crate) fn draw_off(home: &str, start_ms: i64, end_ms: i64, litres: f64) -> DrawOffRow {
        DrawOffRow {
            home: home.to_owned(),
            start: Utc(start_ms),
            end: Utc(end_ms),
            litres,
            energy_kwh: 0.0,
            class_small: None,
            class_shower: None,
            class_bath: None,
        }
    }

    pub(crate) fn finding(home: &str, fault: Fault, outcome: Outcome) -> FindingRow {
        FindingRow {
            home: home.to_owned(),
            fault: fault.code().to_owned(),
            outcome: outcome.code().to_owned(),
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

    pub(crate) fn visit(rank: i64, home: &str, fault: Fault) -> VisitRow {
        VisitRow {
            rank,
            home: home.to_owned(),
            area: String::new(),
            fault: fault.code().to_owned(),
            problem: String::new(),
            safety: false,
            worth: Money(0),
            worth_p05: Money(0),
            worth_p95: Money(0),
            probability: 1.0,
            since: None,
            cost_per_year: Money(0),
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
            currency: String::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::made_up::{draw_off, finding, home_row, truth_home, visit};
    use super::*;
    use crate::truth::{TruthDraw, TruthFault};
    use crate::wilson::Share;
    use drawoff_contract::{Fault, FaultClass, Outcome};

    fn small_fleet() -> Truth {
        let mut truth = Truth::default();
        let mut sound = truth_home();
        sound.draws =
            vec![TruthDraw { start_ms: 0, end_ms: 60_000, litres: 8.0, outlet_degc: 55.0, kwh: 0.4 }];
        truth.homes.insert("a".to_owned(), sound);
        let mut stuck = truth_home();
        stuck.faults = vec![TruthFault { fault: Fault::StuckOn, onset_ms: None, level: None }];
        truth.homes.insert("b".to_owned(), stuck);
        truth
    }

    #[test]
    fn pooled_cards_count_all_homes() {
        let truth = small_fleet();
        let homes = [home_row("a"), home_row("z")];
        let draw_offs = [draw_off("a", 0, 300_000, 7.0)];
        let findings = [finding("b", Fault::StuckOn, Outcome::Fault)];
        let visits = [visit(1, "b", Fault::StuckOn)];
        let probes = BTreeMap::from([("a".to_owned(), 4)]);
        let run = Run {
            homes: &homes,
            draw_offs: &draw_offs,
            findings: &findings,
            visits: &visits,
            probes: Some(&probes),
            ..Run::default()
        };
        let card = score(&run, &truth, Half::All);
        assert_eq!((card.homes, card.homes_without_truth, card.homes_without_results.len()), (2, 1, 0));
        assert_eq!(card.groups.by_time.by_probes[&4].f1(), Some(1.0));
        let nothing = score(&Run::default(), &truth, Half::All);
        assert_eq!(nothing.homes_without_results, ["a", "b"]);
        let both = pool(&[card.clone(), nothing]);
        assert_eq!(both.calls.pooled(FaultClass::Equipment).recall(), Share::new(1, 2));
        assert_eq!(both.list.right_kind, Share::new(1, 2));
        assert_eq!(pool(std::slice::from_ref(&card)), card);
        // The halves together are the whole.
        let halves = pool(&[score(&run, &truth, Half::Even), score(&run, &truth, Half::Odd)]);
        assert_eq!(
            halves.calls.pooled(FaultClass::Equipment).recall(),
            card.calls.pooled(FaultClass::Equipment).recall()
        );
        assert_eq!(halves.homes, card.homes);
    }
}
