//! `drawoff run`: exports in, service list out.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use drawoff_contract::habit_tables::{ChangeRow, GroupRow, HabitRow, HourChangeRow, RateRow, VacancyRow};
use drawoff_contract::news_table::NewsRow;
use drawoff_contract::part_tables::AssessedHome;
use drawoff_contract::results::{
    CoolingRow, CylinderRow, DayRow, DrawOffRow, EvidenceRow, FileRow, HomeRow, LeftOffRow,
};
use drawoff_contract::{Account, ContractError, Cylinder, Day, Mapping};
use drawoff_homes::FleetPriors;
use drawoff_homes::shrink::{Measured, report_fleet};
use drawoff_objects::give_up_after;
use drawoff_report::{csv, json, terminal};
use drawoff_store::output::{TableStream, run_root};
use drawoff_store::{FileReport, Gathered, RunFolder};
use drawoff_worklist::{LeftOff, Worklist, WorthSettings};

use crate::args::PipelineArgs;
use crate::daybook_files::{DaybookFiles, DaybookWriter, Place};
use crate::evidence::{Readings, evidence};
use crate::exit::{Exit, Failure};
use crate::findings::{Findings, Settled};
use crate::for_others::ForOthers;
use crate::lessons;
use crate::nightly;
use crate::pages::{self, RunPages, Told};
use crate::parts::assessed::{WANTED, each_assessed};
use crate::parts::worked::Elsewhere;
use crate::pipeline::{self, Pipeline};
use crate::places;
use crate::plan::Plan;
use crate::progress::{self, Work, thousands};
use crate::reduce::{Reduced, open_intake, reduce_fleet};
use crate::sanity::unit_slips;
use crate::settle::Rules;
use crate::small::{self, Notes, Period, SmallTables};
use crate::stages::{self, HomeResults, HomeTables};

/// Version of this program, as it stands in manifests.
pub(crate) const VERSION: &str = env!("CARGO_PKG_VERSION");

/// Inputs of a pipeline, read.
pub(crate) struct Inputs {
    pub(crate) pipeline: Pipeline,
    pub(crate) mapping: Mapping,
    pub(crate) cylinders: BTreeMap<String, Cylinder>,
    /// Rows of the register that could not be read; the rest are kept.
    pub(crate) register_problems: Vec<ContractError>,
    pub(crate) small: SmallTables,
    /// How margins become probabilities, and probabilities calls.
    pub(crate) rules: Rules,
    /// What may be passed on.
    pub(crate) for_others: Option<ForOthers>,
}

/// Reads pipeline, mapping, register and small tables: everything that must be right before a row is read.
pub(crate) fn read_inputs(args: &PipelineArgs) -> Result<Inputs, Failure> {
    let pipeline = pipeline::read(&args.pipeline, &args.set).map_err(Failure::settings)?;
    places::reach(&pipeline)?;
    let mapping =
        drawoff_store::settings::read_mapping(&pipeline.inputs.mapping).map_err(Failure::settings)?;
    let mut errors = Vec::new();
    if pipeline.outputs.owner_only
        && let Err(e) = drawoff_store::owner_only()
    {
        errors.push(e);
    }
    let small = small::read(&pipeline, &mapping).unwrap_or_else(|problems| {
        errors.extend(problems);
        SmallTables::default()
    });
    if let Err(e) = output_apart(&pipeline) {
        errors.push(e);
    }
    if let Err(e) = pipeline.pages.check() {
        errors.push(e);
    }
    let staging = pipeline.outputs.staging.as_deref().unwrap_or_else(|| Path::new(""));
    let others = pipeline.outputs.for_others.as_ref();
    let (others, key_file) = others.map_or((Path::new(""), Path::new("")), |o| (&o.dir, &o.key_file));
    for (key, path) in [
        ("daybook.keep", pipeline.daybook.keep.as_path()),
        ("outputs.staging", staging),
        ("outputs.for_others.dir", others),
        ("outputs.for_others.key_file", key_file),
    ] {
        errors.extend(places::local(key, path).err());
    }
    // Which prices hold is known once the readings are; whether they make sense does not depend on it.
    if let Err(e) = small.worth(&pipeline.worth, Day::default()).0.check() {
        errors.push(e);
    }
    let for_others = ForOthers::of(&pipeline).unwrap_or_else(|problems| {
        errors.extend(problems);
        None
    });
    let rules = Rules::of(&pipeline.faults, &pipeline.inputs.calibration).map_err(|e| errors.push(e)).ok();
    let register = drawoff_store::register::read(&pipeline.inputs.register, &mapping);
    match (register, rules) {
        (Ok((cylinders, register_problems)), Some(rules)) if errors.is_empty() => {
            Ok(Inputs { pipeline, mapping, cylinders, register_problems, small, rules, for_others })
        }
        (Ok(_), _) => Err(Failure::settings(errors)),
        (Err(e), _) => {
            errors.push(e);
            Err(Failure::settings(errors))
        }
    }
}

