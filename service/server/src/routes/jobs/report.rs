//! `GET /v1/jobs/{id}/report`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::{InputFile, Problem};
use condyle_core::figure::FORM;
use condyle_core::intake::file_digest;
use condyle_core::report::Report;

use crate::access::{May, Read};
use crate::app;
use crate::app::source;
use crate::problem::ApiError;
use crate::queue::KeptReport;
use crate::routes::negotiate::{AppPath, Form, not_modified, tagged};
use crate::routes::shown::Shown;
use crate::state::App;

/// The report that a job made for `POST /v1/checks`, for as long as the job is kept.
///
/// Where the input is still there, a page holds the figure, Markdown says where it is, and SARIF tells fixes of documents
/// of text as changes of the text, as the answer does that is given at once.
#[utoipa::path(
    get, path = "/v1/jobs/{id}/report", tag = "jobs", operation_id = "getJobReport", security((), ("token" = ["read"])),
    params(("id" = String, Path, description = "From the Location of the 202")),
    responses(
        (status = 200, description = "The report under a strong ETag", content((Report = "application/json"), (String = "text/plain"), (String = "application/sarif+json"), (String = "application/xml"), (String = "text/markdown"), (String = "text/html"), (String = "application/x-ndjson"), (String = "text/vnd.condyle.annotations"), (String = "application/vnd.condyle.code-quality+json"))),
        (status = 304, description = "If-None-Match names it"),
        (status = 404, description = "There is none: no such job, or it made a revision, or nothing", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The job is not over", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn report(
    State(app): State<App>,
    may: May<Read>,
    AppPath(id): AppPath<String>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let form = Form::of(&headers)?;
    app::jobs::visible(&app, &may.caller, &id).await?;
    let found = Found::look(&app, &id, form).await?;
    let tag = found.tag();
    let body = if not_modified(&headers, &tag) { String::new() } else { found.render(&app).await? };
    Ok(tagged(&headers, &tag, form.content_type(), || body))
}

/// The report of a job, and what the form that is asked for shows beside it.
pub(in crate::routes) struct Found {
    form: Form,
    kept: KeptReport,
    /// The files that it was made of, where the form shows them and they are still there.
    input: Option<Vec<InputFile>>,
    /// Where its figure lies for the reader.
    picture: Option<String>,
}

impl Found {
    pub(in crate::routes) async fn look(app: &App, id: &str, form: Form) -> Result<Self, ApiError> {
        let kept = app::jobs::report(app, id).await?;
        let input =
            if form.reads_input() { app::jobs::input(app, &kept, &read(&kept)?).await? } else { None };
        let public = app.config.server.public_url.trim_end_matches('/');
        let drawn = form == Form::Markdown && input.is_some() && !public.is_empty();
        let picture = drawn.then(|| format!("{public}/v1/jobs/{id}/figure"));
        Ok(Self { form, kept, input, picture })
    }

    fn tag(&self) -> String {
        let beside = match (&self.input, &self.picture) {
            (Some(_), _) if self.form == Form::Html => format!("{FORM}"),
            (Some(_), _) if self.form.reads_text() => "t".to_owned(),
            (_, Some(picture)) => file_digest(picture.as_bytes())[..8].to_owned(),
            _ => String::new(),
        };
        let digest = file_digest(self.kept.report.as_bytes());
        format!("\"{}-{}{beside}\"", &digest[..32], self.form.word())
    }

    pub(in crate::routes) async fn render(self, app: &App) -> Result<String, ApiError> {
        if self.form == Form::Json {
            return Ok(self.kept.report);
        }
        let mut shown = Shown::new(read(&self.kept)?);
        shown.picture = self.picture;
        if let Some(files) = self.input.filter(|_| self.form.reads_text()) {
            shown.source = source::text(app, &files).await?.map(Into::into);
        } else if let Some(drawing) = self.form.drawing() {
            shown.figure = match app::jobs::figure(app, &self.kept, drawing).await {
                Ok(figure) => Some(figure),
                // Without its input the page is as good.
                Err(ApiError::NotFound(..)) => None,
                Err(error) => return Err(error),
            };
        }
        shown.render(self.form).await
    }
}

fn read(kept: &KeptReport) -> Result<Report, ApiError> {
    serde_json::from_str(&kept.report).map_err(|error| ApiError::Internal(error.to_string()))
}
