//! Check one submission.

use std::time::Instant;

use condyle_core::check::{Profile, Request, Waiver, WaiverError, builtin_names, run};
use condyle_core::intake;
use condyle_core::model::nearest;
use condyle_core::report::{FailOn, Report};
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::problem::ApiError;
use crate::state::App;
use crate::submission::Submission;
use crate::telemetry::Timing;

/// How a submission is to be judged.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Options {
    /// A built-in profile; `realtime` unless said.
    pub profile: Option<String>,
    /// Only these checks or families, separated by commas.
    pub only: Option<String>,
    /// Not these checks or families, separated by commas.
    pub skip: Option<String>,
    /// What closes the gate.
    pub fail_on: Option<FailOn>,
    /// The date that waivers are judged by (UTC); today unless said.
    #[param(value_type = Option<String>, format = Date)]
    pub as_of: Option<Date>,
}

/// A report with its bytes.
#[derive(Debug)]
pub struct Checked {
    /// The report.
    pub report: Report,
    /// The report as JSON; the same for the same input, profile, catalogue and date.
    pub json: String,
    /// The plan's own name for its asset.
    pub asset: Option<String>,
    /// How long it took.
    pub timing: Timing,
}

/// Reads and checks on the pool.
pub async fn check(
    app: &App,
    submission: Submission,
    options: Options,
) -> Result<(Submission, Checked), ApiError> {
    let limits = app.config.limits;
    metrics::gauge!("condyle_pool_in_use").set(app.pool.in_use() as f64);
    let outcome = app
        .pool
        .run(move |watch| -> Result<(Submission, Checked), ApiError> {
            let profile = profile(&submission, &options)?;
            let begun = Instant::now();
            let read = intake::read(&submission.bundle(), &limits)?;
            let middle = Instant::now();
            let words = |list: &Option<String>| -> Vec<String> {
                list.iter()
                    .flat_map(|l| l.split(','))
                    .map(str::trim)
                    .filter(|w| !w.is_empty())
                    .map(str::to_owned)
                    .collect()
            };
            let request = Request {
                only: words(&options.only),
                skip: words(&options.skip),
                fail_on: options.fail_on.unwrap_or_default(),
                waivers: waivers(&submission)?,
                ..Request::all(&profile, options.as_of.unwrap_or_else(crate::clock::today))
            };
            let report = run(&read, &request, watch)?;
            let timing = Timing { read: middle - begun, checks: middle.elapsed() };
            let json =
                serde_json::to_string(&report).map_err(|error| ApiError::Internal(error.to_string()))?;
            let asset = read.plan.as_ref().and_then(|plan| plan.get("asset")?.as_str().map(str::to_owned));
            Ok((submission, Checked { report, json, asset, timing }))
        })
        .await??;
    metrics::counter!("condyle_reports_total", "verdict" => outcome.1.report.verdict.word()).increment(1);
    Ok(outcome)
}

fn profile(submission: &Submission, options: &Options) -> Result<Profile, ApiError> {
    if let Some(text) = &submission.profile {
        return Profile::read(text).map_err(ApiError::Profile);
    }
    let name = options.profile.as_deref().unwrap_or("realtime");
    Profile::builtin(name).ok_or_else(|| {
        ApiError::UnknownProfile(
            name.chars().take(80).collect(),
            nearest(name, builtin_names()).map(str::to_owned),
        )
    })
}

fn waivers(submission: &Submission) -> Result<Vec<Waiver>, ApiError> {
    let Some(text) = &submission.waivers else { return Ok(Vec::new()) };
    let list = serde_json::from_str(text).map_err(|error| {
        ApiError::Waiver(WaiverError {
            pointer: String::new(),
            message: format!("the waivers are no JSON: {error}"),
        })
    })?;
    Waiver::read_list(&list).map_err(ApiError::Waiver)
}
