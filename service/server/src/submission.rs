//! What a caller uploads: one document, or a multipart body of named parts.

use axum::body::Bytes;
use axum::extract::{FromRequest, Multipart, Request};
use axum::http::header;
use condyle_core::intake::{Bundle, Upload};

use crate::problem::ApiError;
use crate::state::App;

/// One uploaded file.
#[derive(Debug, Clone)]
pub struct File {
    /// The name given by the caller; only ever compared and reported.
    pub name: String,
    /// The bytes.
    pub bytes: Bytes,
}

/// Everything that came in one request.
#[derive(Debug, Clone, Default)]
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
}

impl Submission {
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

impl FromRequest<App> for Submission {
    type Rejection = ApiError;

    async fn from_request(request: Request, app: &App) -> Result<Self, ApiError> {
        let limit = app.config.limits.total_bytes;
        let kind = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
        let kind = kind.split(';').next().unwrap_or("").trim().to_ascii_lowercase();
        let name = match kind.as_str() {
            "multipart/form-data" => return parts(request, limit).await,
            "model/gltf-binary" => "model.glb",
            "model/gltf+json" => "model.gltf",
            "application/json" | "" | "application/octet-stream" | "application/x-www-form-urlencoded" => {
                "upload"
            }
            other => return Err(ApiError::UnsupportedMediaType(other.chars().take(80).collect())),
        };
        let most = usize::try_from(limit).unwrap_or(usize::MAX);
        let bytes =
            axum::body::to_bytes(request.into_body(), most).await.map_err(|error| unread(&error, limit))?;
        let name = match name {
            "upload" if bytes.starts_with(b"glTF") => "model.glb",
            "upload" => "upload.json",
            named => named,
        };
        Ok(Self { model: Some(File { name: name.to_owned(), bytes }), ..Self::default() })
    }
}

/// A body that could not be read: too long, or broken on the way.
fn unread(error: &axum::Error, limit: u64) -> ApiError {
    let mut source: Option<&dyn std::error::Error> = Some(error);
    while let Some(at) = source {
        if at.to_string().contains("length limit") {
            return ApiError::TooLarge(limit);
        }
        source = at.source();
    }
    ApiError::InvalidRequest("the body could not be read or decompressed".into())
}

async fn parts(request: Request, limit: u64) -> Result<Submission, ApiError> {
    let wrong = |error: axum::extract::multipart::MultipartError| {
        if error.status() == axum::http::StatusCode::PAYLOAD_TOO_LARGE {
            ApiError::TooLarge(limit)
        } else {
            ApiError::InvalidMultipart(error.body_text())
        }
    };
    let mut multipart = Multipart::from_request(request, &())
        .await
        .map_err(|error| ApiError::InvalidMultipart(error.body_text()))?;
    let mut submission = Submission::default();
    let mut total = 0_u64;
    let mut count = 0;
    while let Some(mut field) = multipart.next_field().await.map_err(wrong)? {
        count += 1;
        if count > 256 {
            return Err(ApiError::InvalidMultipart("more than 256 parts".into()));
        }
        let part = field.name().unwrap_or("").to_owned();
        let name = field.file_name().map_or_else(|| part.clone(), str::to_owned);
        let name: String = name.chars().filter(|c| !c.is_control()).take(256).collect();
        let mut bytes = Vec::new();
        while let Some(chunk) = field.chunk().await.map_err(wrong)? {
            total += chunk.len() as u64;
            if total > limit {
                return Err(ApiError::TooLarge(limit));
            }
            bytes.extend_from_slice(&chunk);
        }
        let text = |bytes: Vec<u8>| {
            String::from_utf8(bytes)
                .map_err(|_| ApiError::InvalidMultipart(format!("part {part} is not UTF-8")))
        };
        let once = |taken: bool| {
            if taken { Err(ApiError::InvalidMultipart(format!("part {part} comes twice"))) } else { Ok(()) }
        };
        match part.as_str() {
            "model" => {
                once(submission.model.is_some())?;
                submission.model = Some(File { name, bytes: bytes.into() });
            }
            "plan" => {
                once(submission.plan.is_some())?;
                submission.plan = Some(File { name, bytes: bytes.into() });
            }
            "file" => submission.files.push(File { name, bytes: bytes.into() }),
            "profile" => submission.profile = Some(text(bytes)?),
            "waivers" => submission.waivers = Some(text(bytes)?),
            other => {
                let known = ["model", "plan", "file", "profile", "waivers"];
                let hint = condyle_core::model::nearest(other, known)
                    .map_or(String::new(), |near| format!(" (did you mean {near}?)"));
                let shown: String = other.chars().take(60).collect();
                return Err(ApiError::InvalidMultipart(format!("there is no part {shown}{hint}")));
            }
        }
    }
    if submission.model.is_none() && submission.plan.is_none() {
        return Err(ApiError::InvalidMultipart("there is neither a part model nor a part plan".into()));
    }
    Ok(submission)
}
