//! Runs in an object storage, which knows no folders, no renaming and no locks.
//!
//! Below the address of a run lie `manifest.json` and `runs/`. Each run puts its files under a fresh name in `runs/`; when all are there,
//! its manifest, which tells that name, takes the place of the one before in one conditional step: only if that one is still what it was
//! when the run began. Readers go by the manifest alone, so they see the run before or the run after. Of two runs at once the second to
//! end finds the manifest changed, and gives way. The run before stays for those who are reading it; older ones, and what ended runs
//! left, are removed after the next.

use std::collections::BTreeMap;
use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use drawoff_contract::ContractError;
use drawoff_objects::{Address, Expected, Found, Storage, Trouble};
use rayon::prelude::*;
use serde_json::Value;
use sha2::{Digest, Sha256};

use super::{MANIFEST, MANIFEST_FILES, RunFolder, hash, hex, place, verify};
use crate::disk::{self, failed};

/// Folder of all runs below an address.
const RUNS: &str = "runs";
/// Key of a manifest in a storage: the folder of its files, and that of the run before.
const RUN: &str = "run";
const BEFORE: &str = "before";
/// Milliseconds that clocks of one storage may differ by, with much to spare: what is older than the manifest by more belongs to no run
/// that can still end well, as that run began before the manifest was written.
const CLOCKS_DIFFER_MS: i64 = 60_000;
/// Tries of the last step where it is not known how the one before ended; each waits for the storage on its own.
const LAST_STEP_TRIES: usize = 3;

/// A file that a manifest names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct NamedFile {
    /// Length, bytes.
    pub(crate) bytes: u64,
    /// Hash of its content, in hexadecimal digits.
    pub(crate) sha256: String,
}

/// The run that a manifest in a storage tells of.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Current {
    /// Folder of its files below the address.
    pub(crate) folder: String,
    pub(crate) files: BTreeMap<String, NamedFile>,
    manifest: Value,
    found: Found,
}

/// The run at an address; `None` where no run of this kind is.
///
/// # Errors
/// When the storage cannot be reached, or the manifest is one of a run and cannot be followed.
pub(crate) fn current(storage: &Storage, address: &Address) -> Result<Option<Current>, ContractError> {
    let at = address.join(MANIFEST);
    let Some((bytes, found)) = storage.read(&at.key)? else { return Ok(None) };
    let Ok(manifest) = serde_json::from_slice::<Value>(&bytes) else { return Ok(None) };
    let Some(folder) = manifest.get(RUN) else { return Ok(None) };
    let broken = |what: &str| {
        ContractError::new(at.to_string(), format!("tells of a run that cannot be followed: {what}"))
            .with_hint("run again; the next run takes its place")
    };
    let folder =
        folder.as_str().filter(|f| is_run(f)).ok_or_else(|| broken("no folder of a run"))?.to_owned();
    let files = named(&manifest).ok_or_else(|| broken("no list of files"))?;
    Ok(Some(Current { folder, files, manifest, found }))
}

/// Files that a manifest names; `None` where it names none, or one that is no file of a run.
fn named(manifest: &Value) -> Option<BTreeMap<String, NamedFile>> {
    let file = |(name, entry): (&String, &Value)| {
        let is_plain = |part: &str| !part.is_empty() && !part.starts_with('.') && !part.contains(['\\', ':']);
        let bytes = entry.get("bytes")?.as_u64()?;
        let sha256 = entry.get("sha256")?.as_str()?.to_owned();
        name.split('/').all(is_plain).then(|| (name.clone(), NamedFile { bytes, sha256 }))
    };
    manifest.get(MANIFEST_FILES)?.as_object()?.iter().map(file).collect()
}

fn is_run(folder: &str) -> bool {
    let name = folder.strip_prefix(RUNS).and_then(|f| f.strip_prefix('/'));
    name.is_some_and(|n| !n.is_empty() && n.chars().all(|c| c.is_ascii_hexdigit() || c == '-'))
}

