//! One bucket, with calls that wait for their answer.

use std::collections::BTreeMap;
use std::future::Future;
use std::io::Read;
use std::ops::Range;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use drawoff_contract::ContractError;
use futures_util::TryStreamExt;
use object_store::aws::AmazonS3Builder;
use object_store::azure::MicrosoftAzureBuilder;
use object_store::gcp::GoogleCloudStorageBuilder;
use object_store::path::Path as Key;
use object_store::{
    BackoffConfig, Error, GetOptions, ObjectMeta, ObjectStore, ObjectStoreExt, PutMode, PutPayload,
    RetryConfig, UpdateVersion,
};
use tokio::runtime::Runtime;

use crate::address::{Address, Scheme};
use crate::problem::{Trouble, trouble};
use crate::tally::{self, Counts, Tally};

/// Seconds after its first try at which a request is not tried again, unless told otherwise: a storage that restarts is back by then
/// (common practice, no source).
const GIVE_UP_AFTER_S: u64 = 60;
/// Tries of one request beside the first, whatever the time.
const MOST_RETRIES: usize = 30;
/// Longest pause between two tries.
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// Bytes sent with one request: a tenth of a second of a good line, and within the half minute that one try may last on a poor one.
const PART_BYTES: usize = 8 << 20;
/// Parts of one object that storages allow: 10,000, with some room.
const MOST_PARTS: u64 = 9_000;
/// Threads that carry requests; the calls wait on threads of their own.
const CARRIERS: usize = 2;

static GIVE_UP: AtomicU64 = AtomicU64::new(GIVE_UP_AFTER_S);

/// From now on requests of this process are not tried again later than so many seconds after their first try.
///
/// Holds for storage that is opened after this call.
pub fn give_up_after(seconds: u64) {
    GIVE_UP.store(seconds, Ordering::Relaxed);
}

/// One object, as a listing or a look at it tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Name in the bucket.
    pub key: String,
    /// Length, bytes.
    pub size: u64,
    /// When it was written, milliseconds since 1970, by the storage's clock.
    pub written_ms: i64,
    /// What tells this content of it from any other.
    pub tag: Option<String>,
    version: Option<String>,
}

/// What must hold for an object to be written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Expected {
    /// There is none of this name.
    Absent,
    /// It is still this one.
    Still(Found),
}

/// Looks at each part that is read to be written, and whether it is the last.
pub type Check<'c> = dyn FnMut(&[u8], bool) -> Result<(), ContractError> + 'c;

/// A bucket that was opened.
#[derive(Debug)]
pub struct Storage {
    scheme: Scheme,
    bucket: String,
    store: Arc<dyn ObjectStore>,
    asked: Counts,
}

/// The buckets of this process.
static OPEN: Mutex<BTreeMap<(Scheme, String), Arc<Storage>>> = Mutex::new(BTreeMap::new());

impl Storage {
    /// Opens the bucket of an address; a bucket is opened once a process. Nothing is asked of it yet.
    ///
    /// # Errors
    /// When the settings in the environment cannot be used.
    pub fn open(address: &Address) -> Result<Arc<Self>, ContractError> {
        let mut open = OPEN.lock().unwrap_or_else(PoisonError::into_inner);
        let name = (address.scheme, address.bucket.clone());
        if let Some(storage) = open.get(&name) {
            return Ok(storage.clone());
        }
        let store = store(address).map_err(|e| trouble(address.to_string(), "cannot be opened", &e))?;
        let storage =
            Self { scheme: address.scheme, bucket: address.bucket.clone(), store, asked: Counts::default() };
        Ok(open.entry(name).or_insert(Arc::new(storage)).clone())
    }

    /// The full address of an object.
    #[must_use]
    pub fn address(&self, key: &str) -> Address {
        Address { scheme: self.scheme, bucket: self.bucket.clone(), key: key.to_owned() }
    }

    /// Looks at an object; `None` if there is none.
    ///
    /// # Errors
    /// When the storage cannot be reached or refuses.
    pub fn look(&self, key: &str) -> Result<Option<Found>, ContractError> {
        let looked = self.call(key, "cannot be looked at", (0, 0), async |at| self.store.head(&at).await);
        match looked {
            Ok(meta) => Ok(Some(found(meta))),
            Err(Trouble::Missing(_)) => Ok(None),
            Err(other) => Err(other.into()),
        }
    }

