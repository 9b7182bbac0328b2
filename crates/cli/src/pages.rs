//! The pages of a run, made from its own tables: while it is written, and again later by `drawoff pages`.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use drawoff_contract::news_table::NewsRow;
use drawoff_contract::results::{
    CylinderRow, EvidenceRow, FindingRow, HomeRow, LeftOffRow, QualityRow, VisitRow,
};
use drawoff_contract::{ContractError, Outcome, Table};
use drawoff_report::home::Fleet;
use drawoff_report::{Counted, HomeStory, PageInput, PlanTables, service_list, site};
use drawoff_store::RunFolder;
use drawoff_store::output::export::{names_in, remove, write_text};
use drawoff_store::output::{HomesInOrder, MANIFEST, TableRows, fingerprint, read_manifest, read_table};
use drawoff_store::places::real;

use crate::args::PagesArgs;
use crate::exit::{Exit, Failure};
use crate::places::{finished, given, local};
use crate::run::table_path;
use crate::{diff, progress};

/// Folder of the pages within a run.
pub(crate) const FOLDER: &str = "site";

/// What pages tell that no table holds.
#[derive(Clone, Debug, Default)]
pub(crate) struct Told {
    pub(crate) title: String,
    pub(crate) currency: String,
    pub(crate) notes: Vec<String>,
    /// Most cards of the page that holds all.
    pub(crate) cards: usize,
}

/// Takes a file's name and text.
type Put<'a> = &'a mut dyn FnMut(&str, &str) -> Result<(), ContractError>;

/// Tables of a run that its pages need whole: they hold a row for each home at most, findings only those called.
struct Tables {
    visits: Vec<VisitRow>,
    homes: Vec<HomeRow>,
    left_off: Vec<LeftOffRow>,
    quality: Vec<QualityRow>,
    evidence: Vec<EvidenceRow>,
    cylinders: Vec<CylinderRow>,
    called: Vec<FindingRow>,
    counted: Counted,
    ring: Vec<drawoff_contract::plan_tables::RingRow>,
    rounds: Vec<drawoff_contract::plan_tables::RoundRow>,
    van: Vec<drawoff_contract::plan_tables::VanRow>,
}

fn table<T: Table>(run: &Path) -> Result<Vec<T>, ContractError> {
    read_table(&table_path(run, T::NAME))
}

impl Tables {
    fn read(run: &Path) -> Result<Self, ContractError> {
        let (called, counted) = findings(run)?;
        Ok(Self {
            visits: table(run)?,
            homes: table(run)?,
            left_off: table(run)?,
            quality: table(run)?,
            evidence: table(run)?,
            cylinders: table(run)?,
            called,
            counted,
            ring: table(run)?,
            rounds: table(run)?,
            van: table(run)?,
        })
    }

    /// Homes that get a page of their own: those to visit and those to ring.
    fn listed(&self) -> BTreeSet<&str> {
        let visits = self.visits.iter().map(|v| v.home.as_str());
        visits.chain(self.ring.iter().map(|r| r.home.as_str())).collect()
    }
}

/// Findings that were called, and all of them counted; few in memory at a time.
fn findings(run: &Path) -> Result<(Vec<FindingRow>, Counted), ContractError> {
    let mut rows = TableRows::<FindingRow>::open(&table_path(run, FindingRow::NAME))?;
    let (mut called, mut counted, mut of_home) = (Vec::new(), Counted::default(), Vec::<FindingRow>::new());
    while let Some(row) = rows.take()? {
        if of_home.first().is_some_and(|first| first.home != row.home) {
            counted.note_home(&of_home);
            of_home.clear();
        }
        if row.outcome == Outcome::Fault.code() {
            called.push(row.clone());
        }
        of_home.push(row);
    }
    counted.note_home(&of_home);
    Ok((called, counted))
}

/// A run whose tables its pages are made from.
pub(crate) struct RunPages<'a> {
    run: &'a Path,
    tables: Tables,
}

impl<'a> RunPages<'a> {
    /// Reads what the pages need of the run whose tables lie in `run`.
    ///
    /// # Errors
    /// When a table cannot be read.
    pub(crate) fn read(run: &'a Path) -> Result<Self, ContractError> {
        Ok(Self { run, tables: Tables::read(run)? })
    }

    /// One page that holds all, with the first homes as cards.
    pub(crate) fn single(&self, told: &Told, news: Option<&[NewsRow]>) -> String {
        with_input(&self.tables, told, news, None, service_list)
    }

