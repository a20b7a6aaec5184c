//! Store a revision: acknowledged means durable.

use axum::http::{HeaderMap, header};
use condyle_api::Revision;
use condyle_core::intake;
use serde_json::json;

use super::check::{Options, check};
use crate::problem::ApiError;
use crate::state::App;
use crate::store::{Inserted, Stored};
use crate::submission::Submission;
use crate::telemetry::Timing;

/// Where a revision goes.
#[derive(Debug, Clone)]
pub struct Address {
    /// The show.
    pub production: String,
    /// The asset.
    pub asset: String,
    /// The label.
    pub label: String,
}

impl Address {
    /// Names are 1 to 100 letters, digits, `.`, `_`, `-`, and begin with a letter or digit.
    pub fn checked(production: String, asset: String, label: String) -> Result<Self, ApiError> {
        for (what, name) in [("production", &production), ("asset", &asset), ("label", &label)] {
            let sound = (1..=100).contains(&name.len())
                && name.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-'))
                && name.as_bytes()[0].is_ascii_alphanumeric();
            if !sound {
                let text = format!(
                    "the {what} must be 1 to 100 of A-Z a-z 0-9 . _ - and begin with a letter or digit"
                );
                return Err(ApiError::InvalidRequest(text));
            }
        }
        Ok(Self { production, asset, label })
    }
}

/// What became of a submission.
#[derive(Debug)]
pub struct Submitted {
    /// The revision as stored.
    pub revision: Revision,
    /// It is new (201), or was there with the same bytes (200).
    pub created: bool,
    /// How long checking took.
    pub timing: Timing,
}

/// Checks and stores. The same bytes under the same label change nothing; other bytes are a conflict unless
/// `If-Match` names the revision that is there.
pub async fn submit(
    app: &App,
    address: Address,
    submission: Submission,
    options: Options,
    headers: &HeaderMap,
) -> Result<Submitted, ApiError> {
    let (digest, submission) =
        tokio::task::spawn_blocking(move || (intake::input_digest(&submission.bundle()), submission))
            .await
            .map_err(|error| ApiError::Internal(error.to_string()))?;
    let existing = app.store.revision(&address.production, &address.asset, &address.label).await?;
    let matches = headers.get(header::IF_MATCH).and_then(|v| v.to_str().ok());
    let must_be_new = headers.get(header::IF_NONE_MATCH).is_some_and(|v| v.as_bytes() == b"*");
    let replacing = match existing {
        Some(_) if must_be_new => return Err(ApiError::PreconditionFailed),
        Some(there) if there.revision.input_sha256 == digest => {
            return Ok(Submitted { revision: there.revision, created: false, timing: Timing::default() });
        }
        Some(there) => {
            let tag = format!("\"{}\"", there.revision.input_sha256);
            match matches {
                Some(list) if list.trim() == "*" || list.split(',').any(|t| t.trim() == tag) => {}
                Some(_) => return Err(ApiError::PreconditionFailed),
                None => {
                    let text = format!("label {} holds input {}", address.label, there.revision.input_sha256);
                    return Err(ApiError::Conflict(text));
                }
            }
            Some(there.revision.input_sha256)
        }
        None if matches.is_some() => return Err(ApiError::PreconditionFailed),
        None => None,
    };
    let (submission, checked) = check(app, submission, options).await?;
    if let Some(named) = checked.asset.filter(|named| *named != address.asset) {
        let shown: String = named.chars().take(100).collect();
        return Err(ApiError::AssetMismatch(format!(
            "the plan is for {shown}, the URL for {}",
            address.asset
        )));
    }
    let blobs = app.blobs.clone();
    let (manifest, bytes) = tokio::task::spawn_blocking(move || -> std::io::Result<(String, u64)> {
        let mut list = Vec::new();
        let mut bytes = 0;
        for (role, file) in submission.all() {
            let sha256 = intake::file_digest(&file.bytes);
            blobs.put(&sha256, &file.bytes)?;
            bytes += file.bytes.len() as u64;
            list.push(json!({"role": role, "name": file.name, "bytes": file.bytes.len(), "sha256": sha256}));
        }
        Ok((serde_json::Value::from(list).to_string(), bytes))
    })
    .await
    .map_err(|error| ApiError::Internal(error.to_string()))??;
    let report = &checked.report;
    let submitted_ms = crate::clock::now_ms();
    let stored = Stored {
        revision: Revision {
            number: 0,
            input_sha256: digest.clone(),
            input_bytes: bytes,
            verdict: report.verdict,
            counts: report.counts,
            profile: report.profile.name.clone(),
            catalogue: report.catalogue.clone(),
            submitted_at: String::new(),
            report_url: String::new(),
            production: address.production.clone(),
            asset: address.asset.clone(),
            label: address.label.clone(),
        },
        manifest,
        report_sha256: intake::file_digest(checked.json.as_bytes()),
        report: checked.json,
        submitted_ms,
    };
    let outcome = app.store.insert(&stored, replacing.as_deref()).await?;
    let there = app.store.revision(&address.production, &address.asset, &address.label).await?;
    match (outcome, there) {
        (Inserted::New, Some(there)) => {
            Ok(Submitted { revision: there.revision, created: true, timing: checked.timing })
        }
        // Somebody stored the same label meanwhile: the same bytes are fine.
        (Inserted::Taken, Some(there)) if there.revision.input_sha256 == digest => {
            Ok(Submitted { revision: there.revision, created: false, timing: checked.timing })
        }
        (Inserted::Taken, _) => {
            Err(ApiError::Conflict(format!("label {} was stored meanwhile", address.label)))
        }
        (Inserted::New, None) => Err(ApiError::Internal("a stored revision cannot be read".into())),
    }
}
