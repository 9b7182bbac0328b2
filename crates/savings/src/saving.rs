//! Baseline A: what a home took under its own rule against the same days under the reference, and where the difference comes from.

use chrono::Datelike;
use drawoff_contract::local::date;
use drawoff_contract::seed::seed;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::history::{DaySpan, History, SLOTS, shares};
use crate::learn::Learnt;
use crate::pricing::{Bill, Carrier, Rate, bill};
use crate::reference::Reference;
use crate::replay::{Replay, Shift, replay, whole_steps};

/// Pairs of replays that an interval is made from, where nothing is said.
pub const DEFAULT_MEMBERS: usize = 12;
/// The day's balance knows the heat taken to this, as a share (methods, section 3: 3 %).
const TAKEN_SPREAD: f64 = 0.03;
/// The cold feed is known to this, K.
const FEED_SPREAD_K: f64 = 1.0;
/// Probes are calibrated to this, K: the set point that they show is off by as much.
const PROBE_SPREAD_K: f64 = 0.3;
/// What the replay gets wrong beside all that where both rules heat at the same hours: standard deviation over homes, as a share of the
/// reference. (This and [`MOVED_SPREAD`] were chosen on `synth` seed 801; other seeds are reported.)
pub const MODEL_SPREAD: f64 = 0.008;
/// The same for all of the heat that is moved to other hours, where a tank that is hot at other times loses in other places.
pub const MOVED_SPREAD: f64 = 0.032;
/// Half-width of a 90 % interval, in standard deviations.
pub const Z90: f64 = 1.645;
/// Service is equal while heat at 40 degC and above differs by no more than this share.
pub const EQUAL_SERVICE: f64 = 0.01;

/// What the energies of one half-hour come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Index of the half-hour in the history.
    pub step: usize,
    /// Metered, Wh.
    pub metered_wh: i64,
    /// Of that, spare solar power.
    pub surplus_wh: i64,
    /// Replayed under the home's own rule.
    pub replayed_wh: i64,
    /// Under the reference.
    pub reference_wh: i64,
    /// Bill of the metered energy.
    pub metered: Bill,
    /// Bill of the replay.
    pub replayed: Bill,
    /// Bill of the reference.
    pub reference: Bill,
}

/// Heat over the days used, kWh.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Heat {
    /// Into the water.
    pub heated_kwh: f64,
    /// To users.
    pub delivered_kwh: f64,
    /// To users at 40 degC and above.
    pub warm_kwh: f64,
    /// Wanted and not there.
    pub short_kwh: f64,
}

/// One part of a saving.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Stable word.
    pub code: &'static str,
    /// Heat behind it, kWh; `None` where it moves none.
    pub kwh: Option<f64>,
    /// What it saves.
    pub saved: Bill,
}

/// A figure with its 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// The figure.
    pub value: f64,
    /// 5 % point.
    pub p05: f64,
    /// 95 % point.
    pub p95: f64,
}

impl Span {
    fn of(value: f64, spread: f64) -> Self {
        Self { value, p05: value - Z90 * spread, p95: value + Z90 * spread }
    }
}

/// Baseline A of one home.
#[derive(Clone, Debug, PartialEq)]
pub struct Saving {
    /// One row a half-hour of the days used.
    pub rows: Vec<Row>,
    /// Sums of the rows, Wh: metered, replayed, reference.
    pub wh: [i64; 3],
    /// Sums of the rows' bills: metered, replayed, reference.
    pub bills: [Bill; 3],
    /// Energy saved, kWh.
    pub saved_kwh: Span,
    /// Money saved, millionths; `None` without prices.
    pub saved_money: Option<Span>,
    /// Greenhouse gases saved, mg, average.
    pub saved_carbon: Option<Span>,
    /// Parts; their bills add up to reference less replay.
    pub parts: Vec<Part>,
    /// Heat under the home's own rule.
    pub own: Heat,
    /// Heat under the reference.
    pub of_reference: Heat,
    /// The replay that it rests on.
    pub replay: Replay,
}

