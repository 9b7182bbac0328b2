//! `drawoff publish` and `drawoff fetch`: finished runs between folders and object storage.

use drawoff_contract::ContractError;
use drawoff_objects::{Address, give_up_after};
use drawoff_store::output;

use crate::args::{FetchArgs, PublishArgs};
use crate::exit::{Exit, Failure};
use crate::places::{given, local};
use crate::progress::{self, thousands};

/// Puts a finished run at an address.
pub(crate) fn publish(args: &PublishArgs) -> Result<Exit, Failure> {
    give_up_after(args.give_up_after_s);
    let (run, to) = (given(&args.run)?, given(&args.to)?);
    local("RUN", &run).map_err(|e| Failure::settings(vec![e]))?;
    let at = output::publish(&run, &address(&to)?)?;
    progress::result(&format!("published: {at}"));
    Ok(Exit::Done)
}

/// Copies the run at an address into a folder.
pub(crate) fn fetch(args: &FetchArgs) -> Result<Exit, Failure> {
    give_up_after(args.give_up_after_s);
    let (from, folder) = (given(&args.from)?, given(&args.out)?);
    local("--out", &folder).map_err(|e| Failure::settings(vec![e]))?;
    let files = output::fetch(&address(&from)?, &folder)?;
    progress::note(&format!("fetched {} files into {}", thousands(files as u64), folder.display()));
    Ok(Exit::Done)
}

fn address(path: &std::path::Path) -> Result<Address, Failure> {
    Address::of(path).ok_or_else(|| {
        let problem = ContractError::new(path.display().to_string(), "is no address of object storage");
        Failure::settings(vec![problem.with_hint("addresses begin with s3://, gs:// or az://")])
    })
}