/// Where the files of a run lie: the folder itself, or what the manifest at an address tells.
///
/// # Errors
/// When the storage cannot be reached, or its manifest cannot be followed.
pub fn run_root(run: &Path) -> Result<PathBuf, ContractError> {
    let Some(address) = Address::of(run) else { return Ok(run.to_owned()) };
    let current = current(&*Storage::open(&address)?, &address)?;
    Ok(current.map_or_else(|| run.to_owned(), |run| address.join(&run.folder).to_path()))
}

/// A run on its way to an address.
#[derive(Debug)]
pub(crate) struct Publishing {
    address: Address,
    storage: Arc<Storage>,
    expected: Expected,
    /// Folder of the run that is there.
    before: Option<String>,
}

impl Publishing {
    /// Looks at what is there: whatever takes its place meanwhile keeps it.
    ///
    /// # Errors
    /// When the storage cannot be reached.
    pub(crate) fn begin(address: &Address) -> Result<Self, ContractError> {
        Self::begin_in(Storage::open(address)?, address)
    }

    fn begin_in(storage: Arc<Storage>, address: &Address) -> Result<Self, ContractError> {
        let at = address.join(MANIFEST);
        let there = storage.read(&at.key)?;
        if let Some((bytes, found)) = &there {
            let manifest: Value = serde_json::from_slice(bytes).unwrap_or_default();
            if manifest.get(RUN).is_none() {
                let message = "is no manifest of a run in a storage, and would be replaced";
                return Err(ContractError::new(at.to_string(), message).with_hint("name another address"));
            }
            if found.tag.is_none() {
                let message = "the storage gives it no tag, without which two runs could not be told apart";
                return Err(ContractError::new(at.to_string(), message));
            }
        }
        // One that cannot be followed is replaced all the same.
        let before = current(&storage, address).ok().flatten().map(|run| run.folder);
        let expected = there.map_or(Expected::Absent, |(_, found)| Expected::Still(found));
        Ok(Self { address: address.clone(), storage, expected, before })
    }

    /// A folder of this machine for the run until it is there, the same for each run to one address.
    pub(crate) fn staging(&self, given: Option<&Path>) -> PathBuf {
        given.map_or_else(
            || Path::new("out").join("staged").join(&hash(self.address.to_string().as_bytes())[..16]),
            Path::to_owned,
        )
    }

    /// Puts the finished run in `dir` there, and gives the address of its files.
    ///
    /// # Errors
    /// When the storage cannot be reached or refuses, a file is not what the manifest says, or another run was put there since this
    /// began; the run before is then still what readers see.
    pub(crate) fn publish(self, dir: &Path) -> Result<Address, ContractError> {
        let text = disk::text(&dir.join(MANIFEST))?;
        let broken = |e: &dyn std::fmt::Display| {
            ContractError::new(dir.join(MANIFEST).display().to_string(), format!("cannot be read: {e}"))
        };
        let mut manifest: Value = serde_json::from_str(&text).map_err(|e| broken(&e))?;
        let files = named(&manifest).ok_or_else(|| broken(&"it names no files"))?;
        let folder = format!("{RUNS}/{}", fresh(&text));
        let root = self.address.join(&folder);
        let put = |(name, file): (&String, &NamedFile)| self.put(dir, &root, name, file);
        files.par_iter().try_for_each(put)?;
        let own = NamedFile { bytes: text.len() as u64, sha256: hash(text.as_bytes()) };
        self.put(dir, &root, MANIFEST, &own)?;
        self.are_there(&root, &files)?;
        if let Some(object) = manifest.as_object_mut() {
            object.insert(RUN.to_owned(), folder.clone().into());
            object.extend(self.before.iter().map(|before| (BEFORE.to_owned(), before.clone().into())));
        }
        let text = serde_json::to_string_pretty(&manifest).map_err(|e| broken(&e))?;
        let bytes = format!("{text}\n").into_bytes();
        if let Err(e) = self.decide(&bytes) {
            if matches!(e, Trouble::Overtaken(_)) {
                // Nobody will ever be told of them; whatever stays goes after a later run.
                let names = files.keys().map(String::as_str).chain([MANIFEST]).collect::<Vec<_>>();
                names.par_iter().for_each(|name| drop(self.storage.remove(&root.join(name).key)));
            }
            return Err(e.into());
        }
        // The run is there; what cannot be removed now is tried again after the next.
        let _ = self.tidy(&folder, &bytes, CLOCKS_DIFFER_MS);
        Ok(root)
    }

