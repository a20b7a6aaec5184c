//! Requests that could not be served: one closed list, one mapping to HTTP (RFC 9457).

use std::sync::atomic::{AtomicU64, Ordering};

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use condyle_api::Problem;
use condyle_core::check::{ProfileError, RequestError, Unknown, WaiverError};
use condyle_core::intake::{Fault, FaultKind, Place};

/// Everything that can go wrong with a request.
#[derive(Debug)]
pub enum ApiError {
    /// The upload builds no rig.
    Fault(Fault),
    /// `only` or `skip` names no check.
    UnknownCheck(Unknown),
    /// A waiver cannot be read.
    Waiver(WaiverError),
    /// A profile cannot be read.
    Profile(ProfileError),
    /// No built-in profile has this name.
    UnknownProfile(String, Option<String>),
    /// The query or a path segment is wrong.
    InvalidRequest(String),
    /// A multipart body is wrong.
    InvalidMultipart(String),
    /// The body's type is not read.
    UnsupportedMediaType(String),
    /// None of the accepted types can be made.
    NotAcceptable,
    /// The body is larger than allowed.
    TooLarge(u64),
    /// There is no such thing.
    NotFound(String),
    /// The method is not there.
    MethodNotAllowed,
    /// The label holds other bytes.
    Conflict(String),
    /// `If-Match` does not hold.
    PreconditionFailed,
    /// The plan names another asset than the URL.
    AssetMismatch(String),
    /// All threads are busy and the queue is full.
    Busy,
    /// The request took too long.
    Timeout,
    /// The store cannot be used.
    Unavailable(String),
    /// A fault of ours.
    Internal(String),
}

/// The kinds: name, status, title. `openapi/problems.md` is made from it.
pub const KINDS: &[(&str, u16, &str)] = &[
    ("malformed-document", 400, "The file cannot be parsed"),
    ("invalid-document", 422, "The document builds no rig"),
    ("limit-exceeded", 413, "The document asks for more than a limit allows"),
    ("unknown-format", 415, "The file is neither a glTF nor a plan"),
    ("unknown-check", 400, "No check has this id"),
    ("invalid-waiver", 422, "A waiver cannot be read"),
    ("invalid-profile", 422, "The profile cannot be read"),
    ("unknown-profile", 400, "No profile has this name"),
    ("invalid-request", 400, "The request is malformed"),
    ("invalid-multipart", 400, "The multipart body is malformed"),
    ("unsupported-media-type", 415, "The body's media type is not read"),
    ("not-acceptable", 406, "No accepted media type can be made"),
    ("too-large", 413, "The body is too large"),
    ("not-found", 404, "There is no such resource"),
    ("method-not-allowed", 405, "The resource does not take this method"),
    ("revision-conflict", 409, "The label already holds other bytes"),
    ("precondition-failed", 412, "If-Match does not hold"),
    ("asset-mismatch", 422, "The plan names another asset"),
    ("busy", 503, "All threads are busy and the queue is full"),
    ("timeout", 503, "The request took too long"),
    ("unavailable", 503, "The store cannot be used now"),
    ("internal", 500, "A fault of the service"),
];

