//! Campaigns: check again what is stored, and say what changed.

use std::collections::BTreeSet;

use condyle_api::{InputFile, JobState, Recheck, RecheckRequest, RecheckResult, RecheckState};
use condyle_core::check::{CATALOGUE_VERSION, CHECKS, Observer as _, find};
use condyle_core::report::{Report, Verdict};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::check::{Options, count, judge};
use super::difference::manifest;
use super::offer::fresh_id;
use super::shelf::{Shelf, catalogue};
use super::submit::sound;
use super::work::{end, fetch};
use crate::access::{Caller, Reach};
use crate::pool::Watch;
use crate::problem::ApiError;
use crate::queue::campaign::{Candidate, Chosen, Compared, NewCampaign, StoredCampaign, StoredResult};
use crate::queue::lease::{Finished, Lease, Made};
use crate::spans::Open;
use crate::state::App;
use crate::submission::Texts;

/// Assets of one campaign.
const MOST: u64 = 50_000;

/// What a campaign's job is to do; its `request` column.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Task {
    production: String,
    asset: String,
    label: String,
    number: u64,
    /// Whether the profile of `options` beats the production's.
    own_profile: bool,
    /// Whether the catalogue of `options` beats the production's.
    #[serde(default)]
    own_catalogue: bool,
    options: Options,
    /// The `traceparent` of the request that began the campaign, where spans are sent.
    #[serde(default)]
    trace: Option<String>,
}

/// Begins the campaign `id`; begun twice, it is one campaign.
pub async fn begin(app: &App, mut request: RecheckRequest, id: String) -> Result<Recheck, ApiError> {
    if app.queue.campaign(&id).await?.is_some() {
        return campaign(app, &id).await;
    }
    let chosen = chosen(&request)?;
    let as_of: Date = match &request.as_of {
        None => crate::clock::today(),
        Some(text) => {
            text.parse().map_err(|_| ApiError::InvalidRequest("as_of is a date, YYYY-MM-DD".into()))?
        }
    };
    request.as_of = Some(as_of.to_string());
    if let Some(version) = &request.catalogue {
        catalogue(version, Some("/catalogue"))?;
    }
    let shelf = Shelf::open(app, None).await?.pinned(request.catalogue.as_deref())?;
    if let Some(name) = &request.profile {
        shelf.profile(name, Some("/profile"))?;
    }
    let options = Options {
        profile: request.profile.clone(),
        catalogue: request.catalogue.clone(),
        sweep: request.sweep,
        as_of: Some(as_of),
        ..Options::default()
    };
    let job = |candidate: &Candidate| {
        let Candidate { production, asset, label, number } = candidate.clone();
        let (own_profile, own_catalogue) = (options.profile.is_some(), options.catalogue.is_some());
        let options = options.clone();
        let trace = crate::trace::current();
        let task = Task { production, asset, label, number, own_profile, own_catalogue, options, trace };
        (fresh_id(), serde_json::to_string(&task).unwrap_or_default())
    };
    let text = serde_json::to_string(&request).map_err(|error| ApiError::Internal(error.to_string()))?;
    let version = request.catalogue.as_deref().unwrap_or(CATALOGUE_VERSION);
    let new = NewCampaign { id: &id, request: &text, catalogue: version, chosen: &chosen, most: MOST };
    if app.queue.begin(new, job, crate::clock::now_ms()).await?.is_none() {
        let text = format!("more than {MOST} assets are chosen; choose fewer");
        return Err(ApiError::InvalidRequest(text));
    }
    app.desk.announce();
    campaign(app, &id).await
}

/// The filter as the database has it.
fn chosen(request: &RecheckRequest) -> Result<Chosen, ApiError> {
    if let Some(production) = &request.production {
        sound("production", production)?;
    }
    if let Some(id) = request.check.as_deref().filter(|id| !CHECKS.iter().any(|check| check.family() == *id))
    {
        find(id).map_err(ApiError::UnknownCheck)?;
    }
    let name_like = request
        .q
        .as_deref()
        .filter(|text| !text.is_empty())
        .map(|text| format!("%{}%", text.replace('\\', "\\\\").replace('%', "\\%").replace('_', "\\_")));
    Ok(Chosen {
        production: request.production.clone().unwrap_or_default(),
        verdict: request.verdict.map_or("", Verdict::word).to_owned(),
        name_like: name_like.unwrap_or_default(),
        check: request.check.clone().unwrap_or_default(),
    })
}

