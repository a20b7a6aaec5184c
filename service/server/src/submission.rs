//! What a caller uploads: one document, or a multipart body of named parts.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use axum::body::{Body, Bytes, HttpBody as _};
use axum::extract::{FromRequest, Request};
use axum::http::header;
use condyle_core::intake::{Bundle, Upload};
use condyle_core::model::nearest;
use http_body_util::BodyExt as _;

use crate::multipart::{self, Part};
use crate::problem::{ApiError, shown};
use crate::state::App;

/// How a model that is no text begins (glTF 2.0 §4.4.2).
pub(crate) const GLB: &[u8] = b"glTF";
/// Bytes of a part `profile` or `waivers`.
const MOST_TEXT: usize = 1 << 20;
/// Bodies up to this size are split at once; larger ones off the async threads.
const SPLIT_AT_ONCE: usize = 1 << 20;

/// One uploaded file.
#[derive(Debug, Clone)]
pub struct File {
    /// The name given by the caller; only ever compared and reported.
    pub name: String,
    /// The bytes.
    pub bytes: Bytes,
}

/// Everything that came in one request.
#[derive(Debug, Default)]
pub struct Submission {
    /// The plan part.
    pub plan: Option<File>,
    /// The model part, or the whole body.
    pub model: Option<File>,
    /// Files that the model names.
    pub files: Vec<File>,
    /// A profile's text.
    pub profile: Option<String>,
    /// Waivers, JSON.
    pub waivers: Option<String>,
    /// The reference skeleton to conform to.
    pub reference: Option<File>,
    /// The older rig to compare with.
    pub baseline: Option<File>,
    /// Answers to questions of the parent suggester, JSON.
    pub answers: Option<String>,
    held: Option<Held>,
}

impl Submission {
    /// The document that the findings' pointers go into, where it is one of text.
    pub fn text(&self) -> Option<Bytes> {
        let document = self.plan.as_ref().or(self.model.as_ref())?;
        (!document.bytes.starts_with(GLB)).then(|| document.bytes.clone())
    }

    /// What core reads.
    pub fn bundle(&self) -> Bundle<'_> {
        fn borrow(file: &File) -> Upload<'_> {
            Upload { name: &file.name, bytes: &file.bytes }
        }
        Bundle {
            plan: self.plan.as_ref().map(borrow),
            model: self.model.as_ref().map(borrow),
            files: self.files.iter().map(borrow).collect(),
        }
    }

    /// Every file with its role.
    pub fn all(&self) -> impl Iterator<Item = (&'static str, &File)> {
        let plan = self.plan.iter().map(|file| ("plan", file));
        let model = self.model.iter().map(|file| ("model", file));
        plan.chain(model).chain(self.files.iter().map(|file| ("file", file)))
    }
}

/// Bytes of uploads that are held in memory, over all requests.
#[derive(Debug, Clone)]
pub struct Budget {
    used: Arc<AtomicU64>,
    max: u64,
}

/// What a submission holds beside its files.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Texts {
    /// A profile's text.
    pub profile: Option<String>,
    /// Waivers, JSON.
    pub waivers: Option<String>,
}

impl Submission {
    /// A submission as it came, from files by role. It counts among the uploads, and is never refused.
    pub fn restored(files: Vec<(String, File)>, texts: Texts, budget: &Budget) -> Self {
        let mut held = budget.hold();
        let bytes = files.iter().map(|(_, file)| file.bytes.len() as u64).sum();
        let _ = held.grow(bytes);
        let Texts { profile, waivers } = texts;
        let mut submission = Self { profile, waivers, held: Some(held), ..Self::default() };
        for (role, file) in files {
            match role.as_str() {
                "plan" => submission.plan = Some(file),
                "model" => submission.model = Some(file),
                "reference" => submission.reference = Some(file),
                _ => submission.files.push(file),
            }
        }
        submission
    }
}

