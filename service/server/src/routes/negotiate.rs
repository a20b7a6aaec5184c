//! Content negotiation and conditional requests (RFC 9110 §8.8.3, §12, §13), and extractors whose refusals are
//! problems.

use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{FromRequestParts, Path, Query, Request};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use condyle_core::figure::Options as Drawing;
use condyle_core::render;
use condyle_core::repair::Form as Document;
use condyle_core::report::Report;
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::problem::ApiError;

/// The forms a report can take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// `application/json`.
    Json,
    /// `text/plain`.
    Text,
    /// `application/sarif+json`.
    Sarif,
    /// `application/junit+xml`, also `application/xml`.
    Junit,
    /// `text/markdown`.
    Markdown,
    /// `text/html`.
    Html,
    /// `application/x-ndjson`: the report on one line.
    Ndjson,
    /// `text/vnd.condyle.annotations`: workflow commands of a hosted build.
    Annotations,
    /// `application/vnd.condyle.code-quality+json`: a code-quality list.
    CodeQuality,
}

impl Form {
    /// Every form with the media types that ask for it; of equal wishes the first counts.
    const ALL: [(Self, &'static [(&'static str, &'static str)]); 9] = [
        (Self::Json, &[("application", "json")]),
        (Self::Text, &[("text", "plain")]),
        (Self::Markdown, &[("text", "markdown")]),
        (Self::Html, &[("text", "html")]),
        (Self::Sarif, &[("application", "sarif+json")]),
        (Self::Junit, &[("application", "junit+xml"), ("application", "xml")]),
        (Self::Ndjson, &[("application", "x-ndjson")]),
        (Self::Annotations, &[("text", "vnd.condyle.annotations")]),
        (Self::CodeQuality, &[("application", "vnd.condyle.code-quality+json")]),
    ];

    /// Its `Content-Type`.
    pub fn content_type(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Text => "text/plain; charset=utf-8",
            Self::Sarif => "application/sarif+json",
            Self::Junit => "application/xml; charset=utf-8",
            Self::Markdown => "text/markdown; charset=utf-8",
            Self::Html => "text/html; charset=utf-8",
            Self::Ndjson => "application/x-ndjson",
            Self::Annotations => "text/vnd.condyle.annotations; charset=utf-8",
            Self::CodeQuality => "application/vnd.condyle.code-quality+json",
        }
    }

    /// A short word for it, for tags.
    pub fn word(self) -> &'static str {
        match self {
            Self::Json => "json",
            Self::Text => "text",
            Self::Sarif => "sarif",
            Self::Junit => "junit",
            Self::Markdown => "markdown",
            Self::Html => "html",
            Self::Ndjson => "ndjson",
            Self::Annotations => "annotations",
            Self::CodeQuality => "quality",
        }
    }

    /// The best form that `Accept` allows; JSON where it does not say, or likes others as much.
    pub fn of(headers: &HeaderMap) -> Result<Self, ApiError> {
        Self::among(headers, &Self::ALL)
    }

    /// The same where only JSON and plain text can be made.
    pub fn plain(headers: &HeaderMap) -> Result<Self, ApiError> {
        Self::among(headers, &Self::ALL[..2])
    }

    /// The same where there is JSON, and what people read.
    pub fn readable(headers: &HeaderMap) -> Result<Self, ApiError> {
        Self::among(headers, &Self::ALL[..4])
    }

    fn among(headers: &HeaderMap, forms: &[(Self, &[(&str, &str)])]) -> Result<Self, ApiError> {
        let accept = list(headers, &header::ACCEPT);
        if accept.trim().is_empty() {
            return Ok(Self::Json);
        }
        let mut best: Option<(f32, Self)> = None;
        for (form, types) in forms {
            let weight =
                types.iter().map(|(kind, subtype)| quality(&accept, kind, subtype)).fold(0.0, f32::max);
            if weight > best.map_or(0.0, |(most, _)| most) {
                best = Some((weight, *form));
            }
        }
        best.map(|(_, form)| form).ok_or(ApiError::NotAcceptable)
    }

    /// How a figure in this form is drawn; none where the form holds none.
    pub fn drawing(self) -> Option<Drawing> {
        (self == Self::Html).then(Drawing::default)
    }

    /// Whether it tells new findings from known ones, given the report before.
    pub fn compares(self) -> bool {
        matches!(self, Self::Sarif | Self::Markdown | Self::Html)
    }

    /// Whether it shows more than the report where the input is at hand.
    pub fn reads_input(self) -> bool {
        self.reads_text() || matches!(self, Self::Markdown | Self::Html)
    }

    /// Whether it has a use for the text that the findings are in.
    pub fn reads_text(self) -> bool {
        matches!(self, Self::Sarif | Self::Annotations | Self::CodeQuality)
    }

    /// The report in this form.
    pub fn render(self, item: render::Item<'_>) -> String {
        let (report, items) = (item.report, [item]);
        match self {
            Self::Ndjson => serde_json::to_string(report).map(|line| line + "\n").unwrap_or_default(),
            Self::Annotations => render::annotations(&items),
            Self::CodeQuality => render::quality(&items),
            Self::Json => serde_json::to_string(report).unwrap_or_default(),
            Self::Text => render::text(report, render::Style::default()),
            Self::Sarif => render::sarif(&items),
            Self::Junit => render::junit(&items),
            Self::Markdown => render::markdown(&items),
            Self::Html => render::html(&items),
        }
    }
}

