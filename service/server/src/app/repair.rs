//! Repair one submission.

use condyle_core::check::Observer;
use condyle_core::intake::Limits;
use condyle_core::repair::{Repaired, Which, repair as repair_document};
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::IntoParams;

use super::check::{Options, prepared};
use super::shelf::Shelf;
use crate::problem::ApiError;
use crate::state::App;
use crate::submission::Submission;

/// Fingerprints that one request may name.
const MOST_CHOSEN: usize = 2_000;

/// What is to be repaired.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct RepairOptions {
    /// `safe` (unless said): fixes that need no look; `review`: all; or fingerprints of findings, separated by commas.
    pub fix: Option<String>,
    /// A built-in or a stored profile; unless said, the one that the file asks for, else `realtime`.
    pub profile: Option<String>,
    /// The version of the catalogue to be judged by; the newest unless said.
    pub catalogue: Option<String>,
    /// Only findings of these checks or families, separated by commas.
    pub only: Option<String>,
    /// No findings of these checks or families, separated by commas.
    pub skip: Option<String>,
    /// The date that waivers are judged by (UTC); today unless said.
    #[param(value_type = Option<String>, format = Date)]
    pub as_of: Option<Date>,
}

/// Reads, checks and repairs on the pool.
pub async fn repair(app: &App, submission: Submission, options: RepairOptions) -> Result<Repaired, ApiError> {
    let which = which(options.fix.as_deref())?;
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    app.pool.run(move |watch| work(&submission, options, &which, &shelf, &limits, watch)).await?
}

fn which(fix: Option<&str>) -> Result<Which, ApiError> {
    match fix.map(str::trim) {
        None | Some("safe") => Ok(Which::Safe),
        Some("review") => Ok(Which::Review),
        Some(list) => {
            let chosen: Vec<String> =
                list.split(',').map(str::trim).filter(|one| !one.is_empty()).map(str::to_owned).collect();
            if chosen.is_empty() || chosen.len() > MOST_CHOSEN {
                let text = format!("fix is safe, review, or 1 to {MOST_CHOSEN} fingerprints");
                return Err(ApiError::InvalidRequest(text));
            }
            Ok(Which::Chosen(chosen))
        }
    }
}

fn work(
    submission: &Submission,
    options: RepairOptions,
    which: &Which,
    shelf: &Shelf,
    limits: &Limits,
    watch: &dyn Observer,
) -> Result<Repaired, ApiError> {
    let RepairOptions { profile, catalogue, only, skip, as_of, .. } = options;
    let options = Options { profile, catalogue, only, skip, as_of, ..Options::default() };
    prepared(submission, &options, shelf, limits, |_, request| {
        Ok(repair_document(&submission.bundle(), limits, request, which, watch)?)
    })
}