impl ApiError {
    fn problem(self) -> Problem {
        let (name, detail) = match &self {
            Self::Fault(fault) => {
                let name = match fault.kind {
                    FaultKind::Malformed => "malformed-document",
                    FaultKind::Invalid => "invalid-document",
                    FaultKind::Limit { .. } => "limit-exceeded",
                    FaultKind::UnknownFormat => "unknown-format",
                };
                (name, fault.message.clone())
            }
            Self::UnknownCheck(unknown) => {
                ("unknown-check", format!("no check and no family is called {}", unknown.id))
            }
            Self::Waiver(error) => ("invalid-waiver", error.message.clone()),
            Self::Profile(error) => ("invalid-profile", error.to_string()),
            Self::UnknownProfile(name, _) => ("unknown-profile", format!("no profile is called {name}")),
            Self::InvalidRequest(text) => ("invalid-request", text.clone()),
            Self::InvalidMultipart(text) => ("invalid-multipart", text.clone()),
            Self::UnsupportedMediaType(text) => {
                ("unsupported-media-type", format!("{text} is not read here"))
            }
            Self::NotAcceptable => {
                ("not-acceptable", "application/json and text/plain can be made".to_owned())
            }
            Self::TooLarge(max) => {
                ("too-large", format!("the body may have {max} bytes after decompression"))
            }
            Self::NotFound(what) => ("not-found", format!("there is no {what}")),
            Self::MethodNotAllowed => ("method-not-allowed", "see /openapi.json".to_owned()),
            Self::Conflict(text) => ("revision-conflict", text.clone()),
            Self::PreconditionFailed => ("precondition-failed", "the revision has another ETag".to_owned()),
            Self::AssetMismatch(text) => ("asset-mismatch", text.clone()),
            Self::Busy => ("busy", "try again after Retry-After seconds".to_owned()),
            Self::Timeout => ("timeout", "the request was given up".to_owned()),
            Self::Unavailable(_) => ("unavailable", "nothing was stored; try again later".to_owned()),
            Self::Internal(_) => ("internal", "this is our fault; the incident is logged".to_owned()),
        };
        let (_, status, title) =
            KINDS.iter().find(|(kind, ..)| *kind == name).copied().unwrap_or(("internal", 500, ""));
        let mut problem = Problem {
            kind: format!("/problems/{name}"),
            title: title.to_owned(),
            status,
            detail,
            pointer: None,
            byte_offset: None,
            file: None,
            rule: None,
            limit: None,
            max: None,
            got: None,
            suggestion: None,
            incident: None,
        };
        match self {
            Self::Fault(fault) => {
                match fault.place {
                    Place::Pointer(pointer) => problem.pointer = Some(pointer),
                    Place::Byte(offset) => problem.byte_offset = Some(offset),
                    Place::Whole => {}
                }
                problem.file = Some(fault.file).filter(|file| !file.is_empty());
                problem.rule = fault.rule.map(str::to_owned);
                if let FaultKind::Limit { limit, max, got } = fault.kind {
                    problem.limit = Some(limit.to_owned());
                    problem.max = Some(max);
                    problem.got = Some(got);
                }
            }
            Self::UnknownCheck(unknown) => problem.suggestion = unknown.suggestion.map(str::to_owned),
            Self::UnknownProfile(_, near) => problem.suggestion = near,
            Self::Waiver(error) => problem.pointer = Some(error.pointer),
            Self::TooLarge(max) => {
                problem.limit = Some("total_bytes".to_owned());
                problem.max = Some(max);
            }
            Self::Internal(text) | Self::Unavailable(text) => {
                let incident = incident();
                tracing::error!(incident, text, "request failed");
                problem.incident = Some(incident);
            }
            _ => {}
        }
        problem
    }
}

/// A number that finds the log line again.
fn incident() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(1);
    let now = crate::clock::now_ms();
    format!("{now:x}-{:x}", NEXT.fetch_add(1, Ordering::Relaxed))
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        let problem = self.problem();
        let status = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = (status, Json(problem)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        if status == StatusCode::SERVICE_UNAVAILABLE {
            headers.insert(header::RETRY_AFTER, HeaderValue::from_static("2"));
        }
        response
    }
}

impl From<Fault> for ApiError {
    fn from(fault: Fault) -> Self {
        Self::Fault(fault)
    }
}

impl From<RequestError> for ApiError {
    fn from(error: RequestError) -> Self {
        match error {
            RequestError::UnknownCheck(unknown) => Self::UnknownCheck(unknown),
            RequestError::Waiver(error) => Self::Waiver(error),
        }
    }
}

impl From<sqlx::Error> for ApiError {
    fn from(error: sqlx::Error) -> Self {
        Self::Unavailable(error.to_string())
    }
}

impl From<std::io::Error> for ApiError {
    fn from(error: std::io::Error) -> Self {
        Self::Unavailable(error.to_string())
    }
}