/// What to call an input that came as files: their names.
pub fn input_name(report: &Report) -> String {
    let names: Vec<&str> = report.input.files.iter().map(|file| file.name.as_str()).collect();
    if names.is_empty() { "input".into() } else { names.join(" + ") }
}

/// What is wanted of a repair.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    /// What would change.
    Listing,
    /// The repaired document.
    Document,
}

impl Wanted {
    /// Refuses what no document can answer, before any work.
    pub fn possible(headers: &HeaderMap) -> Result<(), ApiError> {
        let any = [Document::Plan, Document::Gltf, Document::Glb];
        if any.into_iter().any(|form| Self::of(headers, form).is_ok()) {
            return Ok(());
        }
        Err(ApiError::NotAcceptable)
    }

    /// By `Accept`: the list where it does not say, or likes both as much.
    pub fn of(headers: &HeaderMap, form: Document) -> Result<Self, ApiError> {
        let accept = list(headers, &header::ACCEPT);
        if accept.trim().is_empty() {
            return Ok(Self::Listing);
        }
        let weight = |media: &str| {
            media.split_once('/').map_or(0.0, |(kind, subtype)| quality(&accept, kind, subtype))
        };
        let listing = weight("application/json");
        let document = weight(form.media_type()).max(weight("application/octet-stream"));
        match (listing > 0.0, document > 0.0) {
            (false, false) => Err(ApiError::NotAcceptable),
            (_, true) if document > listing => Ok(Self::Document),
            _ => Ok(Self::Listing),
        }
    }
}

/// The weight that the most specific matching range gives a type (RFC 9110 §12.5.1).
fn quality(accept: &str, kind: &str, subtype: &str) -> f32 {
    let (mut best, mut weight) = (0, 0.0);
    for range in accept.split(',') {
        let mut pieces = range.split(';').map(str::trim);
        let name = pieces.next().unwrap_or("").to_ascii_lowercase();
        let Some((range_kind, range_subtype)) = name.split_once('/') else { continue };
        let specific = match (range_kind, range_subtype) {
            (k, s) if k == kind && s == subtype => 3,
            (k, "*") if k == kind => 2,
            ("*", "*") => 1,
            _ => continue,
        };
        let q = pieces.find_map(|p| p.strip_prefix("q=").or_else(|| p.strip_prefix("Q=")));
        let q = q.map_or(1.0, |q| q.trim().parse::<f32>().unwrap_or(0.0).clamp(0.0, 1.0));
        if specific > best {
            (best, weight) = (specific, q);
        } else if specific == best && q > weight {
            weight = q;
        }
    }
    weight
}

/// How much `Accept` wishes for a type, 0 to 1; all the same where it does not say.
pub fn wishes(headers: &HeaderMap, kind: &str, subtype: &str) -> f32 {
    let accept = list(headers, &header::ACCEPT);
    if accept.trim().is_empty() { 1.0 } else { quality(&accept, kind, subtype) }
}

/// All values of a list header as one list.
pub fn list(headers: &HeaderMap, name: &HeaderName) -> String {
    let values: Vec<&str> = headers.get_all(name).iter().filter_map(|value| value.to_str().ok()).collect();
    values.join(",")
}

/// Whether `If-None-Match` names the tag (weak comparison).
pub fn not_modified(headers: &HeaderMap, tag: &str) -> bool {
    let list = list(headers, &header::IF_NONE_MATCH);
    list.trim() == "*" || list.split(',').any(|t| t.trim().trim_start_matches("W/") == tag)
}

/// A body under a strong tag, or 304.
pub fn tagged<B: IntoResponse>(
    headers: &HeaderMap,
    tag: &str,
    kind: &'static str,
    body: impl FnOnce() -> B,
) -> Response {
    let mut response = if not_modified(headers, tag) {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        ([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], body()).into_response()
    };
    let out = response.headers_mut();
    if let Ok(value) = HeaderValue::from_str(tag) {
        out.insert(header::ETAG, value);
    }
    out.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    out.insert(header::VARY, HeaderValue::from_static("accept, accept-encoding"));
    response
}

