//! Requests that could not be served: one closed list, one mapping to HTTP (RFC 9457).

use std::sync::atomic::{AtomicU64, Ordering};

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use condyle_api::{Problem, Scope};
use condyle_core::check::{ProfileError, RequestError, Unknown, WaiverError};
use condyle_core::intake::{Fault, FaultKind, Place};
use condyle_core::repair::RepairError;

use crate::access::Bad;

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
    /// No built-in profile has the name; where in the document it was asked for.
    UnknownProfile {
        /// The name as asked.
        name: String,
        /// JSON Pointer, where a document asked for it.
        pointer: Option<&'static str>,
        /// What was probably meant.
        suggestion: Option<String>,
    },
    /// No version of the catalogue has the name; where in the document it was asked for.
    UnknownCatalogue {
        /// The version as asked.
        version: String,
        /// JSON Pointer, where a document asked for it.
        pointer: Option<&'static str>,
        /// What was probably meant.
        suggestion: Option<&'static str>,
    },
    /// No finding has the fingerprint.
    UnknownFingerprint {
        /// As asked.
        fingerprint: String,
        /// Its number in the list.
        at: usize,
        /// What was probably meant.
        suggestion: Option<String>,
    },
    /// The query, a header or a path segment is wrong.
    InvalidRequest(String),
    /// A multipart body is wrong.
    InvalidMultipart(String),
    /// The archive is not whole, or contradicts itself.
    InvalidArchive(String),
    /// The body's type is not read.
    UnsupportedMediaType(String),
    /// None of the accepted types can be made.
    NotAcceptable,
    /// The body, or one of its parts, is larger than allowed.
    TooLarge {
        /// The configuration key, or the part's name.
        limit: &'static str,
        /// Its value, bytes.
        max: u64,
        /// What was announced, where it was.
        got: Option<u64>,
    },
    /// The body did not arrive in time.
    SlowUpload,
    /// There is no such thing; what was probably meant.
    NotFound(String, Option<String>),
    /// The method is not there.
    MethodNotAllowed,
    /// The label holds other bytes.
    Conflict(String),
    /// `If-Match` or `If-None-Match` does not hold.
    PreconditionFailed,
    /// The plan names another asset than the URL.
    AssetMismatch(String),
    /// All threads are busy and the queue is full, or too many uploads are held.
    Busy,
    /// The request took too long.
    Timeout,
    /// A key came with another request before.
    KeyReused,
    /// A request with the same key is being answered.
    KeyInUse,
    /// Nothing is sent to this URL.
    WebhookTarget(String),
    /// The job's state does not allow it.
    JobState(String),
    /// It takes a token, and none came.
    TokenMissing,
    /// The token is not good.
    TokenInvalid(Bad),
    /// The token does not allow it.
    NotPermitted {
        /// The scope that it takes.
        scope: Scope,
        /// In words.
        detail: String,
    },
    /// Too many requests by a token, or too many bad tokens from an address.
    TooMany {
        /// Seconds to wait.
        retry_s: u64,
    },
    /// What is there is replaced only with `If-Match`.
    PreconditionRequired,
    /// Another one has the name.
    NameTaken(String),
    /// The store cannot be used.
    Unavailable(String),
    /// There is no room on the disk.
    StorageFull(String),
    /// The store can be read and not written.
    StorageReadOnly(String),
    /// The store is damaged.
    StorageDamaged(String),
    /// A fault of ours.
    Internal(String),
}

/// A kind of problem: the last segment of its `type`, the status, the title, and what the caller can do.
#[derive(Debug, Clone, Copy)]
pub struct Kind {
    /// The last segment of `type`.
    pub name: &'static str,
    /// The HTTP status.
    pub status: u16,
    /// The kind in words.
    pub title: &'static str,
    /// What to do about it.
    pub remedy: &'static str,
}

const fn kind(name: &'static str, status: u16, title: &'static str, remedy: &'static str) -> Kind {
    Kind { name, status, title, remedy }
}