    /// All objects below a folder, in the order of their names.
    ///
    /// # Errors
    /// As [`Storage::look`].
    pub fn list(&self, folder: &str) -> Result<Vec<Found>, ContractError> {
        let listed = self.call(folder, "cannot be listed", (0, 0), async |at| {
            let below = (!folder.is_empty()).then_some(&at);
            self.store.list(below).try_collect::<Vec<_>>().await
        });
        let mut all: Vec<Found> = listed?.into_iter().map(found).collect();
        all.sort_by(|a, b| a.key.cmp(&b.key));
        Ok(all)
    }

    /// Refuses where nothing can be listed below an address: a bucket that is not there, credentials that are wrong.
    ///
    /// # Errors
    /// As [`Storage::look`], and when there is no such bucket.
    pub fn reach(&self, folder: &str) -> Result<(), ContractError> {
        let first = self.call(folder, "cannot be listed", (0, 0), async |at| {
            let below = (!folder.is_empty()).then_some(&at);
            self.store.list(below).try_next().await
        });
        Ok(first.map(|_| ())?)
    }

    /// All bytes of an object with what tells it from others; `None` if there is none.
    ///
    /// # Errors
    /// As [`Storage::look`].
    pub fn read(&self, key: &str) -> Result<Option<(Bytes, Found)>, ContractError> {
        let read = self.call(key, "cannot be read", (0, 0), async |at| {
            let got = self.store.get(&at).await?;
            let meta = got.meta.clone();
            Ok((got.bytes().await?, meta))
        });
        match read {
            Ok((bytes, meta)) => {
                let bytes_read = bytes.len() as u64;
                self.asked.add(0, bytes_read, 0);
                tally::ALL.add(0, bytes_read, 0);
                Ok(Some((bytes, found(meta))))
            }
            Err(Trouble::Missing(_)) => Ok(None),
            Err(other) => Err(other.into()),
        }
    }

    /// Some bytes of an object, which must still be the one that was found.
    ///
    /// # Errors
    /// As [`Storage::look`], and when it was changed or removed since.
    pub fn range(&self, of: &Found, range: Range<u64>) -> Result<Bytes, ContractError> {
        if range.is_empty() {
            return Ok(Bytes::new());
        }
        let wanted = range.end - range.start;
        let read = self.call(&of.key, "cannot be read", (wanted, 0), async |at| {
            let options =
                GetOptions { if_match: of.tag.clone(), range: Some(range.into()), ..GetOptions::default() };
            self.store.get_opts(&at, options).await?.bytes().await
        });
        let bytes = read.map_err(|e| match e {
            Trouble::Missing(e) | Trouble::Overtaken(e) => ContractError {
                message: "was changed or removed while it was being read".to_owned(),
                hint: Some("run again once whoever writes it is done".to_owned()),
                ..e
            },
            Trouble::Other(e) => e,
        })?;
        if bytes.len() as u64 == wanted {
            return Ok(bytes);
        }
        let message = format!("cannot be read: {} bytes came where {wanted} were asked for", bytes.len());
        Err(ContractError::new(self.address(&of.key).to_string(), message).with_hint("run again"))
    }

    /// Writes an object, whatever is there; it appears whole or not at all.
    ///
    /// # Errors
    /// As [`Storage::look`].
    pub fn write(&self, key: &str, bytes: Vec<u8>) -> Result<(), ContractError> {
        let size = bytes.len() as u64;
        let payload = PutPayload::from(bytes);
        let put =
            self.call(key, "cannot be written", (0, size), async |at| self.store.put(&at, payload).await);
        Ok(put.map(|_| ())?)
    }

