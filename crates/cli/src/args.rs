//! The command line.

mod parts;
mod stored;

use std::path::PathBuf;

use clap::{Parser, Subcommand};
use drawoff_contract::Fault;
use drawoff_synth::{FaultsLaid, Level};

pub(crate) use parts::{BucketArgs, LearnArgs, MergeArgs, ReduceArgs, Stage, WorkerArgs};
pub(crate) use stored::{FetchArgs, PublishArgs};

const EXAMPLES_AND_EXIT_CODES: &str = "\
Examples:
  drawoff check pipelines/service-list.toml          what is wrong with the inputs, before anything is written
  drawoff run pipelines/service-list.toml            the service list, its tables and its pages
  drawoff explain OS-00012                           all that the last run knows of one home
  drawoff diff out/last-week out/this-week           what changed, and why each rank did

Colour is never used; progress goes to standard error, results to standard output.

Exit codes:
  0  done
  1  could not be finished: a write failed, another run holds the output folder, or an object storage failed or refused
  2  the command line, pipeline, mapping or register is wrong; nothing was written
  3  no usable input: an empty folder, or no home that the register lists
  4  done, but files or homes were left out; each is named
  130  interrupted; the results of the last finished run are as they were";

/// Finds the hot-water cylinders of a fleet that are worth a visit, from exports of sensor and energy data.
#[derive(Debug, Parser)]
#[command(name = "drawoff", version, about, after_help = EXAMPLES_AND_EXIT_CODES, color = clap::ColorChoice::Never)]
pub(crate) struct Args {
    /// Number of worker threads, 1 to 1024; the results do not depend on it.
    #[arg(long, global = true, value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub(crate) threads: Option<u16>,
    /// How notes, warnings and errors are written to standard error.
    #[arg(long, global = true, value_enum, default_value_t = Log::Text)]
    pub(crate) log: Log,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// How lines to standard error are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Log {
    /// Lines for people.
    Text,
    /// One JSON object a line: level (note, warning, error), subject, message, hint.
    Json,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Run a pipeline: exports in, service list out.
    Run(PipelineArgs),
    /// List all problems of a pipeline's inputs at once, and the exact row accounting; write nothing.
    Check(PipelineArgs),
    /// Look at an unknown export and write a mapping for it, with a reason beside each line; what the readings do not prove is marked.
    Propose(ProposeArgs),
    /// Show everything that a finished run knows of one home, on the terminal or as a page.
    Explain(ExplainArgs),
    /// Tell what changed from one run to another, and why each rank did.
    Diff(DiffArgs),
    /// Make the pages of a finished run again, as a folder of pages or as one file.
    Pages(PagesArgs),
    /// Compare runs with truth tables.
    Score(ScoreArgs),
    /// Measure on fleets with known truth how well cylinders are read, under many conditions of the data.
    Accuracy(AccuracyArgs),
    /// Fit the probabilities of findings on a fleet of invented homes with known truth.
    Calibrate(CalibrateArgs),
    /// Make a fleet of invented homes with known truth.
    Synth(SynthArgs),
    /// Print what a shell needs to complete commands and options.
    Completions(CompletionsArgs),
    /// Print the manual page, as roff.
    #[command(after_help = "Example:\n  drawoff manual > drawoff.1 && man ./drawoff.1")]
    Manual,
    /// Rewrite an export by home, so that shards of the fleet can be read apart.
    Bucket(BucketArgs),
    /// Reduce the readings of a fleet, or of one shard of it, to a part that `merge` takes.
    Reduce(ReduceArgs),
    /// Learn from all parts of a fleet what its homes are to be assessed against, by other processes.
    Learn(LearnArgs),
    /// Bring parts of a fleet together: everything that needs the whole fleet, and the service list.
    Merge(MergeArgs),
    /// Put a finished run at an address of object storage, where it takes the place of the one before in one step.
    Publish(PublishArgs),
    /// Copy the run at an address of object storage into a folder, each file held against the manifest.
    Fetch(FetchArgs),
    /// Work as a child of an engine: Arrow IPC stream in, Arrow IPC stream out.
    Worker(WorkerArgs),
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  drawoff run pipelines/service-list.toml --set inputs.readings=exports --set inputs.register=assets.csv\n  drawoff run pipelines/nightly.toml    every night: reads what is new, the rest comes from the kept daybook"
)]
pub(crate) struct PipelineArgs {
    /// Pipeline file (TOML). Paths in it are relative to the current folder.
    pub(crate) pipeline: PathBuf,
    /// Override a key of the pipeline, such as inputs.readings=FOLDER; may be given many times.
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub(crate) set: Vec<String>,
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  drawoff propose exports assets.csv --out mapping.toml\n\nThen look at the lines marked UNSURE, and at what drawoff check says with the new mapping."
)]
pub(crate) struct ProposeArgs {
    /// A file of readings, or a folder with such files.
    pub(crate) export: PathBuf,
    /// Asset register, one line a home (CSV); without it no unit of energy can be proved.
    pub(crate) register: Option<PathBuf>,
    /// Mapping file to write; one that is there already is left as it is.
    #[arg(long, value_name = "FILE", default_value = "mapping.toml")]
    pub(crate) out: PathBuf,
    /// Zone of stamps that carry none, such as Europe/Dublin, where you know it.
    #[arg(long, value_parser = zone)]
    pub(crate) zone: Option<String>,
}