impl Budget {
    /// A budget of `max` bytes.
    pub fn new(max: u64) -> Self {
        Self { used: Arc::default(), max }
    }

    /// Bytes held now.
    pub fn used(&self) -> u64 {
        self.used.load(Ordering::Relaxed)
    }

    /// A share for bytes that are about to be read from the store.
    pub(crate) fn reserve(&self, bytes: u64) -> Result<Held, ApiError> {
        let mut held = self.hold();
        held.grow(bytes)?;
        Ok(held)
    }

    fn hold(&self) -> Held {
        Held { budget: self.clone(), bytes: 0 }
    }
}

/// A share of the budget; given back when dropped.
#[derive(Debug)]
pub(crate) struct Held {
    budget: Budget,
    bytes: u64,
}

impl Held {
    fn grow(&mut self, bytes: u64) -> Result<(), ApiError> {
        self.bytes += bytes;
        let before = self.budget.used.fetch_add(bytes, Ordering::Relaxed);
        if before + bytes > self.budget.max { Err(ApiError::Busy) } else { Ok(()) }
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        self.budget.used.fetch_sub(self.bytes, Ordering::Relaxed);
    }
}

impl FromRequest<App> for Submission {
    type Rejection = ApiError;

    async fn from_request(request: Request, app: &App) -> Result<Self, ApiError> {
        let limit = app.config.limits.total_bytes;
        let (parts, mut body) = request.into_parts();
        let content_type =
            parts.headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
        let kind = content_type.split(';').next().unwrap_or("").trim().to_ascii_lowercase();
        let mut boundary = None;
        let refusal = match kind.as_str() {
            "multipart/form-data" => {
                boundary = multipart::boundary(content_type);
                boundary
                    .is_none()
                    .then(|| ApiError::InvalidMultipart("the Content-Type has no boundary".into()))
            }
            // What the bytes are is told by the bytes; curl's own default for a body is among these.
            "model/gltf-binary"
            | "model/gltf+json"
            | "application/json"
            | "application/octet-stream"
            | "application/x-www-form-urlencoded"
            | "" => None,
            other => Some(ApiError::UnsupportedMediaType(shown(other))),
        };
        let name = match kind.as_str() {
            "model/gltf-binary" => "model.glb",
            "model/gltf+json" => "model.gltf",
            _ => "upload",
        };
        let mut held = app.uploads.hold();
        let patience = Duration::from_secs(app.config.server.upload_timeout_s);
        let outcome = match refusal {
            Some(refusal) => Err(refusal),
            None => tokio::time::timeout(patience, collect(&mut body, limit, &mut held))
                .await
                .unwrap_or(Err(ApiError::SlowUpload)),
        };
        let bytes = outcome?;
        let name = match (name, bytes.first()) {
            ("upload", Some(b'g')) if bytes.starts_with(b"glTF") => "model.glb",
            ("upload", Some(b'{')) => "upload.json",
            (name, _) => name,
        };
        let mut submission = match boundary {
            None => Self { model: Some(File { name: name.to_owned(), bytes }), ..Self::default() },
            Some(boundary) if bytes.len() <= SPLIT_AT_ONCE => named(multipart::split(&bytes, &boundary)?)?,
            Some(boundary) => {
                tokio::task::spawn_blocking(move || named(multipart::split(&bytes, &boundary)?))
                    .await
                    .map_err(|error| ApiError::Internal(error.to_string()))??
            }
        };
        submission.held = Some(held);
        Ok(submission)
    }
}

