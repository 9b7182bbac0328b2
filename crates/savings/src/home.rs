//! One home from its daybook to its rows of the savings tables.

use chrono::Datelike;
use drawoff_contract::daybook::{DayNote, SpellNote};
use drawoff_contract::local::{date, half_hour_of_day};
use drawoff_contract::savings_tables::{
    SavingHalfHourRow, SavingMonthRow, SavingPartRow, SavingRow, StillOpenRow,
};
use drawoff_contract::{Cylinder, Day, HeatSource, Money, Outcome, Utc};
use drawoff_homes::HomeReading;
use drawoff_tank::Water;
use drawoff_tank::shape::Shape;

use crate::fit::{Fit, fit};
use crate::history::{DaySpan, History};
use crate::learn::{LEAST_DAYS, Learnt, is_learnt_from, learn};
use crate::pricing::Rate;
use crate::reference::Reference;
use crate::replay::{Body, FITTINGS};
use crate::saving::{Case, EQUAL_SERVICE, Saving, saving};
use crate::series::Series;
use crate::still_open::still_open;
use crate::tariff::{HomeTariff, Tariffs};

/// What holds for all homes.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The counterfactual.
    pub reference: Reference,
    /// Prices.
    pub tariffs: Tariffs,
    /// Average intensity of the grid, mg/kWh; `None` without a series.
    pub average: Option<Series>,
    /// Marginal intensity of the grid, mg/kWh.
    pub marginal: Option<Series>,
    /// Currency code of the prices.
    pub currency: String,
    /// Water properties.
    pub water: Water,
    /// Pairs of replays behind an interval.
    pub members: usize,
    /// Seed of the run.
    pub seed: u64,
}

/// What the daybook and the register hold of a home.
#[derive(Clone, Copy, Debug)]
pub struct HomeInput<'a> {
    /// Register.
    pub cylinder: &'a Cylinder,
    /// Day notes in order.
    pub days: &'a [DayNote],
    /// Spells in order.
    pub spells: &'a [SpellNote],
    /// What was read of them.
    pub reading: &'a HomeReading,
}

/// What is known of a home before it is held against a reference.
#[derive(Clone, Debug, PartialEq)]
pub struct Known {
    /// Its days.
    pub history: History,
    /// Its rule.
    pub learnt: Learnt,
    /// Heat over metered energy.
    pub per_metered: f64,
    /// Standard error of ln(loss).
    pub loss_log_error: f64,
    /// Litres drawn on a mean day.
    pub day_litres: f64,
}

/// A home with its rows.
#[derive(Clone, Debug)]
pub struct HomeSavings {
    /// Its row.
    pub row: SavingRow,
    /// Rows of its half-hours.
    pub half_hours: Vec<SavingHalfHourRow>,
    /// Parts of its saving.
    pub parts: Vec<SavingPartRow>,
    /// Its months.
    pub months: Vec<SavingMonthRow>,
    /// What it rests on; `None` where it is not assessed.
    pub assessed: Option<Assessed>,
}

/// What a saving rests on.
#[derive(Clone, Debug)]
pub struct Assessed {
    /// What is known of the home.
    pub known: Known,
    /// Rates of all half-hours.
    pub rates: Vec<Rate>,
    /// Baseline A.
    pub saving: Saving,
    /// Fit of its replay on days kept aside.
    pub fit: Option<Fit>,
}

