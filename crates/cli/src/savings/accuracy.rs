//! `drawoff accuracy --savings`: the replay against the meter, and twins whose saving is known.

use std::time::Instant;

use drawoff_contract::{ContractError, Cylinder};
use drawoff_daybook::Notes;
use drawoff_homes::robust::median;
use drawoff_savings::fit::Fit;
use drawoff_savings::history::{HalfHour, History};
use drawoff_savings::home::{HomeInput, HomeSavings, Settings, home_savings, known};
use drawoff_savings::pricing::{Bill, Carrier, bill};
use drawoff_savings::reference::{Reference, System};
use drawoff_savings::replay::{Shift, replay};
use drawoff_savings::saving::DEFAULT_MEMBERS;
use drawoff_savings::tariff::{Rates, Tariffs, Version};
use drawoff_store::output::export::write_text;
use drawoff_synth::{FaultsLaid, FleetPlan, Pace, TwinRule, TwinTruth, generate_twins};
use drawoff_tank::water::Water;
use rayon::prelude::*;

use super::rate;
use crate::accuracy::in_memory::{cylinder, home_rows, own_mapping};
use crate::accuracy::reference::FLEETS;
use crate::accuracy::{date, reference_folder};
use crate::args::{AccuracyArgs, PipelineArgs};
use crate::exit::{Exit, Failure};
use crate::progress;
use crate::run::{self, VERSION, gather};
use crate::score::read_truth;
use crate::stages::{HomeDaybook, priors, read_one, reduce};

/// Set point of the twins' other rule, degC.
const SET_DEGC: f64 = 60.0;
const HYSTERESIS_K: f64 = 5.0;
const BASE_HEIGHT: f64 = 0.1;
/// Columns of the table of pairs, kWh over the days used, or a day where they say so.
const PAIRS_HEADER: &str = "home,control,elements,metered,replayed,reference,true_own,true_reference,half_width,delivered,\
    reference_delivered,short,true_drawn_per_day,true_reference_drawn_per_day,true_reference_lost_per_day,loss_w_per_k,rule";

/// One line of the page: what, figure, bar, whether it is reached.
struct Line {
    what: String,
    value: f64,
    unit: &'static str,
    homes: usize,
    /// Least and most that is asked; `None` where nothing is.
    bar: Option<(f64, f64)>,
}

impl Line {
    fn reached(&self) -> Option<bool> {
        self.bar.map(|(low, high)| (low..=high).contains(&self.value))
    }
}

pub(crate) fn measure(args: &AccuracyArgs) -> Result<Exit, Failure> {
    let date = date(&args.date)?;
    let mut sections: Vec<(String, Vec<Line>)> = Vec::new();
    let folder = reference_folder(args);
    if folder.is_dir() {
        for fleet in FLEETS {
            sections.push((format!("Reference fleet, {}", fleet.0), reference_fit(&folder, fleet)?));
        }
    } else {
        let problem = ContractError::new(
            folder.display().to_string(),
            "is no folder; the reference fleets are passed over",
        );
        progress::warning(&problem.with_hint("say where they are with --reference, or set DRAWOFF_SHARED"));
    }
    if args.synth_homes > 0 && args.days > 0 {
        let plan = FleetPlan {
            seed: args.seed,
            homes: args.synth_homes,
            days: args.days,
            faults: FaultsLaid::None,
            pace: Pace::Quick,
            ..FleetPlan::default()
        };
        plan.check().map_err(Failure::settings)?;
        let (lines, pairs) = twins(&plan, false)?;
        write_text(&args.out.join(format!("savings-{date}-pairs.csv")), &pairs)?;
        sections.push(("Invented twins, own rule against always on".to_owned(), lines));
        sections.push(("Invented twins, nothing changed".to_owned(), twins(&plan, true)?.0));
    }
    rate::tell(&settings());
    let text = page(args, &date.to_string(), &sections);
    let path = args.out.join(format!("savings-{date}.md"));
    write_text(&path, &text)?;
    progress::result(&text);
    progress::result(&format!("written: {}", path.display()));
    Ok(Exit::Done)
}

fn page(args: &AccuracyArgs, date: &str, sections: &[(String, Vec<Line>)]) -> String {
    let mut text = format!(
        "# Savings of drawoff {VERSION}, {date}\n\n\
         Made by `drawoff accuracy --savings --date {date} --synth-homes {} --days {} --seed {}`. The rule of a home is learnt from every other \
         week; its replay runs free from the first day and is held against the meter of the weeks between. Twins are the same invented home and \
         people under their own rule and under an element that may always heat the whole tank to {SET_DEGC:.0} degC: the difference of what both \
         really took is the true saving. `synth` shares no model with the replay.\n",
        args.synth_homes, args.days, args.seed
    );
    for (title, lines) in sections {
        text.push_str(&format!(
            "\n## {title}\n\n| figure | value | homes | bar | |\n|---|---|---|---|---|\n"
        ));
        for line in lines {
            let bar =
                line.bar.map_or("-".to_owned(), |(low, high)| match (low.is_finite(), high.is_finite()) {
                    (true, true) => format!("{low} to {high}"),
                    (false, _) => format!("at most {high}"),
                    (true, false) => format!("at least {low}"),
                });
            let word = line.reached().map_or("", |r| if r { "reached" } else { "MISSED" });
            text.push_str(&format!(
                "| {} | {:.2} {} | {} | {bar} | {word} |\n",
                line.what, line.value, line.unit, line.homes
            ));
        }
    }
    text
}