/// What a saving is made from.
#[derive(Clone, Copy, Debug)]
pub struct Case<'a> {
    /// The home's identifier, for its random numbers.
    pub home: &'a str,
    /// Its days.
    pub history: &'a History,
    /// Its rule.
    pub learnt: &'a Learnt,
    /// The counterfactual.
    pub reference: &'a Reference,
    /// Rates of all half-hours of the history.
    pub rates: &'a [Rate],
    /// Heat over metered energy: 1 for elements, the performance of a heat pump.
    pub per_metered: f64,
    /// Standard error of ln(loss).
    pub loss_log_error: f64,
    /// Litres drawn on a mean day.
    pub day_litres: f64,
    /// Pairs of replays for the interval.
    pub members: usize,
    /// Seed of the run.
    pub seed: u64,
}

/// Works out baseline A.
#[must_use]
pub fn saving(case: &Case<'_>) -> Saving {
    let Case { history, learnt, reference, .. } = *case;
    let replayed = replay(&learnt.body, &learnt.rule, history, &Shift::NONE);
    let own_wh = whole_steps(&replayed.steps, case.per_metered);
    let run = reference_run(case, &Shift::NONE);
    let (taken_wh, reference_heat) = reference_energy(case, &run);
    let used: Vec<&DaySpan> = history.days.iter().filter(|d| d.masked.is_none()).collect();
    let mut rows = Vec::with_capacity(used.len() * 48);
    let mut wh = [0_i64; 3];
    let mut bills = [Bill::ZERO; 3];
    for day in &used {
        for step in day.steps.clone() {
            let (at, rate) = (&history.steps[step], &case.rates[step]);
            let metered_surplus_wh = if learnt.rule.diverted { at.surplus_wh } else { 0 };
            let surplus_wh = metered_surplus_wh.min(own_wh[step]).max(0);
            let row = Row {
                step,
                metered_wh: at.metered_wh,
                surplus_wh: metered_surplus_wh,
                replayed_wh: own_wh[step],
                reference_wh: taken_wh[step],
                metered: bill(Carrier::Grid, at.metered_wh, metered_surplus_wh, rate),
                replayed: bill(Carrier::Grid, own_wh[step], surplus_wh, rate),
                reference: bill(reference.carrier, taken_wh[step], 0, rate),
            };
            for (sum, part) in wh.iter_mut().zip([row.metered_wh, row.replayed_wh, row.reference_wh]) {
                *sum += part;
            }
            for (sum, part) in bills.iter_mut().zip([row.metered, row.replayed, row.reference]) {
                sum.add(part);
            }
            rows.push(row);
        }
    }
    let own = heat(&used, &replayed);
    let parts = parts(case, &rows, own, reference_heat);
    let spreads = spreads(case, &rows, &used, wh[2]);
    let saved = bills[2].less(bills[1]);
    Saving {
        saved_kwh: Span::of((wh[2] - wh[1]) as f64 / 1000.0, spreads.kwh),
        saved_money: saved.money.map(|m| Span::of(m as f64, spreads.money)),
        saved_carbon: saved.average.map(|m| Span::of(m as f64, spreads.carbon)),
        rows,
        wh,
        bills,
        parts,
        own,
        of_reference: reference_heat,
        replay: replayed,
    }
}

/// Heat of the days used.
fn heat(used: &[&DaySpan], run: &Replay) -> Heat {
    let mut out = Heat::default();
    for step in used.iter().flat_map(|d| &run.steps[d.steps.clone()]) {
        out.heated_kwh += step.heated_wh / 1000.0;
        out.delivered_kwh += step.delivered_wh / 1000.0;
        out.warm_kwh += step.warm_wh / 1000.0;
        out.short_kwh += step.short_wh / 1000.0;
    }
    out
}

/// The reference's replay; an instantaneous boiler gives what is wanted when it is wanted, and loses nothing from a store.
fn reference_run(case: &Case<'_>, shift: &Shift) -> Replay {
    if case.reference.is_instantaneous() {
        let step = |s: &crate::history::HalfHour| {
            let wh = s.wanted_wh * shift.taken;
            crate::replay::Replayed {
                heated_wh: wh,
                delivered_wh: wh,
                warm_wh: wh,
                short_wh: 0.0,
                lost_wh: 0.0,
            }
        };
        return Replay { steps: case.history.steps.iter().map(step).collect(), mean_degc: Vec::new() };
    }
    let rule = case.reference.rule(&case.learnt.rule);
    replay(&case.learnt.body, &rule, case.history, shift)
}