/// Reads days and rule of a home.
///
/// # Errors
/// The outcome, and what is missing.
pub fn known(input: &HomeInput<'_>, water: Water) -> Result<Known, (Outcome, &'static str)> {
    let not_assessed = |missing| (Outcome::NotAssessed, missing);
    let volume_l = input.cylinder.volume_l.ok_or(not_assessed("volume in the register"))?;
    if input.cylinder.heat_source == HeatSource::Coil {
        return Err(not_assessed("a meter of the boiler's heat"));
    }
    if input.days.is_empty() {
        return Err((Outcome::TooLittleData, "readings"));
    }
    if input.days.iter().all(|d| d.heater_kwh.is_none()) {
        return Err(not_assessed("power or energy register"));
    }
    let mut history = History::new(input.cylinder, input.days, input.reading);
    if history.counted() < LEAST_DAYS {
        return Err((Outcome::TooLittleData, "days with balance and meter"));
    }
    let loss = input.reading.loss.as_ref();
    let shape = Shape::new(volume_l, input.cylinder.height_m);
    let body = Body {
        volume_l,
        height_m: input.cylinder.height_m,
        loss_w_per_k: loss
            .map_or(input.reading.balance_w_per_k, |l| l.w_per_k * of_all_skin(shape, l.zone_share)),
        water,
    };
    let per_metered = input.reading.row.heat_per_metered.unwrap_or(1.0);
    let learnt = learn(input.cylinder, input.days, input.spells, &mut history, body, per_metered)
        .map_err(|missing| (Outcome::TooLittleData, missing))?;
    let loss_log_error = loss_error(loss.map_or(0.25, |l| l.log_error), &learnt);
    Ok(Known {
        history,
        learnt,
        per_metered,
        loss_log_error,
        day_litres: input.reading.row.litres_per_day.unwrap_or(0.0),
    })
}

/// What the loss of the whole is over the one read from a hot zone at the top and shared out by the area of its skin: what the fittings at the
/// top lose is all in that zone, however small it is.
fn of_all_skin(shape: Shape, zone_share: f64) -> f64 {
    let skin = (zone_share * shape.top_zone_excess(zone_share)).min(1.0);
    let (top, base) = FITTINGS;
    if skin < 1.0 { skin / (top + (1.0 - top - base) * skin) } else { 1.0 }
}

/// Standard error of ln(loss) of the whole tank: that of the reading, and what a heated part does not tell of the rest, whose fittings lose by themselves (a quarter of the part that stays cold; chosen on `synth` seed 801).
fn loss_error(read: f64, learnt: &Learnt) -> f64 {
    const COLD_PART: f64 = 0.25;
    let lowest = learnt.rule.heaters.iter().map(|h| h.heater.low).fold(1.0, f64::min);
    let cold = COLD_PART * (lowest - 0.15).max(0.0);
    read.hypot(cold)
}

/// Rates of all half-hours of a history.
#[must_use]
pub fn rates(history: &History, tariff: Option<&HomeTariff<'_>>, settings: &Settings) -> Vec<Rate> {
    let mut out = Vec::with_capacity(history.steps.len());
    for day in &history.days {
        for step in &history.steps[day.steps.clone()] {
            let intensity = |series: &Option<Series>| series.as_ref().and_then(|s| s.at(step.start_ms));
            out.push(Rate {
                price: tariff.and_then(|t| t.price(day.day, step.start_ms).ok()),
                average: intensity(&settings.average),
                marginal: intensity(&settings.marginal),
            });
        }
    }
    out
}

/// Works out the savings of one home.
#[must_use]
pub fn home_savings(input: &HomeInput<'_>, settings: &Settings) -> HomeSavings {
    match known(input, settings.water) {
        Ok(known) => assessed(input, known, settings),
        Err((outcome, missing)) => {
            let mut row = blank(input.cylinder, settings);
            row.outcome = outcome.code().to_owned();
            row.missing = missing.to_owned();
            row.days_in = count(input.days.len());
            row.days_masked = row.days_in;
            HomeSavings { row, half_hours: Vec::new(), parts: Vec::new(), months: Vec::new(), assessed: None }
        }
    }
}

fn assessed(input: &HomeInput<'_>, known: Known, settings: &Settings) -> HomeSavings {
    let cylinder = input.cylinder;
    let tariff = settings.tariffs.of_home(cylinder.tariff.as_deref(), cylinder.zone, cylinder.low_rate);
    let rates = rates(&known.history, tariff.as_ref(), settings);
    let saving = saving(&Case {
        home: &cylinder.home,
        history: &known.history,
        learnt: &known.learnt,
        reference: &settings.reference,
        rates: &rates,
        per_metered: known.per_metered,
        loss_log_error: known.loss_log_error,
        day_litres: known.day_litres,
        members: settings.members,
        seed: settings.seed,
    });
    let fit = fit(&known.history, &saving.replay, known.per_metered);
    let row = row(cylinder, &known, &saving, fit, tariff.as_ref(), settings);
    HomeSavings {
        row,
        half_hours: half_hours(cylinder, &known.history, &rates, &saving),
        parts: parts(cylinder, &saving),
        months: months(cylinder, &known.history, &saving),
        assessed: Some(Assessed { known, rates, saving, fit }),
    }
}

