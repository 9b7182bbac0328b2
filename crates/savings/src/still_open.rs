//! What a home could still save: the best plan held against what it paid, and the single change that gets most of it.

use drawoff_contract::local::weekday;
use drawoff_tank::replay::Permit;

use crate::history::{DaySpan, History, SLOTS};
use crate::home::{Assessed, Known};
use crate::plan::{Plan, Problem, cheapest, mended};
use crate::pricing::{Bill, Carrier, Rate, bill};
use crate::replay::{Machine, Shift, replay, whole_steps};
use crate::rule::{Rule, TimedHeater};
use crate::tariff::HomeTariff;

/// One portion of the reduced state, Wh.
const PORTION_WH: f64 = 100.0;
/// Half-hours ahead whose demand must be in hot water.
const AHEAD: usize = 4;
/// Quantile of that demand.
const QUANTILE: f64 = 0.95;
/// Reserve beyond the demand to be kept, as a share of a full cylinder: the reduced state does not know at which height its heat is.
const RESERVE: f64 = 0.05;
/// How often a plan whose replay breaks its service is made again with more asked of it there.
const ASKED_AGAIN: usize = 5;
/// Half-hours before a break that a plan made again may change at least: two days.
const ASKED_BEFORE: usize = 96;
/// Heat of a half-hour that is heated whatever the water holds.
const THROUGHOUT: u16 = u16::MAX;
/// How often a plan whose replay breaks its service is mended: each time twice as many half-hours before a break are heated throughout, so
/// that the last covers a year. Heated without a pause the service holds by its definition.
const REPAIRS: u32 = 16;
/// Water is stored at this against germs where it may be chosen (L8 of the British regulator, from memory), degC: no lower set point is advised.
const STORED_DEGC: f64 = 60.0;
/// A jacket on a cylinder that loses more than this is worth a thought, W/K, and takes so much off (common practice, no source).
const JACKET_FROM_W_PER_K: f64 = 1.6;
const JACKET_FACTOR: f64 = 0.75;
/// A change must leave as much heat at 40 degC and above, but for this share.
const SERVICE: f64 = 0.01;

/// What is still to be had.
#[derive(Clone, Debug, PartialEq)]
pub struct StillOpen {
    /// Bill of the replay over the days used.
    pub paid: Bill,
    /// Bill of the cheapest plan, replayed; `None` where none keeps its service.
    pub cheapest: Option<Bill>,
    /// Bill of the plan that emits least, replayed.
    pub cleanest: Option<Bill>,
    /// Half-hours in which the cheapest plan, replayed, holds less than it must.
    pub broken: usize,
    /// The best single change: code, words, what it saves in millionths; `None` where none saves.
    pub change: Option<(&'static str, String, i64)>,
}

/// Works it out. `others` are tariffs that the home might have instead, with their rates.
///
/// # Errors
/// Names what is missing.
pub fn still_open(
    of: &Assessed,
    tariff: &HomeTariff<'_>,
    others: &[(String, i64, Vec<Rate>)],
) -> Result<StillOpen, &'static str> {
    let paid = of.saving.bills[1];
    if paid.money.is_none() {
        return Err("prices for all days");
    }
    if of.known.learnt.rule.diverted {
        return Err("spare solar power ahead of time");
    }
    let need = need_wh(&of.known.history);
    let money: Vec<i64> = of.rates.iter().map(|r| r.price.map_or(0, |p| p.import)).collect();
    let (cheapest, broken) = planned(of, &need, &money);
    // Half-hours that the series does not cover lie on days that enter no sum.
    let carbon: Vec<i64> = of.rates.iter().map(|r| r.average.unwrap_or(0)).collect();
    let cleanest = paid.average.and_then(|_| planned(of, &need, &carbon).0);
    Ok(StillOpen { paid, cheapest, cleanest, broken, change: best_change(of, tariff, others) })
}

