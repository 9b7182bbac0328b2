//! `drawoff run` of a pipeline with a section `[flexible_load]`: exports in, load that can be moved out.

use std::collections::BTreeMap;
use std::time::Instant;

use chrono::NaiveDate;
use drawoff_contract::fault::FaultClass;
use drawoff_contract::flexible_tables::{BackTestRow, BatteryRow, FlexibleGroupRow, FlexibleRow};
use drawoff_contract::habit_tables::VACANT;
use drawoff_contract::local::{LocalDay, day_of};
use drawoff_contract::part_tables::TriedHome;
use drawoff_contract::results::{FindingRow, HomeRow};
use drawoff_contract::{Account, ContractError, Cylinder, Day, Fault, HomeRows, Outcome};
use drawoff_daybook::Notes;
use drawoff_flexibility::calendar::Calendar;
use drawoff_flexibility::gather::{Found, Gather, Period, one};
use drawoff_flexibility::home::NotCounted;
use drawoff_flexibility::rows;
use drawoff_flexibility::trial::SLOTS;
use drawoff_flexibility::worth::{Profile, offer_value};
use drawoff_homes::habits::HomeHabits;
use drawoff_homes::{FleetPriors, HomeNotes, HomeReading};
use drawoff_report::{FlexiblePage, csv, json, site};
use drawoff_savings::series::Series;
use drawoff_store::{RunFolder, fingerprint};
use drawoff_tank::Water;
use serde::{Deserialize, Serialize};

use crate::daybook_files::{DaybookFiles, DaybookWriter, Place};
use crate::exit::{Exit, Failure};
use crate::parts::tried::tried_of;
use crate::parts::worked::{Elsewhere, Fleet, own_print};
use crate::pipeline::place::Problem;
use crate::progress::{self, thousands};
use crate::reduce::{Reduced, open_intake, reduce_fleet};
use crate::run::{Folders, Inputs, file_rows, finish, nothing_read, warn_of_what_was_left_out};
use crate::sanity::unit_slips;
use crate::savings::settings::PriceSeries;
use crate::stages::{
    self, Daybooks, HomeDaybook, HomeResults, Learnt, Read, Wanted, learn, notes_of, reduce,
};

/// The section `[flexible_load]` of a pipeline.
#[derive(Clone, Debug, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct FlexibleSettings {
    /// Past days that offers are made from.
    pub(crate) window_days: usize,
    /// Days at the end of the record that are declared from the window before each, and held against what came.
    pub(crate) back_test_days: usize,
    /// No power is told of fewer homes than this.
    pub(crate) fewest_homes: usize,
    /// Local days to tell by settlement period, such as "2026-10-25"; left out: the week after the record.
    pub(crate) days: Vec<String>,
    /// Public holidays of the record and of the days told, such as "2026-12-25": they count as days of a weekend.
    pub(crate) holidays: Vec<String>,
    /// Prices by the half-hour that events are valued at; left out: no value is told.
    pub(crate) prices: Option<PriceSeries>,
    /// Years of 364 days by which prices and carbon are shifted to meet the readings.
    pub(crate) shift_years: i64,
}

impl Default for FlexibleSettings {
    fn default() -> Self {
        Self {
            window_days: 42,
            back_test_days: 14,
            fewest_homes: 10,
            days: Vec::new(),
            holidays: Vec::new(),
            prices: None,
            shift_years: 0,
        }
    }
}

/// Longest window: more days than a year say nothing about the next week.
const LONGEST_DAYS: usize = 400;

impl FlexibleSettings {
    /// Windows that can be worked with, and days of the calendar: those to tell and the holidays; all problems at once.
    pub(crate) fn calendar(&self) -> Result<(Vec<Day>, Calendar), Vec<Problem>> {
        let mut problems = Vec::new();
        if !(7..=LONGEST_DAYS).contains(&self.window_days) {
            problems.push(Problem::at(
                &["flexible_load", "window_days"],
                format!("is {}", self.window_days),
                format!("7 to {LONGEST_DAYS}; 42 days hold thirty weekdays and twelve days of weekends"),
            ));
        }
        if self.back_test_days > LONGEST_DAYS {
            problems.push(Problem::at(
                &["flexible_load", "back_test_days"],
                format!("is {}", self.back_test_days),
                format!("0 to {LONGEST_DAYS}"),
            ));
        }
        let mut days_of = |key: &str, texts: &[String]| -> Vec<Day> {
            let mut days = Vec::new();
            for text in texts {
                match text.parse::<NaiveDate>() {
                    Ok(date) => days.push(drawoff_contract::local::day(date)),
                    Err(_) => problems.push(Problem::at(
                        &["flexible_load", key],
                        format!("{text:?} is no day"),
                        "write days as \"2026-10-25\"",
                    )),
                }
            }
            days
        };
        let days = days_of("days", &self.days);
        let holidays = days_of("holidays", &self.holidays).into_iter().collect();
        if problems.is_empty() { Ok((days, Calendar { holidays })) } else { Err(problems) }
    }
}

