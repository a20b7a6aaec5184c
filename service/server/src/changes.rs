//! What every write touches: a counter that says whether anything changed, and those who wait for events.
//!
//! The counter lives in memory and begins anew with the process. That is right because everything that is compared
//! with it lives in the same memory: after a restart nothing is known, and the first answer comes from the database.
//! It counts the writes of this process alone, so where several share a database, the database counts
//! (`Store::generation`).

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering};

use tokio::sync::{Mutex, Notify, broadcast, watch};

use condyle_api::Event;

/// Events that a listener may be behind before it is dropped.
const BEHIND: usize = 1_024;

/// Cheap to clone; one per database.
#[derive(Debug, Clone)]
pub struct Changes(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    generation: AtomicU64,
    keep: AtomicI64,
    audit_keep: AtomicI64,
    live: broadcast::Sender<Arc<Event>>,
    /// The last event that went out.
    sent: Mutex<i64>,
    /// Whether somebody looks for what other processes wrote; changed while `sent` is locked.
    watched: AtomicBool,
    closing: watch::Sender<bool>,
    stirred: Notify,
}

impl Default for Changes {
    fn default() -> Self {
        Self::with_room(BEHIND)
    }
}

impl Changes {
    /// With room for so many events between the writers and the slowest listener.
    pub fn with_room(behind: usize) -> Self {
        Self(Arc::new(Inner {
            generation: AtomicU64::new(1),
            keep: AtomicI64::new(100_000),
            audit_keep: AtomicI64::new(100_000),
            live: broadcast::channel(behind.max(1)).0,
            sent: Mutex::new(0),
            watched: AtomicBool::new(false),
            closing: watch::channel(false).0,
            stirred: Notify::new(),
        }))
    }

    /// Counts up with every write that this process committed.
    pub fn generation(&self) -> u64 {
        self.0.generation.load(Ordering::Acquire)
    }

    /// Something was committed. Called after the commit: whoever read before it and remembers the earlier number
    /// is then out of date.
    pub(crate) fn bump(&self) {
        self.0.generation.fetch_add(1, Ordering::AcqRel);
    }

    /// How many events are kept.
    pub(crate) fn keep(&self) -> i64 {
        self.0.keep.load(Ordering::Relaxed)
    }

    /// Sets how many events are kept.
    pub fn set_keep(&self, keep: u32) {
        self.0.keep.store(i64::from(keep.max(1)), Ordering::Relaxed);
    }

    /// How many entries of the audit log are kept.
    pub(crate) fn audit_keep(&self) -> i64 {
        self.0.audit_keep.load(Ordering::Relaxed)
    }

    /// Sets how many entries of the audit log are kept.
    pub fn set_audit_keep(&self, keep: u32) {
        self.0.audit_keep.store(i64::from(keep.max(1)), Ordering::Relaxed);
    }

    pub(crate) fn live(&self) -> &broadcast::Sender<Arc<Event>> {
        &self.0.live
    }

    pub(crate) fn sent(&self) -> &Mutex<i64> {
        &self.0.sent
    }

    /// Whether the caller is the one who is to look for what other processes wrote.
    pub(crate) fn watch(&self) -> bool {
        !self.0.watched.swap(true, Ordering::AcqRel)
    }

    /// Nobody looks any more.
    pub(crate) fn unwatch(&self) {
        self.0.watched.store(false, Ordering::Release);
    }

    /// Notified by every write: there may be messages to send.
    pub(crate) fn stirred(&self) -> &Notify {
        &self.0.stirred
    }

    /// Resolves when the service stops.
    pub fn closing(&self) -> watch::Receiver<bool> {
        self.0.closing.subscribe()
    }

    /// Tells every listener that the service stops.
    pub fn close(&self) {
        self.0.closing.send_replace(true);
    }
}
