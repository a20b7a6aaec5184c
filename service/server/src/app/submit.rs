//! Store a revision: acknowledged means durable.

use condyle_api::{InputFile, Revision};
use condyle_core::check::Observer;
use condyle_core::intake::{self, Limits};
use serde::{Deserialize, Serialize};

use super::check::{Options, count, judge};
use super::shelf::Shelf;
use crate::problem::{ApiError, shown};
use crate::state::App;
use crate::store::{Inserted, Stored};
use crate::submission::{File, Submission};
use crate::telemetry::Timing;

/// Where a revision goes.
#[derive(Debug, Clone, Serialize, Deserialize)]
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
            sound(what, name)?;
        }
        Ok(Self { production, asset, label })
    }
}

/// Refuses a name that is not 1 to 100 letters, digits, `.`, `_`, `-`, beginning with a letter or digit.
pub fn sound(what: &str, name: &str) -> Result<(), ApiError> {
    let sound = (1..=100).contains(&name.len())
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-'))
        && name.as_bytes()[0].is_ascii_alphanumeric();
    if sound {
        return Ok(());
    }
    Err(ApiError::InvalidRequest(format!(
        "the {what} must be 1 to 100 of A-Z a-z 0-9 . _ - and begin with a letter or digit"
    )))
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

/// What a request expects to find under its label.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Expectation {
    /// `If-Match`: tags, or `*`.
    pub matches: Option<String>,
    /// `If-None-Match: *`.
    pub must_be_new: bool,
}

/// Checks and stores. The same bytes under the same label change nothing; other bytes are a conflict unless
/// `If-Match` names the revision that is there.
pub async fn submit(
    app: &App,
    address: Address,
    submission: Submission,
    options: Options,
    expected: Expectation,
) -> Result<Submitted, ApiError> {
    let (digest, submission) =
        app.pool.run(move |_| (intake::input_digest(&submission.bundle()), submission)).await?;
    let existing = app.store.revision(&address.production, &address.asset, &address.label).await?;
    let replacing = match decide(existing, &expected, &digest)? {
        Decision::Keep(revision) => {
            return Ok(Submitted { revision: *revision, created: false, timing: Timing::default() });
        }
        Decision::Store { replacing } => replacing,
    };
    let shelf = Shelf::open(app, Some(&address.production)).await?;
    let (limits, blobs, at) = (app.config.limits, app.blobs.clone(), address.clone());
    let (new, timing, keep) = app
        .pool
        .run(move |watch| -> Result<_, ApiError> {
            let recorded = record(&at, &submission, &options, &shelf, &limits, watch)?;
            // From here until the row is there, no blob goes.
            let keep = tokio::runtime::Handle::current().block_on(blobs.keep());
            for (_, file) in submission.all() {
                blobs.put(&intake::file_digest(&file.bytes), &file.bytes)?;
            }
            Ok((recorded.0, recorded.1, keep))
        })
        .await??;
    let outcome = app.store.insert(&new, replacing).await?;
    drop(keep);
    let there = app.store.revision(&address.production, &address.asset, &address.label).await?;
    match (outcome, there) {
        (Inserted::New, Some(there)) => Ok(Submitted { revision: there, created: true, timing }),
        // Somebody stored the same label meanwhile: the same bytes are fine.
        (Inserted::Taken, Some(there)) if there.input_sha256 == digest => {
            Ok(Submitted { revision: there, created: false, timing })
        }
        (Inserted::Taken, _) => {
            Err(ApiError::Conflict(format!("the label {} was stored meanwhile", address.label)))
        }
        (Inserted::New, None) => Err(ApiError::Internal("a stored revision cannot be read".into())),
    }
}

/// Checks a submission, and makes of it what is to be stored. On the pool.
pub(super) fn record(
    address: &Address,
    submission: &Submission,
    options: &Options,
    shelf: &Shelf,
    limits: &Limits,
    watch: &dyn Observer,
) -> Result<(Stored, Timing), ApiError> {
    let checked = judge(submission, options, shelf, limits, watch)?;
    if watch.cancelled() {
        return Err(ApiError::Timeout);
    }
    meant_for(checked.asset.as_deref(), address)?;
    let list = files(submission);
    count(&checked);
    let report = &checked.report;
    let stored = Stored {
        revision: Revision {
            number: 0,
            input_sha256: intake::input_digest(&submission.bundle()),
            input_bytes: list.iter().map(|file| file.bytes).sum(),
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
        manifest: serde_json::to_string(&list).map_err(|e| ApiError::Internal(e.to_string()))?,
        report_sha256: intake::file_digest(checked.json.as_bytes()),
        report: checked.json,
        submitted_ms: crate::clock::now_ms(),
    };
    Ok((stored, checked.timing))
}

/// Refuses a plan that names another asset.
pub(super) fn meant_for(named: Option<&str>, address: &Address) -> Result<(), ApiError> {
    match named.filter(|named| *named != address.asset) {
        None => Ok(()),
        Some(named) => {
            let text = format!("the plan is for {}, the URL for {}", shown(named), address.asset);
            Err(ApiError::AssetMismatch(text))
        }
    }
}

/// The files of an input, with their digests.
pub(super) fn files(submission: &Submission) -> Vec<InputFile> {
    let file = |(role, file): (&str, &File)| InputFile {
        role: role.to_owned(),
        name: file.name.clone(),
        bytes: file.bytes.len() as u64,
        sha256: intake::file_digest(&file.bytes),
    };
    submission.all().map(file).collect()
}

/// What is to be done about what is there.
pub(super) enum Decision {
    /// Nothing.
    Keep(Box<Revision>),
    /// It is stored, in the place of the revision of a number.
    Store { replacing: Option<u64> },
}

/// RFC 9110 §13.2.2: `If-Match` first, then `If-None-Match`. A repeated request whose effect is already there
/// succeeds (§13.1.1).
pub(super) fn decide(
    existing: Option<Revision>,
    expected: &Expectation,
    digest: &str,
) -> Result<Decision, ApiError> {
    let Some(there) = existing else {
        return if expected.matches.is_some() {
            Err(ApiError::PreconditionFailed)
        } else {
            Ok(Decision::Store { replacing: None })
        };
    };
    let tag = tag(&there);
    let same = there.input_sha256 == digest;
    if expected.must_be_new && !same {
        return Err(ApiError::PreconditionFailed);
    }
    match &expected.matches {
        Some(list) if list.trim() == "*" || list.split(',').any(|t| t.trim() == tag) => {
            // Asked to replace it, even by the same bytes: another profile or date may judge otherwise.
            Ok(Decision::Store { replacing: Some(there.number) })
        }
        _ if same => Ok(Decision::Keep(Box::new(there))),
        Some(_) => Err(ApiError::PreconditionFailed),
        None => Err(ApiError::Conflict(format!(
            "the label {} holds the input {}; If-Match: {tag} replaces it",
            there.label, there.input_sha256
        ))),
    }
}

/// The strong tag of a revision: changes whenever it does.
pub fn tag(revision: &Revision) -> String {
    let text = serde_json::to_string(revision).unwrap_or_default();
    format!("\"{}\"", &intake::file_digest(text.as_bytes())[..32])
}