    /// Writes one file, and holds what was read of it against the manifest.
    fn put(&self, dir: &Path, root: &Address, name: &str, file: &NamedFile) -> Result<(), ContractError> {
        let path = dir.join(name);
        let mut reader = disk::open(&path)?;
        let (mut digest, mut bytes) = (Sha256::new(), 0_u64);
        let mut check = |part: &[u8], is_last: bool| {
            digest.update(part);
            bytes += part.len() as u64;
            if !is_last || (bytes == file.bytes && hex(&digest.clone().finalize()) == file.sha256) {
                return Ok(());
            }
            let message = "differs from what the manifest says";
            Err(ContractError::new(path.display().to_string(), message).with_hint("make the run again"))
        };
        self.storage.write_from(&root.join(name).key, file.bytes, &mut reader, &mut check)
    }

    /// Whether the storage lists every file with its length.
    fn are_there(&self, root: &Address, files: &BTreeMap<String, NamedFile>) -> Result<(), ContractError> {
        let listed: BTreeMap<String, u64> =
            self.storage.list(&root.key)?.into_iter().map(|f| (f.key, f.size)).collect();
        let lost = files.iter().find(|(name, file)| listed.get(&root.join(name).key) != Some(&file.bytes));
        lost.map_or(Ok(()), |(name, _)| {
            let message = "was written, and is not there with its length";
            Err(ContractError::new(root.join(name).to_string(), message).with_hint("run again"))
        })
    }

    /// The last step. A storage may have taken it and not have lived to say so: then it is looked up what holds.
    fn decide(&self, manifest: &[u8]) -> Result<(), Trouble> {
        let at = self.address.join(MANIFEST);
        let taken = || {
            let message = "another run was put there while this one was being made; that one stays";
            Trouble::Overtaken(ContractError::new(self.address.to_string(), message).with_hint(
                "let one run at a time write to an address; run again, if this one is to take its place",
            ))
        };
        let mut last = None;
        for _ in 0..LAST_STEP_TRIES {
            let Err(trouble) = self.storage.write_if(&at.key, manifest.to_vec(), &self.expected) else {
                return Ok(());
            };
            let there = self.storage.read(&at.key).map_err(Trouble::Other)?;
            if there.as_ref().is_some_and(|(bytes, _)| bytes == manifest) {
                return Ok(());
            }
            let is_unchanged = match (&self.expected, &there) {
                (Expected::Absent, None) => true,
                (Expected::Still(before), Some((_, now))) => before.tag == now.tag,
                _ => false,
            };
            if !is_unchanged {
                return Err(taken());
            }
            last = Some(trouble);
        }
        Err(match last {
            Some(Trouble::Overtaken(e) | Trouble::Missing(e) | Trouble::Other(e)) => Trouble::Other(e),
            None => taken(),
        })
    }

    /// Removes runs that no manifest can tell of any more.
    fn tidy(&self, now: &str, manifest: &[u8], margin_ms: i64) -> Result<(), ContractError> {
        let at = self.address.join(MANIFEST);
        // Of a manifest that is not ours nothing is known.
        let Some((_, found)) = self.storage.read(&at.key)?.filter(|(bytes, _)| bytes == manifest) else {
            return Ok(());
        };
        let runs = self.address.join(RUNS);
        let listed = self.storage.list(&runs.key)?;
        let run_of = |key: &str| {
            let rest = key.strip_prefix(&runs.key)?.strip_prefix('/')?;
            Some(format!("{RUNS}/{}", rest.split_once('/')?.0))
        };
        let mut began: BTreeMap<String, i64> = BTreeMap::new();
        for object in &listed {
            if let Some(run) = run_of(&object.key) {
                let first = began.entry(run).or_insert(object.written_ms);
                *first = (*first).min(object.written_ms);
            }
        }
        let is_dead = |run: &String| {
            is_run(run)
                && run != now
                && Some(run) != self.before.as_ref()
                && began.get(run).is_some_and(|first| *first < found.written_ms - margin_ms)
        };
        let gone: Vec<&Found> =
            listed.iter().filter(|object| run_of(&object.key).as_ref().is_some_and(is_dead)).collect();
        gone.par_iter().try_for_each(|object| self.storage.remove(&object.key))
    }
}

