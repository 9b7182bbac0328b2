//! One object that is read piece by piece, and stays the same one for all of them.

use std::ops::Range;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use bytes::Bytes;
use drawoff_contract::ContractError;

use crate::storage::{Found, Storage};

/// Bytes at the end of an object that are asked for at once: the footer of most files lies within, and small files whole.
const TAIL_BYTES: u64 = 64 << 10;

/// An object as it was found; its clones share what was read and whether reading failed.
#[derive(Clone, Debug)]
pub struct Object {
    storage: Arc<Storage>,
    found: Arc<Found>,
    /// Start and bytes of what is kept, as it is asked for again and again.
    kept: Arc<Mutex<Vec<(u64, Bytes)>>>,
    failure: Arc<OnceLock<ContractError>>,
}

impl Object {
    /// An object that was listed or looked at.
    #[must_use]
    pub fn new(storage: Arc<Storage>, found: Found) -> Self {
        Self { storage, found: Arc::new(found), kept: Arc::default(), failure: Arc::default() }
    }

    /// Its length, bytes.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.found.size
    }

    /// What tells name, length and content of it from any other; `None` where the storage does not tell contents apart.
    #[must_use]
    pub fn identity(&self) -> Option<String> {
        let tag = self.found.tag.as_ref()?;
        Some(format!("{}/{}/{tag}", self.storage.address(&self.found.key), self.found.size))
    }

    /// Some of its bytes; what lies beyond its end is left out.
    ///
    /// # Errors
    /// When the storage cannot be reached or refuses, or the object was changed since it was found. It is [kept](Self::failure) as well:
    /// what was read of such an object says nothing of the file.
    pub fn range(&self, range: Range<u64>) -> Result<Bytes, ContractError> {
        let range = range.start.min(self.size())..range.end.min(self.size());
        if range.is_empty() {
            return Ok(Bytes::new());
        }
        if let Some(bytes) = self.kept_bytes(&range) {
            return Ok(bytes);
        }
        self.storage.range(&self.found, range).inspect_err(|e| {
            let _ = self.failure.set(e.clone());
        })
    }

    /// Reads the end of the object once, and keeps it.
    ///
    /// # Errors
    /// As [`Object::range`].
    pub fn keep_tail(&self) -> Result<(), ContractError> {
        self.keep(self.size().saturating_sub(TAIL_BYTES)..self.size())
    }

    /// Reads some bytes once, and keeps them.
    ///
    /// # Errors
    /// As [`Object::range`].
    pub fn keep(&self, range: Range<u64>) -> Result<(), ContractError> {
        if self.kept_bytes(&range).is_none() {
            let bytes = self.range(range.clone())?;
            self.kept.lock().unwrap_or_else(PoisonError::into_inner).push((range.start, bytes));
        }
        Ok(())
    }

    /// Keeps nothing any longer: of many objects even little is much.
    pub fn forget(&self) {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// Why reading it failed, if it ever did.
    #[must_use]
    pub fn failure(&self) -> Option<ContractError> {
        self.failure.get().cloned()
    }

    fn kept_bytes(&self, range: &Range<u64>) -> Option<Bytes> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter().find_map(|(start, bytes)| slice(*start, bytes, range))
    }
}

/// A range out of bytes that begin at `start`, if they hold it whole.
pub(crate) fn slice(start: u64, bytes: &Bytes, range: &Range<u64>) -> Option<Bytes> {
    let from = usize::try_from(range.start.checked_sub(start)?).ok()?;
    let to = usize::try_from(range.end.checked_sub(start)?).ok()?;
    (from <= to && to <= bytes.len()).then(|| bytes.slice(from..to))
}
