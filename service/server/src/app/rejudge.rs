//! When a waiver ends, what it covered counts again: the stored report of each asset's latest revision is judged anew at
//! the turn of the day. Earlier revisions keep what was said of them on their day.

use std::time::Duration;

use condyle_core::check::{CHECKS, Catalogue};
use condyle_core::intake::file_digest;
use condyle_core::rejudge::{ENDED, rejudge};
use condyle_core::report::{Report, Severity};
use jiff::civil::Date;

use super::shelf::Shelf;
use crate::problem::ApiError;
use crate::state::App;
use crate::store::rejudge::{Ended, Rejudged};

/// The longest sleep: a clock that is set must not make a day go by unseen.
const LONGEST: Duration = Duration::from_mins(15);
const DAY_MS: i64 = 86_400_000;

/// Judges what has waivers that ended before a day; how many reports are others now.
pub async fn rejudge_ended(app: &App, today: Date, now_ms: i64) -> Result<u64, ApiError> {
    let day = today.to_string();
    let shelf = Shelf::open(app, None).await?;
    let mut after = (String::new(), String::new());
    let mut rejudged = 0;
    loop {
        let batch = app.store.ended_before(&day, (&after.0, &after.1)).await?;
        let Some(last) = batch.last() else { return Ok(rejudged) };
        after = (last.production.clone(), last.asset.clone());
        for ended in batch {
            let shelf = shelf.clone();
            let work = move || (judge(&ended, today, &shelf), ended);
            let (made, ended) = tokio::task::spawn_blocking(work)
                .await
                .map_err(|error| ApiError::Internal(error.to_string()))?;
            let made = made?;
            if app.store.rejudge(&ended, made.as_ref(), now_ms).await?
                && let Some(made) = made
            {
                metrics::counter!("condyle_rejudged_total", "verdict" => made.verdict.word()).increment(1);
                rejudged += 1;
            }
        }
    }
}

fn judge(ended: &Ended, today: Date, shelf: &Shelf) -> Result<Option<Rejudged>, ApiError> {
    let internal = |error: serde_json::Error| {
        ApiError::Internal(format!("the report of {}/{}: {error}", ended.production, ended.asset))
    };
    let report: Report = serde_json::from_str(&ended.report).map_err(internal)?;
    let Some(now) = rejudge(&report, today, severity(&report, shelf)) else { return Ok(None) };
    let text = serde_json::to_string(&now).map_err(internal)?;
    Ok(Some(Rejudged {
        report_sha256: file_digest(text.as_bytes()),
        report: text,
        verdict: now.verdict,
        counts: now.counts,
    }))
}

/// How bad a waiver that ended is, by the profile of the report where it is still the same, else by the catalogue.
fn severity(report: &Report, shelf: &Shelf) -> Option<Severity> {
    let index = CHECKS.iter().position(|check| check.id == ENDED)?;
    let usual = || CHECKS[index].bands.first()?.severity;
    let mut shelf = shelf.clone();
    shelf.policy.catalogue = None;
    let version =
        Catalogue::find(&report.catalogue).map_or_else(|_| None, |_| Some(report.catalogue.as_str()));
    let profile = shelf.pinned(version).and_then(|shelf| shelf.profile(&report.profile.name, None));
    match profile {
        Ok(profile) if profile.reference() == report.profile => {
            let settings = profile.settings(index);
            settings.bands.first()?.severity.filter(|_| settings.enabled)
        }
        _ => usual(),
    }
}

/// Judges at the start of the service and at the turn of each UTC day, until it is dropped.
pub async fn for_good(app: App) {
    let mut judged: Option<Date> = None;
    loop {
        let (today, now_ms) = (crate::clock::today(), crate::clock::now_ms());
        if judged != Some(today) {
            match rejudge_ended(&app, today, now_ms).await {
                Ok(count) => {
                    judged = Some(today);
                    if count > 0 {
                        tracing::info!(count, "judged again: waivers ended");
                    }
                }
                Err(error) => tracing::warn!(?error, "waivers that ended wait for the next time"),
            }
        }
        let left = DAY_MS - crate::clock::now_ms().rem_euclid(DAY_MS);
        let left = Duration::from_millis(left.max(1) as u64);
        tokio::time::sleep(left.min(LONGEST)).await;
    }
}
