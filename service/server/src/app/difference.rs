//! What changed between two revisions, or two uploads.

use condyle_api::{InputFile, Policy};
use condyle_core::check::{Observer, Request, run};
use condyle_core::difference::{Difference, Side, compare};
use condyle_core::intake::{self, Bundle, Intake, Limits, Upload};
use condyle_core::report::{NotRunStatus, Report};

use super::check::{Options, prepared};
use super::shelf::Shelf;
use crate::blobs::Blobs;
use crate::problem::ApiError;
use crate::state::App;
use crate::store::Stored;
use crate::submission::{File, Submission};

/// Which two revisions of an asset.
#[derive(Debug, Clone)]
pub struct Pair {
    /// The show.
    pub production: String,
    /// The asset.
    pub asset: String,
    /// The label before; unless said, the production's baseline, else the revision before `to`.
    pub from: Option<String>,
    /// The label now; unless said, the latest.
    pub to: Option<String>,
}

/// Compares two stored revisions.
pub async fn of_revisions(app: &App, pair: Pair) -> Result<Difference, ApiError> {
    let shelf = Shelf::open(app, Some(&pair.production)).await?;
    let (from, to) = find(app, &pair, &shelf.policy).await?;
    let bytes = from.revision.input_bytes + to.revision.input_bytes;
    let held = app.uploads.reserve(bytes)?;
    let (blobs, limits) = (app.blobs.clone(), app.config.limits);
    app.pool
        .run(move |watch| {
            let difference = stored(&from, &to, &shelf, &blobs, &limits, watch);
            drop(held);
            difference
        })
        .await?
}

/// The two revisions that are meant.
async fn find(app: &App, pair: &Pair, policy: &Policy) -> Result<(Stored, Stored), ApiError> {
    let Pair { production, asset, .. } = pair;
    let to = match &pair.to {
        Some(label) => label.clone(),
        None => {
            let latest = app.store.revisions(production, asset, None, 1).await?.into_iter().next();
            latest.ok_or_else(|| ApiError::not_found(format!("asset {production}/{asset}")))?.label
        }
    };
    let whole = async |label: &str, what: &str| {
        let found = app.store.whole(production, asset, label).await?;
        found.ok_or_else(|| ApiError::not_found(format!("revision {label} of {production}/{asset}{what}")))
    };
    let to = whole(&to, "").await?;
    let from = match (&pair.from, &policy.baseline) {
        (Some(label), _) => whole(label, "").await?,
        (None, Some(label)) => whole(label, ", the production's baseline; name another as from").await?,
        (None, None) => {
            let below = Some(to.revision.number);
            let before = app.store.revisions(production, asset, below, 1).await?.into_iter().next();
            let before = before
                .ok_or_else(|| ApiError::not_found(format!("revision before {}", to.revision.label)))?;
            whole(&before.label, "").await?
        }
    };
    Ok((from, to))
}

fn stored(
    from: &Stored,
    to: &Stored,
    shelf: &Shelf,
    blobs: &Blobs,
    limits: &Limits,
    watch: &dyn Observer,
) -> Result<Difference, ApiError> {
    let (old_report, new_report) = (report(from)?, report(to)?);
    let reread = |stored: &Stored| -> Result<Intake, ApiError> {
        reread(&manifest(stored)?, blobs, limits)?.ok_or_else(gone)
    };
    let (old, new) = (reread(from)?, reread(to)?);
    let rules = |report: &Report| {
        (report.profile.clone(), report.catalogue.clone(), report.as_of, report.selection.clone())
    };
    let rejudged = if old.sha256 == new.sha256 || rules(&old_report) == rules(&new_report) {
        None
    } else {
        rejudge(&old, &new_report, shelf, limits, watch)?
    };
    Ok(compare(
        (&from.revision.label, Side { report: &old_report, rig: Some(&old.rig) }),
        (&to.revision.label, Side { report: &new_report, rig: Some(&new.rig) }),
        rejudged.as_ref(),
    ))
}