/// What a worker needs of a pipeline: everything but readings and outputs.
pub(crate) struct Site {
    pub(crate) pipeline: Pipeline,
    pub(crate) mapping: Mapping,
    pub(crate) cylinders: BTreeMap<String, Cylinder>,
    pub(crate) water: drawoff_tank::water::Water,
    pub(crate) seed: u64,
}

impl Site {
    pub(crate) fn settings(&self) -> drawoff_homes::Settings {
        drawoff_homes::Settings { water: self.water, seed: self.seed }
    }
}

/// Reads pipeline, mapping and register.
pub(crate) fn read_site(args: &PipelineArgs) -> Result<Site, Failure> {
    let pipeline = pipeline::read(&args.pipeline, &args.set).map_err(Failure::settings)?;
    give_up_after(pipeline.storage.give_up_after_s);
    let mapping =
        drawoff_store::settings::read_mapping(&pipeline.inputs.mapping).map_err(Failure::settings)?;
    // What is wrong with single lines of the register is told where the parts are brought together.
    let (cylinders, _) = drawoff_store::register::read(&pipeline.inputs.register, &mapping)
        .map_err(|e| Failure::settings(vec![e]))?;
    Ok(Site { water: pipeline.water.water(), seed: pipeline.run.seed, pipeline, mapping, cylinders })
}

/// A run that writes into its own input would read its tables as exports the next time.
fn output_apart(pipeline: &Pipeline) -> Result<(), ContractError> {
    let (dir, readings) = (&pipeline.outputs.dir, &pipeline.inputs.readings);
    if dir.as_os_str().is_empty() {
        return Err(ContractError::new("outputs.dir", "is empty")
            .with_hint("name a folder, such as out/service-list"));
    }
    if let Some(kept) = pipeline.daybook.kept()
        && [readings, dir].iter().any(|other| kept.keep.starts_with(other) || other.starts_with(&kept.keep))
    {
        return Err(ContractError::new(
            "daybook.keep",
            format!(
                "{} lies within inputs.readings or outputs.dir, or one of them in it",
                kept.keep.display()
            ),
        )
        .with_hint("keep the daybook in a folder of its own"));
    }
    if dir.starts_with(readings) {
        return Err(ContractError::new(
            "outputs.dir",
            format!("{} lies within inputs.readings", dir.display()),
        )
        .with_hint("write the results to a folder of their own"));
    }
    Ok(())
}

/// Reads all rows, with a line of progress.
pub(crate) fn gather(inputs: &Inputs) -> Gathered {
    let started = Instant::now();
    let rows = AtomicU64::new(0);
    let gathered =
        drawoff_store::gather(&inputs.pipeline.inputs.readings, &inputs.mapping, &inputs.cylinders, &|n| {
            rows.fetch_add(n, Ordering::Relaxed);
        });
    progress::note(&format!(
        "read {} rows of {} homes from {} files in {:.1} s",
        thousands(rows.load(Ordering::Relaxed)),
        thousands(gathered.homes.len() as u64),
        gathered.files.len(),
        started.elapsed().as_secs_f64()
    ));
    gathered
}