    /// Writes an object of `size` bytes from a reader, part by part; it appears whole once `check` is content with what was read, or not
    /// at all.
    ///
    /// # Errors
    /// As [`Storage::look`], when the reader fails, and what `check` gives.
    pub fn write_from(
        &self,
        key: &str,
        size: u64,
        reader: &mut dyn Read,
        check: &mut Check<'_>,
    ) -> Result<(), ContractError> {
        let part_bytes = PART_BYTES.max(usize::try_from(size / MOST_PARTS + 1).unwrap_or(PART_BYTES));
        let doing = "cannot be written";
        let own =
            |e: std::io::Error| ContractError::new(self.address(key).to_string(), format!("{doing}: {e}"));
        let first = next_part(reader, part_bytes).map_err(own)?;
        if first.len() < part_bytes {
            check(&first, true)?;
            return self.write(key, first);
        }
        let mut upload = self.call(key, doing, (0, 0), async |at| self.store.put_multipart(&at).await)?;
        let mut part = first;
        let sent = loop {
            if part.is_empty() {
                break check(&[], true);
            }
            if let Err(e) = check(&part, false) {
                break Err(e);
            }
            let bytes = part.len() as u64;
            let payload = PutPayload::from(part);
            if let Err(e) = self.call(key, doing, (0, bytes), async |_| upload.put_part(payload).await) {
                break Err(e.into());
            }
            match next_part(reader, part_bytes) {
                Ok(next) => part = next,
                Err(e) => break Err(own(e)),
            }
        };
        if let Err(e) = sent {
            // Parts that stay are seen by nobody; storages remove them by a rule of their own.
            let _ = self.call(key, doing, (0, 0), async |_| upload.abort().await);
            return Err(e);
        }
        Ok(self.call(key, doing, (0, 0), async |_| upload.complete().await).map(|_| ())?)
    }

    /// Writes an object only if what is expected of it holds; the storage decides, in one step.
    ///
    /// # Errors
    /// [`Trouble::Overtaken`] where it does not hold; after any other trouble it may have been written or not.
    pub fn write_if(&self, key: &str, bytes: Vec<u8>, expected: &Expected) -> Result<(), Trouble> {
        let mode = match expected {
            Expected::Absent => PutMode::Create,
            Expected::Still(found) => {
                PutMode::Update(UpdateVersion { e_tag: found.tag.clone(), version: found.version.clone() })
            }
        };
        let size = bytes.len() as u64;
        let payload = PutPayload::from(bytes);
        let put = self.call(key, "cannot be written", (0, size), async |at| {
            self.store.put_opts(&at, payload, mode.into()).await
        });
        put.map(|_| ())
    }

    /// Removes an object; one that is not there needs no removing.
    ///
    /// # Errors
    /// As [`Storage::look`].
    pub fn remove(&self, key: &str) -> Result<(), ContractError> {
        match self.call(key, "cannot be removed", (0, 0), async |at| self.store.delete(&at).await) {
            Ok(()) | Err(Trouble::Missing(_)) => Ok(()),
            Err(other) => Err(other.into()),
        }
    }

    /// What was asked of this bucket so far.
    #[must_use]
    pub fn asked(&self) -> Tally {
        self.asked.told()
    }

    fn add(&self, read: u64, written: u64) {
        self.asked.add(1, read, written);
        tally::ALL.add(1, read, written);
    }

    /// Does one thing with an object and waits for the end of it.
    fn call<T, F: Future<Output = Result<T, Error>>>(
        &self,
        key: &str,
        doing: &str,
        (read, written): (u64, u64),
        work: impl FnOnce(Key) -> F,
    ) -> Result<T, Trouble> {
        let named = |e: &Error| trouble(self.address(key).to_string(), doing, e);
        let at = Key::parse(key).map_err(|source| named(&Error::InvalidPath { source }))?;
        let runtime =
            runtime().map_err(|e| Trouble::Other(ContractError::new(self.address(key).to_string(), e)))?;
        self.add(read, written);
        runtime.block_on(work(at)).map_err(|e| named(&e))
    }
}

/// The next part of a reader, shorter only at its end.
fn next_part(reader: &mut dyn Read, bytes: usize) -> std::io::Result<Vec<u8>> {
    let mut part = Vec::new();
    reader.take(bytes as u64).read_to_end(&mut part)?;
    Ok(part)
}

fn found(meta: ObjectMeta) -> Found {
    Found {
        key: meta.location.to_string(),
        size: meta.size,
        written_ms: meta.last_modified.timestamp_millis(),
        tag: meta.e_tag,
        version: meta.version,
    }
}