/// A value as JSON under the tag of its bytes, or 304.
pub fn json(headers: &HeaderMap, value: &impl Serialize) -> Result<Response, ApiError> {
    let text = serde_json::to_string(value).map_err(|error| ApiError::Internal(error.to_string()))?;
    Ok(tagged(headers, &tag_of_text(&text), "application/json", || text))
}

/// The strong tag that [`json`] gives a value.
pub fn tag_of(value: &impl Serialize) -> Result<String, ApiError> {
    let text = serde_json::to_string(value).map_err(|error| ApiError::Internal(error.to_string()))?;
    Ok(tag_of_text(&text))
}

fn tag_of_text(text: &str) -> String {
    format!("\"{}\"", &condyle_core::intake::file_digest(text.as_bytes())[..32])
}

const GZIP: &str = "-gzip\"";

/// Keeps strong tags honest where the body is compressed on its way out: the compressed body has a tag of its own,
/// which is understood when it comes back.
pub async fn coding(mut request: Request, next: Next) -> Response {
    let mut known_as_gzip = false;
    for name in [header::IF_NONE_MATCH, header::IF_MATCH] {
        let list = list(request.headers(), &name);
        if list.contains(GZIP) {
            known_as_gzip |= name == header::IF_NONE_MATCH;
            if let Ok(value) = HeaderValue::from_str(&list.replace(GZIP, "\"")) {
                request.headers_mut().insert(name, value);
            }
        }
    }
    let mut response = next.run(request).await;
    let compressed = response.headers().get(header::CONTENT_ENCODING).is_some_and(|v| v == "gzip")
        || (known_as_gzip && response.status() == StatusCode::NOT_MODIFIED);
    if compressed
        && let Some(tag) = response.headers().get(header::ETAG).and_then(|v| v.to_str().ok())
        && let Some(stem) = tag.strip_suffix('"')
        && let Ok(value) = HeaderValue::from_str(&format!("{stem}{GZIP}"))
    {
        response.headers_mut().insert(header::ETAG, value);
    }
    response
}

/// A query, with our problem when it is wrong.
#[derive(Debug)]
pub struct AppQuery<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for AppQuery<T> {
    type Rejection = ApiError;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, ApiError> {
        let query = Query::<T>::from_request_parts(parts, state).await;
        query.map(|Query(value)| Self(value)).map_err(|error: QueryRejection| {
            let text = error.body_text();
            let text = text.strip_prefix("Failed to deserialize query string: ").unwrap_or(&text);
            ApiError::InvalidRequest(format!("the query is wrong: {text}"))
        })
    }
}

/// Path segments, with our problem when they are wrong.
#[derive(Debug)]
pub struct AppPath<T>(pub T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for AppPath<T> {
    type Rejection = ApiError;
    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, ApiError> {
        let path = Path::<T>::from_request_parts(parts, state).await;
        path.map(|Path(value)| Self(value)).map_err(|error: PathRejection| {
            ApiError::InvalidRequest(format!("the path is wrong: {}", error.body_text()))
        })
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn form(accept: &str) -> Option<Form> {
        let mut headers = HeaderMap::new();
        headers.insert(header::ACCEPT, HeaderValue::from_str(accept).unwrap());
        Form::of(&headers).ok()
    }

    #[test]
    fn the_most_specific_range_counts() {
        assert_eq!(form(""), Some(Form::Json));
        assert_eq!(form("*/*"), Some(Form::Json));
        assert_eq!(form("text/plain"), Some(Form::Text));
        assert_eq!(form("text/*;q=0.9, application/json;q=0.5"), Some(Form::Text));
        assert_eq!(form("text/html,application/xhtml+xml,*/*;q=0.8"), Some(Form::Html));
        assert_eq!(form("application/sarif+json"), Some(Form::Sarif));
        assert_eq!(form("application/xml, text/plain;q=0.5"), Some(Form::Junit));
        assert_eq!(form("text/markdown, */*;q=0.1"), Some(Form::Markdown));
        assert_eq!(form("application/json;q=0, */*"), Some(Form::Text));
        assert_eq!(form("text/plain;q=0.5, application/json;q=0.5"), Some(Form::Json));
        assert_eq!(form("application/x-ndjson"), Some(Form::Ndjson));
        assert_eq!(form("text/vnd.condyle.annotations"), Some(Form::Annotations));
        assert_eq!(form("application/vnd.condyle.code-quality+json"), Some(Form::CodeQuality));
        assert_eq!(form("image/png"), None);
        assert_eq!(form("application/json;q=0"), None);
    }
}
