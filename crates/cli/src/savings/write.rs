//! Tables and summary of a run of savings.

use drawoff_contract::savings_tables::{
    SavingFleetRow, SavingHalfHourRow, SavingMonthRow, SavingPartRow, SavingRow, StillOpenRow,
};
use drawoff_contract::{Account, ContractError};
use drawoff_homes::robust::median;
use drawoff_report::{csv, json, site};
use drawoff_savings::before_after::DayUse;
use drawoff_savings::fleet::{carbon, energy, money, random_effects, total};
use drawoff_savings::saving::Span;
use drawoff_store::RunFolder;
use drawoff_store::output::TableStream;

use super::settings::SavingsSettings;
use super::{Given, HomeDone, changed};
use crate::exit::Failure;
use crate::manifest::manifest;
use crate::reduce::Reduced;
use crate::run::{Inputs, file_rows};

/// Tables as they are filled home by home.
pub(super) struct Tables {
    half_hours: TableStream<SavingHalfHourRow>,
    homes: Vec<SavingRow>,
    sound: Vec<bool>,
    parts: Vec<SavingPartRow>,
    months: Vec<SavingMonthRow>,
    still_open: Vec<StillOpenRow>,
    /// Days of all homes; empty where no home was changed.
    uses: Vec<(String, Vec<DayUse>)>,
}

impl Tables {
    pub(super) fn begin(folder: &RunFolder) -> Result<Self, ContractError> {
        Ok(Self {
            half_hours: folder.begin_table()?,
            homes: Vec::new(),
            sound: Vec::new(),
            parts: Vec::new(),
            months: Vec::new(),
            still_open: Vec::new(),
            uses: Vec::new(),
        })
    }

    pub(super) fn take(&mut self, home: HomeDone) -> Result<(), ContractError> {
        self.sound.push(home.sound);
        self.still_open.extend(home.still_open);
        self.uses.extend(home.uses.map(|uses| (home.row.home.clone(), uses)));
        self.homes.push(home.row);
        self.parts.extend(home.parts);
        self.months.extend(home.months);
        self.half_hours.push(home.half_hours)
    }

    pub(super) fn home_days(&self) -> u64 {
        u64::try_from(self.homes.iter().map(|h| h.days_used).sum::<i64>()).unwrap_or(0)
    }

    /// Writes everything and says what there is in short.
    pub(super) fn finish(
        self,
        folder: &mut RunFolder,
        inputs: &Inputs,
        of: &SavingsSettings,
        given: &Given,
        account: &Account,
        reduced: Reduced,
    ) -> Result<(String, serde_json::Value), Failure> {
        let mut fleet = fleet_rows(&self.homes, &self.sound, &given.settings.currency);
        if of.shift_years != 0 {
            let years = of.shift_years as f64;
            fleet.push(plain(
                "declared shift of the series",
                "years of 364 d",
                years,
                self.homes.len(),
                &shift_words(of.shift_years),
            ));
        }
        let (changed, of_changed) = changed::rows(&given.changes, &self.uses, inputs.pipeline.run.seed);
        fleet.extend(of_changed);
        fleet.extend(still_open_rows(&self.still_open, &given.settings.currency));
        let summary = summary(&fleet);
        let notes = notes(of, given);
        let input = drawoff_report::SavingsInput {
            title: &inputs.pipeline.name,
            currency: &given.settings.currency,
            notes: &notes,
            homes: &self.homes,
            parts: &self.parts,
            months: &self.months,
            fleet: &fleet,
            still_open: &self.still_open,
            most_homes: inputs.pipeline.run.cards,
        };
        folder.text("savings.html", &drawoff_report::savings_page(&input))?;
        if inputs.pipeline.pages.site {
            let frame = site::job_frame(&site::SAVINGS_PAGES, "index.html");
            crate::pages::beside(
                folder,
                &site::SAVINGS_PAGES,
                &drawoff_report::savings_page_in(&input, &frame),
            )?;
        }
        folder.text("savings.csv", &csv::csv(self.homes.clone()))?;
        folder.text("savings.json", &json::json(self.homes.clone()))?;
        folder.text("savings_parts.csv", &csv::csv(self.parts.clone()))?;
        folder.text("savings_months.csv", &csv::csv(self.months.clone()))?;
        folder.text("savings_fleet.csv", &csv::csv(fleet.clone()))?;
        folder.text("savings_still_open.csv", &csv::csv(self.still_open.clone()))?;
        folder.text("savings_before_after.csv", &csv::csv(changed.clone()))?;
        folder.table(self.still_open)?;
        folder.table(changed)?;
        folder.table(self.homes)?;
        folder.table(self.parts)?;
        folder.table(self.months)?;
        folder.table(fleet)?;
        folder.end(self.half_hours)?;
        folder.table(reduced.accounts.homes)?;
        folder.table(file_rows(&reduced.files, &reduced.accounts.files))?;
        Ok((summary, manifest(&inputs.pipeline, account, serde_json::json!({ "job": "savings" }))?))
    }
}