impl FlexibleSettings {
    /// As [`FlexibleSettings::calendar`], with problems as the program ends with them.
    ///
    /// # Errors
    /// When the settings make no sense.
    pub(crate) fn check(&self) -> Result<(Vec<Day>, Calendar), Failure> {
        self.calendar()
            .map_err(|problems| Failure::settings(problems.into_iter().map(Problem::of_key).collect()))
    }
}

/// Why a home is left out although it could be worked out: what is called, or nobody at home at the end.
fn instead(findings: &[FindingRow], habits: &HomeHabits) -> Option<NotCounted> {
    let broken = |f: &FindingRow| {
        f.outcome == Outcome::Fault.code()
            && Fault::from_code(&f.fault)
                .is_some_and(|k| matches!(k.class(), FaultClass::Equipment | FaultClass::Sensor))
    };
    if findings.iter().any(broken) {
        return Some(NotCounted::Faulty);
    }
    let last = habits.vacancy.iter().rev().take(2);
    let empty = |v: &drawoff_contract::habit_tables::VacancyRow| v.state == VACANT;
    (habits.vacancy.len() >= 2 && last.into_iter().all(empty)).then_some(NotCounted::Vacant)
}

/// One home on which events were tried.
pub(crate) struct HomeTried {
    pub(crate) row: HomeRow,
    pub(crate) found: Found,
    /// Why it is not counted although it could be.
    pub(crate) instead: Option<NotCounted>,
}

/// What is worked out of each home.
pub(crate) struct Job {
    period: Period,
    water: Water,
}

impl Job {
    /// What is asked of each home beside its days: faults, and whether anybody is at home.
    pub(crate) const WANTED: Wanted = Wanted { faults: true, habits: false };

    /// Events on the days up to the last one on which the fleet has readings.
    ///
    /// # Errors
    /// When the settings make no sense.
    pub(crate) fn new(
        settings: &FlexibleSettings,
        last: Day,
        water: Water,
    ) -> Result<(Self, Vec<Day>), Failure> {
        let (named, calendar) = settings.check()?;
        let period = Period::ending(last, settings.window_days, settings.back_test_days, calendar);
        Ok((Self { period, water }, named))
    }

    /// Hash of all that it depends on beside the home and its fleet.
    pub(crate) fn print(&self) -> String {
        let Self { period, water } = self;
        fingerprint(&format!("flexible load {period:?} {water:?}"))
    }

    /// Tries events on one home.
    pub(crate) fn try_on(&self, notes: HomeNotes<'_>, reading: &HomeReading) -> Found {
        one(notes, reading, &self.period, self.water)
    }
}

/// What of a home's results goes on.
pub(crate) fn tried(home: HomeResults<Found>) -> HomeTried {
    HomeTried {
        instead: instead(&home.findings, &home.habits),
        found: home.more.unwrap_or(Err(NotCounted::Silent)),
        row: home.reading.row,
    }
}

