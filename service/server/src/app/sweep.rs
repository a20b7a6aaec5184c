//! Turn every joint of a model, and show the worst poses.

use std::time::Instant;

use condyle_core::check::{Observer, run_then};
use condyle_core::intake::{self, Bundle, Limits};
use condyle_core::repair::pose_model;

use crate::app::check::{Options, prepared};
use crate::app::shelf::Shelf;
use crate::problem::ApiError;
use crate::state::App;
use crate::submission::Submission;
use crate::telemetry::Timing;

/// A model with a clip of its worst poses.
#[derive(Debug)]
pub struct Posed {
    /// The file.
    pub body: Vec<u8>,
    /// How long it took.
    pub timing: Timing,
}

/// Reads, sweeps and writes on the pool.
pub async fn posed(app: &App, submission: Submission, options: Options) -> Result<Posed, ApiError> {
    if submission.model.is_none() {
        return Err(ApiError::InvalidRequest("poses are shown on a model".into()));
    }
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    app.pool.run(move |watch| pose(&submission, &options, &shelf, &limits, watch)).await?
}

fn pose(
    submission: &Submission,
    options: &Options,
    shelf: &Shelf,
    limits: &Limits,
    watch: &dyn Observer,
) -> Result<Posed, ApiError> {
    let begun = Instant::now();
    prepared(submission, options, shelf, limits, |read, request| {
        let middle = Instant::now();
        let (_, posed) = run_then(read, request, watch, |facts| -> Result<Vec<u8>, ApiError> {
            let bundle = Bundle { plan: None, ..submission.bundle() };
            let model = intake::read(&bundle, limits)?;
            let posed = pose_model(&bundle, &model, facts, limits).map_err(ApiError::InvalidRequest)?;
            Ok(posed.bytes)
        })?;
        Ok(Posed { body: posed?, timing: Timing { read: middle - begun, checks: middle.elapsed() } })
    })
}
