//! Bind a plan to its body on trial.

use std::time::Instant;

use condyle_api::TrialBind;
use condyle_core::bind::Summary;
use condyle_core::check::{Observer, run_then};
use condyle_core::facts::Facts;
use condyle_core::intake::{self, Bundle, Limits};
use condyle_core::repair::bind_model;

use crate::app::check::{Options, prepared};
use crate::app::shelf::Shelf;
use crate::problem::ApiError;
use crate::state::App;
use crate::submission::Submission;
use crate::telemetry::Timing;

/// Influences per vertex of the model that comes back.
const INFLUENCES: usize = 4;

/// What is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    /// The findings and numbers.
    Report,
    /// The model, bound.
    Model,
}

/// A trial bind.
#[derive(Debug)]
pub struct Bound {
    /// The answer in numbers, or the model.
    pub body: Vec<u8>,
    /// How long it took.
    pub timing: Timing,
}

/// Reads and binds on the pool.
pub async fn trial_bind(
    app: &App,
    submission: Submission,
    options: Options,
    wanted: Wanted,
) -> Result<Bound, ApiError> {
    if submission.plan.is_none() || submission.model.is_none() {
        return Err(ApiError::InvalidRequest("a trial bind takes the parts plan and model".into()));
    }
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    app.pool.run(move |watch| bind(&submission, options, &shelf, &limits, wanted, watch)).await?
}

fn bind(
    submission: &Submission,
    options: Options,
    shelf: &Shelf,
    limits: &Limits,
    wanted: Wanted,
    watch: &dyn Observer,
) -> Result<Bound, ApiError> {
    let only = options.only.clone().unwrap_or_else(|| "forecast".into());
    let options = Options { only: Some(only), ..options };
    let begun = Instant::now();
    prepared(submission, &options, shelf, limits, |read, request| {
        let middle = Instant::now();
        let timing = || Timing { read: middle - begun, checks: middle.elapsed() };
        match wanted {
            Wanted::Model => {
                let (_, bytes) =
                    run_then(read, request, watch, |facts| bound_model(submission, facts, limits))?;
                Ok(Bound { body: bytes?, timing: timing() })
            }
            Wanted::Report => {
                let (report, (bind, refusal)) =
                    run_then(read, request, watch, |facts| (Summary::of(facts), facts.trial_bind().err()))?;
                let refused = refusal.map(|refusal| refusal.reason().to_owned());
                let answer = TrialBind { report, bind, refused };
                let body =
                    serde_json::to_vec(&answer).map_err(|error| ApiError::Internal(error.to_string()))?;
                Ok(Bound { body, timing: timing() })
            }
        }
    })
}

fn bound_model(submission: &Submission, facts: &Facts<'_>, limits: &Limits) -> Result<Vec<u8>, ApiError> {
    let bundle = Bundle { plan: None, ..submission.bundle() };
    let read = intake::read(&bundle, limits)?;
    bind_model(&bundle, &read, facts, INFLUENCES, limits).map_err(ApiError::InvalidRequest)
}
