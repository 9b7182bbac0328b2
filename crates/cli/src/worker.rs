//! `drawoff worker`: one stage of the way as a child of another program, Arrow IPC in and out.
//!
//! The functions are those of a run on one machine. Whatever happens to one home is a row of the output; the exit code is for the
//! stream as a whole.

use std::io::{Read, Write};
use std::path::Path;
use std::time::Duration;

use drawoff_contract::part_tables::{AssessedHome, ReducedHome, SavedHome, TriedHome};
use drawoff_contract::{ContractError, Mapping, Table};
use drawoff_store::pipe::{StreamIn, StreamOut};
use drawoff_store::{Grouped, GroupedHome, caught_home};
use drawoff_tank::water::Water;

use crate::args::{Stage, WorkerArgs};
use crate::exit::{Exit, Failure};
use crate::parts::assessed::{Lesson, WANTED, row_of_results};
use crate::parts::worked::{Worked, own_print};
use crate::parts::{FAILED, NAMELESS, Print, UNLISTED, empty_row, home_of, row_of, saved, tried, whole};
use crate::progress;
use crate::reduce::Home;
use crate::run::{Site, read_site};
use crate::stages::{HomeDaybook, Read as HomeRead};

/// How often a worker looks whether its parent is still there.
const LOOK_AFTER_PARENT: Duration = Duration::from_millis(200);

/// What went through a worker: its last line on standard error, as JSON.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub(crate) struct Counts {
    rows_in: u64,
    homes_out: u64,
    /// Homes without a daybook, whatever the reason.
    without_daybook: u64,
}

pub(crate) fn worker(args: &WorkerArgs) -> Result<Exit, Failure> {
    // Before anything that takes time: who starts a process may be gone while it reads its settings.
    let parent = args.parent.or_else(own_parent);
    let site = read_site(&args.pipeline)?;
    if args.contract {
        progress::exact(&match args.stage {
            Stage::Reduce => contract(&site.mapping).to_string(),
            Stage::Assess => contract_of::<AssessedHome>("assess").to_string(),
            Stage::Savings => contract_of::<SavedHome>("savings").to_string(),
            Stage::FlexibleLoad => contract_of::<TriedHome>("flexible-load").to_string(),
        });
        return Ok(Exit::Done);
    }
    leave_with_parent(parent);
    let (input, output) = (std::io::stdin().lock(), std::io::stdout().lock());
    let counts = match args.stage {
        Stage::Reduce => reduce(&site, input, output)?,
        stage => {
            let learnt = args.learnt.as_ref().ok_or_else(|| {
                let problem = ContractError::new("--learnt", "is not given")
                    .with_hint("this stage needs the folder that `drawoff learn` wrote");
                Failure::settings(vec![problem])
            })?;
            let folder = crate::places::finished(learnt)?;
            let lesson = Lesson::read(&folder, site.seed).map_err(|e| Failure::settings(vec![e]))?;
            match stage {
                Stage::Savings => savings(&site, &lesson, input, output)?,
                Stage::FlexibleLoad => flexible_load(&site, &lesson, &folder, input, output)?,
                Stage::Reduce | Stage::Assess => assess(&site, &lesson, &folder, input, output)?,
            }
        }
    };
    let text = serde_json::to_string(&counts).map_err(|e| ContractError::new("counts", e.to_string()))?;
    progress::note(&text);
    Ok(Exit::Done)
}

/// Readings to daybooks.
fn reduce(site: &Site, input: impl Read, output: impl Write) -> Result<Counts, Failure> {
    let unusable = |e: ContractError| Failure::new(Exit::NoInput, e);
    let mut stream = StreamIn::open(input).map_err(unusable)?;
    let grouped = Grouped::begin(&stream.schema(), &site.mapping, &site.cylinders);
    let mut grouped = grouped.map_err(|problems| Failure { exit: Exit::NoInput, problems })?;
    let mut out = StreamOut::<_, ReducedHome>::begin(output)?;
    let print = Print::new(&site.mapping, site.water);
    let mut counts = Counts::default();
    // Of two kinds of errors: what the reader of the output does, and what is wrong with the input.
    let mut refused = None;
    let mut take = |home: GroupedHome| {
        let row = reduced(site, &print, home, site.water)?;
        counts.homes_out += 1;
        counts.without_daybook += u64::from(row.days.is_empty());
        let bytes = row.days.len() + row.spells.len() + row.draws.len();
        out.push(row, bytes).inspect_err(|e| refused = Some(e.clone()))
    };
    let mut all = || -> Result<(), ContractError> {
        while let Some(batch) = stream.take()? {
            grouped.push(&batch, &mut take)?;
        }
        grouped.end(&mut take)
    };
    let done = all();
    match (done, refused) {
        (_, Some(e)) => return Err(e.into()),
        (Err(e), None) => return Err(unusable(e)),
        (Ok(()), None) => out.end()?,
    }
    counts.rows_in = grouped.rows_in();
    Ok(counts)
}

