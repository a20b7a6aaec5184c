//! What every request shares.

use std::ops::Deref;
use std::sync::Arc;

use tokio::sync::Semaphore;

use crate::access::Access;
use crate::blobs::Blobs;
use crate::config::Config;
use crate::desk::Desk;
use crate::pool::Pool;
use crate::queue::Queue;
use crate::routes::fresh::Tags;
use crate::spans::Spans;
use crate::store::Store;
use crate::submission::Budget;
use crate::webhooks::courier::Carrier;
use crate::webhooks::outbox::Outbox;

/// Threads that hash and write; they wait for the disk most of the time.
const PORTERS: usize = 4;

/// What every request shares; one count to clone, which each layer around a handler does for each request.
#[derive(Debug, Clone)]
pub struct App(Arc<Shared>);

impl Deref for App {
    type Target = Shared;

    fn deref(&self) -> &Shared {
        &self.0
    }
}

/// The parts of an [`App`].
#[derive(Debug)]
pub struct Shared {
    /// The configuration.
    pub config: Arc<Config>,
    /// Who may do what.
    pub access: Access,
    /// The database.
    pub store: Store,
    /// The blobs.
    pub blobs: Blobs,
    /// Work that is done later.
    pub queue: Queue,
    /// Messages to webhooks.
    pub outbox: Outbox,
    /// What sends them.
    pub carrier: Carrier,
    /// What this process does of it.
    pub desk: Desk,
    /// The CPU pool.
    pub pool: Pool,
    /// Threads that take submissions in, so that nobody waits for a check to be told that his is queued.
    pub porters: Pool,
    /// Memory for uploads.
    pub uploads: Budget,
    /// Places for listeners.
    pub listeners: Arc<Semaphore>,
    /// One import at a time.
    pub imports: Arc<Semaphore>,
    /// Tags of answers, and when they were true.
    pub tags: Tags,
    /// Spans for a collector.
    pub spans: Spans,
    /// The metrics.
    pub metrics: metrics_exporter_prometheus::PrometheusHandle,
}

impl App {
    /// Opens the store.
    pub async fn open(config: Config) -> Result<Self, crate::ServeError> {
        let folder = &config.server.data_dir;
        let store = |error: String| crate::ServeError::Store(folder.clone(), error);
        std::fs::create_dir_all(folder).map_err(|e| store(e.to_string()))?;
        // The folder above may not be ours to open; then its owner made this one durable.
        let above = folder.parent().filter(|above| !above.as_os_str().is_empty());
        let _ = crate::blobs::sync_folder(above.unwrap_or(std::path::Path::new(".")));
        let blobs = Blobs::open(folder.join("blobs")).map_err(|e| store(e.to_string()))?;
        let database = Store::configured(&config).await.map_err(store)?;
        database.changes().set_keep(config.events.keep);
        database.changes().set_audit_keep(config.access.audit_keep);
        let carrier = Carrier::new(&config.webhooks).map_err(crate::ServeError::Configuration)?;
        let spans = Spans::new(&config.traces).map_err(crate::ServeError::Configuration)?;
        let pool = Pool::new(config.work.threads, config.work.queue);
        Ok(Self(Arc::new(Shared {
            access: Access::new(&config),
            queue: database.queue(),
            outbox: database.outbox(),
            carrier,
            desk: Desk::default(),
            store: database,
            blobs,
            pool,
            porters: Pool::new(PORTERS, config.server.connections),
            uploads: Budget::new(config.work.upload_bytes),
            listeners: Arc::new(Semaphore::new(config.events.listeners)),
            imports: Arc::new(Semaphore::new(1)),
            tags: Tags::default(),
            spans,
            metrics: crate::telemetry::metrics(),
            config: Arc::new(config),
        })))
    }
}