/// What a home could still save, as a row.
#[must_use]
pub fn still_open_row(input: &HomeInput<'_>, savings: &HomeSavings, settings: &Settings) -> StillOpenRow {
    let cylinder = input.cylinder;
    let of_home = |name: Option<&str>| settings.tariffs.of_home(name, cylinder.zone, cylinder.low_rate);
    let read = savings.assessed.as_ref().ok_or("a replay").and_then(|of| {
        let tariff = of_home(cylinder.tariff.as_deref()).ok_or("a tariff")?;
        let other = |name: &str| {
            let tariff = of_home(Some(name))?;
            let days = of.known.history.days.iter().filter(|d| d.masked.is_none());
            let standing = days.map(|d| tariff.standing(d.day)).sum();
            Some((name.to_owned(), standing, rates(&of.known.history, Some(&tariff), settings)))
        };
        let others: Vec<_> = settings.tariffs.names().filter_map(other).collect();
        still_open(of, &tariff, &others)
    });
    let of = read.as_ref().ok();
    let paid = of.and_then(|o| o.paid.money);
    let cheapest = of.and_then(|o| o.cheapest?.money);
    let change = of.and_then(|o| o.change.as_ref());
    let missing = match &read {
        Err(missing) => missing,
        Ok(o) if o.cheapest.is_none() => "a plan that keeps the learnt demand in hot water",
        Ok(_) => "",
    };
    StillOpenRow {
        home: cylinder.home.clone(),
        outcome: if cheapest.is_some() { "assessed" } else { Outcome::NotAssessed.code() }.to_owned(),
        missing: missing.to_owned(),
        paid: paid.map(Money),
        cheapest: cheapest.map(Money),
        gap: paid.zip(cheapest).map(|(p, c)| Money(p - c)),
        emitted_mg: of.and_then(|o| o.paid.average),
        least_mg: of.and_then(|o| o.cleanest?.average),
        broken: of.map(|o| count(o.broken)),
        change: change.map_or(if of.is_some() { "none" } else { "" }, |c| c.0).to_owned(),
        change_words: change.map_or(String::new(), |c| c.1.clone()),
        change_saves: change.map(|c| Money(c.2)),
    }
}

fn count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn blank(cylinder: &Cylinder, settings: &Settings) -> SavingRow {
    SavingRow {
        home: cylinder.home.clone(),
        outcome: String::new(),
        missing: String::new(),
        currency: settings.currency.clone(),
        tariff: String::new(),
        rule: String::new(),
        reference: String::new(),
        days_in: 0,
        days_masked: 0,
        days_outside: 0,
        days_used: 0,
        metered_kwh: None,
        replayed_kwh: None,
        reference_kwh: None,
        saved_kwh: None,
        saved_kwh_p05: None,
        saved_kwh_p95: None,
        model_error_kwh: None,
        replayed_heat_kwh: None,
        reference_heat_kwh: None,
        cost_metered: None,
        cost_replayed: None,
        cost_reference: None,
        saved: None,
        saved_p05: None,
        saved_p95: None,
        model_error: None,
        standing_charge: None,
        carbon_metered_mg: None,
        carbon_replayed_mg: None,
        carbon_reference_mg: None,
        carbon_saved_mg: None,
        carbon_saved_mg_p05: None,
        carbon_saved_mg_p95: None,
        marginal_saved_mg: None,
        short_kwh: None,
        reference_short_kwh: None,
        warm_kwh: None,
        reference_warm_kwh: None,
        service: String::new(),
        nmbe: None,
        cv_rmse_daily: None,
        cv_rmse_weekly: None,
        verdicts: String::new(),
    }
}

