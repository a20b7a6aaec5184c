//! What this process knows of its jobs beyond the database: which run here, and who waits for which.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::{Notify, broadcast};

use crate::pool::Watch;

/// Endings that may wait to be heard by one listener; who misses some looks into the database.
const UNHEARD: usize = 1_024;

/// Cheap to clone.
#[derive(Debug, Clone)]
pub struct Desk {
    running: Arc<Mutex<BTreeMap<String, Watch>>>,
    arrived: Arc<Notify>,
    ended: broadcast::Sender<Arc<str>>,
}

impl Default for Desk {
    fn default() -> Self {
        Self { running: Arc::default(), arrived: Arc::default(), ended: broadcast::channel(UNHEARD).0 }
    }
}

impl Desk {
    /// A job runs here until the guard is dropped.
    pub fn runs(&self, id: &str, watch: Watch) -> Running {
        self.running.lock().unwrap_or_else(PoisonError::into_inner).insert(id.to_owned(), watch);
        Running { desk: self.clone(), id: id.to_owned() }
    }

    /// Stops a job that runs here.
    pub fn stop(&self, id: &str) {
        if let Some(watch) = self.running.lock().unwrap_or_else(PoisonError::into_inner).get(id) {
            watch.cancel();
        }
    }

    /// How far a job is that runs here: what is done, and what there is to do besides the checks.
    pub fn progress(&self, id: &str) -> Option<(u64, u64)> {
        self.running.lock().unwrap_or_else(PoisonError::into_inner).get(id).map(Watch::progress)
    }

    /// There is work.
    pub fn announce(&self) {
        self.arrived.notify_one();
    }

    /// Resolves when there is work.
    pub async fn work(&self) {
        self.arrived.notified().await;
    }

    /// A job is over.
    pub fn tell(&self, id: &str) {
        // Nobody may be listening.
        let _ = self.ended.send(id.into());
    }

    /// Hears of jobs that end here from now on.
    pub fn listen(&self) -> broadcast::Receiver<Arc<str>> {
        self.ended.subscribe()
    }
}

/// A job that runs here.
#[derive(Debug)]
pub struct Running {
    desk: Desk,
    id: String,
}

impl Drop for Running {
    fn drop(&mut self) {
        self.desk.running.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.id);
    }
}
