//! Check one submission.

use std::time::Instant;

use condyle_api::Priority;
use condyle_core::check::{CHECKS, Observer, Profile, Request, Waiver, WaiverError, find, run};
use condyle_core::figure::{Figure, Options as Drawing, figure};
use condyle_core::intake::{self, Intake, Limits};
use condyle_core::report::{FailOn, Report};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;

use crate::app::figure::title;
use crate::app::shelf::Shelf;
use crate::pool::Watch;
use crate::problem::ApiError;
use crate::state::App;
use crate::submission::Submission;
use crate::telemetry::Timing;

/// How a submission is to be judged.
#[derive(Debug, Clone, Default, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Options {
    /// A built-in or a stored profile; unless said, the one that the file asks for, else `realtime`.
    pub profile: Option<String>,
    /// The version of the catalogue to be judged by, where the production has not agreed on one; the newest unless said.
    pub catalogue: Option<String>,
    /// Only these checks or families, separated by commas.
    pub only: Option<String>,
    /// Not these checks or families, separated by commas.
    pub skip: Option<String>,
    /// Whether the pose sweep runs; unless said, where `only` names it or the profile asks for it.
    pub sweep: Option<bool>,
    /// Whether the sweep measures the poses of the asset's own clips, too.
    pub clips: Option<bool>,
    /// What closes the gate.
    pub fail_on: Option<FailOn>,
    /// The date that waivers are judged by (UTC); today unless said.
    #[param(value_type = Option<String>, format = Date)]
    pub as_of: Option<Date>,
    /// Where `Prefer` makes it a job: `gate` (unless said) goes before `bulk`.
    #[param(inline)]
    pub priority: Option<Priority>,
}

/// A report with its bytes.
#[derive(Debug)]
pub struct Checked {
    /// The report.
    pub report: Report,
    /// The report as JSON; the same for the same input, profile, catalogue and date.
    pub json: String,
    /// The drawing, where it was asked for.
    pub figure: Option<Figure>,
    /// The plan's own name for its asset.
    pub asset: Option<String>,
    /// How long it took.
    pub timing: Timing,
}

/// Reads and checks on the pool, and draws what it checked where that is asked for.
pub async fn check(
    app: &App,
    submission: Submission,
    options: Options,
    drawing: Option<Drawing>,
) -> Result<Checked, ApiError> {
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    let work = move |watch: &Watch| examine(&submission, &options, &shelf, &limits, watch, drawing.as_ref());
    let checked = app.pool.run(work).await??;
    count(&checked);
    Ok(checked)
}

/// Notes a report in the metrics.
pub(super) fn count(checked: &Checked) {
    metrics::counter!("condyle_reports_total", "verdict" => checked.report.verdict.word()).increment(1);
    let Timing { read, checks } = checked.timing;
    metrics::histogram!("condyle_step_duration_seconds", "step" => "read").record(read.as_secs_f64());
    metrics::histogram!("condyle_step_duration_seconds", "step" => "checks").record(checks.as_secs_f64());
}

/// Reads and checks, here and now.
pub(super) fn judge(
    submission: &Submission,
    options: &Options,
    shelf: &Shelf,
    limits: &Limits,
    watch: &dyn Observer,
) -> Result<Checked, ApiError> {
    examine(submission, options, shelf, limits, watch, None)
}

fn examine(
    submission: &Submission,
    options: &Options,
    shelf: &Shelf,
    limits: &Limits,
    watch: &dyn Observer,
    drawing: Option<&Drawing>,
) -> Result<Checked, ApiError> {
    let begun = Instant::now();
    prepared(submission, options, shelf, limits, |read, request| {
        let middle = Instant::now();
        let report = run(read, request, watch)?;
        let timing = Timing { read: middle - begun, checks: middle.elapsed() };
        let json = serde_json::to_string(&report).map_err(|error| ApiError::Internal(error.to_string()))?;
        let asset = read.plan.as_ref().and_then(|plan| plan.get("asset")?.as_str().map(str::to_owned));
        let draw = |drawing| figure(&read.rig, &title(read), Some(&report), drawing);
        let figure = drawing.map(draw);
        Ok(Checked { report, json, figure, asset, timing })
    })
}