/// What a reader must know of the series behind the figures.
fn notes(of: &SavingsSettings, given: &Given) -> Vec<String> {
    let mut out = Vec::new();
    let region = if of.region.is_empty() { "no region named" } else { &of.region };
    match (&given.settings.average, &given.settings.marginal) {
        (None, _) => out.push("carbon: no series, not assessed".to_owned()),
        (Some(_), None) => out.push(format!("carbon: average intensity, {region}; no marginal series")),
        (Some(_), Some(_)) => out.push(format!("carbon: average and marginal intensity, {region}")),
    }
    if of.shift_years != 0 {
        out.push(format!("series: {}", shift_words(of.shift_years)));
    }
    let remarks = given.remarks.iter().map(ToString::to_string);
    out.extend(remarks);
    out
}

/// The declared shift in words.
fn shift_words(years: i64) -> String {
    format!(
        "values of carbon and half-hourly prices are those of {years} years of 364 days before, an hour of carbon in both of its halves"
    )
}

/// A kind of saving: its name and unit, how it is read of a home, and how many of its units make one shown.
type Kind<'a> = (&'a str, &'a str, fn(&SavingRow) -> Option<(Span, f64)>, f64);
/// A figure of a home; `None` where it is not known.
type Figure = fn(&SavingRow) -> Option<f64>;

pub(super) fn statement(
    baseline: &str,
    statement: &str,
    unit: &str,
    span: Option<Span>,
    homes: usize,
    note: &str,
) -> SavingFleetRow {
    SavingFleetRow {
        baseline: baseline.to_owned(),
        statement: statement.to_owned(),
        unit: unit.to_owned(),
        value: span.map(|s| s.value),
        p05: span.map(|s| s.p05),
        p95: span.map(|s| s.p95),
        homes: i64::try_from(homes).unwrap_or(i64::MAX),
        note: note.to_owned(),
    }
}

/// A figure without an interval: a count, or a median over homes.
fn plain(of: &str, unit: &str, value: f64, homes: usize, note: &str) -> SavingFleetRow {
    let row = statement("", of, unit, None, homes, note);
    SavingFleetRow { value: value.is_finite().then_some(value), ..row }
}