/// Reads a (decompressed) body whole.
async fn collect(body: &mut Body, limit: u64, held: &mut Held) -> Result<Bytes, ApiError> {
    let too_large = |got| ApiError::TooLarge { limit: "total_bytes", max: limit, got };
    let announced = body.size_hint().exact();
    if let Some(got) = announced.filter(|got| *got > limit) {
        return Err(too_large(Some(got)));
    }
    let Some(first) = data(body).await? else { return Ok(Bytes::new()) };
    held.grow(first.len() as u64)?;
    // A small body comes in one piece and is not copied.
    let Some(second) = data(body).await? else {
        return if first.len() as u64 > limit { Err(too_large(None)) } else { Ok(first) };
    };
    let mut all = Vec::with_capacity(announced.unwrap_or(0).min(8 << 20) as usize);
    all.extend_from_slice(&first);
    let mut next = Some(second);
    while let Some(chunk) = next {
        held.grow(chunk.len() as u64)?;
        if (all.len() + chunk.len()) as u64 > limit {
            return Err(too_large(None));
        }
        all.extend_from_slice(&chunk);
        next = data(body).await?;
    }
    Ok(all.into())
}

/// Reads a small text.
pub async fn text(body: Body, what: &'static str, most: usize) -> Result<String, ApiError> {
    let limited = http_body_util::Limited::new(body, most);
    let bytes = match limited.collect().await {
        Ok(collected) => collected.to_bytes(),
        Err(error) if error.is::<http_body_util::LengthLimitError>() => {
            return Err(ApiError::TooLarge { limit: what, max: most as u64, got: None });
        }
        Err(_) => return Err(ApiError::InvalidRequest("the body cannot be read to its end".into())),
    };
    String::from_utf8(bytes.into()).map_err(|_| ApiError::InvalidRequest("the body is not UTF-8".into()))
}

/// The next piece of data.
async fn data(body: &mut Body) -> Result<Option<Bytes>, ApiError> {
    while let Some(frame) = body.frame().await {
        let frame = frame.map_err(|_| {
            ApiError::InvalidRequest("the body cannot be read to its end, or decompressed".into())
        })?;
        if let Ok(data) = frame.into_data() {
            return Ok(Some(data));
        }
    }
    Ok(None)
}

/// Gives every part its role.
fn named(parts: Vec<Part>) -> Result<Submission, ApiError> {
    let mut submission = Submission::default();
    let wrong = |text: String| Err(ApiError::InvalidMultipart(text));
    for part in parts {
        let file_name = part.file_name.unwrap_or_else(|| part.name.clone());
        let file_name: String = file_name.chars().filter(|c| !c.is_control()).take(256).collect();
        let slot = match part.name.as_str() {
            "file" => {
                submission.files.push(File { name: file_name, bytes: part.bytes });
                continue;
            }
            "profile" | "waivers" | "answers" => {
                let (limit, slot) = match part.name.as_str() {
                    "profile" => ("profile", &mut submission.profile),
                    "waivers" => ("waivers", &mut submission.waivers),
                    _ => ("answers", &mut submission.answers),
                };
                if part.bytes.len() > MOST_TEXT {
                    let got = Some(part.bytes.len() as u64);
                    return Err(ApiError::TooLarge { limit, max: MOST_TEXT as u64, got });
                }
                let Ok(text) = std::str::from_utf8(&part.bytes) else {
                    return wrong(format!("the part {} is not UTF-8", part.name));
                };
                if slot.replace(text.to_owned()).is_some() {
                    return wrong(format!("the part {} comes twice", part.name));
                }
                continue;
            }
            "model" => &mut submission.model,
            "plan" => &mut submission.plan,
            "reference" => &mut submission.reference,
            "baseline" => &mut submission.baseline,
            other => {
                let other = shown(other);
                let known =
                    ["model", "plan", "file", "profile", "waivers", "reference", "baseline", "answers"];
                let hint =
                    nearest(&other, known).map_or(String::new(), |near| format!(" (did you mean {near}?)"));
                return wrong(format!("no part is called {other}{hint}"));
            }
        };
        if slot.replace(File { name: file_name, bytes: part.bytes }).is_some() {
            return wrong(format!("the part {} comes twice", part.name));
        }
    }
    if submission.model.is_none() && submission.plan.is_none() {
        return wrong("there is neither a part model nor a part plan".into());
    }
    Ok(submission)
}