    /// Makes all pages; gives their number.
    ///
    /// # Errors
    /// When a table cannot be read, or what `put` refuses.
    pub(crate) fn make(
        self,
        told: &Told,
        news: Option<&[NewsRow]>,
        put: Put<'_>,
    ) -> Result<usize, ContractError> {
        let Self { run, tables } = self;
        let names: BTreeMap<String, String> = tables
            .listed()
            .into_iter()
            .map(|home| (home.to_owned(), format!("homes/{}", site::file_name(home, &fingerprint(home)))))
            .collect();
        let mut count = 0;
        let mut put_page = |name: &str, text: &str| {
            count += 1;
            put(&format!("{FOLDER}/{name}"), text)
        };
        with_input(&tables, told, news, Some(&names), |input| {
            site::pages(input).iter().try_for_each(|(name, text)| put_page(name, text))
        })?;
        let fleet = Fleet::of(&tables.homes);
        stories(run, tables, &names, &mut |story| {
            put_page(&names[&story.home], &site::home_page(&story, &fleet))
        })?;
        Ok(count)
    }
}

/// Writes the pages of a job that is not a service list: its own page, and those beside it.
///
/// # Errors
/// When the disk refuses.
pub(crate) fn beside(
    folder: &mut RunFolder,
    pages: &'static [(&'static str, &'static str)],
    own: &str,
) -> Result<(), ContractError> {
    folder.text(&format!("{FOLDER}/index.html"), own)?;
    site::beside(pages).iter().try_for_each(|(name, text)| folder.text(&format!("{FOLDER}/{name}"), text))
}

