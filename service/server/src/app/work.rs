//! Do what a job asks for, and store it together with the job's end.

use condyle_api::{InputFile, JobKind};
use condyle_core::check::Observer as _;

use super::check::{count, judge};
use super::offer::{Target, Task};
use super::recheck;
use super::shelf::Shelf;
use super::submit::{Decision, decide, record};
use super::trial_bind::told;
use crate::pool::Watch;
use crate::problem::ApiError;
use crate::queue::lease::{Finished, Lease, Made};
use crate::spans::Open;
use crate::state::App;
use crate::submission::{File, Submission, Texts};

/// Times that somebody else may be quicker with the same label before the attempt is given up.
const RACES: usize = 5;

/// Runs a job. Nothing is stored unless the lease holds.
pub async fn work(app: &App, lease: &Lease, watch: Watch) -> Result<Finished, ApiError> {
    if lease.kind == JobKind::Recheck {
        return recheck::work(app, lease, watch).await;
    }
    let task: Task = serde_json::from_str(&lease.request)
        .map_err(|error| ApiError::Internal(format!("the job {} cannot be read: {error}", lease.id)))?;
    let kind = match lease.kind {
        JobKind::TrialBind => "trial-bind",
        _ if task.target.is_some() => "submit",
        _ => "check",
    };
    let span = app.spans.job(kind, task.trace.as_deref(), &lease.id, lease.attempts);
    let ended = match task.target.clone() {
        Some(target) => submit(app, lease, watch, task, target, span.as_ref()).await,
        None if lease.kind == JobKind::TrialBind => bind(app, lease, watch, task, span.as_ref()).await,
        None => check(app, lease, watch, task, span.as_ref()).await,
    };
    end(span, &ended);
    ended
}

/// Ends a job's span as the job ended.
pub(super) fn end(span: Option<Open>, ended: &Result<Finished, ApiError>) {
    if let Some(span) = span {
        span.over(ended.as_ref().err().map(ApiError::name));
    }
}

async fn check(
    app: &App,
    lease: &Lease,
    watch: Watch,
    task: Task,
    span: Option<&Open>,
) -> Result<Finished, ApiError> {
    let Task { files, texts, options, .. } = task;
    let submission = fetch(app, files, texts).await?;
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    let run = move |watch: &Watch| judge(&submission, &options, &shelf, &limits, watch);
    let checked = app.pool.run_watched(watch.clone(), run).await??;
    if watch.cancelled() {
        return Err(ApiError::Timeout);
    }
    count(&checked);
    if let Some(span) = span {
        span.parts(checked.timing);
    }
    Ok(app.queue.finish(lease, Made::Report(&checked.json), crate::clock::now_ms()).await?)
}

async fn bind(
    app: &App,
    lease: &Lease,
    watch: Watch,
    task: Task,
    span: Option<&Open>,
) -> Result<Finished, ApiError> {
    let Task { files, texts, options, influences, .. } = task;
    let submission = fetch(app, files, texts).await?;
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    let run = move |watch: &Watch| told(&submission, &options, influences, &shelf, &limits, watch);
    let (bound, timing) = app.pool.run_watched(watch.clone(), run).await??;
    if watch.cancelled() {
        return Err(ApiError::Timeout);
    }
    if let Some(span) = span {
        span.parts(timing);
    }
    let made = serde_json::to_string(&bound).map_err(|error| ApiError::Internal(error.to_string()))?;
    Ok(app.queue.finish(lease, Made::Bind(&made), crate::clock::now_ms()).await?)
}

async fn submit(
    app: &App,
    lease: &Lease,
    watch: Watch,
    task: Task,
    target: Target,
    span: Option<&Open>,
) -> Result<Finished, ApiError> {
    let Task { files, texts, options, .. } = task;
    let Target { address, expected, input_sha256 } = target;
    let mut made = None;
    for _ in 0..RACES {
        let existing = app.store.revision(&address.production, &address.asset, &address.label).await?;
        let replacing = match decide(existing, &expected, &input_sha256)? {
            Decision::Keep(there) => {
                let place = there.report_url.trim_end_matches("/report").to_owned();
                return Ok(app.queue.finish(lease, Made::Kept(&place), crate::clock::now_ms()).await?);
            }
            Decision::Store { replacing } => replacing,
        };
        let stored = match made.take() {
            Some(stored) => stored,
            None => {
                let submission = fetch(app, files.clone(), texts.clone()).await?;
                let shelf = Shelf::open(app, Some(&address.production)).await?;
                let (limits, at, options) = (app.config.limits, address.clone(), options.clone());
                let run = move |watch: &Watch| record(&at, &submission, &options, &shelf, &limits, watch);
                let (stored, timing) = app.pool.run_watched(watch.clone(), run).await??;
                if let Some(span) = span {
                    span.parts(timing);
                }
                stored
            }
        };
        let finished =
            app.queue.finish(lease, Made::Revision(&stored, replacing), crate::clock::now_ms()).await?;
        if finished != Finished::Taken {
            return Ok(finished);
        }
        made = Some(stored);
    }
    Err(ApiError::Unavailable(format!("the job {} lost every race for its label", lease.id)))
}

/// The submission as it came.
pub(super) async fn fetch(app: &App, files: Vec<InputFile>, texts: Texts) -> Result<Submission, ApiError> {
    let (blobs, budget) = (app.blobs.clone(), app.uploads.clone());
    tokio::task::spawn_blocking(move || {
        let read = |file: InputFile| -> Result<(String, File), ApiError> {
            let bytes = blobs.get(&file.sha256)?;
            let bytes = bytes.ok_or_else(|| ApiError::Internal("the blob of a job is gone".into()))?;
            Ok((file.role, File { name: file.name, bytes: bytes.into() }))
        };
        let files = files.into_iter().map(read).collect::<Result<Vec<_>, _>>()?;
        Ok(Submission::restored(files, texts, &budget))
    })
    .await
    .map_err(|error| ApiError::Internal(error.to_string()))?
}