/// Fit of the replay over the sound homes of a fleet, by its truth.
fn reference_fit(folder: &std::path::Path, fleet: (&str, &str, &str, &str)) -> Result<Vec<Line>, Failure> {
    let (name, exports, register, pipeline) = fleet;
    let place = folder.join(name);
    let set = |key: &str, path: &str| format!("inputs.{key}={}", place.join(path).display());
    let inputs = run::read_inputs(&PipelineArgs {
        pipeline: pipeline.into(),
        set: vec![set("readings", exports), set("register", register)],
    })?;
    let truth = read_truth(&place.join("truth"))?;
    let water = inputs.pipeline.water.water();
    let gathered = gather(&inputs);
    let files = gathered.files.len();
    let homes: Vec<(&Cylinder, Result<Notes, &'static str>)> = gathered
        .homes
        .par_iter()
        .filter_map(|(home, rows)| {
            let cylinder = inputs.cylinders.get(home)?;
            Some((cylinder, reduce(cylinder, rows, files, water)))
        })
        .collect();
    let daybooks: Vec<HomeDaybook<'_>> =
        homes.into_iter().map(|(cylinder, notes)| HomeDaybook { cylinder, notes }).collect();
    let priors = priors(&daybooks);
    let settings = drawoff_homes::Settings { water, seed: 1 };
    let empty = Notes::default();
    let sound: Vec<&HomeDaybook<'_>> = daybooks
        .iter()
        .filter(|d| truth.homes.get(&d.cylinder.home).is_some_and(|t| t.faults.is_empty()))
        .collect();
    let fits: Vec<Option<Fit>> = sound
        .par_iter()
        .map(|daybook| {
            let (reading, _) = read_one(daybook, &priors, settings, false);
            let notes = daybook.notes.as_ref().unwrap_or(&empty);
            let input = HomeInput {
                cylinder: daybook.cylinder,
                days: &notes.days,
                spells: &notes.spells,
                reading: &reading,
            };
            let known = known(&input, water).ok()?;
            let run = replay(&known.learnt.body, &known.learnt.rule, &known.history, &Shift::NONE);
            drawoff_savings::fit::fit(&known.history, &run, known.per_metered)
        })
        .collect();
    Ok(fit_lines(&fits))
}

fn fit_lines(fits: &[Option<Fit>]) -> Vec<Line> {
    let known: Vec<Fit> = fits.iter().copied().flatten().collect();
    let middle = |get: &dyn Fn(&Fit) -> Option<f64>| {
        let values: Vec<f64> = known.iter().filter_map(get).map(|v| v * 100.0).collect();
        (if values.is_empty() { f64::NAN } else { median(&values) }, values.len())
    };
    let line = |what: &str, (value, homes): (f64, usize), most: f64| Line {
        what: what.to_owned(),
        value,
        unit: "%",
        homes,
        bar: Some((f64::NEG_INFINITY, most)),
    };
    let unread = fits.len() - known.len();
    let mut out = vec![
        line(
            "size of the bias of the total (NMBE), median of sound homes",
            middle(&|f| Some(f.nmbe.abs())),
            3.0,
        ),
        line("daily CV(RMSE), median", middle(&|f| Some(f.daily)), 12.0),
        line("weekly CV(RMSE), median", middle(&|f| f.weekly), 7.0),
    ];
    out.push(Line {
        what: "sound homes without a rule or too few days".to_owned(),
        value: unread as f64,
        unit: "",
        homes: fits.len(),
        bar: None,
    });
    out
}

/// One home of a pair, as far as it is needed once its readings are reduced.
struct Pair {
    cylinder: Cylinder,
    notes: Result<Notes, &'static str>,
    own: TwinTruth,
    other: TwinTruth,
}

fn twins(plan: &FleetPlan, own_too: bool) -> Result<(Vec<Line>, String), Failure> {
    let started = Instant::now();
    let mapping = own_mapping().map_err(Failure::settings)?;
    let rule = TwinRule {
        window: None,
        set_point_degc: SET_DEGC,
        deadband_k: HYSTERESIS_K,
        base_height: BASE_HEIGHT,
    };
    let pairs: Vec<Pair> = (0..plan.homes)
        .into_par_iter()
        .map(|index| -> Result<Option<Pair>, ContractError> {
            let Some(made) = generate_twins(plan, index, &rule, own_too)? else { return Ok(None) };
            let cylinder = cylinder(&made.seen.register, &mapping)?;
            let notes = reduce(&cylinder, &home_rows(&made.seen.readings)?, 1, Water::Iapws);
            Ok(Some(Pair { cylinder, notes, own: made.own, other: made.other }))
        })
        .collect::<Result<Vec<_>, ContractError>>()?
        .into_iter()
        .flatten()
        .collect();
    progress::note(&format!(
        "{} pairs of twins made in {:.1} s",
        pairs.len(),
        started.elapsed().as_secs_f64()
    ));
    let daybooks: Vec<HomeDaybook<'_>> =
        pairs.iter().map(|p| HomeDaybook { cylinder: &p.cylinder, notes: p.notes.clone() }).collect();
    let priors = priors(&daybooks);
    let settings = settings();
    let reading_settings = drawoff_homes::Settings { water: Water::Iapws, seed: 1 };
    let empty = Notes::default();
    let judged: Vec<Option<Judged>> = daybooks
        .par_iter()
        .zip(&pairs)
        .map(|(daybook, pair)| {
            let (reading, _) = read_one(daybook, &priors, reading_settings, false);
            let notes = daybook.notes.as_ref().unwrap_or(&empty);
            let input = HomeInput {
                cylinder: daybook.cylinder,
                days: &notes.days,
                spells: &notes.spells,
                reading: &reading,
            };
            judged(&home_savings(&input, &settings), pair, plan.start_ms)
        })
        .collect();
    let table: Vec<&str> = judged.iter().flatten().map(|j| j.line.as_str()).collect();
    Ok((twin_lines(&judged, own_too), format!("{PAIRS_HEADER}\n{}\n", table.join("\n"))))
}

/// Invented prices, so that cheaper hours count as well.
fn settings() -> Settings {
    let version = |rates| Version { from: None, to: None, rates, standing_per_day: 0, export: 0 };
    let mut tariffs = Tariffs::default();
    tariffs.add("single-rate", version(Rates::Flat(300_000)), true);
    tariffs.add("two-rate", version(Rates::TwoRate { high: 340_000, low: 120_000, hours: None }), false);
    Settings {
        reference: Reference {
            system: System::Element,
            windows: Vec::new(),
            set_degc: Some(SET_DEGC),
            hysteresis_k: HYSTERESIS_K,
            base_height: BASE_HEIGHT,
            carrier: Carrier::Grid,
        },
        tariffs,
        average: None,
        marginal: None,
        currency: "GBP".to_owned(),
        water: Water::Iapws,
        members: DEFAULT_MEMBERS,
        seed: 1,
    }
}

/// A saving beside the true one.
struct Judged {
    /// Line of the table of pairs.
    line: String,
    saved_kwh: f64,
    true_kwh: f64,
    reference_kwh: f64,
    kwh_covered: bool,
    saved_money: f64,
    true_money: f64,
    reference_money: f64,
    money_covered: bool,
    fit: Option<Fit>,
    parts_exact: bool,
}

fn judged(home: &HomeSavings, pair: &Pair, start_ms: i64) -> Option<Judged> {
    let assessed = home.assessed.as_ref()?;
    let history: &History = &assessed.known.history;
    let (mut own_wh, mut other_wh) = (0.0, 0.0);
    let (mut own_bill, mut other_bill) = (Bill::ZERO, Bill::ZERO);
    for row in &assessed.saving.rows {
        let step: &HalfHour = &history.steps[row.step];
        let index = usize::try_from((step.start_ms - start_ms) / 1_800_000).ok()?;
        let (own, other) = (pair.own.half_hour_wh.get(index)?, pair.other.half_hour_wh.get(index)?);
        own_wh += own;
        other_wh += other;
        let rate = &assessed.rates[row.step];
        own_bill.add(bill(Carrier::Grid, own.round() as i64, 0, rate));
        other_bill.add(bill(Carrier::Grid, other.round() as i64, 0, rate));
    }
    let true_kwh = (other_wh - own_wh) / 1000.0;
    let true_money = other_bill.less(own_bill).money? as f64;
    let saving = &assessed.saving;
    let money = saving.saved_money?;
    let parts: i64 = saving.parts.iter().filter_map(|p| p.saved.money).sum();
    let days = pair.own.half_hour_wh.len() as f64 / 48.0;
    let line = format!(
        "{},{},{},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.2},\"{}\"",
        home.row.home,
        pair.cylinder.control.as_deref().unwrap_or_default(),
        pair.cylinder.elements.len(),
        saving.wh[0] as f64 / 1000.0,
        saving.wh[1] as f64 / 1000.0,
        saving.wh[2] as f64 / 1000.0,
        own_wh / 1000.0,
        other_wh / 1000.0,
        (saving.saved_kwh.p95 - saving.saved_kwh.p05) / 2.0,
        saving.own.delivered_kwh,
        saving.of_reference.delivered_kwh,
        saving.own.short_kwh,
        pair.own.drawn_kwh / days,
        pair.other.drawn_kwh / days,
        pair.other.lost_kwh / days,
        assessed.known.learnt.body.loss_w_per_k,
        home.row.rule,
    );
    Some(Judged {
        line,
        saved_kwh: saving.saved_kwh.value,
        true_kwh,
        reference_kwh: other_wh / 1000.0,
        kwh_covered: (saving.saved_kwh.p05..=saving.saved_kwh.p95).contains(&true_kwh),
        saved_money: money.value,
        true_money,
        reference_money: other_bill.money? as f64,
        money_covered: (money.p05..=money.p95).contains(&true_money),
        fit: assessed.fit,
        parts_exact: Some(parts) == saving.bills[2].less(saving.bills[1]).money,
    })
}

fn twin_lines(judged: &[Option<Judged>], nothing_saved: bool) -> Vec<Line> {
    let known: Vec<&Judged> = judged.iter().flatten().collect();
    let n = known.len();
    let sum = |get: fn(&Judged) -> f64| known.iter().map(|j| get(j)).sum::<f64>();
    let share = |get: fn(&Judged) -> bool| 100.0 * known.iter().filter(|j| get(j)).count() as f64 / n as f64;
    let line = |what: &str, value: f64, unit, bar| Line { what: what.to_owned(), value, unit, homes: n, bar };
    let covered = Some((85.0, 95.0));
    let bias = Some((-3.0, 3.0));
    let mut out = vec![
        line(
            "bias of the energy saved, over the reference's energy",
            100.0 * (sum(|j| j.saved_kwh) - sum(|j| j.true_kwh)) / sum(|j| j.reference_kwh),
            "%",
            bias,
        ),
        line(
            "bias of the money saved, over the reference's cost",
            100.0 * (sum(|j| j.saved_money) - sum(|j| j.true_money)) / sum(|j| j.reference_money),
            "%",
            bias,
        ),
        line(
            "90 % intervals of the energy saved that hold the truth",
            share(|j| j.kwh_covered),
            "%",
            covered,
        ),
        line(
            "90 % intervals of the money saved that hold the truth",
            share(|j| j.money_covered),
            "%",
            covered,
        ),
        line(
            "homes whose parts add up to the last unit",
            share(|j| j.parts_exact),
            "%",
            Some((100.0, 100.0)),
        ),
        line("pairs not assessed", (judged.len() - n) as f64, "", None),
    ];
    if !nothing_saved {
        out.insert(
            0,
            line(
                "bias of the energy saved, over the true saving",
                100.0 * (sum(|j| j.saved_kwh) / sum(|j| j.true_kwh) - 1.0),
                "%",
                bias,
            ),
        );
        out.insert(
            1,
            line(
                "bias of the money saved, over the true saving",
                100.0 * (sum(|j| j.saved_money) / sum(|j| j.true_money) - 1.0),
                "%",
                bias,
            ),
        );
        out.push(line(
            "true saving of energy, over the reference's",
            100.0 * sum(|j| j.true_kwh) / sum(|j| j.reference_kwh),
            "%",
            None,
        ));
    }
    let errors: Vec<f64> =
        known.iter().map(|j| 100.0 * (j.saved_kwh - j.true_kwh) / j.reference_kwh).collect();
    let mean = errors.iter().sum::<f64>() / n as f64;
    let sd = (errors.iter().map(|e| (e - mean) * (e - mean)).sum::<f64>() / (n as f64 - 1.0)).sqrt();
    out.push(line("scatter of homes' errors, over the reference's energy", sd, "%", None));
    out.extend(fit_lines(&known.iter().map(|j| j.fit).collect::<Vec<_>>()));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_saved_where_nothing_changed() {
        let plan = FleetPlan {
            seed: 9,
            homes: 12,
            days: 28,
            faults: FaultsLaid::None,
            pace: Pace::Quick,
            ..FleetPlan::default()
        };
        let lines = twins(&plan, true).unwrap().0;
        let of = |start: &str| lines.iter().find(|l| l.what.starts_with(start)).unwrap();
        assert!(
            of("bias of the energy saved").reached() == Some(true),
            "{}",
            of("bias of the energy saved").value
        );
        assert!(of("bias of the money saved").reached() == Some(true));
        assert_eq!(of("homes whose parts").value, 100.0);
        assert!(
            of("90 % intervals of the energy").homes > 6 && of("90 % intervals of the energy").value > 70.0
        );
    }
}