pub(crate) fn run(args: &PipelineArgs) -> Result<Exit, Failure> {
    let inputs = read_inputs(args)?;
    if let Some(settings) = &inputs.pipeline.flexible_load {
        return crate::flexible::run(&inputs, settings);
    }
    if let Some(settings) = &inputs.pipeline.savings {
        return crate::savings::run(&inputs, settings);
    }
    let Folders { run: folder, others } = Folders::begin(&inputs)?;
    let (reduced, daybook, readings) = match inputs.pipeline.daybook.kept() {
        Some(kept) => {
            let (reduced, daybook, night) = nightly::reduce(&inputs, kept, &folder)?;
            (reduced, daybook, Readings::OfNight(night))
        }
        None => {
            let mut intake = open_intake(&inputs, folder.rows_aside().join("rows"));
            let (reduced, daybook) = reduce_fleet(
                &mut intake,
                &inputs.cylinders,
                inputs.pipeline.water.water(),
                &|| DaybookWriter::begin(&folder, &inputs.cylinders, Place::InRun),
                &|daybook, home, notes| daybook.push(home, notes),
            )?;
            (reduced, daybook, Readings::OfRun(Box::new(intake)))
        }
    };
    service_list(&inputs, Folders { run: folder, others }, reduced, daybook, readings, None)
}

/// Everything after the daybook, up to the finished run.
pub(crate) fn service_list(
    inputs: &Inputs,
    folders: Folders,
    reduced: Reduced,
    daybook: DaybookWriter<'_>,
    readings: Readings<'_>,
    elsewhere: Option<Elsewhere<AssessedHome>>,
) -> Result<Exit, Failure> {
    let settings =
        drawoff_homes::Settings { water: inputs.pipeline.water.water(), seed: inputs.pipeline.run.seed };
    if reduced.stamps.is_empty() {
        return Err(nothing_read(inputs, &reduced));
    }
    let Folders { run: mut folder, others } = folders;
    let daybooks = daybook.end(&mut folder)?;
    let started = Instant::now();
    let (log, calibration) = (inputs.small.visits(), &inputs.rules.calibration);
    let lessons = lessons::lessons(&daybooks, &reduced.priors, log, calibration, settings)?;
    let findings = Findings::begin(&folder, &inputs.rules, &lessons, &inputs.cylinders)?;
    let homes_read = reduced.stamps.len();
    let mut assessed =
        assess(&mut folder, &daybooks, &reduced.priors, settings, findings, elsewhere, homes_read)?;
    let period = Period::of(&reduced.stamps);
    let last_day = period.map(|p| p.days().1).unwrap_or_default();
    let (worth, tariff_notes) = inputs.small.worth(&inputs.pipeline.worth, last_day);
    let (background, mut notes) = inputs.small.background(period, &inputs.cylinders);
    let mut list = drawoff_worklist::rank(&assessed.settled.called, &inputs.cylinders, &worth, &background)?;
    list.notes.extend(tariff_notes);
    list.notes.append(&mut notes.for_all);
    notes.for_page.extend(lessons.remark());
    if assessed.settled.silenced > 0 {
        notes.for_page.push(format!(
            "{} findings beyond their limits are held back, as too doubtful for a rate of false calls of {:.0} %",
            assessed.settled.silenced,
            100.0 * inputs.rules.rate
        ));
    }
    let plan = Plan::of(inputs, &worth, &lessons, &mut assessed.settled, &list);
    progress::note(&format!(
        "assessed {} homes in {:.1} s",
        thousands(assessed.homes.len() as u64),
        started.elapsed().as_secs_f64()
    ));
    let shown = &list.visits[..list.visits.len().min(inputs.pipeline.run.cards)];
    let (evidence, damage) = evidence(&readings, &inputs.cylinders, shown)?;
    drop(readings);
    let is_news = |e: &&ContractError| {
        !reduced.files.iter().any(|f| f.status.as_ref().is_err_and(|known| known.message == e.message))
    };
    damage.iter().filter(is_news).for_each(progress::warning);
    let mut total = Account::default();
    reduced.accounts.files.iter().for_each(|a| total.add(a));
    let slips = unit_slips(&reduced.unit_signs, &total);
    assessed.failed.iter().for_each(progress::warning);
    let any_failed = !assessed.failed.is_empty();
    let partial = warn_of_what_was_left_out(inputs, &reduced, &list.notes, slips);
    let top = terminal::top_of_list(&list.visits, terminal::DEFAULT_WIDTH, inputs.pipeline.run.top);
    // The manifest tells the prices that were used, wherever they came from.
    let told = told(inputs, &reduced.files, &list, &notes);
    let manifest = manifest(inputs, worth, &total, &list, background.carbon_g_per_kwh, &told.notes)?;
    write(&mut folder, inputs, reduced, assessed, &list, evidence)?;
    plan.write(&mut folder)?;
    write_pages(&mut folder, inputs, &told)?;
    let dir = finish(inputs, Folders { run: folder, others }, manifest)?;
    progress::result(&top);
    let dir = dir.display();
    progress::result(CAUTION);
    progress::result(&format!(
        "list: {dir}/service_list.csv   page: {dir}/service_list.html   tables: {dir}/*.parquet"
    ));
    if inputs.pipeline.pages.site {
        progress::note(&format!("pages: {dir}/{}/index.html", pages::FOLDER));
    }
    Ok(if partial || any_failed || !damage.is_empty() { Exit::Partial } else { Exit::Done })
}