/// Daybooks to what is known of each home.
fn assess(
    site: &Site,
    lesson: &Lesson,
    folder: &Path,
    input: impl Read,
    output: impl Write,
) -> Result<Counts, Failure> {
    let learnt = lesson.learn(folder, site, WANTED).map_err(|e| Failure::settings(vec![e]))?;
    let work = |daybook: &HomeDaybook<'_>| {
        let read = HomeRead::of(daybook, &lesson.priors, site.settings(), WANTED);
        learnt.finish(read, daybook.cylinder)
    };
    each_daybook(site, &lesson.print, input, output, work, |results, print| {
        let row = row_of_results(results, print)?;
        let tables = [
            &row.homes,
            &row.findings,
            &row.days,
            &row.draw_offs,
            &row.cooling,
            &row.vacancy,
            &row.rates,
            &row.demand,
        ];
        let bytes = tables.map(Vec::len).iter().sum();
        Ok((row, bytes))
    })
}

/// Daybooks to what each home saved.
fn savings(site: &Site, lesson: &Lesson, input: impl Read, output: impl Write) -> Result<Counts, Failure> {
    let Some(of) = &site.pipeline.savings else { return Err(no_section("savings")) };
    let small = crate::small::read(&site.pipeline, &site.mapping).map_err(Failure::settings)?;
    let given = crate::savings::given(&site.pipeline, &site.mapping, &small, of)?;
    let job = crate::savings::Job::new(&given, of, site.seed);
    let against = format!("{} {}", lesson.print, job.print());
    let work = |daybook: &HomeDaybook<'_>| job.home(daybook, &lesson.priors);
    each_daybook(site, &against, input, output, work, |done, print| {
        let row = saved::row_of_done(done, print)?;
        let bytes = row.savings.len() + row.half_hours.len() + row.parts.len() + row.months.len();
        Ok((row, bytes))
    })
}

/// Daybooks to the load that each home could have moved.
fn flexible_load(
    site: &Site,
    lesson: &Lesson,
    folder: &Path,
    input: impl Read,
    output: impl Write,
) -> Result<Counts, Failure> {
    let Some(of) = &site.pipeline.flexible_load else { return Err(no_section("flexible_load")) };
    let last = lesson.last_day.ok_or_else(|| {
        Failure::new(Exit::NoInput, ContractError::new("--learnt", "its fleet has no day with readings"))
    })?;
    let (job, _) = crate::flexible::Job::new(of, last, site.water)?;
    let learnt =
        lesson.learn(folder, site, crate::flexible::Job::WANTED).map_err(|e| Failure::settings(vec![e]))?;
    let against = format!("{} {}", lesson.print, job.print());
    let work = |daybook: &HomeDaybook<'_>| {
        crate::flexible::one_tried(&job, daybook, &lesson.priors, &learnt, site.settings())
    };
    each_daybook(site, &against, input, output, work, |tried, print| {
        let row = tried::row_of_tried(tried, print)?;
        let bytes = row.counted.len() + row.homes.len();
        Ok((row, bytes))
    })
}

fn no_section(name: &str) -> Failure {
    let problem = ContractError::new("the pipeline", format!("has no section [{name}]"));
    Failure::settings(vec![problem.with_hint("give the pipeline of that job")])
}

