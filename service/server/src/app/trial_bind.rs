//! Bind a plan, or a model's own skeleton, to its body on trial.

use std::cell::OnceCell;
use std::time::Instant;

use condyle_api::{Priority, TrialBind};
use condyle_core::bind::{MOST_KEPT, NoSkeleton, OwnSkeleton, Summary, own_skeleton};
use condyle_core::check::{Request, run_then};
use condyle_core::facts::Facts;
use condyle_core::figure::{Options as Drawing, winners};
use condyle_core::intake::{self, Bundle, Intake, Limits};
use condyle_core::model::{NodeId, Source};
use condyle_core::repair::{Bound, bind_model};
use condyle_core::report::FailOn;
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::app::check::{Options, prepared_from};
use crate::app::figure::{Look, title};
use crate::app::shelf::Shelf;
use crate::pool::Watch;
use crate::problem::{ApiError, shown};
use crate::state::App;
use crate::submission::Submission;
use crate::telemetry::Timing;

/// How a trial bind is to be made and judged.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct BindOptions {
    /// A built-in or a stored profile; unless said, the one that the file asks for, else `realtime`.
    pub profile: Option<String>,
    /// The version of the catalogue to be judged by; the newest unless said.
    pub catalogue: Option<String>,
    /// Not these checks, separated by commas.
    pub skip: Option<String>,
    /// What closes the gate.
    pub fail_on: Option<FailOn>,
    /// The date that waivers are judged by (UTC); today unless said.
    #[param(value_type = Option<String>, format = Date)]
    pub as_of: Option<Date>,
    /// Where `Prefer` makes it a job: `gate` (unless said) goes before `bulk`.
    #[param(inline)]
    pub priority: Option<Priority>,
    /// Influences kept per vertex, 1 to 8; unless said, as many as the profile's limit `most` of `budget/influences`.
    #[param(minimum = 1, maximum = 8)]
    pub influences: Option<usize>,
    /// `winners`: the vertices of the bound model have the colour of the joint that wins them (`COLOR_0`), on a plain material.
    pub colours: Option<String>,
    /// Views of the drawing: any of `front`, `side` and `top`, separated by commas; all of them unless said.
    pub views: Option<String>,
    /// The width of the drawing, CSS pixels (1/96 inch): 480 to 2400, 1000 unless said.
    pub width: Option<u32>,
}

/// What is wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wanted {
    /// The findings and numbers.
    Report,
    /// The model, bound; in the colours of the winners.
    Model(bool),
    /// A drawing of which joint wins where.
    Figure(Drawing),
}

impl BindOptions {
    /// Refuses what cannot be done; the drawing, and whether colours are wanted.
    pub fn looks(&self) -> Result<(Drawing, bool), ApiError> {
        let look = Look { views: self.views.clone(), findings: None, width: self.width };
        let colours = match self.colours.as_deref() {
            None => false,
            Some("winners") => true,
            Some(other) => {
                return Err(ApiError::InvalidRequest(format!("colours is winners; not {}", shown(other))));
            }
        };
        if self.influences.is_some_and(|kept| !(1..=MOST_KEPT).contains(&kept)) {
            return Err(ApiError::InvalidRequest(format!("influences lies outside 1 to {MOST_KEPT}")));
        }
        Ok((look.drawing()?, colours))
    }

    /// How the checks are chosen and judged; the influences that were asked for.
    pub fn judged(self) -> (Options, Option<usize>) {
        let Self { profile, catalogue, skip, fail_on, as_of, priority, influences, .. } = self;
        let only = Some("forecast".to_owned());
        (
            Options { profile, catalogue, only, skip, fail_on, as_of, priority, ..Options::default() },
            influences,
        )
    }
}

/// A trial bind.
#[derive(Debug)]
pub struct Answer {
    /// The answer in numbers, the model, or the drawing.
    pub body: Vec<u8>,
    /// How long it took.
    pub timing: Timing,
}

/// Refuses a submission that cannot be bound, before any work.
pub fn bindable(submission: &Submission) -> Result<(), ApiError> {
    if submission.model.is_some() { Ok(()) } else { Err(nothing_to_bind()) }
}

fn nothing_to_bind() -> ApiError {
    ApiError::InvalidRequest(
        "a trial bind takes the parts plan and model, or a model that has a skeleton of its own".into(),
    )
}

