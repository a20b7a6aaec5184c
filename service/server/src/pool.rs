//! The bounded pool that does the CPU work, never on the async threads.

use std::num::NonZero;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use condyle_core::check::Observer;
use tokio::sync::Semaphore;

use crate::problem::ApiError;

/// Steps that a trial bind is told in.
const WHOLE: u64 = 100;

/// Threads that check, and a bounded queue before them.
#[derive(Debug, Clone)]
pub struct Pool {
    running: Arc<Semaphore>,
    admitted: Arc<Semaphore>,
    threads: usize,
    capacity: usize,
}

/// Tells a check that its caller has gone away, and a caller how far the check is.
#[derive(Debug, Clone, Default)]
pub struct Watch(Arc<Watched>);

#[derive(Debug, Default)]
struct Watched {
    cancelled: AtomicBool,
    finished: AtomicU64,
    swept: AtomicU64,
    joints: AtomicU64,
    /// Hundredths of a trial bind, once there is one.
    bound: AtomicU64,
    binds: AtomicBool,
}

impl Watch {
    /// Ends the work at the next check, joint of a sweep or step of a trial bind.
    pub fn cancel(&self) {
        self.0.cancelled.store(true, Ordering::Relaxed);
    }

    /// Checks, joints of a sweep and hundredths of a trial bind that are done, and how much there is to do besides the checks.
    pub fn progress(&self) -> (u64, u64) {
        let [finished, swept, joints, bound] =
            [&self.0.finished, &self.0.swept, &self.0.joints, &self.0.bound]
                .map(|number| number.load(Ordering::Relaxed));
        let binds = if self.0.binds.load(Ordering::Relaxed) { WHOLE } else { 0 };
        (finished + swept.min(joints) + bound.min(binds), joints + binds)
    }
}

impl Observer for Watch {
    fn finished(&self, _id: &'static str) {
        self.0.finished.fetch_add(1, Ordering::Relaxed);
    }

    fn joints(&self, done: u64, of: u64) {
        self.0.joints.store(of, Ordering::Relaxed);
        self.0.swept.fetch_max(done, Ordering::Relaxed);
    }

    fn binding(&self, done: u64, of: u64) {
        self.0.binds.store(true, Ordering::Relaxed);
        self.0.bound.fetch_max(done.saturating_mul(WHOLE) / of.max(1), Ordering::Relaxed);
    }

    fn cancelled(&self) -> bool {
        self.0.cancelled.load(Ordering::Relaxed)
    }
}

/// Cancels when the caller's future is dropped before the work is done.
struct CancelOnDrop(Option<Watch>);

impl Drop for CancelOnDrop {
    fn drop(&mut self) {
        if let Some(watch) = &self.0 {
            watch.cancel();
        }
    }
}

impl Pool {
    /// A pool of `threads` (0: one less than the machine has, at least one) with `queue` waiting places.
    pub fn new(threads: usize, queue: usize) -> Self {
        let machine = std::thread::available_parallelism().map_or(1, NonZero::get);
        let threads = if threads == 0 { machine.saturating_sub(1).max(1) } else { threads };
        let capacity = threads + queue;
        Self {
            running: Arc::new(Semaphore::new(threads)),
            admitted: Arc::new(Semaphore::new(capacity)),
            threads,
            capacity,
        }
    }

    /// How many run or wait now.
    pub fn in_use(&self) -> usize {
        self.capacity - self.admitted.available_permits()
    }

    /// Threads that check.
    pub fn threads(&self) -> usize {
        self.threads
    }

    /// Runs `work` on the pool; `Busy` when the queue is full.
    pub async fn run<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Watch) -> T + Send + 'static,
    ) -> Result<T, ApiError> {
        let admitted = self.admitted.clone().try_acquire_owned().map_err(|_| ApiError::Busy)?;
        let work = move |watch: &Watch| {
            let result = work(watch);
            drop(admitted);
            result
        };
        self.run_watched(Watch::default(), work).await
    }

    /// Runs `work` on the pool however long it has to wait: for work that is bounded elsewhere.
    pub async fn run_watched<T: Send + 'static>(
        &self,
        watch: Watch,
        work: impl FnOnce(&Watch) -> T + Send + 'static,
    ) -> Result<T, ApiError> {
        let mut guard = CancelOnDrop(Some(watch.clone()));
        let running =
            self.running.clone().acquire_owned().await.map_err(|e| ApiError::Internal(e.to_string()))?;
        let outcome = tokio::task::spawn_blocking(move || {
            let result = work(&watch);
            drop(running);
            result
        })
        .await;
        guard.0 = None;
        outcome.map_err(|error| ApiError::Internal(format!("the work stopped: {error}")))
    }
}