/// A campaign.
pub async fn campaign(app: &App, id: &str) -> Result<Recheck, ApiError> {
    let stored = app.queue.campaign(id).await?.ok_or_else(|| ApiError::not_found("such campaign"))?;
    told(stored)
}

/// Campaigns below an id that the caller may know of, the newest first.
pub async fn campaigns(
    app: &App,
    reach: &Reach,
    below: Option<&str>,
    limit: u32,
) -> Result<Vec<Recheck>, ApiError> {
    let mut found = Vec::new();
    let mut below = below.map(str::to_owned);
    loop {
        let batch = app.queue.campaigns(below.as_deref(), limit).await?;
        let (last, full) = (batch.last().map(|one| one.id.clone()), batch.len() == limit as usize);
        for stored in batch {
            let one = told(stored)?;
            if seen(reach, &one) && found.len() < limit as usize {
                found.push(one);
            }
        }
        if !full || found.len() == limit as usize {
            return Ok(found);
        }
        below = last;
    }
}

/// Whether who reaches so far may know of it: a campaign without a production is about all of them.
fn seen(reach: &Reach, campaign: &Recheck) -> bool {
    match &campaign.request.production {
        Some(production) => reach.covers(production),
        None => *reach == Reach::All,
    }
}

fn told(stored: StoredCampaign) -> Result<Recheck, ApiError> {
    Ok(Recheck {
        state: stored.state,
        request: serde_json::from_str(&stored.request)
            .map_err(|error| ApiError::Internal(error.to_string()))?,
        catalogue: stored.catalogue,
        created_at: crate::clock::rfc3339(stored.created_ms),
        updated_at: crate::clock::rfc3339(stored.updated_ms),
        counts: stored.counts,
        results: format!("/v1/rechecks/{}/results", stored.id),
        id: stored.id,
    })
}

/// Refuses a campaign that the caller may not know of, as if it were not there.
pub async fn visible(app: &App, caller: &Caller, id: &str) -> Result<(), ApiError> {
    if *caller.reach() == Reach::All {
        return Ok(());
    }
    let there = campaign(app, id).await?;
    if seen(caller.reach(), &there) { Ok(()) } else { Err(ApiError::not_found("such campaign")) }
}

/// Lets its jobs wait.
pub async fn pause(app: &App, id: &str) -> Result<Recheck, ApiError> {
    not_over(&campaign(app, id).await?)?;
    app.queue.pause(id, crate::clock::now_ms()).await?;
    campaign(app, id).await
}

/// Lets them go on.
pub async fn resume(app: &App, id: &str) -> Result<Recheck, ApiError> {
    not_over(&campaign(app, id).await?)?;
    app.queue.resume(id, crate::clock::now_ms()).await?;
    app.desk.announce();
    campaign(app, id).await
}

/// Cancels what is not over of it; cancelling again changes nothing.
pub async fn cancel(app: &App, id: &str) -> Result<Recheck, ApiError> {
    let there = campaign(app, id).await?;
    if there.state == RecheckState::Cancelled {
        return Ok(there);
    }
    not_over(&there)?;
    for job in app.queue.cancel_campaign(id, crate::clock::now_ms()).await? {
        app.desk.stop(&job);
        app.desk.tell(&job);
    }
    campaign(app, id).await
}

fn not_over(there: &Recheck) -> Result<(), ApiError> {
    match there.state {
        RecheckState::Running | RecheckState::Paused => Ok(()),
        RecheckState::Done => Err(ApiError::JobState("the campaign is done".into())),
        RecheckState::Cancelled => Err(ApiError::JobState("the campaign was cancelled".into())),
    }
}

/// Results, one more than `limit` where there are more.
pub async fn results(
    app: &App,
    id: &str,
    changed: bool,
    after: Option<&(String, String)>,
    limit: u32,
) -> Result<Vec<RecheckResult>, ApiError> {
    app.queue.campaign(id).await?.ok_or_else(|| ApiError::not_found("such campaign"))?;
    let rows = app.queue.results(id, changed, after, limit + 1).await?;
    rows.into_iter().map(wire).collect()
}

