//! Shards of a fleet without an engine: `drawoff bucket`, `drawoff reduce --shard i/N` and `drawoff merge`.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicU64, Ordering};

use drawoff_contract::part_tables::{ReducedFile, ReducedHome, ReducedLoss};
use drawoff_contract::{ContractError, Cylinder, HomeRows};
use drawoff_homes::habits::learnt_from;
use drawoff_objects::Address;
use drawoff_store::buckets::{self, Layout, bucket_of};
use drawoff_store::output::TableStream;
use drawoff_store::places::lies_within;
use drawoff_store::{FileReport, Intake, RunFolder, Streamed};

use crate::args::{BucketArgs, LearnArgs, MergeArgs, ReduceArgs};
use crate::daybook_files::{DaybookWriter, Place};
use crate::evidence::Readings;
use crate::exit::{Exit, Failure};
use crate::parts::assessed::LAST_DAY;
use crate::parts::read::{PartOf, Parts};
use crate::parts::worked::{Elsewhere, Worked, WorkedParts};
use crate::parts::{FAILED, Print, home_of, row_of, whole};
use crate::places;
use crate::progress::{self, thousands};
use crate::reduce::{Home, Keep, MOST_ROUNDS, Reduced, Taken, limits};
use crate::run::{Folders, Inputs, VERSION, read_inputs, service_list};

/// Bytes of packed daybooks after which a row group ends.
const GROUP_BYTES: usize = 16 << 20;

/// Rewrites an export by home.
pub(crate) fn bucket(args: &BucketArgs) -> Result<Exit, Failure> {
    let inputs = read_inputs(&args.pipeline)?;
    let readings = &inputs.pipeline.inputs.readings;
    let refuse = |message: &str| {
        let problem = ContractError::new("--out", message);
        Err(Failure::settings(vec![problem.with_hint("name a folder of its own")]))
    };
    let out = places::given(&args.out)?;
    if lies_within(&out, readings) {
        return refuse("lies within inputs.readings");
    }
    if lies_within(readings, &out) {
        return refuse("holds inputs.readings, and would be replaced as a whole");
    }
    let buckets = usize::from(args.buckets);
    buckets::check_number(readings, buckets).map_err(|e| Failure::settings(vec![e]))?;
    let mut folder = RunFolder::begin(&out)?;
    let rows = AtomicU64::new(0);
    let told = |n: u64| {
        rows.fetch_add(n, Ordering::Relaxed);
    };
    let made = buckets::rewrite(readings, &inputs.mapping, buckets, &mut folder, &told);
    let layout = made.map_err(|e| Failure::new(Exit::NoInput, e))?;
    let manifest =
        serde_json::to_value(&layout).map_err(|e| ContractError::new("manifest", e.to_string()))?;
    folder.finish(manifest)?;
    layout.left_out.iter().for_each(|left_out| progress::warning(&left_out.problem()));
    progress::note(&format!(
        "{} rows of {} files lie in {buckets} buckets",
        thousands(layout.rows),
        layout.sources.len()
    ));
    Ok(if layout.left_out.is_empty() { Exit::Done } else { Exit::Partial })
}

/// Reduces one shard of a fleet, or all of it.
pub(crate) fn reduce(args: &ReduceArgs) -> Result<Exit, Failure> {
    let inputs = read_inputs(&args.pipeline)?;
    let part = args.shard.clone().unwrap_or(PartOf { shard: 1, of: 1 });
    let layout = buckets::layout(&inputs.pipeline.inputs.readings)?;
    let own = own_homes(&inputs, &part, layout.as_ref())?;
    let mut folder = RunFolder::begin(&places::given(&args.out)?)?;
    let limits = limits(&inputs, folder.rows_aside().join("rows"));
    let readings = &inputs.pipeline.inputs.readings;
    let mut intake = match &layout {
        Some(layout) => {
            let wanted = |bucket: usize| bucket % part.of == part.shard - 1;
            Intake::of_buckets(readings, layout, &wanted, None, &inputs.mapping, &own, &limits)?
        }
        None => Intake::open(readings, &inputs.mapping, &own, &limits),
    };
    let (streamed, homes) = each_home(&inputs, &own, &mut intake, &folder)?;
    let is_partial = streamed.files.iter().any(|f| f.status.is_err());
    streamed.files.iter().filter_map(|f| f.status.as_ref().err()).for_each(progress::warning);
    folder.end(homes)?;
    folder.table(losses(&streamed))?;
    folder.table::<ReducedFile>(streamed.files.into_iter().map(file_row).collect())?;
    folder.finish(serde_json::json!({ "program": "drawoff", "version": VERSION, "part": part }))?;
    Ok(if is_partial { Exit::Partial } else { Exit::Done })
}