fn zone(text: &str) -> Result<String, String> {
    match text.parse::<chrono_tz::Tz>() {
        Ok(_) => Ok(text.to_owned()),
        Err(_) => Err(drawoff_contract::mapping_readings::zone_hint(text)),
    }
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  drawoff explain OS-00012\n  drawoff explain OS-00012 --run out/service-list --html OS-00012.html"
)]
pub(crate) struct ExplainArgs {
    /// Identifier of the home, as the export writes it.
    pub(crate) home: String,
    /// Output folder of a finished run.
    #[arg(long, value_name = "FOLDER", default_value = "out/service-list")]
    pub(crate) run: PathBuf,
    /// Write a page here instead of lines on the terminal.
    #[arg(long, value_name = "FILE")]
    pub(crate) html: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  drawoff diff out/last-week out/this-week\n  drawoff diff out/last-week out/this-week --json"
)]
pub(crate) struct DiffArgs {
    /// Output folder of the earlier run.
    pub(crate) before: PathBuf,
    /// Output folder of the later run.
    pub(crate) now: PathBuf,
    /// Print JSON instead of lines.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  drawoff completions bash > ~/.local/share/bash-completion/completions/drawoff\n  drawoff completions fish > ~/.config/fish/completions/drawoff.fish\n  drawoff manual > drawoff.1 && man ./drawoff.1"
)]
pub(crate) struct CompletionsArgs {
    /// The shell.
    #[arg(value_enum)]
    pub(crate) shell: clap_complete::Shell,
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  drawoff pages out/service-list --out pages --since out/last-week\n  drawoff pages out/service-list --single-file list.html"
)]
pub(crate) struct PagesArgs {
    /// Output folder of a finished run.
    pub(crate) run: PathBuf,
    /// Folder to write the pages to.
    #[arg(long, value_name = "FOLDER", default_value = "out/pages")]
    pub(crate) out: PathBuf,
    /// Output folder of an earlier run: what changed since comes first.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) since: Option<PathBuf>,
    /// Write one page that holds all instead, the first homes as cards.
    #[arg(long, value_name = "FILE", conflicts_with = "out")]
    pub(crate) single_file: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  drawoff score out/service-list --truth sample-fleet/truth")]
pub(crate) struct ScoreArgs {
    /// Output folders of runs.
    #[arg(required = true)]
    pub(crate) runs: Vec<PathBuf>,
    /// Folder of truth tables for each run, in the same order.
    #[arg(long = "truth", required = true)]
    pub(crate) truths: Vec<PathBuf>,
    /// Which homes: all, or the even or odd half by a hash of their identifiers.
    #[arg(long, default_value = "all")]
    pub(crate) half: String,
    /// Print JSON instead of tables.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  drawoff accuracy --date 2026-11-25 --synth-homes 500 --days 45")]
pub(crate) struct AccuracyArgs {
    /// Day of the measurement, for the names of the files: results hold no clock.
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub(crate) date: String,
    /// Folder for accuracy-DATE.md and accuracy-DATE.json.
    #[arg(long, default_value = "results")]
    pub(crate) out: PathBuf,
    /// Folder of the reference fleets; reference-fleet below DRAWOFF_SHARED or ../shared unless given.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) reference: Option<PathBuf>,
    /// Number of invented homes; 0 leaves them out.
    #[arg(long, default_value_t = 500)]
    pub(crate) synth_homes: u32,
    /// Days of the invented homes.
    #[arg(long, default_value_t = 45)]
    pub(crate) days: u32,
    /// Seed of the invented homes.
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// Which homes are scored: all, or the even or odd half by a hash of their identifiers.
    #[arg(long, default_value = "all")]
    pub(crate) half: String,
    /// Only a few conditions and homes, to see that all is well.
    #[arg(long)]
    pub(crate) quick: bool,
    /// Only conditions of these names, such as "3 probes" or "heat pump"; may be given many times.
    #[arg(long, value_name = "CONDITION")]
    pub(crate) only: Vec<String>,
    /// Measure savings instead, into savings-DATE.md: the replay against the meter on the reference fleets, and invented twins
    /// under two rules, whose saving is known.
    #[arg(long, conflicts_with_all = ["quick", "only", "half", "faults", "flexible"])]
    pub(crate) savings: bool,
    /// Measure how well faults are found instead, on invented homes with these faults laid on them, into faults-DATE.md.
    /// Choices as for synth; `trial` is the whole of it.
    #[arg(long, value_name = "WHICH", conflicts_with_all = ["reference", "quick", "only"], value_parser = faults)]
    pub(crate) faults: Option<FaultsLaid>,
    /// With --faults: curves from margins to probabilities in place of the built-in ones, as `drawoff calibrate` writes them.
    #[arg(long, value_name = "FILE", requires = "faults")]
    pub(crate) calibration: Option<PathBuf>,
    /// With --faults: leave out how soon faults are called, which reads each faulty home again day by day.
    #[arg(long, requires = "faults")]
    pub(crate) no_delays: bool,
    /// Measure how firm flexible load is instead, by events on invented homes, into flexible-DATE.md; 224 days hold 180 tested ones.
    #[arg(long, conflicts_with_all = ["reference", "quick", "only", "faults"])]
    pub(crate) flexible: bool,
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  drawoff calibrate --homes 1200 --days 60 --seed 21 --out crates/faults/src/calibration/curves.csv"
)]
pub(crate) struct CalibrateArgs {
    /// Table of curves to write: the one in the source is built in; a pipeline may name another as inputs.calibration.
    #[arg(long)]
    pub(crate) out: PathBuf,
    /// Number of invented homes.
    #[arg(long, default_value_t = 1200)]
    pub(crate) homes: u32,
    /// Days of the invented homes.
    #[arg(long, default_value_t = 60)]
    pub(crate) days: u32,
    /// Seed of the invented homes: never one that accuracy is reported on.
    #[arg(long, default_value_t = 21)]
    pub(crate) seed: u64,
    /// Which faults are laid on the homes; choices as for synth.
    #[arg(long, value_name = "WHICH", default_value = "trial", value_parser = faults)]
    pub(crate) faults: FaultsLaid,
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  drawoff synth out/fleet --homes 100 --days 60 --seed 7\n  drawoff synth out/coils --source coil --faults none --probes 4\n  drawoff synth out/trial --faults trial --homes 3220 --days 90 --quick\n\nWith --source, a trial or more than 8 probes, the mapping is pipelines/mappings/drawoff-sources.toml."
)]
pub(crate) struct SynthArgs {
    /// Folder to write: readings/, register.csv, truth/.
    pub(crate) folder: PathBuf,
    /// Number of homes.
    #[arg(long, default_value_t = 46)]
    pub(crate) homes: u32,
    /// Number of days.
    #[arg(long, default_value_t = 29)]
    pub(crate) days: u32,
    /// Seed: the same seed gives the same fleet.
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// How the readings lie in their files.
    #[arg(long, value_enum, default_value_t = Layout::Home)]
    pub(crate) layout: Layout,
    /// Minutes between rows; has to divide a day.
    #[arg(long, default_value_t = 5)]
    pub(crate) cadence_min: u32,
    /// Probes of every home, 1 to 12; drawn home by home when left out.
    #[arg(long)]
    pub(crate) probes: Option<u8>,
    /// Steps in which probes report, K; drawn when left out.
    #[arg(long)]
    pub(crate) resolution_k: Option<f64>,
    /// Share of rows that every home loses, such as 0.2; drawn (1 to 3 %) when left out.
    #[arg(long)]
    pub(crate) gaps: Option<f64>,
    /// Which homes measure the surroundings.
    #[arg(long, value_enum, default_value_t = Room::AsDrawn)]
    pub(crate) room: Room,
    /// Which faults are laid on the homes: as-drawn (each of the first sixteen kinds once in 40 homes), none, trial (every kind at
    /// every level, source and number of probes, beside sound look-alikes), or one kind at a level, such as leak_steady:mild.
    #[arg(long, value_name = "WHICH", default_value = "as-drawn", value_parser = faults)]
    pub(crate) faults: FaultsLaid,
    /// Further draws an hour, too small to be seen.
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) small_draws_per_hour: f64,
    /// What heats the cylinders; elements, one in seven on a diverter, when left out.
    #[arg(long, value_enum)]
    pub(crate) source: Option<Source>,
    /// How thick the front between cold and hot water is.
    #[arg(long, value_enum, default_value_t = Fronts::Sharp)]
    pub(crate) fronts: Fronts,
    /// Drive one cylinder through each of these tapping profiles of Regulation (EU) 814/2013 instead: S,M,L,XL.
    #[arg(
        long,
        value_enum,
        ignore_case = true,
        value_delimiter = ',',
        conflicts_with_all = ["homes", "gaps", "room", "faults", "small_draws_per_hour", "source", "fronts", "resolution_k"]
    )]
    pub(crate) tapping: Vec<Tapping>,
    /// Make about twice as fast, in longer steps where nothing flows.
    #[arg(long)]
    pub(crate) quick: bool,
    /// Write truth/truth_stored.parquet too: usable water and stored heat at every half-hour.
    #[arg(long)]
    pub(crate) truth_stored: bool,
}

