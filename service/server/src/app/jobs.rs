//! Look at a job, wait for it, cancel it.

use std::time::Duration;

use condyle_api::{InputFile, JobKind, JobState, TrialBind};
use condyle_core::check::CHECKS;
use condyle_core::figure::{Figure, Options as Drawing};
use condyle_core::report::Report;
use tokio::time::{Instant, timeout};

use super::figure::{Drawn, of_files};
use super::{offer, recheck};
use crate::access::{Caller, Reach};
use crate::problem::ApiError;
use crate::queue::{Cancelled, KeptReport, StoredJob};
use crate::state::App;

/// A job that ends in another process is noticed after this time.
const LOOK_AGAIN: Duration = Duration::from_secs(3);

/// Refuses a job that the caller may not know of, as if it were not there: one of another production, or one of no
/// production that somebody else made.
pub async fn visible(app: &App, caller: &Caller, id: &str) -> Result<(), ApiError> {
    if *caller.reach() == Reach::All {
        return Ok(());
    }
    let missing = || ApiError::not_found("such job");
    let (production, token) = app.queue.belongs(id).await?.ok_or_else(missing)?;
    let seen = match &production {
        Some(production) => caller.reach().covers(production),
        None => token.is_some() && token.as_deref() == caller.id(),
    };
    if seen { Ok(()) } else { Err(missing()) }
}

/// A job.
pub async fn job(app: &App, id: &str) -> Result<StoredJob, ApiError> {
    let mut found = app.queue.get(id).await?.ok_or_else(|| ApiError::not_found("such job"))?;
    if let Some((done, joints)) = app.desk.progress(id).filter(|_| found.job.state == JobState::Running) {
        let progress = &mut found.job.progress;
        progress.total = progress.total.max(CHECKS.len() as u64 + joints);
        progress.done = done.min(progress.total);
    }
    Ok(found)
}

/// A job when it is over, or as it is after `patience`.
pub async fn ended(app: &App, id: &str, patience: Duration) -> Result<StoredJob, ApiError> {
    let deadline = Instant::now() + patience;
    let mut endings = app.desk.listen();
    loop {
        let found = job(app, id).await?;
        let left = deadline.saturating_duration_since(Instant::now());
        if found.job.state.is_over() || left.is_zero() {
            return Ok(found);
        }
        // Whether it was heard, missed, or time to look again: the database knows.
        let heard = async { while endings.recv().await.is_ok_and(|ended| &*ended != id) {} };
        let _ = timeout(left.min(LOOK_AGAIN), heard).await;
    }
}

/// Cancels a job; what runs of it stops at the next check, joint of a sweep or step of a trial bind, and has no effect.
pub async fn cancel(app: &App, id: &str) -> Result<StoredJob, ApiError> {
    let cancelled = app.queue.cancel(id, crate::clock::now_ms()).await?;
    match cancelled {
        Cancelled::Missing => Err(ApiError::not_found("such job")),
        Cancelled::Over => Err(ApiError::JobState("the job is over; it cannot be cancelled".into())),
        Cancelled::Now => {
            app.desk.stop(id);
            app.desk.tell(id);
            job(app, id).await
        }
    }
}

/// The report that a job keeps.
pub async fn report(app: &App, id: &str) -> Result<KeptReport, ApiError> {
    let found = job(app, id).await?;
    if !found.job.state.is_over() {
        return Err(ApiError::JobState("the job is not over; it has no report yet".into()));
    }
    let kept = app.queue.report(id).await?.ok_or_else(|| ApiError::not_found("report of this job"))?;
    if found.job.kind != JobKind::TrialBind {
        return Ok(kept);
    }
    let internal = |error: serde_json::Error| ApiError::Internal(error.to_string());
    let bound: TrialBind = serde_json::from_str(&kept.report).map_err(internal)?;
    let report = serde_json::to_string(&bound.report).map_err(internal)?;
    Ok(KeptReport { report, own_skeleton: bound.plan.is_some(), ..kept })
}

/// What a job made for a trial bind.
pub async fn trial_bind(app: &App, id: &str) -> Result<String, ApiError> {
    let missing = || ApiError::not_found("trial bind of this job");
    let found = job(app, id).await?;
    if found.job.kind != JobKind::TrialBind {
        return Err(missing());
    }
    if !found.job.state.is_over() {
        return Err(ApiError::JobState("the job is not over; it has bound nothing yet".into()));
    }
    Ok(app.queue.report(id).await?.ok_or_else(missing)?.report)
}

/// The files that the report of a job was made of, where they are still there.
pub async fn input(
    app: &App,
    kept: &KeptReport,
    report: &Report,
) -> Result<Option<Vec<InputFile>>, ApiError> {
    if let Ok(task) = serde_json::from_str::<offer::Task>(&kept.request) {
        let files = task.files.into_iter().filter(|file| file.role != "reference").collect();
        return Ok(kept.holds_input.then_some(files));
    }
    recheck::input(app, &kept.request, report).await
}

/// Draws the report of a job over its input.
pub async fn figure(app: &App, kept: &KeptReport, drawing: Drawing) -> Result<Figure, ApiError> {
    let report: Report =
        serde_json::from_str(&kept.report).map_err(|error| ApiError::Internal(error.to_string()))?;
    let gone = || ApiError::not_found("input of this job any more");
    let files = input(app, kept, &report).await?.ok_or_else(gone)?;
    let drawn = Drawn { title: None, own_skeleton: kept.own_skeleton };
    of_files(app, files, &report, drawn, drawing).await?.ok_or_else(gone)
}
