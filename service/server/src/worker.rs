//! Takes jobs and runs them: one at a time for each thread of the pool, with a sign of life while it lasts.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use condyle_core::check::{CHECKS, Observer as _};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::{Instant, MissedTickBehavior, interval_at, timeout};

use crate::app::work::work;
use crate::pool::Watch;
use crate::problem::ApiError;
use crate::queue::lease::{Claim, Finished, Lease};
use crate::state::App;

/// Between two looks for work that nobody announced: retries, lost leases, other processes.
const LOOK: Duration = Duration::from_secs(1);
/// Between two clearances of what is kept no longer.
const CLEAR: Duration = Duration::from_mins(10);
/// The longest pause between two attempts, seconds.
const LONGEST_PAUSE_S: u64 = 300;

/// The workers of this process.
#[derive(Debug)]
pub struct Workers {
    stop: watch::Sender<bool>,
    running: JoinSet<()>,
}

impl Workers {
    /// Gives back what runs, and ends.
    pub async fn stop(mut self) {
        let _ = self.stop.send(true);
        while self.running.join_next().await.is_some() {}
    }
}

/// Starts the workers.
pub fn start(app: &App) -> Workers {
    let (stop, stopped) = watch::channel(false);
    let mut running = JoinSet::new();
    for _ in 0..app.pool.threads() {
        running.spawn(serve(app.clone(), stopped.clone()));
    }
    running.spawn(clear(app.clone(), stopped));
    Workers { stop, running }
}

async fn serve(app: App, mut stopped: watch::Receiver<bool>) {
    let steps = CHECKS.len() as u64;
    while !*stopped.borrow() {
        let settings = &app.config.jobs;
        let lease_ms = milliseconds(settings.lease_s);
        let claim =
            app.queue.claim(&token(), crate::clock::now_ms(), lease_ms, settings.attempts, steps).await;
        let pause = match claim {
            Ok(Claim::Leased(lease)) => {
                run(&app, &lease, &mut stopped).await;
                continue;
            }
            Ok(Claim::Worn(lease)) => {
                let text =
                    format!("{} attempts at the job {} ended without a word", lease.attempts - 1, lease.id);
                bury(&app, &lease, ApiError::Internal(text)).await;
                continue;
            }
            Ok(Claim::Nothing) => LOOK,
            Err(error) => {
                tracing::warn!(%error, "no job can be taken");
                LOOK
            }
        };
        tokio::select! {
            _ = timeout(pause, app.desk.work()) => {}
            _ = stopped.changed() => {}
        }
    }
}

/// Runs one job to its end, unless the lease is lost or the process stops.
async fn run(app: &App, lease: &Lease, stopped: &mut watch::Receiver<bool>) {
    let watch = Watch::default();
    let _running = app.desk.runs(&lease.id, watch.clone());
    let lease_ms = milliseconds(app.config.jobs.lease_s);
    let pace = Duration::from_millis((lease_ms / 3).max(1) as u64);
    // Side by side: work that holds the database's lock must be able to go on while a sign of life waits for it.
    let ended = tokio::select! {
        ended = work(app, lease, watch.clone()) => Some(ended),
        () = beat(app, lease, &watch, pace, lease_ms) => None,
        _ = stopped.changed() => {
            watch.cancel();
            None
        }
    };
    let Some(ended) = ended else {
        // A lease that is lost cannot be given back.
        match app.queue.release(lease, crate::clock::now_ms()).await {
            Ok(true) => tracing::info!(job = lease.id, "given back"),
            Ok(false) => tracing::info!(job = lease.id, "cancelled, or another worker has it"),
            Err(error) => tracing::warn!(job = lease.id, %error, "not given back; its lease will end"),
        }
        return;
    };
    match ended {
        Ok(Finished::Done) => {
            metrics::counter!("condyle_jobs_total", "state" => "done").increment(1);
            app.desk.tell(&lease.id);
        }
        Ok(Finished::Lost | Finished::Taken) => tracing::info!(job = lease.id, "another worker has it"),
        Err(_) if watch.cancelled() => {}
        Err(error) if error.may_pass() && lease.attempts < app.config.jobs.attempts => {
            retry(app, lease, error).await;
        }
        Err(error) => bury(app, lease, error).await,
    }
}

/// Keeps the lease until it is lost.
async fn beat(app: &App, lease: &Lease, watch: &Watch, pace: Duration, lease_ms: i64) {
    let mut pulse = interval_at(Instant::now() + pace, pace);
    pulse.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        pulse.tick().await;
        let (done, joints) = watch.progress();
        let until = crate::clock::now_ms() + lease_ms;
        match app.queue.beat(lease, until, done, CHECKS.len() as u64 + joints).await {
            Ok(true) => {}
            Ok(false) => return,
            // Without a sign of life the lease ends by itself; what is done may still be in time.
            Err(error) => tracing::warn!(job = lease.id, %error, "no sign of life can be given"),
        }
    }
}

async fn retry(app: &App, lease: &Lease, error: ApiError) {
    let doublings = u32::try_from(lease.attempts.saturating_sub(1)).unwrap_or(u32::MAX).min(16);
    let pause = app.config.jobs.pause_s.saturating_mul(1 << doublings).min(LONGEST_PAUSE_S);
    let now = crate::clock::now_ms();
    let problem = serde_json::to_string(&error.problem()).unwrap_or_default();
    metrics::counter!("condyle_jobs_total", "state" => "failed").increment(1);
    if let Err(error) = app.queue.retry(lease, now, now + milliseconds(pause), &problem).await {
        tracing::warn!(job = lease.id, %error, "the failure is not noted; the lease will end");
    }
}

async fn bury(app: &App, lease: &Lease, error: ApiError) {
    let problem = serde_json::to_string(&error.problem()).unwrap_or_default();
    match app.queue.bury(lease, crate::clock::now_ms(), &problem).await {
        Ok(_) => {
            metrics::counter!("condyle_jobs_total", "state" => "dead").increment(1);
            app.desk.tell(&lease.id);
        }
        Err(error) => tracing::warn!(job = lease.id, %error, "the end is not noted; the lease will end"),
    }
}

/// Forgets jobs and answers that are kept no longer.
async fn clear(app: App, mut stopped: watch::Receiver<bool>) {
    while !*stopped.borrow() {
        let now = crate::clock::now_ms();
        let kept_ms = milliseconds(app.config.jobs.keep_h.saturating_mul(3_600));
        if let Err(error) = app.queue.forget(now - kept_ms).await {
            tracing::warn!(%error, "old jobs are not forgotten");
        }
        if let Err(error) = app.queue.let_go(app.config.jobs.kept_bytes).await {
            tracing::warn!(%error, "inputs of old reports are not let go");
        }
        if let Err(error) = app.queue.forget_campaigns(now - kept_ms).await {
            tracing::warn!(%error, "old campaigns are not forgotten");
        }
        if let Err(error) = app.store.forget_keys(now).await {
            tracing::warn!(%error, "old answers are not forgotten");
        }
        let _ = timeout(CLEAR, stopped.changed()).await;
    }
}

fn milliseconds(seconds: u64) -> i64 {
    i64::try_from(seconds.saturating_mul(1_000)).unwrap_or(i64::MAX / 4)
}

/// The owner of one claim: never the same twice.
fn token() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    format!("{}-{}", crate::app::offer::fresh_id(), NEXT.fetch_add(1, Ordering::Relaxed))
}