fn wire(row: StoredResult) -> Result<RecheckResult, ApiError> {
    let internal = |error: serde_json::Error| ApiError::Internal(error.to_string());
    let verdict = |word: String| serde_json::from_value::<Verdict>(word.into()).map_err(internal);
    let [new, fixed, unchanged] = row.findings;
    Ok(RecheckResult {
        state: serde_json::from_value::<JobState>(row.job_state.into()).map_err(internal)?,
        before: verdict(row.before)?,
        after: row.after.map(verdict).transpose()?,
        new,
        fixed,
        unchanged,
        report: row.has_report.then(|| format!("/v1/jobs/{}/report", row.job)),
        problem: row.problem.map(|text| serde_json::from_str(&text)).transpose().map_err(internal)?,
        production: row.candidate.production,
        asset: row.candidate.asset,
        label: row.candidate.label,
        number: row.candidate.number,
    })
}

/// Checks one asset again.
pub(super) async fn work(app: &App, lease: &Lease, watch: Watch) -> Result<Finished, ApiError> {
    let task: Task = serde_json::from_str(&lease.request)
        .map_err(|error| ApiError::Internal(format!("the job {} cannot be read: {error}", lease.id)))?;
    let span = app.spans.job("recheck", task.trace.as_deref(), &lease.id, lease.attempts);
    let ended = again(app, lease, watch, task, span.as_ref()).await;
    end(span, &ended);
    ended
}

async fn again(
    app: &App,
    lease: &Lease,
    watch: Watch,
    task: Task,
    span: Option<&Open>,
) -> Result<Finished, ApiError> {
    let stored = app.store.whole(&task.production, &task.asset, &task.label).await?;
    let stored = stored.filter(|stored| stored.revision.number == task.number);
    let stored = stored.ok_or_else(|| {
        ApiError::not_found(format!(
            "revision {} of {}/{} under the number {} any more",
            task.label, task.production, task.asset, task.number
        ))
    })?;
    let submission = fetch(app, manifest(&stored)?, Texts::default()).await?;
    let mut shelf = Shelf::open(app, Some(&task.production)).await?;
    if task.own_profile {
        shelf.policy.profile = None;
    }
    if task.own_catalogue {
        shelf.policy.catalogue = None;
    }
    let limits = app.config.limits;
    let run = move |watch: &Watch| -> Result<_, ApiError> {
        let checked = judge(&submission, &task.options, &shelf, &limits, watch)?;
        let before: Report = serde_json::from_str(&stored.report)
            .map_err(|error| ApiError::Internal(format!("a stored report cannot be read: {error}")))?;
        let compared = compare(&before, &checked.report);
        let same = compared.new + compared.fixed == 0 && before.verdict == checked.report.verdict;
        Ok((checked, compared, same))
    };
    let (checked, compared, same) = app.pool.run_watched(watch.clone(), run).await??;
    if watch.cancelled() {
        return Err(ApiError::Timeout);
    }
    count(&checked);
    if let Some(span) = span {
        span.parts(checked.timing);
    }
    // Thousands of reports that say what is stored already are not kept.
    let report = (!same).then_some(checked.json.as_str());
    Ok(app.queue.finish(lease, Made::Comparison(compared, report), crate::clock::now_ms()).await?)
}

/// The files of the revision that a campaign's job checked, where the revision still holds what was checked.
pub(super) async fn input(
    app: &App,
    request: &str,
    report: &Report,
) -> Result<Option<Vec<InputFile>>, ApiError> {
    let task: Task = serde_json::from_str(request).map_err(|error| ApiError::Internal(error.to_string()))?;
    let stored = app.store.whole(&task.production, &task.asset, &task.label).await?;
    let stored = stored.filter(|stored| stored.revision.input_sha256 == report.input.sha256);
    stored.map(|stored| manifest(&stored)).transpose()
}

/// By fingerprint, of the findings that no waiver covers.
fn compare(before: &Report, after: &Report) -> Compared {
    fn unwaived(report: &Report) -> BTreeSet<&str> {
        let open = report.findings.iter().filter(|finding| finding.waiver.is_none());
        open.map(|finding| finding.fingerprint.as_str()).collect()
    }
    let (old, new) = (unwaived(before), unwaived(after));
    Compared {
        after: after.verdict.word(),
        new: new.difference(&old).count() as u64,
        fixed: old.difference(&new).count() as u64,
        same: old.intersection(&new).count() as u64,
    }
}
