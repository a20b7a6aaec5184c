//! Deleting revisions and assets with their blobs, retention, and the sweep of what nobody needs.

use std::time::{Duration, SystemTime};

use super::submit::{Address, tag};
use crate::problem::ApiError;
use crate::state::App;
use crate::store::Removed;

/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;

/// Deletes a revision; `expected` is the request's `If-Match`.
pub async fn revision(app: &App, at: &Address, expected: Option<&str>) -> Result<(), ApiError> {
    let path = (at.production.as_str(), at.asset.as_str(), at.label.as_str());
    let number = match expected {
        None => None,
        Some(list) => {
            let there = app.store.revision(path.0, path.1, path.2).await?;
            let there = there.ok_or(ApiError::PreconditionFailed)?;
            if !names(list, &tag(&there)) {
                return Err(ApiError::PreconditionFailed);
            }
            Some(there.number)
        }
    };
    let removed = app.store.remove_revision(path, number, "request", crate::clock::now_ms()).await?;
    finish(app, removed, || format!("revision {} of {}/{}", path.2, path.0, path.1)).await
}

/// Deletes an asset with all its revisions; `expected` is the request's `If-Match`.
pub async fn asset(app: &App, production: &str, asset: &str, expected: Option<&str>) -> Result<(), ApiError> {
    let number = match expected {
        None => None,
        Some(list) => {
            let there = app.store.asset(production, asset).await?.ok_or(ApiError::PreconditionFailed)?;
            if !names(list, &crate::routes::negotiate::tag_of(&there)?) {
                return Err(ApiError::PreconditionFailed);
            }
            Some(there.latest.number)
        }
    };
    let removed = app.store.remove_asset(production, asset, number, crate::clock::now_ms()).await?;
    finish(app, removed, || format!("asset {production}/{asset}")).await
}

fn names(list: &str, tag: &str) -> bool {
    list.trim() == "*" || list.split(',').any(|one| one.trim() == tag)
}

async fn finish(app: &App, removed: Removed, what: impl FnOnce() -> String) -> Result<(), ApiError> {
    match removed {
        Removed::Missing => Err(ApiError::not_found(what())),
        Removed::Changed => Err(ApiError::PreconditionFailed),
        Removed::Gone(blobs) => {
            // The rows are gone for good; a blob that cannot be removed now is swept later.
            if let Err(error) = drop_unused(app, blobs).await {
                tracing::warn!(?error, "blobs of what was deleted wait for the sweep");
            }
            Ok(())
        }
    }
}

/// Removes those of the blobs that nobody needs; how many went.
async fn drop_unused(app: &App, list: Vec<String>) -> Result<u64, ApiError> {
    let mut removed = 0;
    for sha256 in list {
        let Some(closed) = app.blobs.close().await else {
            tracing::info!("blobs are in use all the time; the next sweep takes what is left");
            return Ok(removed);
        };
        if app.store.blob_in_use(&sha256).await? {
            continue;
        }
        let blobs = app.blobs.clone();
        let gone = tokio::task::spawn_blocking(move || blobs.remove(&closed, &sha256))
            .await
            .map_err(|error| ApiError::Internal(error.to_string()))??;
        removed += u64::from(gone);
    }
    Ok(removed)
}

/// What a sweep did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Swept {
    /// Blobs that went.
    pub blobs: u64,
}

/// Removes what the policies do not keep, then blobs that nobody needs and that are old enough.
pub async fn sweep(app: &App, now_ms: i64) -> Result<Swept, ApiError> {
    let mut swept = Swept::default();
    for (production, body) in app.store.policies().await? {
        let policy: condyle_api::Policy =
            serde_json::from_str(&body).map_err(|error| ApiError::Internal(error.to_string()))?;
        let Some(rule) = policy.retention else { continue };
        let before = rule.keep_days.map(|days| now_ms - i64::from(days) * DAY_MS);
        for asset in app.store.assets_with_history(&production).await? {
            let at = (production.as_str(), asset.as_str());
            let baseline = policy.baseline.as_deref();
            let blobs = app.store.retain(at, rule.keep_last, before, baseline, now_ms).await?;
            swept.blobs += drop_unused(app, blobs).await?;
        }
    }
    let grace = Duration::from_secs(app.config.retention.orphans_s);
    let than = SystemTime::now().checked_sub(grace).unwrap_or(SystemTime::UNIX_EPOCH);
    let blobs = app.blobs.clone();
    let old = tokio::task::spawn_blocking(move || blobs.older(than))
        .await
        .map_err(|error| ApiError::Internal(error.to_string()))??;
    // Looked up first without closing the door, which is only for those that are about to go.
    let mut idle = Vec::new();
    for sha256 in old {
        if !app.store.blob_in_use(&sha256).await? {
            idle.push(sha256);
        }
    }
    swept.blobs += drop_unused(app, idle).await?;
    Ok(swept)
}

/// Sweeps now and then until it is dropped.
pub async fn sweep_for_good(app: App) {
    let every = Duration::from_secs(app.config.retention.every_s);
    loop {
        match sweep(&app, crate::clock::now_ms()).await {
            Ok(swept) if swept.blobs > 0 => tracing::info!(blobs = swept.blobs, "swept"),
            Ok(_) => {}
            Err(error) => tracing::warn!(?error, "the sweep waits for the next time"),
        }
        tokio::time::sleep(every).await;
    }
}