/// The homes of a shard; refuses where a shard would have to decode the rows of all of them.
fn own_homes(
    inputs: &Inputs,
    part: &PartOf,
    layout: Option<&Layout>,
) -> Result<BTreeMap<String, Cylinder>, Failure> {
    let mut own = inputs.cylinders.clone();
    if part.of == 1 {
        return Ok(own);
    }
    let refuse = |message: String, hint: String| {
        let problem = ContractError::new(format!("--shard {}/{}", part.shard, part.of), message);
        Err(Failure::settings(vec![problem.with_hint(hint)]))
    };
    let readings = inputs.pipeline.inputs.readings.display();
    let Some(layout) = layout else {
        return refuse(
            format!(
                "{readings} is not laid out by home: each of the {} shards would read and decode all of it",
                part.of
            ),
            "rewrite it once with `drawoff bucket`, or leave --shard out".to_owned(),
        );
    };
    if part.of > layout.buckets {
        return refuse(
            format!("{readings} has {} buckets only: some shards would have none", layout.buckets),
            "use fewer shards, or more buckets".to_owned(),
        );
    }
    own.retain(|home, _| bucket_of(home, layout.buckets) % part.of == part.shard - 1);
    Ok(own)
}

/// Reduces every home with rows and writes its row.
fn each_home(
    inputs: &Inputs,
    own: &BTreeMap<String, Cylinder>,
    intake: &mut Intake<'_>,
    folder: &RunFolder,
) -> Result<(Streamed, TableStream<ReducedHome>), ContractError> {
    let water = inputs.pipeline.water.water();
    let print = Print::new(&inputs.mapping, water);
    let files = intake.files();
    for _ in 0..MOST_ROUNDS {
        let (mut homes, mut count, mut bytes) = (folder.begin_table::<ReducedHome>()?, 0_u64, 0);
        let rows = AtomicU64::new(0);
        let reduced = |home: &str, rows: HomeRows| {
            let made = Home::of(&own[home], &rows, files, water);
            row_of(home, made, print.of(own.get(home)))
        };
        let told = |n: u64| {
            rows.fetch_add(n, Ordering::Relaxed);
        };
        let streamed = intake.each_home(&told, &reduced, &mut |_, row| {
            let row = row?;
            count += 1;
            bytes += row.days.len() + row.spells.len() + row.draws.len();
            homes.push_to_group([row]);
            if bytes >= GROUP_BYTES {
                bytes = 0;
                homes.end_group()?;
            }
            Ok(())
        })?;
        let Some(streamed) = streamed else { continue };
        let read = rows.load(Ordering::Relaxed);
        progress::note(&format!("reduced {} rows of {} homes", thousands(read), thousands(count)));
        return Ok((streamed, homes));
    }
    Err(ContractError::new("readings", "more and more files turn out to be damaged"))
}

fn losses(streamed: &Streamed) -> Vec<ReducedLoss> {
    let listed = streamed.rejected_by_home.iter().map(|(home, account)| ReducedLoss {
        home: home.clone(),
        is_listed: true,
        rows: whole(account.rows_in),
        rejected: account.to_counts(),
    });
    let unlisted = streamed.unknown_homes.iter().map(|(home, rows)| ReducedLoss {
        home: home.clone(),
        is_listed: false,
        rows: whole(*rows),
        rejected: Vec::new(),
    });
    listed.chain(unlisted).collect()
}

