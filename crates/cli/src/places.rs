//! Paths and addresses in pipelines and on the command line.

use std::path::{Path, PathBuf};

use drawoff_contract::ContractError;
use drawoff_objects::{Address, Place, Storage, give_up_after, names_a_secret, tally};
use drawoff_store::RunFolder;
use drawoff_store::output::run_root;

use crate::args::Command;
use crate::exit::{Exit, Failure};
use crate::pipeline::Pipeline;
use crate::progress::{self, thousands};

const NO_SECRETS: &str = "credentials come from the environment, or from the machine: see docs/object-storage.md; take it out, and count it as known";

/// What in the text of a pipeline could be a secret, or is no address that can be used; nothing of it is repeated.
pub(crate) fn problems(subject: &str, table: &toml::Table) -> Vec<ContractError> {
    let mut found = Vec::new();
    for (key, value) in table {
        look(subject, key, value, &mut found);
    }
    found
}

fn look(subject: &str, key: &str, value: &toml::Value, found: &mut Vec<ContractError>) {
    // The last part of a key with dots is what it says.
    let name = key.rsplit('.').next().unwrap_or(key);
    match value {
        toml::Value::Table(table) => {
            for (name, value) in table {
                look(subject, &format!("{key}.{name}"), value, found);
            }
        }
        toml::Value::Array(items) => items.iter().for_each(|item| look(subject, key, item, found)),
        _ if names_a_secret(name) => found.push(
            ContractError::new(format!("{subject} {key}"), "holds a secret, which no pipeline may hold")
                .with_hint(NO_SECRETS),
        ),
        toml::Value::String(text) => {
            if let Err(e) = Place::of(text) {
                found.push(ContractError { subject: format!("{subject} {key}"), ..e });
            }
        }
        _ => {}
    }
}

/// An override as it may be repeated in a message: without its value where that could hold a secret.
pub(crate) fn told(item: &str) -> String {
    match item.split_once('=') {
        Some((key, value)) if names_a_secret(key) || Place::of(value).is_err() => format!("{key}=…"),
        None if names_a_secret(item) => "…".to_owned(),
        _ => item.to_owned(),
    }
}

/// Turns `file://` into paths.
pub(crate) fn settle(pipeline: &mut Pipeline) {
    let Pipeline { inputs, outputs, daybook, pages, savings, flexible_load, .. } = pipeline;
    let mut paths = vec![
        &mut inputs.readings,
        &mut inputs.mapping,
        &mut inputs.register,
        &mut outputs.dir,
        &mut daybook.keep,
        &mut pages.since,
    ];
    let optional = [
        &mut inputs.tariffs,
        &mut inputs.carbon,
        &mut inputs.visits,
        &mut inputs.calibration,
        &mut outputs.staging,
    ];
    paths.extend(optional.into_iter().filter_map(Option::as_mut));
    if let Some(others) = &mut outputs.for_others {
        paths.extend([&mut others.dir, &mut others.key_file]);
    }
    if let Some(savings) = savings {
        paths.extend([&mut savings.marginal, &mut savings.changes].into_iter().filter_map(Option::as_mut));
        let series = savings.tariffs.iter_mut().filter_map(|tariff| tariff.half_hourly.as_mut());
        paths.extend(series.map(|series| &mut series.file));
    }
    paths.extend(flexible_load.as_mut().and_then(|of| of.prices.as_mut()).map(|series| &mut series.file));
    for path in paths {
        if let Ok(Place::Local(local)) = Place::of(&path.to_string_lossy()) {
            *path = local;
        }
    }
}

/// Refuses an address where only a file or folder of this machine will do.
pub(crate) fn local(key: &str, path: &Path) -> Result<(), ContractError> {
    match Address::of(path) {
        None => Ok(()),
        Some(address) => {
            Err(ContractError::new(key, format!("{address} is an address; it must be on this machine"))
                .with_hint(
                    "name a path; readings, settings, small tables and finished runs may lie at an address",
                ))
        }
    }
}

/// Refuses to begin where the storage of the readings or the results cannot be reached, or refuses the credentials.
pub(crate) fn reach(pipeline: &Pipeline) -> Result<(), Failure> {
    give_up_after(pipeline.storage.give_up_after_s);
    let mut problems: Vec<ContractError> = Vec::new();
    for path in [&pipeline.inputs.readings, &pipeline.outputs.dir] {
        let Some(address) = Address::of(path) else { continue };
        let reached = Storage::open(&address).and_then(|storage| storage.reach(&address.key));
        problems.extend(reached.err());
    }
    if problems.is_empty() { Ok(()) } else { Err(Failure { exit: Exit::Failed, problems }) }
}

/// Begins the run of a pipeline.
pub(crate) fn begin(pipeline: &Pipeline) -> Result<RunFolder, ContractError> {
    RunFolder::begin_staged(&pipeline.outputs.dir, pipeline.outputs.staging.as_deref())
}