/// The folders that a run fills.
pub(crate) struct Folders {
    /// Of the results.
    pub(crate) run: RunFolder,
    /// Of what may be passed on, where the pipeline has one.
    pub(crate) others: Option<RunFolder>,
}

impl Folders {
    /// Begins them all before anything is read, so that one which cannot be written costs no time.
    pub(crate) fn begin(inputs: &Inputs) -> Result<Self, ContractError> {
        let run = places::begin(&inputs.pipeline)?;
        Ok(Self { run, others: inputs.for_others.as_ref().map(ForOthers::begin).transpose()? })
    }
}

/// Finishes a run, after what of it may be passed on, and says where it lies.
pub(crate) fn finish(
    inputs: &Inputs,
    folders: Folders,
    manifest: serde_json::Value,
) -> Result<PathBuf, ContractError> {
    let Folders { run: folder, others } = folders;
    let Some((of, others)) = inputs.for_others.as_ref().zip(others) else { return folder.finish(manifest) };
    let others = of.write(others, folder.unfinished(), inputs)?;
    let dir = folder.finish(manifest)?;
    // Not before: nothing is passed on of a run that nobody sees.
    of.finish(others)?;
    Ok(dir)
}

/// What is kept of all homes in memory; their days, draw-offs and habits are on the disk.
struct Assessed {
    homes: Vec<HomeRow>,
    groups: Vec<GroupRow>,
    settled: Settled,
    /// Homes whose assessment, in another process, failed.
    failed: Vec<ContractError>,
}