/// Which homes of a made fleet measure the surroundings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Room {
    /// A third of them.
    AsDrawn,
    /// All.
    Always,
    /// None.
    Never,
}

/// Reads which faults are laid on the homes of a made fleet.
fn faults(text: &str) -> Result<FaultsLaid, String> {
    match text.split_once(':') {
        None if text == "as-drawn" => Ok(FaultsLaid::AsDrawn),
        None if text == "none" => Ok(FaultsLaid::None),
        None if text == "trial" => Ok(FaultsLaid::Trial),
        None => Err("is none of as-drawn, none, trial or KIND:LEVEL".to_owned()),
        Some((kind, level)) => {
            let fault = Fault::from_code(kind).ok_or_else(|| format!("{kind:?} is no fault code"))?;
            let level = Level::from_code(level)
                .ok_or_else(|| format!("{level:?} is none of mild, middle and strong"))?;
            Ok(FaultsLaid::Only(fault, level))
        }
    }
}

/// The word of the command line for the faults of a made fleet.
pub(crate) fn word_of(faults: FaultsLaid) -> String {
    match faults {
        FaultsLaid::AsDrawn => "as-drawn".to_owned(),
        FaultsLaid::None => "none".to_owned(),
        FaultsLaid::Trial => "trial".to_owned(),
        FaultsLaid::Only(fault, level) => format!("{}:{}", fault.code(), level.code()),
    }
}

/// What heats the cylinders of a made fleet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Source {
    /// Elements on the mains.
    Element,
    /// An element fed by a pump: base to top.
    TopPump,
    /// A boiler's coil without a meter.
    Coil,
    /// A heat pump with a plate exchanger.
    HeatPump,
    /// Elements on spare solar power.
    Diverter,
    /// All of them side by side.
    Mixed,
}

/// How thick the fronts of a made fleet are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Fronts {
    /// As in the sample fleet: 5 to 13 % of the height.
    Sharp,
    /// As in a laboratory tank: about 20 %.
    Measured,
}

/// Tapping profiles of Regulation (EU) 814/2013.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Tapping {
    /// 2.1 kWh a day, 120 l.
    S,
    /// 5.8 kWh a day, 150 l.
    M,
    /// 11.7 kWh a day, 210 l.
    L,
    /// 19.1 kWh a day, 300 l.
    Xl,
}

/// How the readings of a made fleet lie in their files; the rows are the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Layout {
    /// A file a week by the stamps; the rows of a home lie together.
    Home,
    /// A file a day by the time of arrival, all homes mixed, as a nightly export has them.
    Day,
}
