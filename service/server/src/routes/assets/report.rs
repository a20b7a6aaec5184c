//! `GET /v1/assets/{production}/{asset}/revisions/{label}/report`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;
use condyle_core::figure::FORM;
use condyle_core::intake::file_digest;
use condyle_core::report::Report;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::access::{May, Read};
use crate::app::difference::manifest;
use crate::app::figure::of_revision;
use crate::app::source;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, AppQuery, Form, not_modified, tagged};
use crate::routes::shown::Shown;
use crate::state::App;

/// What the report is held against.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Before {
    /// The label of another revision of the asset: SARIF, Markdown and HTML then tell new findings from known ones.
    against: Option<String>,
}

/// The report of a revision, as it was made.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/revisions/{label}/report", tag = "assets", operation_id = "getReport", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label"), Before),
    responses(
        (status = 200, description = "The report under a strong ETag", content((Report = "application/json"), (String = "text/plain"), (String = "application/sarif+json"), (String = "application/xml"), (String = "text/markdown"), (String = "text/html"), (String = "application/x-ndjson"), (String = "text/vnd.condyle.annotations"), (String = "application/vnd.condyle.code-quality+json"))),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name is malformed, or the form compares nothing", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "Busy, or the store cannot be used", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn report(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String, String)>,
    AppQuery(before): AppQuery<Before>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let form = Form::of(&headers)?;
    if before.against.is_some() && !form.compares() {
        let text = "against is for SARIF, Markdown and HTML; GET …/difference compares as JSON and as text";
        return Err(ApiError::InvalidRequest(text.into()));
    }
    let (production, asset, _) = path.clone();
    let found = super::whole(&app, path).await?;
    let previous = match before.against {
        Some(label) => Some(super::whole(&app, (production, asset, label)).await?),
        None => None,
    };
    let digest = &found.report_sha256[..32.min(found.report_sha256.len())];
    let against = previous
        .as_ref()
        .map_or(String::new(), |one| format!("-{}", &one.report_sha256[..32.min(one.report_sha256.len())]));
    let public = app.config.server.public_url.trim_end_matches('/');
    // A page shows the figure, too, Markdown says where it is, and SARIF tells changes of the text.
    let drawn = match form {
        Form::Html => format!("{FORM}"),
        _ if form.reads_text() => "t".to_owned(),
        Form::Markdown if !public.is_empty() => file_digest(public.as_bytes())[..8].to_owned(),
        _ => String::new(),
    };
    let tag = format!("\"{digest}{against}-{}{drawn}\"", form.word());
    let picture = (!public.is_empty())
        .then(|| format!("{public}{}/figure", found.revision.report_url.trim_end_matches("/report")));
    let body = if not_modified(&headers, &tag) {
        // The tag follows from the report, the form, and the form of drawings: nothing is made for who has it.
        String::new()
    } else if form == Form::Json {
        found.report
    } else {
        let read = |text: &str| -> Result<Report, ApiError> {
            serde_json::from_str(text).map_err(|error| ApiError::Internal(error.to_string()))
        };
        let report = read(&found.report)?;
        let previous = previous.map(|one| read(&one.report)).transpose()?;
        let mut shown = Shown::new(report);
        shown.previous = previous;
        shown.picture = picture;
        if form.reads_text() {
            shown.source = source::text(&app, &manifest(&found)?).await?.map(Into::into);
        } else if let Some(drawing) = form.drawing() {
            shown.figure = Some(of_revision(&app, found, drawing).await?);
        }
        shown.render(form).await?
    };
    Ok(tagged(&headers, &tag, form.content_type(), || body))
}