/// Whole Wh that the reference takes in each half-hour, and its heat over the days used.
fn reference_energy(case: &Case<'_>, run: &Replay) -> (Vec<i64>, Heat) {
    let rule = case.reference.rule(&case.learnt.rule);
    let set_degc = rule.heaters.first().map_or(60.0, |h| h.heater.set_degc);
    let mut sum = 0.0;
    let mut given = 0_i64;
    let mut out = Vec::with_capacity(run.steps.len());
    for day in &case.history.days {
        let month = date(day.day).month0() as usize;
        for step in &run.steps[day.steps.clone()] {
            sum += case.reference.taken_wh(step.heated_wh, month, set_degc, case.day_litres);
            let until = sum.round_ties_even() as i64;
            out.push(until - given);
            given = until;
        }
    }
    let used: Vec<&DaySpan> = case.history.days.iter().filter(|d| d.masked.is_none()).collect();
    (out, heat(&used, run))
}

/// Goes from the reference to the home's own rule in steps, each priced by the half-hour, so that the parts add up exactly.
///
/// First the reference's energy shrinks to the heat of the home's own rule: by what users got less (or more), and the rest as heat that
/// was not lost. Then the same energy moves to the hours of the home's own heating, at the reference's system and the grid's price. Then
/// spare solar power takes the place of the grid's, at the payment forgone. Last the home's own source takes the place of the reference's.
fn parts(case: &Case<'_>, rows: &[Row], own: Heat, of_reference: Heat) -> Vec<Part> {
    let carrier = case.reference.carrier;
    let total = |wh: &[i64], carrier: Carrier, surplus: &dyn Fn(&Row) -> i64| {
        let mut sum = Bill::ZERO;
        for (row, wh) in rows.iter().zip(wh) {
            sum.add(bill(carrier, *wh, surplus(row), &case.rates[row.step]));
        }
        sum
    };
    let none = |_: &Row| 0_i64;
    let reference_wh: Vec<i64> = rows.iter().map(|r| r.reference_wh).collect();
    let weights: Vec<f64> = reference_wh.iter().map(|wh| *wh as f64).collect();
    let sum_wh: i64 = reference_wh.iter().sum();
    let share = |kwh: f64| if of_reference.heated_kwh > 0.0 { kwh / of_reference.heated_kwh } else { 1.0 };
    // Energy of the reference's system for the heat that its users get under the home's own rule, losses as they are.
    let service_kwh = of_reference.delivered_kwh - own.delivered_kwh;
    let served_wh = (sum_wh as f64 * share(of_reference.heated_kwh - service_kwh)).round_ties_even() as i64;
    let like_wh = (sum_wh as f64 * share(own.heated_kwh)).round_ties_even() as i64;
    let served = shares(&weights, served_wh);
    let like = shares(&weights, like_wh);
    let own_weights: Vec<f64> = rows.iter().map(|r| r.replayed_wh.max(0) as f64).collect();
    let moved = shares(&own_weights, like_wh);
    let surplus_share = |row: &Row| {
        if row.replayed_wh > 0 {
            row.surplus_wh.min(row.replayed_wh) as f64 / row.replayed_wh as f64
        } else {
            0.0
        }
    };
    let on_grid = matches!(carrier, Carrier::Grid);
    let with_surplus = {
        let mut sum = Bill::ZERO;
        for (row, wh) in rows.iter().zip(&moved) {
            let surplus =
                if on_grid { (*wh as f64 * surplus_share(row)).round_ties_even() as i64 } else { 0 };
            sum.add(bill(carrier, *wh, surplus, &case.rates[row.step]));
        }
        sum
    };
    let steps = [
        total(&reference_wh, carrier, &none),
        total(&served, carrier, &none),
        total(&like, carrier, &none),
        total(&moved, carrier, &none),
        with_surplus,
        {
            let mut sum = Bill::ZERO;
            rows.iter().for_each(|row| sum.add(row.replayed));
            sum
        },
    ];
    let surplus_kwh: f64 =
        rows.iter().map(|r| r.surplus_wh.min(r.replayed_wh).max(0) as f64).sum::<f64>() / 1000.0;
    let heats = [
        ("service", Some(service_kwh)),
        ("less_heat_lost", Some(of_reference.heated_kwh - own.heated_kwh - service_kwh)),
        ("hours", None),
        ("own_surplus", Some(surplus_kwh)),
        ("heat_source", None),
    ];
    heats
        .into_iter()
        .zip(steps.windows(2))
        .map(|((code, kwh), pair)| Part { code, kwh, saved: pair[0].less(pair[1]) })
        .collect()
}