fn with_input<R>(
    tables: &Tables,
    told: &Told,
    news: Option<&[NewsRow]>,
    hrefs: Option<&BTreeMap<String, String>>,
    then: impl FnOnce(&PageInput<'_>) -> R,
) -> R {
    let zones = tables.homes.iter().filter_map(|h| Some((h.home.clone(), h.zone.parse().ok()?))).collect();
    let set_points =
        tables.cylinders.iter().filter_map(|c| Some((c.home.clone(), c.set_point_degc?))).collect();
    then(&PageInput {
        title: &told.title,
        currency: &told.currency,
        visits: &tables.visits,
        evidence: &tables.evidence,
        homes: &tables.homes,
        findings: &tables.called,
        counted: &tables.counted,
        quality: &tables.quality,
        zones: &zones,
        set_points: &set_points,
        max_cards: told.cards,
        notes: &told.notes,
        plan: PlanTables { ring: &tables.ring, rounds: &tables.rounds, van: &tables.van },
        news,
        hrefs,
    })
}

/// Gives what is known of each named home, one home in memory at a time beside the small tables.
fn stories(
    run: &Path,
    tables: Tables,
    names: &BTreeMap<String, String>,
    take: &mut dyn FnMut(HomeStory) -> Result<(), ContractError>,
) -> Result<(), ContractError> {
    fn open<T: Table>(run: &Path) -> Result<HomesInOrder<T>, ContractError> {
        HomesInOrder::open(&table_path(run, T::NAME))
    }
    let mut evidence: BTreeMap<String, Vec<EvidenceRow>> = BTreeMap::new();
    for row in tables.evidence {
        evidence.entry(row.home.clone()).or_default().push(row);
    }
    let mut left_off: BTreeMap<String, Vec<LeftOffRow>> = BTreeMap::new();
    for row in tables.left_off {
        left_off.entry(row.home.clone()).or_default().push(row);
    }
    let mut cylinders: BTreeMap<String, CylinderRow> = by_home(tables.cylinders, |r| &r.home);
    let mut homes: BTreeMap<String, HomeRow> = by_home(tables.homes, |r| &r.home);
    let mut visits: BTreeMap<String, VisitRow> = by_home(tables.visits, |r| &r.home);
    let mut quality: BTreeMap<String, QualityRow> = by_home(tables.quality, |r| &r.home);
    let (mut findings, mut days, mut draws) = (open(run)?, open(run)?, open(run)?);
    let (mut cooling, mut power) = (open(run)?, open(run)?);
    let (mut vacancy, mut ahead) = (open(run)?, open(run)?);
    let (mut changes, mut hour_changes) = (open(run)?, open(run)?);
    for home in names.keys() {
        take(HomeStory {
            home: home.clone(),
            row: homes.remove(home),
            visit: visits.remove(home),
            left_off: left_off.remove(home).unwrap_or_default(),
            findings: findings.of(home)?,
            days: days.of(home)?,
            draws: draws.of(home)?,
            vacancy: vacancy.of(home)?,
            // No page shows them.
            rates: Vec::new(),
            ahead: ahead.of(home)?,
            changes: changes.of(home)?,
            hour_changes: hour_changes.of(home)?,
            quality: quality.remove(home),
            evidence: evidence.remove(home).unwrap_or_default(),
            cylinder: cylinders.remove(home),
            cooling: cooling.of(home)?,
            power: power.of(home)?,
        })?;
    }
    Ok(())
}

fn by_home<T>(rows: Vec<T>, home: impl Fn(&T) -> &String) -> BTreeMap<String, T> {
    rows.into_iter().map(|row| (home(&row).clone(), row)).collect()
}

/// `drawoff pages`: the pages of a finished run, made again.
pub(crate) fn pages(args: &PagesArgs) -> Result<Exit, Failure> {
    let no_run =
        |e: ContractError| Failure::new(Exit::NoInput, e.or_hint("give the output folder of a finished run"));
    let run = finished(&args.run)?;
    let told = told_by_manifest(&run).map_err(no_run)?;
    let news = match &args.since {
        Some(since) => Some(diff::news(&finished(since)?, &run).map_err(no_run)?),
        None if names_in(&run)?.iter().any(|n| n == "news.parquet") => Some(table(&run)?),
        None => None,
    };
    if let Some(path) = &args.single_file {
        let pages = RunPages::read(&run).map_err(no_run)?;
        write_text(path, &pages.single(&told, news.as_deref()))?;
        progress::note(&format!("page: {}", path.display()));
        return Ok(Exit::Done);
    }
    let out = &given(&args.out)?;
    local("--out", out).map_err(|e| Failure::settings(vec![e]))?;
    let is_run = |folder: &Path| {
        let manifest = read_manifest(folder).ok().flatten();
        manifest.is_some_and(|m| m["program"] == "drawoff")
    };
    if let Some(run) = real(out).ancestors().find(|folder| is_run(folder)) {
        let message = format!("lies in {}, a finished run that would no longer be as it was", run.display());
        let problem = ContractError::new("--out", message);
        return Err(Failure::settings(vec![problem.with_hint("name a folder of its own")]));
    }
    let mut written = BTreeSet::new();
    let mut put = |name: &str, text: &str| {
        let name = name.trim_start_matches(FOLDER).trim_start_matches('/');
        written.insert(name.to_owned());
        write_text(&out.join(name), text)
    };
    let pages = RunPages::read(&run);
    let count = pages.and_then(|p| p.make(&told, news.as_deref(), &mut put)).map_err(no_run)?;
    remove_stale(out, &written)?;
    progress::note(&format!("{count} pages: {}", out.join("index.html").display()));
    Ok(Exit::Done)
}

/// Removes pages of homes and of the list that an earlier call made and this one did not: nothing leads to them, and they tell of homes
/// that are no longer listed. Files of other names are not this program's.
fn remove_stale(out: &Path, written: &BTreeSet<String>) -> Result<(), ContractError> {
    let homes = names_in(&out.join("homes"))?.into_iter().filter(|name| site::is_file_name(name));
    let lists = names_in(out)?.into_iter().filter(|name| site::is_later_list(name));
    let stale = homes.map(|name| format!("homes/{name}")).chain(lists).filter(|name| !written.contains(name));
    stale.for_each(|name| remove(&out.join(name)));
    Ok(())
}

/// Title, currency and remarks of a finished run.
fn told_by_manifest(run: &Path) -> Result<Told, ContractError> {
    let path = run.join(MANIFEST);
    let text = drawoff_store::settings::read_text(&path)?;
    let manifest: serde_json::Value = serde_json::from_str(&text)
        .map_err(|e| ContractError::new(path.display().to_string(), format!("is no manifest: {e}")))?;
    let settings = &manifest["settings"];
    let text = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
    let cards = settings["run"]["cards"].as_u64().and_then(|c| usize::try_from(c).ok());
    Ok(Told {
        title: text(&settings["name"]),
        currency: text(&settings["worth"]["currency"]),
        notes: manifest["remarks"].as_array().into_iter().flatten().map(text).collect(),
        cards: cards.unwrap_or_default(),
    })
}