/// Reads and binds on the pool.
pub async fn trial_bind(
    app: &App,
    submission: Submission,
    options: BindOptions,
    wanted: Wanted,
) -> Result<Answer, ApiError> {
    bindable(&submission)?;
    let (options, influences) = options.judged();
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    app.pool
        .run(move |watch| match wanted {
            Wanted::Report => {
                let (answer, timing) = told(&submission, &options, influences, &shelf, &limits, watch)?;
                let body =
                    serde_json::to_vec(&answer).map_err(|error| ApiError::Internal(error.to_string()))?;
                Ok(Answer { body, timing })
            }
            Wanted::Model(colours) => {
                let write = |facts: &Facts<'_>, read: &Read<'_>| {
                    let bound = Bound { influences: None, colours, nodes: read.nodes };
                    bound_model(&submission, facts, bound, &limits)
                };
                made(&submission, &options, influences, &shelf, &limits, watch, write)
            }
            Wanted::Figure(drawing) => {
                let draw = |facts: &Facts<'_>, read: &Read<'_>| {
                    let drawn = winners(facts, &title(read.intake), &drawing);
                    drawn.map(String::into_bytes).ok_or_else(|| {
                        let refusal = facts.trial_bind().err();
                        ApiError::InvalidRequest(refusal.map_or("there is no bind", |it| it.reason()).into())
                    })
                };
                made(&submission, &options, influences, &shelf, &limits, watch, draw)
            }
        })
        .await?
}

/// Binds, here and now, and tells what it came to.
pub(super) fn told(
    submission: &Submission,
    options: &Options,
    influences: Option<usize>,
    shelf: &Shelf,
    limits: &Limits,
    watch: &Watch,
) -> Result<(TrialBind, Timing), ApiError> {
    let begun = Instant::now();
    read_then(submission, options, influences, shelf, limits, |read, request| {
        let middle = Instant::now();
        let (report, (bind, refusal)) =
            run_then(read.intake, request, watch, |facts| (Summary::of(facts), facts.trial_bind().err()))?;
        let refused = refusal.map(|refusal| refusal.reason().to_owned());
        let plan = read.nodes.and(read.intake.plan.clone());
        let timing = Timing { read: middle - begun, checks: middle.elapsed() };
        Ok((TrialBind { report, bind, refused, plan }, timing))
    })
}

/// What was read.
struct Read<'r> {
    intake: &'r Intake,
    /// Where the skeleton is the model's own: the node of each joint.
    nodes: Option<&'r [NodeId]>,
}

fn made(
    submission: &Submission,
    options: &Options,
    influences: Option<usize>,
    shelf: &Shelf,
    limits: &Limits,
    watch: &Watch,
    make: impl FnOnce(&Facts<'_>, &Read<'_>) -> Result<Vec<u8>, ApiError>,
) -> Result<Answer, ApiError> {
    let begun = Instant::now();
    read_then(submission, options, influences, shelf, limits, |read, request| {
        let middle = Instant::now();
        let (_, body) = run_then(read.intake, request, watch, |facts| make(facts, read))?;
        Ok(Answer { body: body?, timing: Timing { read: middle - begun, checks: middle.elapsed() } })
    })
}

/// The skeleton that a model has of its own, as a plan.
pub(super) fn own_plan(model: Intake, limits: &Limits) -> Result<OwnSkeleton, ApiError> {
    own_skeleton(model, limits).map_err(|none| match none {
        NoSkeleton::Fault(fault) => ApiError::from(fault),
        other => ApiError::InvalidRequest(other.reason()),
    })
}

fn read_then<T>(
    submission: &Submission,
    options: &Options,
    influences: Option<usize>,
    shelf: &Shelf,
    limits: &Limits,
    work: impl FnOnce(&Read<'_>, &Request<'_>) -> Result<T, ApiError>,
) -> Result<T, ApiError> {
    let nodes = OnceCell::new();
    let read = || {
        let read = intake::read(&submission.bundle(), limits)?;
        if read.rig.source == Source::Plan {
            return if read.rig.body.is_some() { Ok(read) } else { Err(nothing_to_bind()) };
        }
        let own = own_plan(read, limits)?;
        let _ = nodes.set(own.nodes);
        Ok(own.intake)
    };
    prepared_from(submission, options, shelf, limits, read, |intake, request| {
        let request = Request { influences, ..request.clone() };
        let read = Read { intake, nodes: nodes.get().map(Vec::as_slice) };
        work(&read, &request)
    })
}

fn bound_model(
    submission: &Submission,
    facts: &Facts<'_>,
    bound: Bound<'_>,
    limits: &Limits,
) -> Result<Vec<u8>, ApiError> {
    let bundle = Bundle { plan: None, ..submission.bundle() };
    let read = intake::read(&bundle, limits)?;
    bind_model(&bundle, &read, facts, bound, limits).map_err(ApiError::InvalidRequest)
}