/// Standard deviations of a saving.
struct Spreads {
    kwh: f64,
    money: f64,
    carbon: f64,
}

/// Replays pairs with what is known of the home changed within its errors. What both rules share is changed alike in both.
fn spreads(case: &Case<'_>, rows: &[Row], used: &[&DaySpan], reference_wh: i64) -> Spreads {
    let mut rng = ChaCha8Rng::seed_from_u64(seed(case.seed, case.home, "savings"));
    let mut sums: [Vec<f64>; 3] = [Vec::new(), Vec::new(), Vec::new()];
    let mean = |get: &dyn Fn(&Bill) -> Option<i64>| {
        let whole = rows.iter().try_fold(0_i64, |sum, r| Some(sum + get(&r.reference)?));
        whole.map_or(0.0, |w| w as f64)
    };
    let mut first: [f64; 4] = [0.0; 4];
    for member in 0..case.members {
        // Antithetic pairs: the second member has the first one's errors with the other sign.
        let errors = if member % 2 == 0 {
            first = std::array::from_fn(|_| normal(&mut rng));
            first
        } else {
            first.map(|e| -e)
        };
        let loss = libm::exp(case.loss_log_error * errors[0]);
        let set_k = (case.learnt.set_error_k * case.learnt.set_error_k + PROBE_SPREAD_K * PROBE_SPREAD_K)
            .sqrt()
            * errors[3];
        let both = Shift {
            loss,
            taken: 1.0 + TAKEN_SPREAD * errors[1],
            feed_k: FEED_SPREAD_K * errors[2],
            // a reference at the home's own set point shares the error of it
            set_k: if case.reference.set_degc.is_none() { set_k } else { 0.0 },
        };
        let own = replay(&case.learnt.body, &case.learnt.rule, case.history, &Shift { set_k, ..both });
        let own_wh = whole_steps(&own.steps, case.per_metered);
        let run = reference_run(case, &both);
        let (taken_wh, _) = reference_energy(case, &run);
        let (mut saved_wh, mut saved) = (0_i64, Bill::ZERO);
        let mut own_bill = Bill::ZERO;
        for step in used.iter().flat_map(|d| d.steps.clone()) {
            saved_wh += taken_wh[step] - own_wh[step];
            let metered = if case.learnt.rule.diverted { case.history.steps[step].surplus_wh } else { 0 };
            let surplus = metered.min(own_wh[step]).max(0);
            saved.add(bill(case.reference.carrier, taken_wh[step], 0, &case.rates[step]));
            own_bill.add(bill(Carrier::Grid, own_wh[step], surplus, &case.rates[step]));
        }
        let saved = saved.less(own_bill);
        sums[0].push(saved_wh as f64 / 1000.0);
        sums[1].push(saved.money.map_or(0.0, |m| m as f64));
        sums[2].push(saved.average.map_or(0.0, |m| m as f64));
    }
    let moved = MOVED_SPREAD * moved_share(case, rows);
    let model = |of_reference: f64| (MODEL_SPREAD * MODEL_SPREAD + moved * moved).sqrt() * of_reference;
    let root = |values: &[f64], more: f64| (variance(values) + more * more).sqrt();
    Spreads {
        kwh: root(&sums[0], model(reference_wh as f64 / 1000.0)),
        money: root(&sums[1], model(mean(&|b| b.money))),
        carbon: root(&sums[2], model(mean(&|b| b.average))),
    }
}

/// Share of the heat that is taken up at other hours of the day under one rule than under the other, 0 to 1.
fn moved_share(case: &Case<'_>, rows: &[Row]) -> f64 {
    let (mut own, mut other) = ([0.0; SLOTS], [0.0; SLOTS]);
    for row in rows {
        let slot = case.history.steps[row.step].slot;
        own[slot] += row.replayed_wh as f64;
        other[slot] += row.reference_wh as f64;
    }
    let sum = |of: &[f64; SLOTS]| of.iter().sum::<f64>().max(1.0);
    let (all_own, all_other) = (sum(&own), sum(&other));
    own.iter().zip(&other).map(|(a, b)| (a / all_own - b / all_other).abs()).sum::<f64>() / 2.0
}