/// All kinds. `openapi/problems.md` and `GET /problems/{name}` are made from it.
pub const KINDS: &[Kind] = &[
    kind(
        "malformed-document",
        400,
        "The file cannot be parsed",
        "`byte_offset` or `pointer` says where; export the file again.",
    ),
    kind(
        "invalid-document",
        422,
        "The document builds no rig",
        "`pointer` names the member, `rule` the section of the standard that it breaks.",
    ),
    kind(
        "limit-exceeded",
        413,
        "The document asks for more than a limit allows",
        "`limit` is the configuration key, `max` its value, `got` what the document asks for.",
    ),
    kind(
        "unknown-format",
        415,
        "The file is neither a glTF nor a plan",
        "Send a GLB, a glTF JSON, or a plan with `\"schema\": \"condyle.plan/1\"`.",
    ),
    kind(
        "unknown-check",
        400,
        "No check has this id",
        "`suggestion` is the nearest id; `GET /v1/catalogue` lists them.",
    ),
    kind(
        "invalid-waiver",
        422,
        "A waiver cannot be read",
        "`pointer` names the member; a waiver gives check and reason.",
    ),
    kind(
        "invalid-profile",
        422,
        "The profile cannot be read",
        "`detail` names the key and the right spelling.",
    ),
    kind(
        "unknown-profile",
        400,
        "No profile has this name",
        "`suggestion` is the nearest name; `GET /v1/profiles` lists them. `pointer` is set when the document asked for it.",
    ),
    kind(
        "unknown-catalogue",
        400,
        "The catalogue has no such version",
        "`suggestion` is the nearest version; `GET /v1/catalogue` lists them. `pointer` is set when a document asked for it.",
    ),
    kind(
        "unknown-fingerprint",
        422,
        "No finding has this fingerprint",
        "`pointer` is its place in the list of the query's `fix`, `suggestion` the nearest one; `POST /v1/checks` lists them.",
    ),
    kind(
        "invalid-request",
        400,
        "The request is malformed",
        "`detail` names the parameter, header or path segment.",
    ),
    kind(
        "invalid-multipart",
        400,
        "The multipart body is malformed",
        "The parts are model, file, plan, profile, waivers, reference, baseline and answers.",
    ),
    kind(
        "invalid-archive",
        422,
        "The archive is not whole, or contradicts itself",
        "Nothing was imported. Export again, and send what came as it came.",
    ),
    kind(
        "unsupported-media-type",
        415,
        "The body's media type is not read",
        "Send model/gltf-binary, model/gltf+json, application/json, application/octet-stream or multipart/form-data, \
         as it is or with `Content-Encoding: gzip`.",
    ),
    kind(
        "not-acceptable",
        406,
        "No accepted media type can be made",
        "Accept application/json or text/plain; for a repaired document also the media type of what was sent.",
    ),
    kind("too-large", 413, "The body is too large", "`max` is the limit in bytes after decompression."),
    kind("slow-upload", 408, "The body did not arrive in time", "Send it again over a better line."),
    kind(
        "not-found",
        404,
        "There is no such resource",
        "`suggestion` is the nearest name where there is one.",
    ),
    kind(
        "method-not-allowed",
        405,
        "The resource does not take this method",
        "The header Allow lists those it takes.",
    ),
    kind(
        "revision-conflict",
        409,
        "The label already holds other bytes",
        "Take a new label, or send `If-Match` with the revision's ETag to replace it.",
    ),
    kind(
        "precondition-failed",
        412,
        "The condition of the request does not hold",
        "Read the revision again; somebody changed it, or it is already there.",
    ),
    kind("asset-mismatch", 422, "The plan names another asset", "Correct the URL, or `asset` in the plan."),
    kind(
        "busy",
        503,
        "The service has as much work as it can hold",
        "Nothing was done; try again after Retry-After.",
    ),
    kind(
        "timeout",
        503,
        "The request took too long",
        "The work was given up; check a smaller part with `only`.",
    ),
    kind(
        "unavailable",
        503,
        "The store cannot be used now",
        "Nothing was acknowledged; try again after Retry-After.",
    ),
    kind(
        "storage-full",
        507,
        "The disk of the service is full",
        "Nothing was acknowledged; try again when the operator has made room.",
    ),
    kind(
        "storage-read-only",
        503,
        "The disk of the service cannot be written",
        "Nothing was acknowledged; try again when the operator has made it writable.",
    ),
    kind(
        "storage-damaged",
        503,
        "The database of the service is damaged",
        "Nothing was acknowledged; the operator restores a backup (deploy/RUNBOOK.md).",
    ),
    kind(
        "idempotency-key-reused",
        422,
        "The Idempotency-Key came with another request before",
        "Take a new key for a new request.",
    ),
    kind(
        "idempotency-key-in-use",
        409,
        "A request with the same Idempotency-Key is being answered",
        "Try again after Retry-After, or wait for the answer to the first.",
    ),
    kind(
        "job-state",
        409,
        "The job's state does not allow this",
        "`detail` says where the job stands; `GET /v1/jobs/{id}` says more.",
    ),
    kind(
        "token-missing",
        401,
        "This takes a token",
        "Send it as `Authorization: Bearer TOKEN`; a browser signs in at `/sign-in`.",
    ),
    kind(
        "token-invalid",
        401,
        "The token is not good",
        "It is unknown, revoked or expired; `detail` says which to those who hold it. Ask for another one.",
    ),
    kind(
        "not-permitted",
        403,
        "The token does not allow this",
        "`WWW-Authenticate` names the scope that it takes. Of a production that the token is not for, the answer is the \
         same whether it is there or not.",
    ),
    kind(
        "too-many-requests",
        429,
        "Too many requests",
        "Try again after Retry-After. `RateLimit` says what is left, `RateLimit-Policy` what there is in a minute.",
    ),
    kind(
        "precondition-required",
        428,
        "What is there is replaced only with If-Match",
        "Read it, and send its ETag as `If-Match`, so that nothing is overwritten unseen.",
    ),
    kind(
        "name-taken",
        409,
        "Another one has the name",
        "Take another name, or revoke the token that has it.",
    ),
    kind(
        "webhook-target",
        422,
        "Messages are not sent to this URL",
        "`detail` says why. The operator names the hosts in `webhooks.hosts`, and networks that are not public in \
         `webhooks.networks`.",
    ),
    kind(
        "internal",
        500,
        "A fault of the service",
        "Tell the operator the `incident`; it finds the log line.",
    ),
];