/// Reads a submission and hands it on with the request that its options and the policy make.
pub(super) fn prepared<T>(
    submission: &Submission,
    options: &Options,
    shelf: &Shelf,
    limits: &Limits,
    work: impl FnOnce(&Intake, &Request<'_>) -> Result<T, ApiError>,
) -> Result<T, ApiError> {
    let read = || Ok(intake::read(&submission.bundle(), limits)?);
    prepared_from(submission, options, shelf, limits, read, work)
}

/// The same where reading is more than that.
pub(super) fn prepared_from<T>(
    submission: &Submission,
    options: &Options,
    shelf: &Shelf,
    limits: &Limits,
    read: impl FnOnce() -> Result<Intake, ApiError>,
    work: impl FnOnce(&Intake, &Request<'_>) -> Result<T, ApiError>,
) -> Result<T, ApiError> {
    if submission.baseline.is_some() {
        return Err(ApiError::InvalidMultipart("a part baseline is for POST /v1/differences".into()));
    }
    // The production's word beats the request's, which beats the file's.
    let shelf = &shelf.pinned(options.catalogue.as_deref())?;
    let asked = match &shelf.policy.profile {
        Some(agreed) => Some(shelf.profile(agreed, None)?),
        None => asked(submission, options, shelf)?,
    };
    let read = read()?;
    let profile = match asked {
        Some(profile) => profile,
        None => declared(&read, shelf)?.unwrap_or_else(|| Profile::realtime_under(shelf.catalogue())),
    };
    let reference = shelf.reference(submission.reference.as_ref(), &profile, limits)?;
    let mut waivers = waivers(submission)?;
    waivers.extend(shelf.waivers.iter().cloned());
    let request = Request {
        only: words(options.only.as_deref()),
        skip: words(options.skip.as_deref()),
        fail_on: options.fail_on.unwrap_or_default(),
        waivers,
        honour_inline_waivers: shelf.policy.in_file_waivers,
        reference: reference.as_ref().map(|reference| &reference.rig),
        sweep: options.sweep,
        clips: options.clips.unwrap_or(false),
        ..Request::all(&profile, options.as_of.unwrap_or_else(crate::clock::today))
    };
    work(&read, &request)
}

/// Refuses what can be refused without reading the files.
pub(super) fn acceptable(submission: &Submission, options: &Options, shelf: &Shelf) -> Result<(), ApiError> {
    asked(submission, options, &shelf.pinned(options.catalogue.as_deref())?)?;
    waivers(submission)?;
    for id in words(options.only.as_deref()).iter().chain(&words(options.skip.as_deref())) {
        if !CHECKS.iter().any(|check| check.family() == id) {
            find(id).map_err(ApiError::UnknownCheck)?;
        }
    }
    Ok(())
}

fn words(list: Option<&str>) -> Vec<String> {
    let words = list.unwrap_or("").split(',').map(str::trim);
    words.filter(|word| !word.is_empty()).map(str::to_owned).collect()
}

/// The profile that the request asks for: the part, or the query.
fn asked(submission: &Submission, options: &Options, shelf: &Shelf) -> Result<Option<Profile>, ApiError> {
    match (&submission.profile, &options.profile) {
        (Some(_), Some(_)) => {
            Err(ApiError::InvalidRequest("a profile comes as a part or in the query, not both".into()))
        }
        (Some(text), None) => shelf.read(text).map(Some),
        (None, Some(name)) => shelf.profile(name, None).map(Some),
        (None, None) => Ok(None),
    }
}

/// The profile that the file asks for, where the request does not say.
fn declared(read: &Intake, shelf: &Shelf) -> Result<Option<Profile>, ApiError> {
    let plan = read.plan.as_ref().and_then(|plan| Some((plan.get("profile")?.as_str()?, "/profile")));
    let extras = || {
        let extras = read.gltf_extras.as_ref()?;
        Some((extras.get("profile")?.as_str()?, "/extras/condyle/profile"))
    };
    plan.or_else(extras).map(|(name, pointer)| shelf.profile(name, Some(pointer))).transpose()
}

fn waivers(submission: &Submission) -> Result<Vec<Waiver>, ApiError> {
    let Some(text) = &submission.waivers else { return Ok(Vec::new()) };
    let list = serde_json::from_str(text).map_err(|error| {
        ApiError::Waiver(WaiverError {
            pointer: String::new(),
            message: format!("the part waivers is no JSON: {error}"),
        })
    })?;
    Waiver::read_list(&list).map_err(ApiError::Waiver)
}