/// Days that count and lie outside of what the rule was learnt from: colder or warmer feed by 2 K, or a fifth more taken than ever.
fn outside(history: &History) -> usize {
    const FEED_K: f64 = 2.0;
    const MORE: f64 = 1.2;
    let counted = |d: &&DaySpan| d.masked.is_none();
    let feed = |d: &DaySpan| history.steps[d.steps.start].feed_degc;
    let learnt: Vec<&DaySpan> =
        history.days.iter().filter(counted).filter(|d| is_learnt_from(d.day)).collect();
    let feeds = learnt.iter().map(|d| feed(d));
    let (low, high) = feeds.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), f| (l.min(f), h.max(f)));
    let most = learnt.iter().map(|d| d.drawn_wh).fold(0.0, f64::max);
    history
        .days
        .iter()
        .filter(counted)
        .filter(|d| d.drawn_wh > MORE * most || !(low - FEED_K..=high + FEED_K).contains(&feed(d)))
        .count()
}

fn row(
    cylinder: &Cylinder,
    known: &Known,
    saving: &Saving,
    fit: Option<Fit>,
    tariff: Option<&HomeTariff<'_>>,
    settings: &Settings,
) -> SavingRow {
    let history = &known.history;
    let kwh = |wh: i64| Some(wh as f64 / 1000.0);
    let [metered, replayed, reference] = saving.bills;
    let saved = reference.less(replayed);
    let whole = |v: f64| v.round_ties_even() as i64;
    let used = history.counted();
    let standing = tariff.map(|t| {
        let days = history.days.iter().filter(|d| d.masked.is_none());
        Money(days.map(|d| t.standing(d.day)).sum())
    });
    let service = {
        let (own, other) = (saving.own.warm_kwh, saving.of_reference.warm_kwh);
        let apart = (own - other) / other.max(own).max(0.1);
        if apart.abs() <= EQUAL_SERVICE {
            "equal"
        } else if apart < 0.0 {
            "less"
        } else {
            "more"
        }
    };
    let mut verdicts = Vec::new();
    if known.learnt.rule.diverted {
        verdicts.push("rule.surplus_from_the_meter");
    }
    if cylinder.heat_source == HeatSource::HeatPump {
        verdicts.push("source.mean_performance");
    }
    if saving.bills[2].money.is_none() {
        verdicts.push("price.not_covered");
    }
    if saving.bills[1].average.is_none() {
        verdicts.push("carbon.not_covered");
    }
    if settings.average.as_ref().is_some_and(|s| s.shift_years() != 0) {
        verdicts.push("carbon.shifted_by_364_day_years");
    }
    if tariff.is_some_and(|t| t.shift_years() != 0) {
        verdicts.push("price.shifted_by_364_day_years");
    }
    if service == "less" {
        verdicts.push("service.part_is_comfort_lost");
    }
    if fit.is_none() {
        verdicts.push("fit.too_few_days_kept_aside");
    }
    SavingRow {
        outcome: "assessed".to_owned(),
        tariff: tariff
            .map_or(String::new(), |t| if t.own { t.name.to_owned() } else { format!("({})", t.name) }),
        rule: known.learnt.rule.words(),
        reference: settings.reference.words(&known.learnt.rule),
        days_in: count(history.days.len()),
        days_masked: count(history.days.len() - used),
        days_outside: count(outside(history)),
        days_used: count(used),
        metered_kwh: kwh(saving.wh[0]),
        replayed_kwh: kwh(saving.wh[1]),
        reference_kwh: kwh(saving.wh[2]),
        saved_kwh: Some(saving.saved_kwh.value),
        saved_kwh_p05: Some(saving.saved_kwh.p05),
        saved_kwh_p95: Some(saving.saved_kwh.p95),
        model_error_kwh: kwh(saving.wh[0] - saving.wh[1]),
        replayed_heat_kwh: Some(saving.own.heated_kwh),
        reference_heat_kwh: Some(saving.of_reference.heated_kwh),
        cost_metered: metered.money.map(Money),
        cost_replayed: replayed.money.map(Money),
        cost_reference: reference.money.map(Money),
        saved: saved.money.map(Money),
        saved_p05: saving.saved_money.map(|s| Money(whole(s.p05))),
        saved_p95: saving.saved_money.map(|s| Money(whole(s.p95))),
        model_error: metered.less(replayed).money.map(Money),
        standing_charge: standing,
        carbon_metered_mg: metered.average,
        carbon_replayed_mg: replayed.average,
        carbon_reference_mg: reference.average,
        carbon_saved_mg: saved.average,
        carbon_saved_mg_p05: saving.saved_carbon.map(|s| whole(s.p05)),
        carbon_saved_mg_p95: saving.saved_carbon.map(|s| whole(s.p95)),
        marginal_saved_mg: saved.marginal,
        short_kwh: Some(saving.own.short_kwh),
        reference_short_kwh: Some(saving.of_reference.short_kwh),
        warm_kwh: Some(saving.own.warm_kwh),
        reference_warm_kwh: Some(saving.of_reference.warm_kwh),
        service: service.to_owned(),
        nmbe: fit.map(|f| f.nmbe),
        cv_rmse_daily: fit.map(|f| f.daily),
        cv_rmse_weekly: fit.and_then(|f| f.weekly),
        verdicts: verdicts.join(", "),
        ..blank(cylinder, settings)
    }
}

