//! `GET /v1/assets/{production}/{asset}/revisions/{label}/report`.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use condyle_api::Problem;
use condyle_core::figure::FORM;
use condyle_core::intake::file_digest;
use condyle_core::render::Item;
use condyle_core::report::Report;

use crate::access::{May, Read};
use crate::app::figure::of_revision;
use crate::problem::ApiError;
use crate::routes::negotiate::{AppPath, Form, input_name, not_modified, tagged};
use crate::state::App;

/// The report of a revision, as it was made.
#[utoipa::path(
    get, path = "/v1/assets/{production}/{asset}/revisions/{label}/report", tag = "assets", operation_id = "getReport", security((), ("token" = ["read"])),
    params(("production" = String, Path, description = "The show"), ("asset" = String, Path, description = "The asset"),
           ("label" = String, Path, description = "The label")),
    responses(
        (status = 200, description = "The report under a strong ETag", content((Report = "application/json"), (String = "text/plain"), (String = "application/sarif+json"), (String = "application/xml"), (String = "text/markdown"), (String = "text/html"))),
        (status = 304, description = "If-None-Match names it"),
        (status = 400, description = "A name is malformed", body = Problem, content_type = "application/problem+json"),
        (status = 404, description = "There is none", body = Problem, content_type = "application/problem+json"),
        (status = 406, description = "No accepted media type can be made", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn report(
    State(app): State<App>,
    _: May<Read>,
    AppPath(path): AppPath<(String, String, String)>,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let form = Form::of(&headers)?;
    let found = super::whole(&app, path).await?;
    let digest = &found.report_sha256[..32.min(found.report_sha256.len())];
    let public = app.config.server.public_url.trim_end_matches('/');
    // A page shows the figure, too, and Markdown says where it is.
    let drawn = match form {
        Form::Html => format!("{FORM}"),
        Form::Markdown if !public.is_empty() => file_digest(public.as_bytes())[..8].to_owned(),
        _ => String::new(),
    };
    let tag = format!("\"{digest}-{}{drawn}\"", form.word());
    let picture = (!public.is_empty())
        .then(|| format!("{public}{}/figure", found.revision.report_url.trim_end_matches("/report")));
    let body = if form == Form::Json {
        found.report
    } else {
        let report: Report =
            serde_json::from_str(&found.report).map_err(|error| ApiError::Internal(error.to_string()))?;
        let name = input_name(&report);
        // The tag follows from the report and the form of drawings alone, so nothing is drawn for who has it.
        let drawing = form.drawing().filter(|_| !not_modified(&headers, &tag));
        let figure = match drawing {
            Some(drawing) => Some(of_revision(&app, found, drawing).await?),
            None => None,
        };
        form.render_item(&Item {
            figure: figure.as_ref(),
            picture: picture.as_deref(),
            ..Item::new(&name, &report)
        })
    };
    Ok(tagged(&headers, &tag, form.content_type(), || body))
}