fn file_row(file: FileReport) -> ReducedFile {
    let problem = file.status.err();
    ReducedFile {
        file: file.path,
        problem: problem.as_ref().map(|e| e.message.clone()).unwrap_or_default(),
        hint: problem.and_then(|e| e.hint).unwrap_or_default(),
        rejected: file.account.to_counts(),
    }
}

/// What became of the homes of all parts.
struct Gathered {
    reduced: Reduced,
    /// Of which homes of the register there are rows.
    has_rows: Vec<bool>,
    /// Homes whose reduction failed.
    failed: Vec<ContractError>,
}

/// Brings the homes of all parts together, in the order of the register.
fn gather(inputs: &Inputs, mut parts: Parts, put: &mut Keep<'_>) -> Result<Gathered, Failure> {
    let water = inputs.pipeline.water.water();
    let print = Print::new(&inputs.mapping, water);
    let names: Vec<&String> = inputs.cylinders.keys().collect();
    let mut taken = Taken::nothing(&inputs.cylinders, water, parts.files.len());
    let (mut has_rows, mut failed) = (vec![false; names.len()], Vec::new());
    while let Some((row, places)) = parts.take()? {
        let cylinder = inputs.cylinders.get(&row.home).filter(|c| print.of(Some(c)) == row.print);
        let Some(cylinder) = cylinder else { return Err(other_settings(&row.home)) };
        if row.status == FAILED {
            // It goes on as a home without rows, but for their account.
            failed.push(ContractError::new(format!("home {}", row.home), row.detail.clone()));
        } else if row.first_ms.is_none() {
            // A home of which no row was usable is one without rows.
            continue;
        } else {
            has_rows[names.partition_point(|name| **name < row.home)] = true;
        }
        taken.up_to(Some(&row.home), put)?;
        taken.one(home_of(&row, cylinder, water, &places, parts.files.len())?, put)?;
    }
    // What was no home of the register when its rows were counted off, or no longer is one.
    let is_listed = |home: &&String| inputs.cylinders.contains_key(*home);
    let changed = parts.unlisted.keys().find(is_listed);
    if let Some(home) = changed.or_else(|| parts.rejected.keys().find(|home| !is_listed(home))) {
        return Err(other_settings(home));
    }
    taken.up_to(None, put)?;
    progress::note(&format!("brought {} homes together", thousands(taken.with_rows() as u64)));
    let reduced = taken.finish(parts.files, &parts.rejected, parts.unlisted);
    Ok(Gathered { reduced, has_rows, failed })
}