/// Tries events on every home; homes come to `take` in order. Homes that failed in another process are told.
///
/// # Errors
/// When the daybook or what another process made cannot be read back, and what `take` gives.
fn each_home(
    (daybooks, priors): (&DaybookFiles<'_>, &FleetPriors),
    job: &Job,
    seed: u64,
    elsewhere: Option<Elsewhere<TriedHome>>,
    take: &mut (dyn FnMut(HomeTried) -> Result<(), ContractError> + Send),
) -> Result<Vec<ContractError>, ContractError> {
    let reading = drawoff_homes::Settings { water: job.water, seed };
    let try_on = |notes: HomeNotes<'_>, reading: &HomeReading| job.try_on(notes, reading);
    let Some(Elsewhere { parts, print, has_rows }) = elsewhere else {
        let mut take = |home: HomeResults<Found>| take(tried(home));
        stages::read_each(daybooks, priors, reading, Job::WANTED, Some(&try_on), &mut take)?;
        return Ok(Vec::new());
    };
    let (_, learnt) = learn(daybooks, priors, reading, Job::WANTED)?;
    let cylinders: Vec<&Cylinder> = (0..has_rows.len()).map(|home| daybooks.cylinder(home)).collect();
    let against = format!("{} {}", parts.print, job.print());
    let without_rows = |cylinder: &Cylinder| {
        let notes = reduce(cylinder, &HomeRows::default(), 0, job.water);
        one_tried(job, &HomeDaybook { cylinder, notes }, priors, &learnt, reading)
    };
    parts.each_home(
        &Fleet { cylinders: &cylinders, has_rows: &has_rows, priors },
        &|cylinder| own_print(&print, cylinder, &against),
        &tried_of,
        &without_rows,
        take,
    )
}

/// Reads one home and tries events on it, as [`stages::read_each`] does with all.
pub(crate) fn one_tried(
    job: &Job,
    daybook: &HomeDaybook<'_>,
    priors: &FleetPriors,
    learnt: &Learnt,
    reading: drawoff_homes::Settings,
) -> HomeTried {
    let read = Read::of(daybook, priors, reading, Job::WANTED);
    let mut results = learnt.finish(read, daybook.cylinder);
    let empty = Notes::default();
    results.more = Some(job.try_on(notes_of(daybook, &empty), &results.reading));
    tried(results)
}

pub(crate) fn run(inputs: &Inputs, settings: &FlexibleSettings) -> Result<Exit, Failure> {
    settings.check()?;
    let Folders { run: folder, others } = Folders::begin(inputs)?;
    let mut intake = open_intake(inputs, folder.rows_aside().join("rows"));
    let (reduced, daybook) = reduce_fleet(
        &mut intake,
        &inputs.cylinders,
        inputs.pipeline.water.water(),
        &|| DaybookWriter::begin(&folder, &inputs.cylinders, Place::Aside),
        &|daybook, home, notes| daybook.push(home, notes),
    )?;
    drop(intake);
    after_daybook(inputs, settings, Folders { run: folder, others }, reduced, daybook, None)
}

/// Everything after the daybook, up to the finished run.
pub(crate) fn after_daybook(
    inputs: &Inputs,
    settings: &FlexibleSettings,
    folders: Folders,
    reduced: Reduced,
    daybook: DaybookWriter<'_>,
    elsewhere: Option<Elsewhere<TriedHome>>,
) -> Result<Exit, Failure> {
    let Folders { run: mut folder, others } = folders;
    let Some(last) = last_day(&inputs.cylinders, &reduced) else {
        return Err(nothing_read(inputs, &reduced));
    };
    let daybooks = daybook.end(&mut folder)?;
    let started = Instant::now();
    let (job, named) = Job::new(settings, last, inputs.pipeline.water.water())?;
    let mut gather = Gather::new(job.period.clone());
    let period = gather.period().clone();
    let cylinders: Vec<&Cylinder> = inputs.cylinders.values().collect();
    let mut homes: Vec<HomeRow> = Vec::new();
    let seed = inputs.pipeline.run.seed;
    let failed = each_home((&daybooks, &reduced.priors), &job, seed, elsewhere, &mut |home| {
        gather.take(cylinders[homes.len()], home.found, home.instead);
        homes.push(home.row);
        Ok(())
    })?;
    failed.iter().for_each(progress::warning);
    let (seconds, days) = (started.elapsed().as_secs_f64(), period.days.len());
    progress::note(&format!(
        "tried events on {days} days of {} homes in {seconds:.1} s, {} home-days a second",
        thousands(homes.len() as u64),
        thousands(((homes.len() * days) as f64 / seconds.max(1e-3)) as u64)
    ));
    let values = Values::of(inputs, settings, gather.period())?;
    let results = Results::of(inputs, settings, &gather, &values);
    let mut total = Account::default();
    reduced.accounts.files.iter().for_each(|a| total.add(a));
    let slips = unit_slips(&reduced.unit_signs, &total);
    let partial = warn_of_what_was_left_out(inputs, &reduced, &results.notes, slips);
    let said = results.summary();
    let manifest = manifest(inputs, &total, &results)?;
    results.write(&mut folder, inputs, settings, &gather, &named, last)?;
    folder.table(homes)?;
    folder.table(reduced.accounts.homes)?;
    folder.table(file_rows(&reduced.files, &reduced.accounts.files))?;
    let dir = finish(inputs, Folders { run: folder, others }, manifest)?;
    progress::result(&said);
    progress::result(CAUTION);
    let dir = dir.display();
    progress::result(&format!(
        "page: {dir}/flexible_load.html   tables: {dir}/flexible_*.csv, {dir}/*.parquet"
    ));
    Ok(if partial || !failed.is_empty() { Exit::Partial } else { Exit::Done })
}

const CAUTION: &str = "Figures are of past days; what is sold must leave every home its hot water. Control of heaters is for competent,\n\
    licensed people under local codes; hygiene heating is not to be held off for long.";

/// The last local day on which any home has readings: the most frequent last day of the homes, the later of two as frequent.
pub(crate) fn last_day(cylinders: &BTreeMap<String, Cylinder>, reduced: &Reduced) -> Option<Day> {
    let zone = cylinders.values().next().map_or(chrono_tz::UTC, |c| c.zone);
    let mut ends: BTreeMap<Day, usize> = BTreeMap::new();
    for (_, end) in &reduced.stamps {
        *ends.entry(day_of(zone, end - 1)).or_default() += 1;
    }
    ends.into_iter().max_by_key(|(day, homes)| (*homes, *day)).map(|(day, _)| day)
}

/// Prices and carbon by kind of day and half-hour, over the days that offers are made from.
struct Values {
    price: Option<Profile>,
    carbon: Option<Profile>,
    notes: Vec<String>,
}

impl Values {
    fn of(inputs: &Inputs, settings: &FlexibleSettings, period: &Period) -> Result<Self, Failure> {
        let mut notes = Vec::new();
        let prices = match &settings.prices {
            None => None,
            Some(series) => {
                let small = crate::savings::read_series(series).map_err(|e| Failure::settings(vec![e]))?;
                small.problems.iter().chain(&small.remarks).for_each(progress::warning);
                Some(Series::new(crate::savings::intervals(&small.rows), settings.shift_years))
            }
        };
        let carbon = crate::savings::series(inputs.small.carbon(), settings.shift_years);
        let zone = inputs.cylinders.values().next().map_or(chrono_tz::UTC, |c| c.zone);
        let mut profile = |name: &str, series: Option<Series>| {
            let series = series?;
            let days = &period.days[period.tested..];
            let values = days.iter().flat_map(|day| {
                let local = LocalDay::of(zone, *day);
                let weekend = period.calendar.is_weekend(*day);
                let slots = if local.half_hours() == SLOTS { SLOTS } else { 0 };
                let series = &series;
                (0..slots).filter_map(move |slot| {
                    Some((
                        weekend,
                        slot,
                        series.at(local.start_ms + i64::try_from(slot).unwrap_or(0) * 1_800_000)?,
                    ))
                })
            });
            let profile = Profile::mean_of(values);
            let covered = profile.0.iter().flatten().filter(|v| v.is_some()).count();
            notes.push(match (covered, settings.shift_years) {
                (0, _) => format!("{name}: not assessed, the series does not cover the days of the readings"),
                (_, 0) => format!("{name}: means by half-hour over the days that offers are made from"),
                (_, years) => format!(
                    "{name}: means by half-hour over the days {years} years of 364 days before those that offers are made from, an hour of carbon in both of its halves"
                ),
            });
            (covered > 0).then_some(profile)
        };
        let price = profile("prices", prices);
        let carbon = profile("carbon", carbon);
        Ok(Self { price, carbon, notes })
    }
}

/// What is written beside the homes.
struct Results {
    load: Vec<FlexibleRow>,
    groups: Vec<FlexibleGroupRow>,
    battery: Vec<BatteryRow>,
    back_test: Vec<BackTestRow>,
    notes: Vec<String>,
}

impl Results {
    fn of(inputs: &Inputs, settings: &FlexibleSettings, gather: &Gather, values: &Values) -> Self {
        let fewest = settings.fewest_homes;
        let seed = inputs.pipeline.run.seed;
        let groups = rows::group_table(gather, fewest);
        let mut notes = values.notes.clone();
        for group in groups.iter().filter(|g| g.outside_field_range == Some(true)) {
            notes.push(format!(
                "{} {}: a home's share of the best firm half-hour is {:.2} kW; field trials of always-on cylinders found 0.2 to 1.7 kW",
                group.group_by,
                group.group,
                group.best_firm_kw_per_home.unwrap_or(f64::NAN)
            ));
        }
        let small = groups.iter().filter(|g| g.counted < fewest as i64).count();
        if small > 0 {
            notes.push(format!(
                "{small} groups have fewer than {fewest} counted homes; no power is told of them"
            ));
        }
        Self {
            load: rows::load_rows(gather, fewest, &|sums, weekend, slot, direction, duration, offer| {
                let value = |profile: &Option<Profile>| {
                    offer_value(sums, profile.as_ref()?, weekend, slot, direction, duration, offer)
                };
                // carbon comes in mg
                (value(&values.price).map(|v| v.round() as i64), value(&values.carbon).map(|v| v / 1e6))
            }),
            battery: rows::battery_rows(gather, fewest, seed),
            back_test: rows::back_test_rows(gather, fewest, seed),
            groups,
            notes,
        }
    }

    fn summary(&self) -> String {
        let Some(fleet) = self.groups.iter().find(|g| g.group_by == "fleet") else { return String::new() };
        let mut lines = vec![format!(
            "{} of {} homes counted ({} faulty, {} silent, {} vacant, {} without metered electric heat, {} without volume, {} with too little data)",
            fleet.counted,
            fleet.homes,
            fleet.faulty,
            fleet.silent,
            fleet.vacant,
            fleet.not_metered,
            fleet.no_volume,
            fleet.too_little_data
        )];
        for direction in ["hold off", "take on"] {
            let of_fleet =
                |r: &&FlexibleRow| r.group_by == "fleet" && r.direction == direction && r.duration_h == 1.0;
            let best = self.load.iter().filter(of_fleet).max_by(|a, b| a.firm_kw.total_cmp(&b.firm_kw));
            if let Some(best) = best {
                lines.push(format!(
                    "{direction}, 1 h: firm {:.1} kW, P50 {:.1} kW at best, {} {}",
                    best.firm_kw, best.p50_kw, best.day_type, best.start
                ));
            }
        }
        for test in self.back_test.iter().filter(|t| t.duration_h == 1.0) {
            if let (Some(broken), Some(bias)) = (test.broken_share, test.p50_bias) {
                lines.push(format!(
                    "{}, 1 h, declared on {} past days: firm broken in {:.1} % of {} periods (10 meant), P50 off by {:+.1} %",
                    test.direction,
                    test.days,
                    100.0 * broken,
                    test.periods,
                    100.0 * bias
                ));
            }
        }
        lines.join("\n")
    }

    fn write(
        self,
        folder: &mut RunFolder,
        inputs: &Inputs,
        settings: &FlexibleSettings,
        gather: &Gather,
        named: &[Day],
        last: Day,
    ) -> Result<(), Failure> {
        let zone = inputs.cylinders.values().next().map_or(chrono_tz::UTC, |c| c.zone);
        let coming: Vec<Day> = (1..=7).map(|ahead| Day(last.0 + ahead)).collect();
        let days = rows::day_rows(
            gather,
            settings.fewest_homes,
            if named.is_empty() { &coming } else { named },
            zone,
        );
        let homes = rows::home_rows(gather);
        let input = FlexiblePage {
            title: &inputs.pipeline.name,
            currency: &inputs.pipeline.worth.currency,
            load: &self.load,
            groups: &self.groups,
            battery: &self.battery,
            back_test: &self.back_test,
            notes: &self.notes,
        };
        folder.text("flexible_load.html", &drawoff_report::flexible_load(&input))?;
        if inputs.pipeline.pages.site {
            let frame = site::job_frame(&site::FLEXIBLE_PAGES, "index.html");
            crate::pages::beside(
                folder,
                &site::FLEXIBLE_PAGES,
                &drawoff_report::flexible_load_in(&input, &frame),
            )?;
        }
        folder.text("flexible_load.csv", &csv::csv(self.load.clone()))?;
        folder.text("flexible_load.json", &json::json(self.load.clone()))?;
        folder.text("flexible_days.csv", &csv::csv(days.clone()))?;
        folder.text("flexible_homes.csv", &csv::csv(homes.clone()))?;
        folder.text("flexible_groups.csv", &csv::csv(self.groups.clone()))?;
        folder.text("virtual_battery.csv", &csv::csv(self.battery.clone()))?;
        folder.text("back_test.csv", &csv::csv(self.back_test.clone()))?;
        folder.table(self.load)?;
        folder.table(days)?;
        folder.table(homes)?;
        folder.table(self.groups)?;
        folder.table(self.battery)?;
        folder.table(self.back_test)?;
        Ok(())
    }
}

/// What the manifest says of this job.
fn manifest(inputs: &Inputs, total: &Account, results: &Results) -> Result<serde_json::Value, Failure> {
    let fleet = results.groups.iter().find(|g| g.group_by == "fleet");
    let more = serde_json::json!({
        "job": "flexible load",
        "homes": fleet.map(|g| g.homes),
        "homes_counted": fleet.map(|g| g.counted),
    });
    crate::manifest::manifest(&inputs.pipeline, total, more)
}
