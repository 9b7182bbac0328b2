//! `drawoff completions` and `drawoff manual`: the command line tells of itself.

use clap::CommandFactory;
use drawoff_contract::ContractError;

use crate::args::{Args, CompletionsArgs};
use crate::exit::{Exit, Failure};
use crate::progress;

/// Name of the program, as it is called.
const NAME: &str = "drawoff";

pub(crate) fn completions(args: &CompletionsArgs) -> Result<Exit, Failure> {
    let mut out = Vec::new();
    clap_complete::generate(args.shell, &mut Args::command(), NAME, &mut out);
    progress::exact(String::from_utf8_lossy(&out).trim_end());
    Ok(Exit::Done)
}

/// One page for the program and all its commands.
pub(crate) fn manual() -> Result<Exit, Failure> {
    let mut out = Vec::new();
    let failed = |e: std::io::Error| ContractError::new("manual", format!("cannot be made: {e}"));
    let mut command = Args::command();
    command.build();
    clap_mangen::Man::new(command.clone()).render(&mut out).map_err(failed)?;
    for part in command.get_subcommands().filter(|c| c.get_name() != "help") {
        let man = clap_mangen::Man::new(part.clone());
        out.extend_from_slice(format!(".SH {}\n", part.get_name().to_uppercase()).as_bytes());
        man.render_description_section(&mut out).map_err(failed)?;
        man.render_options_section(&mut out).map_err(failed)?;
        man.render_extra_section(&mut out).map_err(failed)?;
    }
    progress::exact(String::from_utf8_lossy(&out).trim_end());
    Ok(Exit::Done)
}
