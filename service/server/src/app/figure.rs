//! Draw one submission, or one stored revision.

use std::time::Instant;

use condyle_api::InputFile;
use condyle_core::check::run;
use condyle_core::figure::{FORM, Figure, Options as Drawing, View, WIDTHS, figure};
use condyle_core::intake::{Intake, file_digest};
use condyle_core::report::{Report, Severity};
use jiff::civil::Date;
use serde::Deserialize;
use utoipa::IntoParams;

use super::check::{Options, prepared};
use super::difference::{gone, manifest, reread};
use super::shelf::Shelf;
use super::trial_bind::own_plan;
use crate::problem::{ApiError, shown};
use crate::state::App;
use crate::store::Stored;
use crate::submission::Submission;
use crate::telemetry::Timing;

/// What a figure shows.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Look {
    /// Any of `front`, `side` and `top`, separated by commas; all of them unless said.
    pub views: Option<String>,
    /// The mildest findings that are marked: `error`, `warning`, `note` (unless said), or `none` for no marks.
    pub findings: Option<String>,
    /// The width, CSS pixels (1/96 inch): 480 to 2400, 1000 unless said; A4 upright with margins is 680.
    pub width: Option<u32>,
}

/// What is to be drawn, and how it is judged.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct FigureOptions {
    /// Any of `front`, `side` and `top`, separated by commas; all of them unless said.
    pub views: Option<String>,
    /// The mildest findings that are marked: `error`, `warning`, `note` (unless said), or `none` for no marks.
    pub findings: Option<String>,
    /// The width, CSS pixels (1/96 inch): 480 to 2400, 1000 unless said; A4 upright with margins is 680.
    pub width: Option<u32>,
    /// A built-in or a stored profile; unless said, the one that the file asks for, else `realtime`.
    pub profile: Option<String>,
    /// The version of the catalogue to be judged by; the newest unless said.
    pub catalogue: Option<String>,
    /// Only findings of these checks or families, separated by commas.
    pub only: Option<String>,
    /// No findings of these checks or families, separated by commas.
    pub skip: Option<String>,
    /// Whether the pose sweep runs, too; unless said, where `only` names it or the profile asks for it.
    pub sweep: Option<bool>,
    /// The date that waivers are judged by (UTC); today unless said.
    #[param(value_type = Option<String>, format = Date)]
    pub as_of: Option<Date>,
}

impl Look {
    /// Refuses what cannot be drawn.
    pub fn drawing(&self) -> Result<Drawing, ApiError> {
        let mut out = Drawing::default();
        if let Some(list) = &self.views {
            let known = |word: &str| {
                View::of(word.trim()).ok_or_else(|| {
                    ApiError::InvalidRequest(format!("views are front, side and top; not {}", shown(word)))
                })
            };
            out.views = list.split(',').map(known).collect::<Result<_, _>>()?;
        }
        match self.findings.as_deref() {
            None | Some("note") => {}
            Some("warning") => out.findings = Some(Severity::Warning),
            Some("error") => out.findings = Some(Severity::Error),
            Some("none") => out.findings = None,
            Some(other) => {
                let text = format!("findings is error, warning, note or none; not {}", shown(other));
                return Err(ApiError::InvalidRequest(text));
            }
        }
        if let Some(width) = self.width {
            if !(WIDTHS[0]..=WIDTHS[1]).contains(&width) {
                let text = format!("width lies outside {} to {}", WIDTHS[0], WIDTHS[1]);
                return Err(ApiError::InvalidRequest(text));
            }
            out.width = width;
        }
        Ok(out)
    }
}

/// Reads, checks and draws on the pool.
pub async fn of_upload(
    app: &App,
    submission: Submission,
    options: FigureOptions,
) -> Result<(Figure, Timing), ApiError> {
    let FigureOptions { views, findings, width, profile, catalogue, only, skip, sweep, as_of } = options;
    let drawing = Look { views, findings, width }.drawing()?;
    let options = Options { profile, catalogue, only, skip, sweep, as_of, ..Options::default() };
    let (limits, shelf) = (app.config.limits, Shelf::open(app, None).await?);
    app.pool
        .run(move |watch| {
            let begun = Instant::now();
            prepared(&submission, &options, &shelf, &limits, |read, request| {
                let middle = Instant::now();
                let report = run(read, request, watch)?;
                let drawn = figure(&read.rig, &title(read), Some(&report), &drawing);
                Ok((drawn, Timing { read: middle - begun, checks: middle.elapsed() }))
            })
        })
        .await?
}

/// What to call an input: the plan's asset, else its files.
pub(super) fn title(read: &Intake) -> String {
    let named = read.plan.as_ref().and_then(|plan| plan.get("asset")?.as_str().map(str::to_owned));
    let files = || read.files.iter().map(|file| file.name.as_str()).collect::<Vec<_>>().join(" + ");
    named.unwrap_or_else(files)
}

/// The strong tag of the figure of a report that is kept: the report names its input's digest, so the drawing follows
/// from the digest of the report's bytes, what is asked, and the form of drawings.
pub fn tag(report_sha256: &str, drawing: &Drawing) -> String {
    let text = format!("{report_sha256}\0{FORM}\0{drawing:?}");
    format!("\"{}-figure\"", &file_digest(text.as_bytes())[..32])
}

/// Draws a stored revision from its input and its report, on the pool.
pub async fn of_revision(app: &App, stored: Stored, drawing: Drawing) -> Result<Figure, ApiError> {
    let files = manifest(&stored)?;
    let report: Report =
        serde_json::from_str(&stored.report).map_err(|error| ApiError::Internal(error.to_string()))?;
    let title = format!("{} {}", stored.revision.asset, stored.revision.label);
    let drawn = Drawn { title: Some(title), own_skeleton: false };
    of_files(app, files, &report, drawn, drawing).await?.ok_or_else(gone)
}

/// What of stored files is drawn.
#[derive(Debug)]
pub struct Drawn {
    /// Unless said, what the plan or the files are called.
    pub title: Option<String>,
    /// Whether the skeleton is the one that the model has of its own, read as a plan.
    pub own_skeleton: bool,
}

/// Draws stored files with the report that was made of them, on the pool; nothing where one of them is gone.
pub async fn of_files(
    app: &App,
    files: Vec<InputFile>,
    report: &Report,
    drawn: Drawn,
    drawing: Drawing,
) -> Result<Option<Figure>, ApiError> {
    let held = app.uploads.reserve(files.iter().map(|file| file.bytes).sum())?;
    let (blobs, limits, report) = (app.blobs.clone(), app.config.limits, report.clone());
    app.pool
        .run(move |_| {
            let Some(mut read) = reread(&files, &blobs, &limits)? else { return Ok(None) };
            if drawn.own_skeleton {
                read = own_plan(read, &limits)?.intake;
            }
            let title = drawn.title.unwrap_or_else(|| title(&read));
            let drawn = figure(&read.rig, &title, Some(&report), &drawing);
            drop(held);
            Ok(Some(drawn))
        })
        .await?
}