fn report(stored: &Stored) -> Result<Report, ApiError> {
    serde_json::from_str(&stored.report).map_err(|error| ApiError::Internal(error.to_string()))
}

/// The older input by the rules of the newer report, where they are still at hand: a version of the catalogue
/// that is known, and a profile of the same content.
fn rejudge(
    old: &Intake,
    newer: &Report,
    shelf: &Shelf,
    limits: &Limits,
    watch: &dyn Observer,
) -> Result<Option<Report>, ApiError> {
    let mut shelf = shelf.clone();
    shelf.policy.catalogue = None;
    let Ok(shelf) = shelf.pinned(Some(&newer.catalogue)) else { return Ok(None) };
    let Ok(profile) = shelf.profile(&newer.profile.name, None) else { return Ok(None) };
    if profile.reference() != newer.profile {
        return Ok(None);
    }
    let reference = shelf.reference(None, &profile, limits)?;
    let swept = !newer
        .not_run
        .iter()
        .any(|one| one.check.starts_with("sweep/") && one.status == NotRunStatus::Disabled);
    let request = Request {
        only: newer.selection.only.clone(),
        skip: newer.selection.skip.clone(),
        waivers: shelf.waivers.clone(),
        honour_inline_waivers: shelf.policy.in_file_waivers,
        reference: reference.as_ref().map(|reference| &reference.rig),
        sweep: Some(swept),
        ..Request::all(&profile, newer.as_of)
    };
    Ok(Some(run(old, &request, watch)?))
}

/// The files of a revision's input.
pub fn manifest(stored: &Stored) -> Result<Vec<InputFile>, ApiError> {
    serde_json::from_str(&stored.manifest).map_err(|error| ApiError::Internal(error.to_string()))
}

/// A revision without what it was made of.
pub(super) fn gone() -> ApiError {
    ApiError::Internal("the input's blob is gone".into())
}

/// Reads a stored input again; nothing where one of its files is gone.
pub(super) fn reread(list: &[InputFile], blobs: &Blobs, limits: &Limits) -> Result<Option<Intake>, ApiError> {
    let mut files = Vec::with_capacity(list.len());
    for file in list {
        let Some(bytes) = blobs.get(&file.sha256)? else { return Ok(None) };
        files.push((file.role.as_str(), file.name.as_str(), bytes));
    }
    let mut bundle = Bundle::default();
    for (role, name, bytes) in &files {
        let upload = Upload { name, bytes };
        match *role {
            "plan" => bundle.plan = Some(upload),
            "model" => bundle.model = Some(upload),
            _ => bundle.files.push(upload),
        }
    }
    Ok(Some(intake::read(&bundle, limits)?))
}

/// Compares two uploads, judged by the same rules.
pub async fn of_uploads(
    app: &App,
    mut submission: Submission,
    options: Options,
) -> Result<Difference, ApiError> {
    let Some(baseline) = submission.baseline.take() else {
        return Err(ApiError::InvalidMultipart("there is no part baseline to compare with".into()));
    };
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    app.pool
        .run(move |watch| {
            let before = Upload { name: &baseline.name, bytes: &baseline.bytes };
            let before = intake::read(&Bundle { model: Some(before), ..Bundle::default() }, &limits)?;
            prepared(&submission, &options, &shelf, &limits, |now, request| {
                let (old, new) = (run(&before, request, watch)?, run(now, request, watch)?);
                Ok(compare(
                    (&baseline.name, Side { report: &old, rig: Some(&before.rig) }),
                    (&title(&submission), Side { report: &new, rig: Some(&now.rig) }),
                    None,
                ))
            })
        })
        .await?
}

/// What to call the newer upload.
fn title(submission: &Submission) -> String {
    let named = |file: &Option<File>| file.as_ref().map(|file| file.name.clone());
    named(&submission.plan).or_else(|| named(&submission.model)).unwrap_or_default()
}