/// Reads and assesses every home, and writes its days, draw-offs and habits.
fn assess(
    folder: &mut RunFolder,
    daybooks: &DaybookFiles<'_>,
    priors: &FleetPriors,
    settings: drawoff_homes::Settings,
    mut findings: Findings<'_>,
    elsewhere: Option<Elsewhere<AssessedHome>>,
    homes_read: usize,
) -> Result<Assessed, ContractError> {
    let mut days: TableStream<DayRow> = folder.begin_table()?;
    let mut draw_offs: TableStream<DrawOffRow> = folder.begin_table()?;
    let mut cooling: TableStream<CoolingRow> = folder.begin_table()?;
    let mut vacancy: TableStream<VacancyRow> = folder.begin_table()?;
    let mut rates: TableStream<RateRow> = folder.begin_table()?;
    let mut demand: TableStream<HabitRow> = folder.begin_table()?;
    let mut changes: TableStream<ChangeRow> = folder.begin_table()?;
    let mut hour_changes: TableStream<HourChangeRow> = folder.begin_table()?;
    let mut homes: Vec<(HomeRow, Option<Measured>)> = Vec::new();
    let work = Work::begin("assessed", homes_read);
    let mut take = |home: HomeTables| {
        work.home(home.days.len());
        homes.push((home.row, home.measured));
        findings.push(home.findings)?;
        days.push(home.days)?;
        draw_offs.push(home.draw_offs)?;
        cooling.push(home.cooling)?;
        vacancy.push(home.habits.vacancy)?;
        rates.push(home.habits.rates)?;
        demand.push(home.habits.demand)?;
        changes.push(home.habits.changes)?;
        hour_changes.push(home.habits.hour_changes)
    };
    let (groups, failed) = match elsewhere {
        None => {
            let mut take = |home: HomeResults| take(home.into_tables());
            (stages::read_each(daybooks, priors, settings, WANTED, None, &mut take)?, Vec::new())
        }
        Some(Elsewhere { parts, print, has_rows }) => {
            each_assessed(parts, (daybooks, priors), settings, &print, &has_rows, &mut take)?
        }
    };
    folder.end(days)?;
    folder.end(draw_offs)?;
    folder.end(cooling)?;
    folder.end(vacancy)?;
    folder.end(rates)?;
    folder.end(demand)?;
    folder.end(changes)?;
    folder.end(hour_changes)?;
    report_fleet(homes.iter_mut().map(|(row, measured)| (row, *measured)));
    Ok(Assessed {
        homes: homes.into_iter().map(|h| h.0).collect(),
        groups,
        failed,
        settled: findings.settle(folder)?,
    })
}

/// Homes named in warnings; the rest are counted.
const NAMED_AT_MOST: usize = 20;

pub(crate) fn nothing_read(inputs: &Inputs, gathered: &Reduced) -> Failure {
    let source = inputs.pipeline.inputs.readings.display().to_string();
    let mut problems = inputs.register_problems.clone();
    problems.extend(gathered.files.iter().filter_map(|f| f.status.clone().err()));
    if !gathered.unknown_homes.is_empty() {
        let first = gathered.unknown_homes.keys().take(3).cloned().collect::<Vec<_>>().join(", ");
        let homes = gathered.unknown_homes.len();
        let message = format!("none of its {homes} homes is in the register (such as {first})");
        problems.push(
            ContractError::new(source, message).with_hint("check the home columns of mapping and register"),
        );
    } else if gathered.files.iter().any(|f| f.status.is_ok()) {
        let hint = "`drawoff check` with the same arguments says why rows are rejected";
        problems.push(ContractError::new(source, "no usable row").with_hint(hint));
    }
    Failure { exit: Exit::NoInput, problems }
}

/// Names every file and home that was left out; whether there was any.
pub(crate) fn warn_of_what_was_left_out(
    inputs: &Inputs,
    reduced: &Reduced,
    notes: &[String],
    slips: Vec<ContractError>,
) -> bool {
    let mut left_out = slips;
    left_out.extend(inputs.register_problems.iter().cloned());
    left_out.extend(inputs.small.problems.iter().cloned());
    left_out.extend(reduced.files.iter().filter_map(|f| f.status.clone().err()));
    left_out.extend(unknown_homes(inputs, reduced));
    for (home, missing) in &reduced.lacking {
        let message = format!("not assessed, the register lacks {missing}");
        left_out.push(
            ContractError::new(format!("home {home}"), message)
                .with_hint(format!("add it in {}", inputs.pipeline.inputs.register.display())),
        );
    }
    left_out.iter().chain(&inputs.small.remarks).for_each(progress::warning);
    for note in notes {
        progress::note(&format!("note: {note}"));
    }
    !left_out.is_empty()
}

