//! `drawoff run` of a pipeline with the section `[savings]`: exports in; energy, money and gases saved out.

pub(crate) mod accuracy;
mod changed;
mod rate;
pub(crate) mod settings;
mod write;

use std::time::Instant;

use drawoff_contract::savings_tables::StillOpenRow;
use drawoff_contract::small_tables::{CarbonRow, ChangedRow, PriceRow};
use drawoff_contract::{Account, ContractError};
use drawoff_daybook::Notes;
use drawoff_homes::FleetPriors;
use drawoff_savings::home::{HomeInput, HomeSavings, Settings, home_savings, still_open_row};
use drawoff_savings::series::{Interval, Series};
use drawoff_savings::tariff::Tariffs;
use drawoff_store::in_turn;
use drawoff_store::small::{PriceLayout, Small, read_carbon, read_changed, read_prices};

use crate::daybook_files::{DaybookFiles, DaybookWriter, Place};
use crate::exit::{Exit, Failure};
use crate::pipeline::place::Problem;
use crate::progress::{self, thousands};
use crate::reduce::{open_intake, reduce_fleet};
use crate::run::{Folders, Inputs, finish, nothing_read, warn_of_what_was_left_out};
use crate::sanity::unit_slips;
use crate::small::named;
use crate::stages::{Daybooks, Which, read_one};

use settings::{PriceSeries, SavingsSettings};

/// What a pipeline says of savings, read.
pub(crate) struct Given {
    pub(crate) settings: Settings,
    pub(crate) changes: Vec<ChangedRow>,
    /// Rows of small tables that are left out.
    pub(crate) problems: Vec<ContractError>,
    pub(crate) remarks: Vec<ContractError>,
}

/// Reads what the section names.
///
/// # Errors
/// All problems at once.
pub(crate) fn given(inputs: &Inputs, of: &SavingsSettings) -> Result<Given, Failure> {
    let mut errors = Vec::new();
    let (mut problems, mut remarks) = (Vec::new(), Vec::new());
    let of_keys = |problems: Vec<Problem>| -> Vec<ContractError> {
        problems.into_iter().map(|p| p.below(&["savings"]).of_key()).collect()
    };
    let reference = of.reference.reference().map_err(|problems| errors.extend(of_keys(problems))).ok();
    let mut tariffs = Tariffs::default();
    let mut prices = |series: &PriceSeries| -> Result<Vec<Interval>, ContractError> {
        let small = read_series(series)?;
        problems.extend(small.problems);
        remarks.extend(small.remarks);
        Ok(intervals(&small.rows))
    };
    for tariff in &of.tariffs {
        match tariff.version(of.shift_years, &mut prices) {
            Ok(Ok(version)) => tariffs.add(&tariff.name, version, tariff.default),
            Ok(Err(problems)) => errors.extend(of_keys(problems)),
            Err(e) => errors.push(e),
        }
    }
    tariffs.add_rows(inputs.small.tariffs());
    let average = series(inputs.small.carbon(), of.shift_years);
    let mut marginal = None;
    if let Some(path) = named(&of.marginal) {
        match read_carbon(path, &inputs.mapping.carbon) {
            Ok(small) => {
                problems.extend(small.problems);
                remarks.extend(small.remarks);
                marginal = series(&small.rows, of.shift_years);
            }
            Err(e) => errors.push(e),
        }
    }
    let mut changes = Vec::new();
    if let Some(path) = named(&of.changes) {
        match read_changed(path) {
            Ok(small) => {
                problems.extend(small.problems);
                changes = small.rows;
            }
            Err(e) => errors.push(e),
        }
    }
    match reference {
        Some(reference) if errors.is_empty() => Ok(Given {
            settings: Settings {
                reference,
                tariffs,
                average,
                marginal,
                currency: inputs.pipeline.worth.currency.clone(),
                water: inputs.pipeline.water.water(),
                members: of.members,
                seed: inputs.pipeline.run.seed,
            },
            changes,
            problems,
            remarks,
        }),
        _ => Err(Failure::settings(errors)),
    }
}

/// Reads a series of prices.
///
/// # Errors
/// When its zone or its file cannot be used.
pub(crate) fn read_series(series: &PriceSeries) -> Result<Small<PriceRow>, ContractError> {
    let zone = series.zone.as_ref().map(|name| {
        name.parse().map_err(|_| {
            ContractError::new("half_hourly prices", format!("{name:?} is no time zone"))
                .with_hint("use an IANA name such as Europe/London")
        })
    });
    let layout = PriceLayout {
        time: series.time.clone(),
        price: series.price.clone(),
        factor: series.factor,
        zone: zone.transpose()?,
    };
    read_prices(&series.file, &layout)
}