fn fleet_rows(homes: &[SavingRow], sound: &[bool], currency: &str) -> Vec<SavingFleetRow> {
    let mut out = Vec::new();
    let assessed = homes.iter().filter(|h| h.outcome == "assessed").count();
    let sum = |get: fn(&SavingRow) -> i64| homes.iter().map(get).sum::<i64>() as f64;
    out.push(plain("homes in", "", homes.len() as f64, homes.len(), ""));
    out.push(plain("homes assessed", "", assessed as f64, assessed, &missing(homes)));
    out.push(plain("days in", "d", sum(|h| h.days_in), homes.len(), ""));
    out.push(plain("days masked", "d", sum(|h| h.days_masked), homes.len(), "in no sum"));
    out.push(plain(
        "days outside the trained range",
        "d",
        sum(|h| h.days_outside),
        homes.len(),
        "in the sums",
    ));
    out.push(plain("days used", "d", sum(|h| h.days_used), assessed, ""));
    let scaled = |span: Option<Span>, scale: f64| {
        span.map(|s| Span { value: s.value / scale, p05: s.p05 / scale, p95: s.p95 / scale })
    };
    let kinds: [Kind<'_>; 3] = [
        ("energy saved", "kWh", energy, 1.0),
        ("money saved", currency, money, 1e6),
        ("greenhouse gases saved, average intensity", "kg", carbon, 1e6),
    ];
    for (name, unit, of, scale) in kinds {
        let spans: Vec<(Span, f64)> = homes.iter().filter_map(of).collect();
        let note = if spans.len() < assessed {
            "homes whose days are not covered by prices or intensities are left out"
        } else {
            ""
        };
        out.push(statement("A", name, unit, scaled(total(&spans), scale), spans.len(), note));
        let own: Vec<Span> = spans.iter().map(|s| s.0).collect();
        let effects = random_effects(&own);
        out.push(statement(
            "A",
            &format!("{name}, mean home"),
            unit,
            scaled(effects.map(|e| e.mean), scale),
            own.len(),
            "random effects",
        ));
        let next = effects.map(|e| Span { value: e.mean.value, p05: e.next.0, p95: e.next.1 });
        out.push(statement(
            "A",
            &format!("{name}, next home"),
            unit,
            scaled(next, scale),
            own.len(),
            "prediction interval",
        ));
    }
    let error: f64 = homes.iter().filter_map(|h| h.model_error_kwh).sum();
    out.push(plain("model error (metered less replayed), in no saving", "kWh", error, assessed, ""));
    let of_sound = |get: fn(&SavingRow) -> Option<f64>| -> Vec<f64> {
        homes.iter().zip(sound).filter(|(_, sound)| **sound).filter_map(|(h, _)| get(h)).collect()
    };
    let fits: [(&str, Figure); 3] = [
        ("bias of the replay on days kept aside, size, median of homes without a finding", |h| {
            h.nmbe.map(f64::abs)
        }),
        ("scatter of days, the same", |h| h.cv_rmse_daily),
        ("scatter of weeks, the same", |h| h.cv_rmse_weekly),
    ];
    for (name, get) in fits {
        let values = of_sound(get);
        let middle = if values.is_empty() { f64::NAN } else { median(&values) * 100.0 };
        out.push(plain(name, "%", middle, values.len(), "free-running; blind to the power of these days"));
    }
    out
}

/// What plans and single changes could still save, over the homes whose plans keep their service.
fn still_open_rows(rows: &[StillOpenRow], currency: &str) -> Vec<SavingFleetRow> {
    if rows.is_empty() {
        return Vec::new();
    }
    let sum = |get: fn(&StillOpenRow) -> Option<i64>| {
        let known: Vec<i64> = rows.iter().filter_map(get).collect();
        let total = if known.is_empty() { f64::NAN } else { known.iter().sum::<i64>() as f64 / 1e6 };
        (total, known.len())
    };
    let (gap, planned) = sum(|r| r.gap.map(|m| m.0));
    let (changes, changed) = sum(|r| r.change_saves.map(|m| m.0));
    let (gases, clean) = sum(|r| Some(r.emitted_mg? - r.least_mg?));
    vec![
        plain(
            "still open: paid less the cheapest plan in hindsight",
            currency,
            gap,
            planned,
            "keeps the learnt 95 % of demand in hot water",
        ),
        plain("still open: the best single change of each home", currency, changes, changed, ""),
        plain("still open: emitted less the cleanest plan", "kg", gases, clean, "average intensity"),
    ]
}

/// Why homes are not assessed, with their numbers.
fn missing(homes: &[SavingRow]) -> String {
    let mut reasons: std::collections::BTreeMap<&str, usize> = std::collections::BTreeMap::new();
    for home in homes.iter().filter(|h| !h.missing.is_empty()) {
        *reasons.entry(&home.missing).or_default() += 1;
    }
    let words: Vec<String> = reasons.iter().map(|(reason, n)| format!("{n} without {reason}")).collect();
    words.join("; ")
}

fn summary(rows: &[SavingFleetRow]) -> String {
    let line = |r: &SavingFleetRow| {
        let value = r.value.map_or("not assessed".to_owned(), |v| format!("{v:.2}"));
        let interval = r.p05.zip(r.p95).map_or(String::new(), |(a, b)| format!(" ({a:.2} to {b:.2})"));
        let note = if r.note.is_empty() { String::new() } else { format!("   {}", r.note) };
        let baseline = if r.baseline.is_empty() { " " } else { &r.baseline };
        format!("{baseline} {:<60} {value}{interval} {}{note}", r.statement, r.unit)
    };
    rows.iter().map(line).collect::<Vec<_>>().join("\n")
}