fn unknown_homes(inputs: &Inputs, gathered: &Reduced) -> Vec<ContractError> {
    let hint = format!("add it to {}", inputs.pipeline.inputs.register.display());
    let unknown = &gathered.unknown_homes;
    let mut problems: Vec<ContractError> = unknown
        .iter()
        .take(NAMED_AT_MOST)
        .map(|(home, rows)| {
            let message = format!("not in the register; its {} rows were rejected", thousands(*rows));
            ContractError::new(format!("home {home}"), message).with_hint(hint.clone())
        })
        .collect();
    if unknown.len() > NAMED_AT_MOST {
        let rows: u64 = unknown.values().skip(NAMED_AT_MOST).sum();
        // Beyond a million names only rows are counted.
        let at_least = if unknown.contains_key(drawoff_store::OTHER_HOMES) { "at least " } else { "" };
        let more = thousands((unknown.len() - NAMED_AT_MOST) as u64);
        let subject = format!("{at_least}{more} more homes");
        let message = format!("not in the register; their {} rows were rejected", thousands(rows));
        problems.push(ContractError::new(subject, message).with_hint("`drawoff check` names them all"));
    }
    problems
}

const CAUTION: &str = "Findings are indications from data. Work on unvented cylinders and electrics is for competent,\n\
    licensed people under local codes; hot water scalds.";

/// Writes every table.
fn write(
    folder: &mut RunFolder,
    inputs: &Inputs,
    reduced: Reduced,
    assessed: Assessed,
    list: &Worklist,
    evidence: Vec<EvidenceRow>,
) -> Result<(), Failure> {
    folder.text("service_list.csv", &csv::csv(list.visits.clone()))?;
    folder.text("service_list.json", &json::json(list.visits.clone()))?;
    folder.text("left_off.csv", &csv::csv(left_off(list)))?;
    folder.table(left_off(list))?;
    folder.table(list.visits.clone())?;
    write_homes(folder, assessed.homes)?;
    folder.table(inputs.cylinders.values().map(Cylinder::row).collect::<Vec<CylinderRow>>())?;
    folder.table(assessed.groups)?;
    folder.table(reduced.accounts.homes)?;
    folder.table(file_rows(&reduced.files, &reduced.accounts.files))?;
    folder.table(evidence)?;
    folder.table(inputs.small.visits().to_vec())?;
    Ok(())
}

/// Writes what changed since an earlier run, and the pages, from the tables as they lie on the disk.
fn write_pages(folder: &mut RunFolder, inputs: &Inputs, told: &Told) -> Result<(), Failure> {
    let (run, settings) = (folder.unfinished().to_owned(), &inputs.pipeline.pages);
    let news = news_since(settings.since(&inputs.pipeline.outputs), &run);
    if let Some(news) = &news {
        folder.table(news.clone())?;
    }
    let started = Instant::now();
    let pages = RunPages::read(&run)?;
    let news = news.as_deref();
    folder.text("service_list.html", &pages.single(told, news))?;
    if settings.site {
        let count = pages.make(told, news, &mut |name, text| folder.text(name, text))?;
        let seconds = started.elapsed().as_secs_f64();
        progress::note(&format!("made {} pages in {seconds:.1} s", thousands(count as u64)));
    }
    Ok(())
}

/// What changed since an earlier run; `None` without one, or where it cannot be read: it may be damaged or of another version, and that must
/// cost the comparison and not the new run.
fn news_since(since: &Path, run: &Path) -> Option<Vec<NewsRow>> {
    if since.as_os_str().is_empty() {
        return None;
    }
    let root = match run_root(since) {
        Ok(root) => root,
        Err(error) => {
            progress::warning(&error);
            return None;
        }
    };
    match crate::diff::is_run(&root) {
        Ok(true) => crate::diff::news(&root, run)
            .inspect_err(|error| {
                progress::warning(error);
                progress::note("note: pages.since: the earlier run cannot be read, and nothing is compared");
            })
            .ok(),
        Ok(false) => {
            progress::note(&format!("note: pages.since: no run in {} yet to compare with", since.display()));
            None
        }
        Err(error) => {
            progress::warning(&error);
            None
        }
    }
}