/// A name that no run had and none will have: what it holds, and chance.
fn fresh(manifest: &str) -> String {
    let mut chance = RandomState::new().build_hasher();
    chance.write_u32(std::process::id());
    format!("{}-{:016x}", &hash(manifest.as_bytes())[..16], chance.finish())
}

/// Puts a finished run, which must be whole, at an address, and gives that of its files.
///
/// # Errors
/// When the run is not whole, or is being written, or as [`Publishing::publish`].
pub fn publish(run: &Path, address: &Address) -> Result<Address, ContractError> {
    let publishing = Publishing::begin(address)?;
    let lock = place::lock(run)?;
    place::take_up(run)?;
    verify(run)?;
    let at = publishing.publish(run)?;
    drop(lock);
    Ok(at)
}

/// Copies the run at an address into a folder, as a run that was written there: each file is held against the manifest.
///
/// # Errors
/// When there is no run, a file is not what the manifest says, the storage cannot be reached, or the disk refuses.
pub fn fetch(address: &Address, dir: &Path) -> Result<usize, ContractError> {
    fetch_from(&*Storage::open(address)?, address, dir)
}

fn fetch_from(storage: &Storage, address: &Address, dir: &Path) -> Result<usize, ContractError> {
    let Some(run) = current(storage, address)? else {
        return Err(ContractError::new(address.to_string(), "there is no run that drawoff put there")
            .with_hint("give the address that stood in `outputs.dir`"));
    };
    let root = address.join(&run.folder);
    let mut folder = RunFolder::begin(dir)?;
    let aside = folder.unfinished().to_owned();
    run.files.par_iter().try_for_each(|(name, file)| {
        let key = root.join(name).key;
        let Some(found) = storage.look(&key)? else {
            let problem = ContractError::new(root.join(name).to_string(), "is not there");
            return Err(problem.with_hint("the run was replaced twice meanwhile: fetch again"));
        };
        copy(storage, &found, &aside.join(name), file).map_err(|e| e.or_hint("fetch again"))
    })?;
    let count = run.files.len();
    let written = run.files.iter().map(|(name, f)| (name.clone(), (f.bytes, f.sha256.clone())));
    folder.files.extend(written);
    let mut manifest = run.manifest;
    if let Some(object) = manifest.as_object_mut() {
        object.remove(RUN);
        object.remove(BEFORE);
    }
    folder.finish(manifest)?;
    Ok(count)
}

/// Bytes copied at a time.
const COPY_BYTES: u64 = 8 << 20;

fn copy(storage: &Storage, found: &Found, path: &Path, file: &NamedFile) -> Result<(), ContractError> {
    use std::io::Write;
    if let Some(folder) = path.parent() {
        disk::make_folder(folder).map_err(|e| failed(folder, "cannot be made", &e))?;
    }
    let mut to = disk::create(path)?;
    let (mut digest, mut at) = (Sha256::new(), 0);
    while at < found.size {
        let bytes = storage.range(found, at..found.size.min(at + COPY_BYTES))?;
        digest.update(&bytes);
        to.write_all(&bytes).map_err(|e| failed(path, "cannot be written", &e))?;
        at += bytes.len() as u64;
    }
    disk::sync(path, &to)?;
    if at == file.bytes && hex(&digest.finalize()) == file.sha256 {
        return Ok(());
    }
    Err(ContractError::new(storage.address(&found.key).to_string(), "differs from what the manifest says"))
}

#[cfg(test)]
mod tests;