fn variance(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (values.len() - 1) as f64
}

/// A standard normal number, by the method of Box and Muller.
fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let (a, b): (f64, f64) = (rng.random(), rng.random());
    (-2.0 * libm::log(1.0 - a)).sqrt() * libm::cos(2.0 * std::f64::consts::PI * b)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reference::System;
    use crate::testing::{ANY, always_on, history, learnt, night, rates, rule};

    fn worked(own: [bool; 48], set_degc: f64, reference: &Reference, diverted: bool) -> Saving {
        let history = history(28);
        let rates = rates(&history);
        let mut learnt = learnt(rule(own, set_degc));
        learnt.rule.diverted = diverted;
        saving(&Case {
            home: "h",
            history: &history,
            learnt: &learnt,
            reference,
            rates: &rates,
            per_metered: 1.0,
            loss_log_error: 0.05,
            day_litres: 100.0,
            members: 4,
            seed: 1,
        })
    }

    /// Parts and rows add up, whatever is compared.
    fn adds_up(saving: &Saving) {
        let mut parts = Bill::ZERO;
        saving.parts.iter().for_each(|p| parts.add(p.saved));
        assert_eq!(parts, saving.bills[2].less(saving.bills[1]));
        let mut rows = Bill::ZERO;
        saving.rows.iter().for_each(|r| rows.add(r.reference));
        assert_eq!(rows, saving.bills[2]);
        assert_eq!(saving.rows.len(), 27 * 48);
        assert!(saving.rows.iter().all(|r| !(144..192).contains(&r.step)), "a masked day is in the sums");
    }

    #[test]
    fn a_home_under_the_reference_rule_saves_nothing() {
        let null = worked(ANY, 60.0, &always_on(), false);
        assert_eq!((null.wh[2], null.bills[2]), (null.wh[1], null.bills[1]));
        assert_eq!(null.saved_kwh.value, 0.0);
        assert!(null.saved_kwh.p05 < 0.0 && null.saved_kwh.p95 > 0.0);
        assert!(null.parts.iter().all(|p| p.saved == Bill::ZERO), "{:?}", null.parts);
        adds_up(&null);
    }

    #[test]
    fn a_cheap_night_saves_by_hours_and_a_cooler_tank_by_loss() {
        let night = worked(night(), 60.0, &always_on(), false);
        adds_up(&night);
        let part =
            |s: &Saving, code: &str| s.parts.iter().find(|p| p.code == code).unwrap().saved.money.unwrap();
        assert!(part(&night, "hours") > 0 && part(&night, "less_heat_lost") > 0, "{:?}", night.parts);
        let cool = worked(ANY, 52.0, &always_on(), false);
        adds_up(&cool);
        assert!(part(&cool, "less_heat_lost") > 0 && cool.saved_kwh.p05 > 0.0, "{:?}", cool.saved_kwh);
        // 8 K less at 1.6 W/K over 27 days: 8.3 kWh
        assert!((5.0..11.0).contains(&cool.saved_kwh.value), "{:?}", cool.saved_kwh);
    }

    #[test]
    fn other_systems_and_own_surplus_add_up_too() {
        let fuel = Carrier::Fuel { price: 70_001, mg_per_kwh: 210_003 };
        let boiler = System::BoilerCoil { efficiency: 0.8, primary_insulated: 0.5, primary_hours: 3.0 };
        let pump = System::HeatPump { carnot_share: 0.45, flow_above_k: 5.0, outdoor_degc: [7.0; 12] };
        for (system, carrier) in
            [(boiler, fuel), (System::Combination { efficiency: 0.85 }, fuel), (pump, Carrier::Grid)]
        {
            let reference = Reference { system, carrier, ..always_on() };
            let found = worked(night(), 60.0, &reference, true);
            adds_up(&found);
            let parts: Vec<&str> = found.parts.iter().map(|p| p.code).collect();
            assert_eq!(parts, ["service", "less_heat_lost", "hours", "own_surplus", "heat_source"]);
        }
        let surplus = worked(night(), 60.0, &always_on(), true);
        let own = surplus.parts.iter().find(|p| p.code == "own_surplus").unwrap();
        assert!(own.saved.money.unwrap() > 0 && own.kwh.unwrap() > 0.5, "{own:?}");
    }
}
