//! The command line of parts of a fleet: shards, workers, and bringing them together.

use std::path::PathBuf;

use super::PipelineArgs;
use crate::parts::read::PartOf;

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  drawoff bucket pipelines/service-list.toml --out out/by-home --buckets 16"
)]
pub(crate) struct BucketArgs {
    #[command(flatten)]
    pub(crate) pipeline: PipelineArgs,
    /// Folder for the buckets; replaced as a whole.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: PathBuf,
    /// Number of buckets: as many as there may ever be shards.
    #[arg(long, default_value_t = 64, value_parser = clap::value_parser!(u16).range(1..=drawoff_store::buckets::MOST_BUCKETS as i64))]
    pub(crate) buckets: u16,
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  drawoff reduce pipelines/service-list.toml --set inputs.readings=out/by-home --shard 3/16 --out out/parts/3"
)]
pub(crate) struct ReduceArgs {
    #[command(flatten)]
    pub(crate) pipeline: PipelineArgs,
    /// Which shard of how many, counted from 1; the readings must be laid out by `drawoff bucket`.
    #[arg(long, value_name = "i/N", value_parser = shard)]
    pub(crate) shard: Option<PartOf>,
    /// Folder for the part; replaced as a whole.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: PathBuf,
}

/// A shard, as `i/N`.
fn shard(text: &str) -> Result<PartOf, String> {
    let parsed = text.split_once('/').and_then(|(i, n)| Some((i.parse().ok()?, n.parse().ok()?)));
    match parsed {
        Some((shard, of)) if (1..=of).contains(&shard) => Ok(PartOf { shard, of }),
        _ => Err("give i/N, with i from 1 to N".to_owned()),
    }
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  drawoff merge pipelines/service-list.toml --set inputs.readings=out/by-home --parts out/parts/1 --parts out/parts/2"
)]
pub(crate) struct MergeArgs {
    #[command(flatten)]
    pub(crate) pipeline: PipelineArgs,
    /// Folders of parts: of all shards, or what an engine wrote of a worker's output.
    #[arg(long, value_name = "FOLDER", required = true, num_args = 1..)]
    pub(crate) parts: Vec<PathBuf>,
    /// Folders of the same homes as an engine's workers have assessed them; without, they are assessed here.
    #[arg(long, value_name = "FOLDER", num_args = 1.., requires = "learnt")]
    pub(crate) assessed: Vec<PathBuf>,
    /// What they were assessed against.
    #[arg(long, value_name = "FOLDER", requires = "assessed")]
    pub(crate) learnt: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  drawoff learn pipelines/service-list.toml --parts out/parts --out out/learnt"
)]
pub(crate) struct LearnArgs {
    #[command(flatten)]
    pub(crate) pipeline: PipelineArgs,
    /// Folders of all parts, as for `merge`.
    #[arg(long, value_name = "FOLDER", required = true, num_args = 1..)]
    pub(crate) parts: Vec<PathBuf>,
    /// Folder for what is learnt; replaced as a whole.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: PathBuf,
}

/// Stages that run as a worker.
#[derive(Clone, Copy, Debug, clap::ValueEnum)]
pub(crate) enum Stage {
    /// Readings to daybooks.
    Reduce,
    /// Daybooks to what is known of each home, and its findings.
    Assess,
    /// Daybooks to what each home saved, and still could.
    Savings,
    /// Daybooks to the load that each home could have moved.
    FlexibleLoad,
}

const WORKER_EXIT_CODES: &str = "\
Rows come as an Arrow IPC stream on standard input and go as one on standard output, one a home, whatever became of it.
reduce reads readings, with the columns of the pipeline's mapping, all rows of a home together and in time order, times with a zone.
assess, savings and flexible-load read what reduce has written, in the order of the homes; give them what `drawoff learn` wrote with --learnt.
savings and flexible-load need a pipeline with that section.
The last line of standard error is JSON: rows_in, homes_out, without_daybook.

Examples:
  drawoff worker reduce pipelines/service-list.toml --contract                            the columns of both streams
  drawoff worker reduce pipelines/service-list.toml < readings.arrows > reduced.arrows    what an engine does

Exit codes:
  0  done; homes that could not be reduced are rows with their status
  1  the output could not be written, or the process that started this one is gone
  2  the command line, pipeline, mapping or register is wrong
  3  the stream is cut, damaged, without its end mark, not sorted, or of other columns: none of the output may be used";

#[derive(Debug, clap::Args)]
#[command(after_help = WORKER_EXIT_CODES)]
pub(crate) struct WorkerArgs {
    /// What to do.
    pub(crate) stage: Stage,
    #[command(flatten)]
    pub(crate) pipeline: PipelineArgs,
    /// What the homes are to be assessed against: the folder that `drawoff learn` wrote.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) learnt: Option<PathBuf>,
    /// Print the columns of both streams as JSON, and read nothing.
    #[arg(long)]
    pub(crate) contract: bool,
    /// Process without which this one ends; the one that started it, unless given.
    #[arg(long, value_name = "PID")]
    pub(crate) parent: Option<u32>,
}