impl ApiError {
    /// There is no such thing.
    pub fn not_found(what: impl Into<String>) -> Self {
        Self::NotFound(what.into(), None)
    }

    /// The name of its kind.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Fault(fault) => match fault.kind {
                FaultKind::Malformed => "malformed-document",
                FaultKind::Invalid => "invalid-document",
                FaultKind::Limit { .. } => "limit-exceeded",
                FaultKind::UnknownFormat => "unknown-format",
            },
            Self::UnknownCheck(_) => "unknown-check",
            Self::Waiver(_) => "invalid-waiver",
            Self::Profile(_) => "invalid-profile",
            Self::UnknownProfile { .. } => "unknown-profile",
            Self::UnknownCatalogue { .. } => "unknown-catalogue",
            Self::UnknownFingerprint { .. } => "unknown-fingerprint",
            Self::InvalidRequest(_) => "invalid-request",
            Self::InvalidMultipart(_) => "invalid-multipart",
            Self::InvalidArchive(_) => "invalid-archive",
            Self::UnsupportedMediaType(_) => "unsupported-media-type",
            Self::NotAcceptable => "not-acceptable",
            Self::TooLarge { .. } => "too-large",
            Self::SlowUpload => "slow-upload",
            Self::NotFound(..) => "not-found",
            Self::MethodNotAllowed => "method-not-allowed",
            Self::Conflict(_) => "revision-conflict",
            Self::PreconditionFailed => "precondition-failed",
            Self::AssetMismatch(_) => "asset-mismatch",
            Self::Busy => "busy",
            Self::Timeout => "timeout",
            Self::KeyReused => "idempotency-key-reused",
            Self::KeyInUse => "idempotency-key-in-use",
            Self::JobState(_) => "job-state",
            Self::TokenMissing => "token-missing",
            Self::TokenInvalid(_) => "token-invalid",
            Self::NotPermitted { .. } => "not-permitted",
            Self::TooMany { .. } => "too-many-requests",
            Self::PreconditionRequired => "precondition-required",
            Self::NameTaken(_) => "name-taken",
            Self::WebhookTarget(_) => "webhook-target",
            Self::Unavailable(_) => "unavailable",
            Self::StorageFull(_) => "storage-full",
            Self::StorageReadOnly(_) => "storage-read-only",
            Self::StorageDamaged(_) => "storage-damaged",
            Self::Internal(_) => "internal",
        }
    }

    fn detail(&self) -> String {
        match self {
            Self::Fault(fault) => fault.message.clone(),
            Self::UnknownCheck(unknown) => format!("no check and no family is called {}", shown(&unknown.id)),
            Self::Waiver(error) => error.message.clone(),
            Self::Profile(error) => error.to_string(),
            Self::UnknownProfile { name, .. } => format!("no profile is called {}", shown(name)),
            Self::UnknownCatalogue { version, .. } => {
                format!("no version {} of the catalogue was released", shown(version))
            }
            Self::UnknownFingerprint { fingerprint, .. } => {
                format!("no finding of this document has the fingerprint {}", shown(fingerprint))
            }
            Self::InvalidRequest(text)
            | Self::InvalidMultipart(text)
            | Self::InvalidArchive(text)
            | Self::Conflict(text)
            | Self::JobState(text)
            | Self::NameTaken(text)
            | Self::WebhookTarget(text)
            | Self::AssetMismatch(text) => text.clone(),
            Self::NotPermitted { detail, .. } => detail.clone(),
            Self::TokenMissing => "no token came with the request".to_owned(),
            Self::TokenInvalid(Bad::Unknown) => "nobody has this token".to_owned(),
            Self::TokenInvalid(Bad::Revoked) => "the token was revoked".to_owned(),
            Self::TokenInvalid(Bad::Expired) => "the time of the token is over".to_owned(),
            Self::TooMany { retry_s } => format!("try again after {retry_s} seconds"),
            Self::PreconditionRequired => "the request has no If-Match".to_owned(),
            Self::UnsupportedMediaType(text) => format!("{} is not read here", shown(text)),
            Self::NotAcceptable => {
                "application/json can be made, and text/plain or the repaired document where there is one"
                    .to_owned()
            }
            Self::TooLarge { limit: "total_bytes", max, .. } => {
                format!("the body may have {max} bytes after decompression")
            }
            Self::TooLarge { limit, max, .. } => format!("{limit} may have {max} bytes"),
            Self::SlowUpload => "the body did not arrive within the time for uploads".to_owned(),
            Self::NotFound(what, _) => format!("there is no {what}"),
            Self::MethodNotAllowed => "the header Allow lists the methods of this resource".to_owned(),
            Self::PreconditionFailed => "what is stored is not what the request expects".to_owned(),
            Self::Busy => "try again after Retry-After seconds".to_owned(),
            Self::Timeout => "the request was given up".to_owned(),
            Self::KeyReused => {
                "the key belongs to a request with another method, path, query or body".to_owned()
            }
            Self::KeyInUse => "the first request with this key is not answered yet".to_owned(),
            Self::Unavailable(_) => "nothing was acknowledged; try again later".to_owned(),
            Self::StorageFull(_) => "there is no room to store it; nothing was acknowledged".to_owned(),
            Self::StorageReadOnly(_) => "it cannot be stored; nothing was acknowledged".to_owned(),
            Self::StorageDamaged(_) => "the database cannot be read; nothing was acknowledged".to_owned(),
            Self::Internal(_) => "this is our fault; the incident is logged".to_owned(),
        }
    }

    /// `WWW-Authenticate` (RFC 6750 §3).
    fn challenge(&self) -> Option<String> {
        let rest = match self {
            Self::TokenMissing => String::new(),
            Self::TokenInvalid(_) => {
                format!(", error=\"invalid_token\", error_description=\"{}\"", self.detail())
            }
            Self::NotPermitted { scope, .. } => {
                format!(", error=\"insufficient_scope\", scope=\"{}\"", scope.word())
            }
            _ => return None,
        };
        Some(format!("Bearer realm=\"condyle\"{rest}"))
    }

    /// Whether the same may succeed later without a change by the caller.
    pub fn may_pass(&self) -> bool {
        matches!(
            self,
            Self::Busy
                | Self::Timeout
                | Self::Unavailable(_)
                | Self::StorageFull(_)
                | Self::StorageReadOnly(_)
                | Self::StorageDamaged(_)
                | Self::Internal(_)
        )
    }

    /// The document that tells it. A fault of ours is written to the log.
    pub fn problem(self) -> Problem {
        let name = self.name();
        let kind = KINDS.iter().find(|kind| kind.name == name);
        let mut problem = Problem {
            kind: format!("/problems/{name}"),
            title: kind.map_or("", |kind| kind.title).to_owned(),
            status: kind.map_or(500, |kind| kind.status),
            detail: self.detail(),
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
            Self::UnknownProfile { pointer, suggestion, .. } => {
                problem.suggestion = suggestion;
                problem.pointer = pointer.map(str::to_owned);
            }
            Self::UnknownCatalogue { pointer, suggestion, .. } => {
                problem.suggestion = suggestion.map(str::to_owned);
                problem.pointer = pointer.map(str::to_owned);
            }
            Self::UnknownFingerprint { at, suggestion, .. } => {
                problem.pointer = Some(format!("/fix/{at}"));
                problem.suggestion = suggestion;
            }
            Self::NotFound(_, near) => problem.suggestion = near,
            Self::Waiver(error) => problem.pointer = Some(error.pointer),
            Self::WebhookTarget(_) => problem.pointer = Some("/url".to_owned()),
            Self::TooLarge { limit, max, got } => {
                problem.limit = Some(limit.to_owned());
                problem.max = Some(max);
                problem.got = got;
            }
            Self::Internal(text)
            | Self::Unavailable(text)
            | Self::StorageFull(text)
            | Self::StorageReadOnly(text)
            | Self::StorageDamaged(text) => {
                let incident = incident();
                tracing::error!(incident, text, "request failed");
                problem.incident = Some(incident);
            }
            _ => {}
        }
        problem
    }
}