/// Brings parts together: everything that needs the whole fleet, and the results of the pipeline's job.
pub(crate) fn merge(args: &MergeArgs) -> Result<Exit, Failure> {
    let inputs = read_inputs(&args.pipeline)?;
    let unusable = |e: ContractError| Failure::new(Exit::NoInput, e);
    let readings = &inputs.pipeline.inputs.readings;
    let (savings, flexible) = (&inputs.pipeline.savings, &inputs.pipeline.flexible_load);
    let is_list = savings.is_none() && flexible.is_none();
    if is_list && inputs.pipeline.run.cards > 0 && Address::of(readings).is_none() && !readings.exists() {
        let message =
            "the readings cannot be found, and the homes with a card need some of them for their plots";
        let problem = ContractError::new(readings.display().to_string(), message);
        return Err(unusable(problem.with_hint("set inputs.readings to where they lie, or run.cards to 0")));
    }
    let parts = Parts::open(&places::all_finished(&args.parts)?).map_err(unusable)?;
    let given = savings
        .as_ref()
        .map(|of| crate::savings::given(&inputs.pipeline, &inputs.mapping, &inputs.small, of))
        .transpose()?;
    if let Some(settings) = flexible {
        settings.check()?;
    }
    let saved = savings.as_ref().map(|_| worked(&inputs, args)).transpose()?.flatten();
    let tried = flexible.as_ref().map(|_| worked(&inputs, args)).transpose()?.flatten();
    let assessed = is_list.then(|| worked(&inputs, args)).transpose()?.flatten();
    let folders = Folders::begin(&inputs)?;
    let place = if flexible.is_some() { Place::Aside } else { Place::InRun };
    let mut daybook = DaybookWriter::begin(&folders.run, &inputs.cylinders, place)?;
    let gathered = gather(&inputs, parts, &mut |index, notes| daybook.push(index, notes))?;
    let Gathered { reduced, has_rows, failed } = gathered;
    failed.iter().for_each(progress::warning);
    let print = Print::new(&inputs.mapping, inputs.pipeline.water.water());
    let exit = match (savings.as_ref().zip(given.as_ref()), flexible) {
        (_, Some(of)) => {
            let elsewhere = tried.map(|parts| Elsewhere { parts, print, has_rows });
            crate::flexible::after_daybook(&inputs, of, folders, reduced, daybook, elsewhere)?
        }
        (Some((of, given)), None) => {
            let elsewhere = saved.map(|parts| Elsewhere { parts, print, has_rows });
            crate::savings::after_daybook(&inputs, of, given, folders, reduced, daybook, elsewhere)?
        }
        (None, None) => {
            let elsewhere = assessed.map(|parts| Elsewhere { parts, print, has_rows });
            service_list(&inputs, folders, reduced, daybook, Readings::Anew(&inputs), elsewhere)?
        }
    };
    Ok(if exit == Exit::Done && !failed.is_empty() { Exit::Partial } else { exit })
}

/// What workers made of the homes, where the caller names it.
fn worked<T: Worked>(inputs: &Inputs, args: &MergeArgs) -> Result<Option<WorkedParts<T>>, Failure> {
    let Some(learnt) = &args.learnt else { return Ok(None) };
    let (folders, learnt) = (places::all_finished(&args.assessed)?, places::finished(learnt)?);
    let parts = WorkedParts::open(&folders, &learnt, inputs.pipeline.run.seed)
        .map_err(|e| Failure::new(Exit::NoInput, e))?;
    Ok(Some(parts))
}

/// Writes what processes need that assess homes of this fleet: what all of its homes say together, and the daybooks of the few that
/// the rest is learnt from.
pub(crate) fn learn(args: &LearnArgs) -> Result<Exit, Failure> {
    let inputs = read_inputs(&args.pipeline)?;
    let parts =
        Parts::open(&places::all_finished(&args.parts)?).map_err(|e| Failure::new(Exit::NoInput, e))?;
    let print = Print::new(&inputs.mapping, inputs.pipeline.water.water());
    let cylinders: Vec<&Cylinder> = inputs.cylinders.values().collect();
    let sample: BTreeSet<usize> = learnt_from(cylinders.len()).into_iter().collect();
    let mut folder = RunFolder::begin(&places::given(&args.out)?)?;
    let mut homes = folder.begin_table::<ReducedHome>()?;
    let gathered = gather(&inputs, parts, &mut |index, notes| {
        if !sample.contains(&index) {
            return Ok(());
        }
        let cylinder = cylinders[index];
        let made = Home { notes, by_file: Vec::new(), out_of_order: 0, stamps: None };
        homes.push([row_of(&cylinder.home, made, print.of(Some(cylinder)))?])
    })?;
    folder.end(homes)?;
    let last_day = crate::flexible::last_day(&inputs.cylinders, &gathered.reduced).map(|day| day.0);
    folder.table(gathered.reduced.priors.to_rows())?;
    folder.finish(serde_json::json!({
        "program": "drawoff", "version": VERSION, "learnt": sample.len(), LAST_DAY: last_day,
    }))?;
    Ok(Exit::Done)
}

fn other_settings(home: &str) -> Failure {
    let message = "was reduced by another version, or with another mapping, register or water";
    let problem = ContractError::new(format!("home {home}"), message);
    Failure::settings(vec![problem.with_hint("make all parts again with the settings of this pipeline")])
}