fn day_of<'a>(history: &'a History, step: usize, near: &mut usize) -> Option<&'a DaySpan> {
    while history.days.get(*near).is_some_and(|d| d.steps.end <= step) {
        *near += 1;
    }
    history.days.get(*near)
}

fn half_hours(
    cylinder: &Cylinder,
    history: &History,
    rates: &[Rate],
    saving: &Saving,
) -> Vec<SavingHalfHourRow> {
    let mut near = 0;
    let row = |row: &crate::saving::Row| {
        let day = day_of(history, row.step, &mut near)?;
        let (step, rate) = (&history.steps[row.step], &rates[row.step]);
        Some(SavingHalfHourRow {
            home: cylinder.home.clone(),
            day: day.day,
            period: count(half_hour_of_day(cylinder.zone, step.start_ms)),
            start: Utc(step.start_ms),
            price: rate.price.map(|p| Money(p.import)),
            intensity: rate.average,
            metered_wh: row.metered_wh,
            surplus_wh: row.surplus_wh,
            replayed_wh: row.replayed_wh,
            reference_wh: row.reference_wh,
            cost_metered: row.metered.money.map(Money),
            cost_replayed: row.replayed.money.map(Money),
            cost_reference: row.reference.money.map(Money),
            carbon_metered_mg: row.metered.average,
            carbon_replayed_mg: row.replayed.average,
            carbon_reference_mg: row.reference.average,
        })
    };
    saving.rows.iter().filter_map(row).collect()
}

fn parts(cylinder: &Cylinder, saving: &Saving) -> Vec<SavingPartRow> {
    let part = |p: &crate::saving::Part| SavingPartRow {
        home: cylinder.home.clone(),
        part: p.code.to_owned(),
        kwh: p.kwh,
        saved: p.saved.money.map(Money),
        carbon_mg: p.saved.average,
    };
    saving.parts.iter().map(part).collect()
}

fn months(cylinder: &Cylinder, history: &History, saving: &Saving) -> Vec<SavingMonthRow> {
    let mut out: Vec<SavingMonthRow> = Vec::new();
    let mut near = 0;
    let mut last_day = None;
    for row in &saving.rows {
        let Some(day) = day_of(history, row.step, &mut near) else { continue };
        let month = Day(day.day.0 - date(day.day).day0() as i32);
        if out.last().is_none_or(|m| m.month != month) {
            out.push(SavingMonthRow {
                home: cylinder.home.clone(),
                month,
                days: 0,
                metered_wh: 0,
                replayed_wh: 0,
                reference_wh: 0,
                cost_replayed: Some(Money(0)),
                cost_reference: Some(Money(0)),
                carbon_saved_mg: Some(0),
            });
        }
        let Some(sum) = out.last_mut() else { continue };
        if last_day != Some(day.day) {
            (sum.days, last_day) = (sum.days + 1, Some(day.day));
        }
        sum.metered_wh += row.metered_wh;
        sum.replayed_wh += row.replayed_wh;
        sum.reference_wh += row.reference_wh;
        let add = |a: Option<Money>, b: Option<i64>| Some(Money(a?.0 + b?));
        sum.cost_replayed = add(sum.cost_replayed, row.replayed.money);
        sum.cost_reference = add(sum.cost_reference, row.reference.money);
        let less = row.reference.less(row.replayed).average;
        sum.carbon_saved_mg = sum.carbon_saved_mg.zip(less).map(|(a, b)| a + b);
    }
    out
}
