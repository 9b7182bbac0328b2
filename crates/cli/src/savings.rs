//! `drawoff run` of a pipeline with the section `[savings]`: exports in; energy, money and gases saved out.

pub(crate) mod accuracy;
mod changed;
mod rate;
pub(crate) mod settings;
mod write;

use std::time::Instant;

use drawoff_contract::part_tables::SavedHome;
use drawoff_contract::savings_tables::{
    SavingHalfHourRow, SavingMonthRow, SavingPartRow, SavingRow, StillOpenRow,
};
use drawoff_contract::small_tables::{CarbonRow, ChangedRow, PriceRow};
use drawoff_contract::{Account, ContractError, Cylinder, HomeRows, Mapping};
use drawoff_daybook::Notes;
use drawoff_homes::FleetPriors;
use drawoff_savings::before_after::{DayUse, days_used};
use drawoff_savings::home::{HomeInput, Settings, home_savings, still_open_row};
use drawoff_savings::series::{Interval, Series};
use drawoff_savings::tariff::Tariffs;
use drawoff_store::small::{PriceLayout, Small, read_carbon, read_changed, read_prices};
use drawoff_store::{fingerprint, in_turn};

use crate::daybook_files::{DaybookFiles, DaybookWriter, Place};
use crate::exit::{Exit, Failure};
use crate::parts::saved::done_of;
use crate::parts::worked::{Elsewhere, Fleet, own_print};
use crate::pipeline::Pipeline;
use crate::pipeline::place::Problem;
use crate::progress::{self, thousands};
use crate::reduce::{Reduced, open_intake, reduce_fleet};
use crate::run::{Folders, Inputs, finish, nothing_read, warn_of_what_was_left_out};
use crate::sanity::unit_slips;
use crate::small::{SmallTables, named};
use crate::stages::{Daybooks, HomeDaybook, Which, read_one, reduce};

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
pub(crate) fn given(
    pipeline: &Pipeline,
    mapping: &Mapping,
    small: &SmallTables,
    of: &SavingsSettings,
) -> Result<Given, Failure> {
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
    tariffs.add_rows(small.tariffs());
    let average = series(small.carbon(), of.shift_years);
    let mut marginal = None;
    if let Some(path) = named(&of.marginal) {
        match read_carbon(path, &mapping.carbon) {
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
                currency: pipeline.worth.currency.clone(),
                water: pipeline.water.water(),
                members: of.members,
                seed: pipeline.run.seed,
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

/// One home with what of it is written, and whether nothing was found wrong with it.
pub(crate) struct HomeDone {
    pub(crate) row: SavingRow,
    /// Empty where the pipeline does not ask.
    pub(crate) half_hours: Vec<SavingHalfHourRow>,
    pub(crate) parts: Vec<SavingPartRow>,
    pub(crate) months: Vec<SavingMonthRow>,
    /// What it could still save; `None` where the pipeline does not ask.
    pub(crate) still_open: Option<StillOpenRow>,
    /// Its days; `None` where it is not assessed, or no home was changed.
    pub(crate) uses: Option<Vec<DayUse>>,
    pub(crate) sound: bool,
}

/// What is worked out of each home.
pub(crate) struct Job<'a> {
    settings: &'a Settings,
    seed: u64,
    still_open: bool,
    half_hours: bool,
    uses: bool,
}

impl<'a> Job<'a> {
    pub(crate) fn new(given: &'a Given, of: &SavingsSettings, seed: u64) -> Self {
        Self {
            settings: &given.settings,
            seed,
            still_open: of.still_open,
            half_hours: of.half_hours,
            uses: !given.changes.is_empty(),
        }
    }

    /// Hash of all that it depends on beside the home and its fleet.
    pub(crate) fn print(&self) -> String {
        let Self { settings, seed, still_open, half_hours, uses } = self;
        fingerprint(&format!("savings {settings:?} {seed} {still_open} {half_hours} {uses}"))
    }

    /// Reads one home and works out its savings.
    pub(crate) fn home(&self, daybook: &HomeDaybook<'_>, priors: &FleetPriors) -> HomeDone {
        let reading = drawoff_homes::Settings { water: self.settings.water, seed: self.seed };
        let (reading, findings) = read_one(daybook, priors, reading, true);
        let empty = Notes::default();
        let notes = daybook.notes.as_ref().unwrap_or(&empty);
        let input = HomeInput {
            cylinder: daybook.cylinder,
            days: &notes.days,
            spells: &notes.spells,
            reading: &reading,
        };
        let savings = home_savings(&input, self.settings);
        let assessed = savings.assessed.as_ref().filter(|_| self.uses);
        HomeDone {
            still_open: self.still_open.then(|| still_open_row(&input, &savings, self.settings)),
            uses: assessed.map(|of| days_used(&of.known.history)),
            half_hours: if self.half_hours { savings.half_hours } else { Vec::new() },
            row: savings.row,
            parts: savings.parts,
            months: savings.months,
            sound: findings.iter().all(|f| f.outcome != "fault"),
        }
    }
}

/// Works out every home; homes come to `take` in order. Homes that failed in another process are told.
///
/// # Errors
/// When the daybook or what another process made cannot be read back, and what `take` gives.
fn each_home(
    (daybooks, priors): (&DaybookFiles<'_>, &FleetPriors),
    job: &Job<'_>,
    elsewhere: Option<Elsewhere<SavedHome>>,
    take: &mut (dyn FnMut(HomeDone) -> Result<(), ContractError> + Send),
) -> Result<Vec<ContractError>, ContractError> {
    if let Some(Elsewhere { parts, print, has_rows }) = elsewhere {
        let cylinders: Vec<&Cylinder> = (0..has_rows.len()).map(|home| daybooks.cylinder(home)).collect();
        let against = format!("{} {}", parts.print, job.print());
        let without_rows = |cylinder: &Cylinder| {
            let notes = reduce(cylinder, &HomeRows::default(), 0, job.settings.water);
            job.home(&HomeDaybook { cylinder, notes }, priors)
        };
        return parts.each_home(
            &Fleet { cylinders: &cylinders, has_rows: &has_rows, priors },
            &|cylinder| own_print(&print, cylinder, &against),
            &done_of,
            &without_rows,
            take,
        );
    }
    let make = |piece: usize| -> Result<Vec<HomeDone>, ContractError> {
        let homes = daybooks.piece(Which::All, piece)?;
        Ok(homes.iter().map(|(_, daybook)| job.home(daybook, priors)).collect())
    };
    in_turn(daybooks.pieces(Which::All), &make, &mut |homes: Vec<HomeDone>| {
        homes.into_iter().try_for_each(&mut *take)
    })?;
    Ok(Vec::new())
}

pub(crate) fn run(inputs: &Inputs, of: &SavingsSettings) -> Result<Exit, Failure> {
    let given = given(&inputs.pipeline, &inputs.mapping, &inputs.small, of)?;
    let Folders { run: folder, others } = Folders::begin(inputs)?;
    let mut intake = open_intake(inputs, folder.rows_aside().join("rows"));
    let (reduced, daybook) = reduce_fleet(
        &mut intake,
        &inputs.cylinders,
        given.settings.water,
        &|| DaybookWriter::begin(&folder, &inputs.cylinders, Place::InRun),
        &|daybook, home, notes| daybook.push(home, notes),
    )?;
    drop(intake);
    after_daybook(inputs, of, &given, Folders { run: folder, others }, reduced, daybook, None)
}

/// Everything after the daybook, up to the finished run.
pub(crate) fn after_daybook(
    inputs: &Inputs,
    of: &SavingsSettings,
    given: &Given,
    folders: Folders,
    reduced: Reduced,
    daybook: DaybookWriter<'_>,
    elsewhere: Option<Elsewhere<SavedHome>>,
) -> Result<Exit, Failure> {
    let Folders { run: mut folder, others } = folders;
    if reduced.stamps.is_empty() {
        return Err(nothing_read(inputs, &reduced));
    }
    let daybooks = daybook.end(&mut folder)?;
    let started = Instant::now();
    let mut tables = write::Tables::begin(&folder)?;
    let job = Job::new(given, of, inputs.pipeline.run.seed);
    let failed = each_home((&daybooks, &reduced.priors), &job, elsewhere, &mut |home| tables.take(home))?;
    failed.iter().for_each(progress::warning);
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
    let (summary, manifest) = tables.finish(&mut folder, inputs, of, given, &total, reduced)?;
    let dir = finish(inputs, Folders { run: folder, others }, manifest)?;
    progress::result(&summary);
    let dir = dir.display();
    progress::result(&format!(
        "homes: {dir}/savings.csv   page: {dir}/savings.html   tables: {dir}/*.parquet"
    ));
    Ok(if partial || !failed.is_empty() { Exit::Partial } else { Exit::Done })
}