/// Prices in whole millionths.
pub(crate) fn intervals(rows: &[PriceRow]) -> Vec<Interval> {
    rows.iter().map(|r| Interval { from: r.from, to: r.to, value: r.price.0 }).collect()
}

/// Intensities in whole mg/kWh; `None` without rows.
pub(crate) fn series(rows: &[CarbonRow], shift_years: i64) -> Option<Series> {
    let row = |r: &CarbonRow| Interval {
        from: r.from,
        to: r.to,
        value: (r.g_per_kwh * 1000.0).round_ties_even() as i64,
    };
    (!rows.is_empty()).then(|| Series::new(rows.iter().map(row).collect(), shift_years))
}

/// One home, and whether nothing was found wrong with it.
pub(crate) struct HomeDone {
    pub(crate) savings: HomeSavings,
    /// What it could still save; `None` where the pipeline does not ask.
    pub(crate) still_open: Option<StillOpenRow>,
    pub(crate) sound: bool,
}

/// Reads every home and works out its savings; homes come to `take` in order.
///
/// # Errors
/// When the daybook cannot be read back, and what `take` gives.
pub(crate) fn each_home(
    daybooks: &DaybookFiles<'_>,
    priors: &FleetPriors,
    seed: u64,
    settings: &Settings,
    still_open: bool,
    take: &mut (dyn FnMut(HomeDone) -> Result<(), ContractError> + Send),
) -> Result<(), ContractError> {
    let reading_settings = drawoff_homes::Settings { water: settings.water, seed };
    let empty = Notes::default();
    let make = |piece: usize| -> Result<Vec<HomeDone>, ContractError> {
        let homes = daybooks.piece(Which::All, piece)?;
        let one = |(_, daybook): &(usize, std::borrow::Cow<'_, crate::stages::HomeDaybook<'_>>)| {
            let (reading, findings) = read_one(daybook, priors, reading_settings, true);
            let notes = daybook.notes.as_ref().unwrap_or(&empty);
            let input = HomeInput {
                cylinder: daybook.cylinder,
                days: &notes.days,
                spells: &notes.spells,
                reading: &reading,
            };
            let savings = home_savings(&input, settings);
            let still_open = still_open.then(|| still_open_row(&input, &savings, settings));
            HomeDone { savings, still_open, sound: findings.iter().all(|f| f.outcome != "fault") }
        };
        Ok(homes.iter().map(one).collect())
    };
    in_turn(daybooks.pieces(Which::All), &make, &mut |homes: Vec<HomeDone>| {
        homes.into_iter().try_for_each(&mut *take)
    })
}

pub(crate) fn run(inputs: &Inputs, of: &SavingsSettings) -> Result<Exit, Failure> {
    let given = given(inputs, of)?;
    let Folders { run: mut folder, others } = Folders::begin(inputs)?;
    let mut intake = open_intake(inputs, folder.rows_aside().join("rows"));
    let (reduced, daybook) = reduce_fleet(
        &mut intake,
        &inputs.cylinders,
        given.settings.water,
        &|| DaybookWriter::begin(&folder, &inputs.cylinders, Place::InRun),
        &|daybook, home, notes| daybook.push(home, notes),
    )?;
    drop(intake);
    if reduced.stamps.is_empty() {
        return Err(nothing_read(inputs, &reduced));
    }
    let daybooks = daybook.end(&mut folder)?;
    let started = Instant::now();
    let mut tables = write::Tables::begin(&folder, of.half_hours, !given.changes.is_empty())?;
    each_home(
        &daybooks,
        &reduced.priors,
        inputs.pipeline.run.seed,
        &given.settings,
        of.still_open,
        &mut |home| tables.take(home),
    )?;
    let home_days = tables.home_days();
    progress::note(&format!(
        "replayed {} home-days in {:.1} s",
        thousands(home_days),
        started.elapsed().as_secs_f64()
    ));
    let mut total = Account::default();
    reduced.accounts.files.iter().for_each(|a| total.add(a));
    let slips = unit_slips(&reduced.unit_signs, &total);
    given.problems.iter().chain(&given.remarks).for_each(progress::warning);
    let partial = warn_of_what_was_left_out(inputs, &reduced, &[], slips) || !given.problems.is_empty();
    let (summary, manifest) = tables.finish(&mut folder, inputs, of, &given, &total, reduced)?;
    let dir = finish(inputs, Folders { run: folder, others }, manifest)?;
    progress::result(&summary);
    let dir = dir.display();
    progress::result(&format!(
        "homes: {dir}/savings.csv   page: {dir}/savings.html   tables: {dir}/*.parquet"
    ));
    Ok(if partial { Exit::Partial } else { Exit::Done })
}