/// A path or address of the command line, with `file://` turned into a path.
///
/// # Errors
/// For an address that cannot be used; nothing of it is repeated that could be a secret.
pub(crate) fn given(path: &Path) -> Result<PathBuf, Failure> {
    match path.to_str().map(Place::of) {
        Some(Ok(Place::Local(local))) => Ok(local),
        Some(Err(e)) => Err(Failure::settings(vec![e])),
        _ => Ok(path.to_owned()),
    }
}

/// Turns `file://` into paths in what a command line names that its command takes as it stands, and refuses to write at an address there.
///
/// # Errors
/// As [`given`] and [`local`].
pub(crate) fn settle_command(command: &mut Command) -> Result<(), Failure> {
    let (mut read, mut written) = (Vec::new(), Vec::new());
    match command {
        Command::Propose(args) => written.push(("--out", &mut args.out)),
        Command::Explain(args) => written.extend(args.html.as_mut().map(|path| ("--html", path))),
        Command::Pages(args) => written.extend(args.single_file.as_mut().map(|path| ("--single-file", path))),
        Command::Score(args) => read.extend(&mut args.truths),
        Command::Accuracy(args) => {
            read.extend(args.reference.iter_mut().chain(&mut args.calibration));
            written.push(("--out", &mut args.out));
        }
        Command::Calibrate(args) => written.push(("--out", &mut args.out)),
        Command::Synth(args) => written.push(("FOLDER", &mut args.folder)),
        _ => {}
    }
    for path in read {
        *path = given(path)?;
    }
    for (key, path) in written {
        *path = given(path)?;
        local(key, path).map_err(|e| Failure::settings(vec![e]))?;
    }
    Ok(())
}

/// Where the tables of a finished run lie that the command line names.
///
/// # Errors
/// As [`given`], and when its storage cannot be reached.
pub(crate) fn finished(path: &Path) -> Result<PathBuf, Failure> {
    run_root(&given(path)?).map_err(|e| Failure::new(Exit::Failed, e))
}

/// As [`finished`], of several.
pub(crate) fn all_finished(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    paths.iter().map(|path| finished(path)).collect()
}

/// Says what was asked of object storage, if anything was: requests and bytes are what it charges for.
pub(crate) fn say_what_was_asked() {
    let asked = tally();
    if asked.requests > 0 {
        progress::note(&format!(
            "object storage: {} requests, {} bytes read, {} bytes written",
            thousands(asked.requests),
            thousands(asked.read),
            thousands(asked.written)
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn secrets_are_refused_and_not_repeated() {
        let text = "[inputs]\nreadings = \"s3://me:hush@b/x\"\nsecret_access_key = \"hush\"\n\
                    [[worth.tariffs]]\nname = \"az://c/x?sig=hush\"\ntoken = 3\n[outputs]\ndir = \"s3://b/x\"\n";
        let found = problems("p.toml", &toml::from_str(text).unwrap());
        let told: Vec<String> = found.iter().map(ToString::to_string).collect();
        assert_eq!(told.len(), 4, "{told:#?}");
        assert!(told.iter().all(|t| !t.contains("hush")), "{told:#?}");
        let with = |words: &str| told.iter().any(|t| t.starts_with(words));
        assert!(
            with("p.toml inputs.secret_access_key: holds a secret") && with("p.toml worth.tariffs.token"),
            "{told:#?}"
        );
        assert!(with("p.toml inputs.readings: an address with a user"), "{told:#?}");
    }

    #[test]
    fn every_path_of_a_pipeline_may_be_written_as_an_address() {
        let text = "name = \"x\"\n\
            [inputs]\nreadings = \"file:///a\"\nmapping = \"file:///b\"\nregister = \"file:///c\"\ntariffs = \"file:///d\"\n\
            carbon = \"file:///e\"\nvisits = \"file:///f\"\ncalibration = \"file:///g\"\n\
            [outputs]\ndir = \"file:///h\"\nstaging = \"file:///i\"\n\
            for_others = { dir = \"file:///j\", key_file = \"file:///k\", fewest_homes = 10 }\n\
            [daybook]\nkeep = \"file:///l\"\n[pages]\nsince = \"file:///m\"\n[worth]\n\
            [flexible_load]\nprices = { file = \"file:///n\" }\n\
            [savings]\nmarginal = \"file:///o\"\nchanges = \"file:///p\"\n\
            [[savings.tariffs]]\nname = \"t\"\nhalf_hourly = { file = \"file:///q\" }\n";
        let mut pipeline: Pipeline = toml::from_str(text).unwrap();
        let told = |pipeline: &Pipeline| format!("{pipeline:?}");
        assert_eq!(told(&pipeline).matches("\"file:///").count(), 17);
        settle(&mut pipeline);
        let settled = told(&pipeline);
        assert!(!settled.contains("file://"), "{settled}");
        assert!(('a'..='q').all(|name| settled.contains(&format!("\"/{name}\""))), "{settled}");
    }

    #[test]
    fn overrides_are_told_without_what_may_be_secret() {
        assert_eq!(super::told("inputs.readings=s3://b/x"), "inputs.readings=s3://b/x");
        assert_eq!(super::told("inputs.readings=s3://u:hush@b/x"), "inputs.readings=…");
        assert_eq!(super::told("inputs.secret=hush"), "inputs.secret=…");
    }
}