/// The learnt quantile of the heat taken in the next hours, by half-hour of the day, Wh.
fn need_wh(history: &History) -> [f64; SLOTS] {
    let mut samples: Vec<Vec<f64>> = vec![Vec::new(); SLOTS];
    for day in history.days.iter().filter(|d| d.masked.is_none()) {
        for step in day.steps.clone() {
            let ahead = &history.steps[step + 1..(step + 1 + AHEAD).min(history.steps.len())];
            samples[history.steps[step].slot].push(ahead.iter().map(|s| s.wanted_wh).sum());
        }
    }
    let mut out = [0.0; SLOTS];
    for (need, sample) in out.iter_mut().zip(&mut samples) {
        sample.sort_by(f64::total_cmp);
        let at = ((sample.len().max(1) - 1) as f64 * QUANTILE).round() as usize;
        *need = sample.get(at).copied().unwrap_or(0.0);
    }
    out
}

/// The heater of a plan: the one that heats most of the tank.
fn heater(rule: &Rule) -> Option<TimedHeater> {
    rule.heaters.iter().min_by(|a, b| a.heater.low.total_cmp(&b.heater.low)).cloned()
}

/// The best plan for a cost a kWh, replayed: its bill, and half-hours in which it holds less than it must. Where the layered cylinder
/// breaks its service more is asked of the plan there, and where that does not do, the hours before are heated as well, and paid.
fn planned(of: &Assessed, need_wh: &[f64; SLOTS], cost: &[i64]) -> (Option<Bill>, usize) {
    let Some(timed) = heater(&of.known.learnt.rule) else { return (None, 0) };
    let musts = musts(of, &timed, need_wh);
    let mut problem = problem(&of.known, &timed, need_wh, cost, RESERVE);
    let mut plan = cheapest(&problem);
    let mut broken = Vec::new();
    for asked in 0..=ASKED_AGAIN {
        let (bill, breaks) = replayed(of, &timed, &musts, problem.full, &plan);
        if breaks.is_empty() {
            return (Some(bill), 0);
        }
        if asked < ASKED_AGAIN {
            for (at, short_wh) in &breaks {
                let more = (short_wh / PORTION_WH).ceil() as u16 + 1;
                problem.need[*at] = (problem.need[*at] + more).min(problem.full as u16);
            }
            let near: Vec<usize> = breaks.iter().map(|b| b.0).collect();
            plan = mended(&problem, &plan, &near, ASKED_BEFORE);
        }
        broken = breaks;
    }
    for round in 0..REPAIRS {
        let reach = 1 << round;
        for (at, _) in &broken {
            plan.heat[(at + 1).saturating_sub(reach)..=*at].fill(THROUGHOUT);
        }
        let (bill, breaks) = replayed(of, &timed, &musts, problem.full, &plan);
        if breaks.is_empty() {
            return (Some(bill), 0);
        }
        broken = breaks;
    }
    (None, broken.len())
}

fn problem(
    known: &Known,
    timed: &TimedHeater,
    need_wh: &[f64; SLOTS],
    cost: &[i64],
    reserve: f64,
) -> Problem {
    let (history, body) = (&known.history, &known.learnt.body);
    let feed = mean_feed_degc(history);
    let room = history.steps.iter().map(|s| s.room_degc).sum::<f64>() / history.steps.len().max(1) as f64;
    let heater = timed.heater;
    let reach_l = body.volume_l * (1.0 - heater.low);
    let full_wh = reach_l * body.water.wh_per_l_k(50.0) * (heater.set_degc - feed).max(1.0);
    let full = (full_wh / PORTION_WH).floor().max(1.0) as usize;
    let portions = |wh: f64| (wh / PORTION_WH).max(0.0);
    let (mut sum, mut given) = (0.0, 0.0);
    let mut taken = Vec::with_capacity(history.steps.len());
    for step in &history.steps {
        sum += portions(step.wanted_wh);
        let until = f64::floor(sum);
        taken.push((until - given) as u16);
        given = until;
    }
    let kept = (reserve * full as f64).round();
    let need = history
        .steps
        .iter()
        .map(|s| (portions(need_wh[s.slot]).ceil() + kept).min(0.95 * full as f64) as u16)
        .collect();
    let lost = |degc: f64| (body.loss_w_per_k * (degc - room) / 2.0 / PORTION_WH).max(0.0);
    Problem {
        full,
        before: 0,
        start: (full as f64 * 0.7) as usize,
        end: (full as f64 * 0.7) as usize,
        most: (portions(heater.power_w / 2.0)).floor() as usize,
        lost: (lost(feed), lost(heater.set_degc)),
        taken,
        need,
        cost: cost.iter().map(|c| c * PORTION_WH as i64 / 1000).collect(),
        weeks: weeks(history),
    }
}

