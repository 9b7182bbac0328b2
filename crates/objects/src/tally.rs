//! What was asked of object storage.

use std::sync::atomic::{AtomicU64, Ordering};

/// Requests and bytes; a request that was tried again counts once.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Requests.
    pub requests: u64,
    /// Bytes of objects read.
    pub read: u64,
    /// Bytes of objects written.
    pub written: u64,
}

/// All requests and bytes of this process so far.
#[must_use]
pub fn tally() -> Tally {
    ALL.told()
}

pub(crate) static ALL: Counts =
    Counts { requests: AtomicU64::new(0), read: AtomicU64::new(0), written: AtomicU64::new(0) };

#[derive(Debug, Default)]
pub(crate) struct Counts {
    requests: AtomicU64,
    read: AtomicU64,
    written: AtomicU64,
}

impl Counts {
    pub(crate) fn add(&self, requests: u64, read: u64, written: u64) {
        self.requests.fetch_add(requests, Ordering::Relaxed);
        self.read.fetch_add(read, Ordering::Relaxed);
        self.written.fetch_add(written, Ordering::Relaxed);
    }

    pub(crate) fn told(&self) -> Tally {
        let of = |sum: &AtomicU64| sum.load(Ordering::Relaxed);
        Tally { requests: of(&self.requests), read: of(&self.read), written: of(&self.written) }
    }
}