/// The runtime that carries all requests of this process.
fn runtime() -> Result<&'static Runtime, String> {
    static RUNTIME: OnceLock<Result<Runtime, String>> = OnceLock::new();
    let made = RUNTIME.get_or_init(|| {
        let mut builder = tokio::runtime::Builder::new_multi_thread();
        builder.worker_threads(CARRIERS).thread_name("drawoff-objects").enable_all();
        builder.build().map_err(|e| format!("no thread can be started for requests: {e}"))
    });
    made.as_ref().map_err(Clone::clone)
}

/// A bucket by the environment: names of variables are those of the storages' own tools.
fn store(address: &Address) -> Result<Arc<dyn ObjectStore>, Error> {
    let retry = RetryConfig {
        backoff: BackoffConfig { max_backoff: LONGEST_PAUSE, ..BackoffConfig::default() },
        max_retries: MOST_RETRIES,
        retry_timeout: Duration::from_secs(GIVE_UP.load(Ordering::Relaxed)),
    };
    let bucket = &address.bucket;
    Ok(match address.scheme {
        Scheme::S3 => {
            Arc::new(AmazonS3Builder::from_env().with_bucket_name(bucket).with_retry(retry).build()?)
        }
        Scheme::Gs => Arc::new(
            GoogleCloudStorageBuilder::from_env().with_bucket_name(bucket).with_retry(retry).build()?,
        ),
        Scheme::Az => {
            Arc::new(MicrosoftAzureBuilder::from_env().with_container_name(bucket).with_retry(retry).build()?)
        }
    })
}

impl Storage {
    /// A bucket in the memory of this process, which is gone with it; from now on `s3://` addresses with its name lead there. For tests.
    #[must_use]
    pub fn in_memory(bucket: &str) -> Arc<Self> {
        let store = Arc::new(object_store::memory::InMemory::new());
        let bucket = bucket.to_owned();
        let storage =
            Arc::new(Self { scheme: Scheme::S3, bucket: bucket.clone(), store, asked: Counts::default() });
        let mut open = OPEN.lock().unwrap_or_else(PoisonError::into_inner);
        open.insert((Scheme::S3, bucket), storage.clone());
        storage
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Addresses of all three kinds lead to clients of their own; nothing is asked of any.
    #[test]
    fn each_kind_of_address_has_its_builder() {
        for text in ["s3://fleet-1/x", "gs://fleet-1/x", "az://fleet-1/x"] {
            let address = Address::of(text.as_ref()).unwrap();
            match Storage::open(&address) {
                Ok(storage) => {
                    assert_eq!(storage.address("x"), address);
                    assert_eq!(storage.asked(), Tally::default());
                }
                // Without the name of an account there is nothing to build a client for.
                Err(e) => assert!(text.starts_with("az") && e.to_string().starts_with(text), "{e}"),
            }
        }
        let builder = MicrosoftAzureBuilder::new().with_account("account").with_container_name("fleet-1");
        assert!(builder.build().is_ok());
    }

    #[test]
    fn the_storage_decides_who_is_first() {
        let storage = Storage::in_memory("first");
        let put = |text: &str, expected: &Expected| storage.write_if("m", text.as_bytes().to_vec(), expected);
        assert_eq!(put("a", &Expected::Absent), Ok(()));
        assert!(matches!(put("b", &Expected::Absent), Err(Trouble::Overtaken(_))));
        let Some((_, seen)) = storage.read("m").unwrap() else { panic!() };
        assert_eq!(put("c", &Expected::Still(seen.clone())), Ok(()));
        assert!(matches!(put("d", &Expected::Still(seen)), Err(Trouble::Overtaken(_))));
        assert_eq!(storage.read("m").unwrap().unwrap().0, "c");
        assert_eq!(storage.read("n").unwrap(), None);
        assert_eq!(storage.list("").unwrap().len(), 1);
        storage.remove("m").unwrap();
        storage.remove("m").unwrap();
        assert_eq!(storage.look("m").unwrap(), None);
        assert!(storage.asked().requests > 8 && storage.asked().written > 0);
    }
}