/// Half-hours of the whole weeks, from Monday; the days before the first Monday and after the last are left free.
fn weeks(history: &History) -> Vec<std::ops::Range<usize>> {
    let mondays: Vec<usize> =
        history.days.iter().filter(|d| weekday(d.day) == 0).map(|d| d.steps.start).collect();
    mondays.windows(2).map(|w| w[0]..w[1]).collect()
}

/// Mean cold feed, above which the portions of a plan stand, degC.
fn mean_feed_degc(history: &History) -> f64 {
    history.steps.iter().map(|s| s.feed_degc).sum::<f64>() / history.steps.len().max(1) as f64
}

/// A cylinder with the heater of plans alone.
fn machine(of: &Assessed, timed: &TimedHeater) -> Machine {
    let rule =
        Rule { heaters: vec![timed.clone()], winter_clock: false, one_at_a_time: false, diverted: false };
    Machine::new(&of.known.learnt.body, &rule, &Shift::NONE)
}

/// Heat at 40 degC and above that must be left after each half-hour, Wh: the learnt demand, or what a cylinder holds that is heated without
/// a pause where that is less, as after a large draw-off; less a tenth of a shower (100 Wh) that nobody feels.
fn musts(of: &Assessed, timed: &TimedHeater, need_wh: &[f64; SLOTS]) -> Vec<f64> {
    const UNFELT_WH: f64 = 100.0;
    let mut machine = machine(of, timed);
    let mut state = machine.uniform(of.known.history.start_degc());
    let steps = of.known.history.steps.iter();
    steps
        .map(|step| {
            machine.advance(&mut state, step, &Shift::NONE, false, |_| (Permit::ForceOn, 1.0));
            need_wh[step.slot].min(machine.warm_wh(&state, step.feed_degc)) - UNFELT_WH
        })
        .collect()
}

/// Puts a plan through the layered cylinder: its bill, and the half-hours of the days used in which it holds less than it must, with what
/// is short, Wh. In the hours in which the plan heats, it heats until as much is held as the plan holds then, `full` portions being all that
/// the heater reaches: the losses of both differ, and would add up over weeks.
fn replayed(
    of: &Assessed,
    timed: &TimedHeater,
    musts: &[f64],
    full: usize,
    plan: &Plan,
) -> (Bill, Vec<(usize, f64)>) {
    let history = &of.known.history;
    let mut machine = machine(of, timed);
    // from the same water as the replay that it is held against
    let mut state = machine.uniform(history.start_degc());
    let most_wh = timed.heater.power_w / 2.0;
    let feed_degc = mean_feed_degc(history);
    let mut steps = Vec::with_capacity(history.steps.len());
    let mut broken = Vec::new();
    for day in &history.days {
        for index in day.steps.clone() {
            let step = &history.steps[index];
            let share = match plan.heat[index] {
                0 => 0.0,
                THROUGHOUT => 1.0,
                // All hot: the thermostat ends it.
                _ if usize::from(plan.after[index]) == full => 1.0,
                _ => {
                    let held_wh = machine.stored_wh(&state, feed_degc) - step.wanted_wh;
                    ((f64::from(plan.after[index]) * PORTION_WH - held_wh) / most_wh).clamp(0.0, 1.0)
                }
            };
            let permit = if share > 0.0 { Permit::ForceOn } else { Permit::HoldOff };
            steps.push(machine.advance(&mut state, step, &Shift::NONE, false, |_| (permit, share)));
            let short_wh = musts[index] - machine.warm_wh(&state, step.feed_degc);
            if day.masked.is_none() && short_wh > 0.0 {
                broken.push((index, short_wh));
            }
        }
    }
    (priced(of, &whole_steps(&steps, of.known.per_metered), &of.rates), broken)
}

