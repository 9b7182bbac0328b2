//! The command line of runs in object storage.

use std::path::PathBuf;

#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  drawoff publish out/service-list s3://fleet/service-list")]
pub(crate) struct PublishArgs {
    /// Output folder of a finished run.
    pub(crate) run: PathBuf,
    /// Address, such as s3://BUCKET/FOLDER; credentials come from the environment.
    pub(crate) to: PathBuf,
    /// Seconds after its first try at which a request is not tried again.
    #[arg(long, value_name = "SECONDS", default_value_t = 60)]
    pub(crate) give_up_after_s: u64,
}

#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  drawoff fetch s3://fleet/service-list --out out/service-list")]
pub(crate) struct FetchArgs {
    /// Address that a run was put at.
    pub(crate) from: PathBuf,
    /// Folder for the run; replaced as a whole.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: PathBuf,
    /// Seconds after its first try at which a request is not tried again.
    #[arg(long, value_name = "SECONDS", default_value_t = 60)]
    pub(crate) give_up_after_s: u64,
}