/// Homes that are laid out in columns at a time.
const HOMES_AT_ONCE: usize = 500;

/// The table of homes, and the same as text, some homes at a time.
fn write_homes(folder: &mut RunFolder, homes: Vec<HomeRow>) -> Result<(), ContractError> {
    let mut table = folder.begin_table::<HomeRow>()?;
    let mut text = folder.begin_text("homes.csv")?;
    text.push(&csv::head::<HomeRow>())?;
    let mut homes = homes.into_iter().peekable();
    while homes.peek().is_some() {
        let some: Vec<HomeRow> = homes.by_ref().take(HOMES_AT_ONCE).collect();
        text.push(&csv::lines(some.clone()))?;
        table.push_to_group(some);
        table.end_group()?;
    }
    folder.end(table)?;
    folder.end_text(text)
}

pub(crate) fn file_rows(files: &[FileReport], accounts: &[Account]) -> Vec<FileRow> {
    let count = |v: u64| i64::try_from(v).unwrap_or(i64::MAX);
    files
        .iter()
        .zip(accounts)
        .map(|(file, a)| FileRow {
            file: file.path.clone(),
            status: file.status.as_ref().map_or_else(ToString::to_string, |()| "ok".to_owned()),
            rows_in: count(a.rows_in),
            rows_used: count(a.rows_used),
            rows_masked: count(a.all_rows_masked()),
            rows_rejected: count(a.all_rows_rejected()),
            values_in: count(a.values_in),
            values_used: count(a.values_used),
            values_masked: count(a.all_values_masked()),
            values_absent: count(a.values_absent),
            by_reason: a.by_reason(),
        })
        .collect()
}

fn left_off(list: &Worklist) -> Vec<LeftOffRow> {
    let row = |l: &LeftOff| LeftOffRow { home: l.home.clone(), fault: l.fault.clone(), why: l.why.clone() };
    list.left_off.iter().map(row).collect()
}

/// What pages tell beside the tables.
fn told(inputs: &Inputs, files: &[FileReport], list: &Worklist, run_notes: &Notes) -> Told {
    let mut notes: Vec<String> = list.notes.clone();
    notes.extend(run_notes.for_page.iter().cloned());
    notes.extend(inputs.small.remarks.iter().map(|e| e.message.clone()));
    notes.extend(files.iter().filter_map(|f| f.status.as_ref().err()).map(|e| e.message.clone()));
    Told {
        title: inputs.pipeline.name.clone(),
        currency: inputs.pipeline.worth.currency.clone(),
        notes,
        cards: inputs.pipeline.run.cards,
    }
}

/// What the manifest says beside its files: no clock, no host, no path of this machine.
fn manifest(
    inputs: &Inputs,
    worth: WorthSettings,
    total: &Account,
    list: &Worklist,
    carbon_g_per_kwh: Option<f64>,
    remarks: &[String],
) -> Result<serde_json::Value, Failure> {
    let pipeline = Pipeline { worth, ..inputs.pipeline.clone() };
    let more = serde_json::json!({
        "visits": list.visits.len(),
        "calibration": inputs.rules.calibration.origin,
        "ring_first": list.ring_first.len(),
        "carbon_g_per_kwh": carbon_g_per_kwh,
        "remarks": remarks,
    });
    crate::manifest::manifest(&pipeline, total, more)
}

/// Path helper for commands that read a finished run.
pub(crate) fn table_path(run: &Path, name: &str) -> PathBuf {
    run.join(format!("{name}.parquet"))
}