/// Bill of energies over the days used.
fn priced(of: &Assessed, wh: &[i64], rates: &[Rate]) -> Bill {
    let mut sum = Bill::ZERO;
    let used = of.known.history.days.iter().filter(|d: &&DaySpan| d.masked.is_none());
    used.flat_map(|d| d.steps.clone()).for_each(|i| sum.add(bill(Carrier::Grid, wh[i], 0, &rates[i])));
    sum
}

/// The single change that saves most while users get as much hot water.
fn best_change(
    of: &Assessed,
    tariff: &HomeTariff<'_>,
    others: &[(String, i64, Vec<Rate>)],
) -> Option<(&'static str, String, i64)> {
    let paid = of.saving.bills[1].money?;
    let mut found: Vec<(&'static str, String, i64)> = Vec::new();
    let own_kwh = of.saving.wh[1] as f64 / 1000.0;
    let weeks = of.known.history.counted() as f64 / 7.0;
    for Change { code, words, body, rule, weekly_kwh } in changes(of) {
        let run = replay(&body, &rule, &of.known.history, &Shift::NONE);
        let used = of.known.history.days.iter().filter(|d| d.masked.is_none());
        let warm_kwh: f64 = used.flat_map(|d| &run.steps[d.steps.clone()]).map(|s| s.warm_wh / 1000.0).sum();
        if warm_kwh < (1.0 - SERVICE) * of.saving.own.warm_kwh {
            continue;
        }
        let cost = priced(of, &whole_steps(&run.steps, of.known.per_metered), &of.rates).money;
        // What it takes beside the replay is paid at the home's mean price.
        let more = if own_kwh > 0.0 { paid as f64 / own_kwh * weekly_kwh * weeks } else { 0.0 };
        found.extend(cost.map(|c| (code, words, paid - c - more.round_ties_even() as i64)));
    }
    let own_wh: Vec<i64> = whole_steps(&of.saving.replay.steps, of.known.per_metered);
    let standing: i64 =
        of.known.history.days.iter().filter(|d| d.masked.is_none()).map(|d| tariff.standing(d.day)).sum();
    for (name, other_standing, rates) in others.iter().filter(|o| o.0 != tariff.name) {
        // Another tariff changes the standing charge too.
        let cost = priced(of, &own_wh, rates).money;
        found
            .extend(cost.map(|c| ("tariff", format!("tariff {name}"), paid + standing - c - other_standing)));
    }
    found.into_iter().filter(|c| c.2 > 0).max_by_key(|c| c.2)
}

/// One change to be replayed.
struct Change {
    code: &'static str,
    words: String,
    body: crate::replay::Body,
    rule: Rule,
    /// What it takes each week beside the replay, kWh.
    weekly_kwh: f64,
}

fn changes(of: &Assessed) -> Vec<Change> {
    let (rule, body) = (&of.known.learnt.rule, of.known.learnt.body);
    let mut out: Vec<Change> = Vec::new();
    if let Some(slots) = cheap_slots(of) {
        let mut other = rule.clone();
        other.heaters.iter_mut().for_each(|h| h.permitted = slots);
        other.winter_clock = false;
        let words = format!("timer: {}", other.words());
        out.push(Change { code: "timer", words, body, rule: other, weekly_kwh: 0.0 });
    }
    let hottest = rule.heaters.iter().map(|h| h.heater.set_degc).fold(0.0, f64::max);
    if hottest > STORED_DEGC + 1.0 {
        let mut other = rule.clone();
        other.heaters.iter_mut().for_each(|h| h.heater.set_degc = h.heater.set_degc.min(STORED_DEGC));
        let words = format!("set point {STORED_DEGC:.0} °C in place of {hottest:.0}");
        out.push(Change { code: "set_point", words, body, rule: other, weekly_kwh: 0.0 });
    }
    if rule.heaters.len() > 1 {
        let upper = rule.heaters.iter().max_by(|a, b| a.heater.low.total_cmp(&b.heater.low)).cloned();
        let low = rule.heaters.iter().map(|h| h.heater.low).fold(1.0, f64::min);
        let feed_degc = of.known.history.steps.iter().map(|s| s.feed_degc).fold(f64::INFINITY, f64::min);
        let beneath_l = body.volume_l * (upper.as_ref().map_or(low, |h| h.heater.low) - low);
        // Against germs all of it is heated once a week.
        let weekly_kwh = beneath_l * body.water.wh_per_l_k(50.0) * (STORED_DEGC - feed_degc) / 1000.0;
        let mut other = rule.clone();
        other.heaters = upper.into_iter().collect();
        let words = "heat the upper part alone, and all of it once a week".to_owned();
        out.push(Change { code: "part_tank", words, body, rule: other, weekly_kwh });
    }
    if body.loss_w_per_k > JACKET_FROM_W_PER_K {
        let other = crate::replay::Body { loss_w_per_k: body.loss_w_per_k * JACKET_FACTOR, ..body };
        let words = "an insulating jacket".to_owned();
        out.push(Change { code: "jacket", words, body: other, rule: rule.clone(), weekly_kwh: 0.0 });
    }
    out
}

/// Half-hours of the day that cost less than the mean as a rule; `None` where all cost the same.
fn cheap_slots(of: &Assessed) -> Option<[bool; SLOTS]> {
    let mut sums = [(0.0, 0.0); SLOTS];
    for (step, rate) in of.known.history.steps.iter().zip(&of.rates) {
        if let Some(price) = rate.price {
            let sum = &mut sums[step.slot];
            *sum = (sum.0 + price.import as f64, sum.1 + 1.0);
        }
    }
    let means = sums.map(|(sum, n)| sum / f64::max(n, 1.0));
    let mean = means.iter().sum::<f64>() / SLOTS as f64;
    let least = means.iter().copied().fold(f64::INFINITY, f64::min);
    (least < 0.95 * mean).then(|| means.map(|m| m < f64::midpoint(least, mean)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::history::History;
    use crate::saving::{Case, saving};
    use crate::tariff::{Rates, Tariffs, Version};
    use crate::testing::{ANY, always_on, history, learnt, night, rates, rule};

    fn assessed(own: [bool; 48]) -> Assessed {
        let history: History = history(28);
        let rates = rates(&history);
        let learnt = learnt(rule(own, 60.0));
        let saving = saving(&Case {
            home: "h",
            history: &history,
            learnt: &learnt,
            reference: &always_on(),
            rates: &rates,
            per_metered: 1.0,
            loss_log_error: 0.05,
            day_litres: 100.0,
            members: 0,
            seed: 1,
        });
        let known = Known { history, learnt, per_metered: 1.0, loss_log_error: 0.05, day_litres: 100.0 };
        Assessed { known, rates, saving, fit: None }
    }

    #[test]
    fn the_cheapest_plan_keeps_its_service_in_the_replay_and_beats_a_thermostat() {
        let mut tariffs = Tariffs::default();
        let version = Version { from: None, to: None, rates: Rates::Flat(1), standing_per_day: 0, export: 0 };
        tariffs.add("t", version, true);
        let tariff = tariffs.of_home(None, chrono_tz::UTC, None).unwrap();
        let found = still_open(&assessed(ANY), &tariff, &[]).unwrap();
        assert_eq!(found.broken, 0);
        let (paid, cheapest) = (found.paid.money.unwrap(), found.cheapest.unwrap().money.unwrap());
        assert!(cheapest < paid * 3 / 4, "{cheapest} {paid}");
        let (code, words, saves) = found.change.unwrap();
        assert!(code == "timer" && words.contains("00:00-07:00") && saves > 0, "{code} {words} {saves}");
        assert!(found.cleanest.unwrap().average.unwrap() < found.paid.average.unwrap());
        let at_night = still_open(&assessed(night()), &tariff, &[]).unwrap();
        assert!(at_night.change.is_none_or(|c| c.0 != "timer"));
    }
}
