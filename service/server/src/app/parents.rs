//! Suggest parents for one submission.

use std::collections::BTreeMap;
use std::time::Instant;

use condyle_core::check::said;
use condyle_core::facts::Facts;
use condyle_core::parenting::{Ask, Parents, suggest};
use serde::Deserialize;
use utoipa::IntoParams;

use super::check::{self, prepared};
use super::shelf::Shelf;
use crate::problem::ApiError;
use crate::state::App;
use crate::submission::Submission;
use crate::telemetry::Timing;

/// What is to be suggested.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Options {
    /// Forget the parents that the document gives and suggest all of them.
    #[serde(default)]
    pub strip: bool,
    /// Only suggestions at least this probable (0 to 1) go into the patch; all of them unless said.
    #[serde(default)]
    pub min_probability: Option<f64>,
    /// A built-in or a stored profile, whose `conventions` answer questions; unless said, the one that the file asks for, else
    /// `realtime`.
    pub profile: Option<String>,
}

/// Suggestions with their bytes.
#[derive(Debug)]
pub struct Suggested {
    /// The suggestions.
    pub parents: Parents,
    /// The same as JSON.
    pub json: String,
    /// How long it took.
    pub timing: Timing,
}

/// Reads and suggests on the pool.
pub async fn parents(app: &App, submission: Submission, options: Options) -> Result<Suggested, ApiError> {
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    let least = options.min_probability.unwrap_or(0.0);
    if !(0.0..=1.0).contains(&least) {
        return Err(ApiError::InvalidRequest("min_probability lies outside 0 to 1".into()));
    }
    let judged = check::Options { profile: options.profile, ..check::Options::default() };
    app.pool
        .run(move |_| {
            let begun = Instant::now();
            prepared(&submission, &judged, &shelf, &limits, |read, request| {
                let middle = Instant::now();
                let mut answers = said(read);
                if let Some(text) = &submission.answers {
                    let given: BTreeMap<String, String> = serde_json::from_str(text).map_err(|error| {
                        ApiError::InvalidMultipart(format!("the part answers is no object of texts: {error}"))
                    })?;
                    answers.extend(given);
                }
                let ask = Ask { strip: options.strip, answers, least };
                let file = submission.all().next().map_or("", |(_, file)| file.name.as_str());
                let facts = Facts::new(&read.rig).with_answers(request.profile.conventions.clone());
                let parents = suggest(&facts, &ask).map_err(|refusal| refusal.fault(file))?;
                let timing = Timing { read: middle - begun, checks: middle.elapsed() };
                let json =
                    serde_json::to_string(&parents).map_err(|error| ApiError::Internal(error.to_string()))?;
                Ok(Suggested { parents, json, timing })
            })
        })
        .await?
}