/// What a caller wrote, short enough to be told back.
pub fn shown(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(80).collect()
}

/// A number that finds the log line again.
fn incident() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(1);
    let now = crate::clock::now_ms();
    format!("{now:x}-{:x}", NEXT.fetch_add(1, Ordering::Relaxed))
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        let retry_s = match self {
            Self::KeyInUse => Some(1),
            Self::TooMany { retry_s } => Some(retry_s),
            _ => None,
        };
        let challenge = self.challenge();
        let mut response = respond(self.problem());
        if let Some(retry_s) = retry_s {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(retry_s));
        }
        if let Some(Ok(challenge)) = challenge.map(|text| HeaderValue::from_str(&text)) {
            response.headers_mut().insert(header::WWW_AUTHENTICATE, challenge);
        }
        response
    }
}

/// A problem as a response.
pub fn respond(problem: Problem) -> Response {
    let status = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let mut response = (status, Json(problem)).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("application/problem+json"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    let retry = match status {
        StatusCode::SERVICE_UNAVAILABLE => Some("2"),
        StatusCode::INSUFFICIENT_STORAGE => Some("30"),
        _ => None,
    };
    if let Some(retry) = retry {
        headers.insert(header::RETRY_AFTER, HeaderValue::from_static(retry));
    }
    response
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

impl From<RepairError> for ApiError {
    fn from(error: RepairError) -> Self {
        match error {
            RepairError::Fault(fault) => fault.into(),
            RepairError::Request(error) => error.into(),
            RepairError::UnknownFingerprint { fingerprint, at, suggestion } => {
                Self::UnknownFingerprint { fingerprint, at, suggestion }
            }
            RepairError::Cancelled => Self::Timeout,
            RepairError::Broken(reason) => Self::Internal(reason),
        }
    }
}

impl From<sqlx::Error> for ApiError {
    fn from(error: sqlx::Error) -> Self {
        if let sqlx::Error::Io(error) = error {
            return error.into();
        }
        let text = error.to_string();
        let code =
            error.as_database_error().and_then(|error| Some(error.code()?.into_owned())).unwrap_or_default();
        // PostgreSQL's SQLSTATE has five characters (postgresql.org/docs/current/errcodes-appendix.html).
        match code.as_str() {
            "53100" => return Self::StorageFull(text),
            "25006" => return Self::StorageReadOnly(text),
            "XX001" | "XX002" => return Self::StorageDamaged(text),
            "22021" => return Self::InvalidRequest("a text holds the character U+0000".into()),
            five if five.len() == 5 => return Self::Unavailable(text),
            _ => {}
        }
        // SQLite's result codes (sqlite.org/rescode.html) have at most four digits; the low byte of an extended code is
        // the primary one.
        match code.parse::<u32>().map(|code| code & 0xff) {
            Ok(13) => Self::StorageFull(text),
            Ok(8) => Self::StorageReadOnly(text),
            Ok(11 | 26) => Self::StorageDamaged(text),
            _ => Self::Unavailable(text),
        }
    }
}

impl From<std::io::Error> for ApiError {
    fn from(error: std::io::Error) -> Self {
        use std::io::ErrorKind;
        let text = error.to_string();
        match error.kind() {
            ErrorKind::StorageFull | ErrorKind::QuotaExceeded => Self::StorageFull(text),
            ErrorKind::ReadOnlyFilesystem => Self::StorageReadOnly(text),
            _ => Self::Unavailable(text),
        }
    }
}