/// Makes a row of each home from its daybook: what `work` makes of it goes through `pack`. A home whose daybook cannot be read, or whose work
/// panics, is a row that says so. `against` is the hash of what all are worked out against, which goes with each row.
fn each_daybook<R, T: Worked>(
    site: &Site,
    against: &str,
    input: impl Read,
    output: impl Write,
    work: impl Fn(&HomeDaybook<'_>) -> R,
    pack: impl Fn(R, String) -> Result<(T, usize), ContractError>,
) -> Result<Counts, Failure> {
    let unusable = |e: ContractError| Failure::new(Exit::NoInput, e);
    let mut stream = StreamIn::open(input).map_err(unusable)?;
    let mut out = StreamOut::<_, T>::begin(output)?;
    let print = Print::new(&site.mapping, site.water);
    let (mut counts, mut last) = (Counts::default(), String::new());
    while let Some(batch) = stream.take().map_err(unusable)? {
        for row in ReducedHome::from_batch(&batch).map_err(unusable)? {
            counts.rows_in += 1;
            if counts.rows_in > 1 && row.home <= last {
                let message = "is there twice, or the stream is not in the order of the homes";
                return Err(unusable(ContractError::new(format!("home {}", row.home), message)));
            }
            last.clone_from(&row.home);
            if row.first_ms.is_none() {
                counts.without_daybook += 1;
                continue;
            }
            let own = site.cylinders.get(&row.home).filter(|c| print.of(Some(c)) == row.print);
            let Some(cylinder) = own else {
                let message = "was reduced by another version, or with another mapping, register or water";
                return Err(unusable(ContractError::new(format!("home {}", row.home), message)));
            };
            let home = home_of(&row, cylinder, site.water, &[0], 1).map_err(|e| e.message);
            let made = home.and_then(|home| {
                caught_home(&row.home, || work(&HomeDaybook { cylinder, notes: home.notes }))
            });
            let own = own_print(&print, cylinder, against);
            let (row, bytes) = match made {
                Ok(made) => pack(made, own)?,
                Err(why) => (T::failed(&row.home, why, own), 0),
            };
            counts.homes_out += 1;
            out.push(row, bytes)?;
        }
    }
    out.end()?;
    Ok(counts)
}

/// The row of one home, whatever is wrong with it.
fn reduced(
    site: &Site,
    print: &Print,
    given: GroupedHome,
    water: Water,
) -> Result<ReducedHome, ContractError> {
    let cylinder = site.cylinders.get(&given.home);
    let own = print.of(cylinder);
    let row = match cylinder {
        None if given.home.is_empty() => empty_row("", NAMELESS, "rows that name no home", own),
        None => empty_row(&given.home, UNLISTED, "the register does not list it", own),
        Some(cylinder) => match caught_home(&given.home, || Home::of(cylinder, &given.rows, 1, water)) {
            Ok(made) => row_of(&given.home, made, own)?,
            Err(panic) => {
                let row = row_of(&given.home, Home::lost(&given.rows), own)?;
                ReducedHome { status: FAILED.to_owned(), detail: panic, ..row }
            }
        },
    };
    Ok(ReducedHome { rows_in: whole(given.rows_in), rejected: given.rejected.to_counts(), ..row })
}

/// Columns that the stage reads and writes.
fn contract(mapping: &Mapping) -> serde_json::Value {
    let m = &mapping.readings;
    let mut input = vec![(m.home.clone(), false), (m.time_column.clone(), false)];
    if m.shape == drawoff_contract::Shape::Long {
        input.extend([(m.channel_column.clone(), false), (m.value_column.clone(), false)]);
    }
    input.extend(m.wide.iter().map(|w| (w.column.clone(), w.optional)));
    let input: Vec<serde_json::Value> = input
        .into_iter()
        .map(|(name, optional)| serde_json::json!({ "name": name, "optional": optional }))
        .collect();
    serde_json::json!({
        "stage": "reduce",
        "sorted_by": [m.home, m.time_column],
        "times": "instants, with a zone",
        "in": input,
        "out": columns_of::<ReducedHome>(),
    })
}

fn contract_of<T: Table>(stage: &str) -> serde_json::Value {
    serde_json::json!({
        "stage": stage,
        "sorted_by": ["home"],
        "in": columns_of::<ReducedHome>(),
        "out": columns_of::<T>(),
    })
}

fn columns_of<T: Table>() -> Vec<serde_json::Value> {
    T::columns()
        .into_iter()
        .map(|c| {
            serde_json::json!({
                "name": c.name, "type": c.data_type.to_string(), "nullable": c.nullable, "description": c.description,
            })
        })
        .collect()
}

/// The process that started this one, where the system tells.
fn own_parent() -> Option<u32> {
    #[cfg(unix)]
    let parent = Some(std::os::unix::process::parent_id());
    #[cfg(not(unix))]
    let parent = None;
    parent
}

/// Ends this process when the one that started it is gone: nobody would read its output, and it may hang on its input.
fn leave_with_parent(parent: Option<u32>) {
    #[cfg(unix)]
    if let Some(parent) = parent {
        std::thread::spawn(move || {
            while std::os::unix::process::parent_id() == parent {
                std::thread::sleep(LOOK_AFTER_PARENT);
            }
            progress::note("the process that started this one is gone");
            #[expect(clippy::exit, reason = "the main thread may hang on a pipe")]
            std::process::exit(Exit::Failed as i32);
        });
    }
    #[cfg(not(unix))]
    let _ = (parent, LOOK_AFTER_PARENT);
}
