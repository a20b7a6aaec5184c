//! A production in: read, compared with its own manifest entry by entry, and stored in one transaction.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use axum::body::Body;
use condyle_api::{ImportSummary, Revision};
use condyle_core::intake;
use condyle_core::report::Report;
use futures_util::{StreamExt as _, stream};
use tar::{Archive, EntryType};
use tokio_util::io::{StreamReader, SyncIoBridge};

use super::{FORM, Head, Line, MANIFEST};
use crate::access::Act;
use crate::app::shelf::agreeable;
use crate::app::submit::sound;
use crate::blobs::{Blobs, Keep};
use crate::problem::ApiError;
use crate::state::App;
use crate::store::{Beside, Stored};

/// Bytes of one line of the manifest.
const LONGEST_LINE: usize = 1 << 20;
/// Bytes of the manifest.
const LARGEST_MANIFEST: u64 = 256 << 20;
/// Bytes of one report.
const LARGEST_REPORT: u64 = 256 << 20;

/// What an import may ask for.
#[derive(Debug, Clone, Copy)]
struct Bounds {
    bytes: u64,
    revisions: u64,
    blob: u64,
}

/// Takes an archive into a production, which may have another name than it had.
pub async fn import(app: &App, production: &str, act: &Act, body: Body) -> Result<ImportSummary, ApiError> {
    let _one = app.imports.try_acquire().map_err(|_| ApiError::Busy)?;
    let bounds = Bounds {
        bytes: app.config.archive.bytes,
        revisions: u64::from(app.config.archive.revisions),
        blob: app.config.limits.total_bytes,
    };
    let spool = Spool::new(&app.config.server.data_dir)?;
    let keep = app.blobs.keep().await;
    let patience = Duration::from_secs(app.config.server.upload_timeout_s);
    let pieces = stream::unfold(body.into_data_stream(), move |mut body| async move {
        let piece = match tokio::time::timeout(patience, body.next()).await {
            Ok(piece) => piece?.map_err(io::Error::other),
            Err(_) => Err(io::Error::other("nothing came for too long")),
        };
        Some((piece, body))
    });
    let reader = SyncIoBridge::new(StreamReader::new(Box::pin(pieces)));
    let (blobs, folder) = (app.blobs.clone(), spool.0.clone());
    // The pool is for checks; this waits for the network most of the time.
    let outcome = tokio::task::spawn_blocking(move || receive(reader, bounds, &blobs, &folder, keep)).await;
    let received = outcome.map_err(|error| ApiError::Internal(error.to_string()))??;
    let Received { head, revisions, keep } = received;
    if let Some(policy) = &head.policy {
        agreeable(app, policy).await?;
    }
    let waivers = head.waivers.as_ref().map(ToString::to_string);
    if let Some(waivers) = &waivers {
        crate::app::waivers::read(waivers)?;
    }
    let policy = head.policy.as_ref().map(serde_json::to_string).transpose();
    let policy = policy.map_err(|error| ApiError::Internal(error.to_string()))?;
    let beside = Beside { policy: policy.as_deref(), waivers: waivers.as_deref(), days: &head.days };
    let now = crate::clock::now_ms();
    let outcome = app.store.import(production, revisions, &spool.0, beside, act, now).await?;
    drop(keep);
    match outcome {
        Ok(done) => Ok(ImportSummary {
            assets: done.assets,
            stored: done.stored,
            unchanged: done.unchanged,
            policy: done.policy,
        }),
        // Blobs that nobody needs now go with the next sweep.
        Err(conflict) => Err(ApiError::Conflict(format!(
            "{} {}: {}; nothing was imported",
            conflict.asset, conflict.label, conflict.why
        ))),
    }
}

/// A folder for the reports of one import; removed with it.
struct Spool(PathBuf);

impl Spool {
    fn new(data: &Path) -> io::Result<Self> {
        static NEXT: AtomicU64 = AtomicU64::new(1);
        let unique = NEXT.fetch_add(1, Ordering::Relaxed);
        let folder = data.join("imports").join(format!("{}-{unique}", std::process::id()));
        // A process of that number may have died here.
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder)?;
        Ok(Self(folder))
    }
}

impl Drop for Spool {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

struct Received {
    head: Head,
    revisions: Vec<Stored>,
    keep: Keep,
}

fn wrong(text: impl Into<String>) -> ApiError {
    ApiError::InvalidArchive(text.into())
}

impl Bounds {
    /// What goes wrong while reading is the archive's fault, or the line's.
    fn unreadable(self, error: io::Error) -> ApiError {
        if error.kind() == io::ErrorKind::FileTooLarge {
            return ApiError::TooLarge { limit: "archive.bytes", max: self.bytes, got: None };
        }
        wrong(format!("the archive cannot be read to its end: {}", crate::problem::shown(&error.to_string())))
    }
}

/// Stops where the bound is passed, and says so.
struct Bounded<R> {
    reader: R,
    left: u64,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let got = self.reader.read(buffer)?;
        self.left = self.left.checked_sub(got as u64).ok_or(io::ErrorKind::FileTooLarge)?;
        Ok(got)
    }
}

fn receive(
    reader: impl Read,
    bounds: Bounds,
    blobs: &Blobs,
    spool: &Path,
    keep: Keep,
) -> Result<Received, ApiError> {
    let mut archive = Archive::new(Bounded { reader, left: bounds.bytes });
    // Raw: extended headers, which may be as large as they like, are refused like every other kind of entry.
    let mut entries = archive.entries().map_err(|error| bounds.unreadable(error))?.raw(true);
    let first = entries
        .next()
        .ok_or_else(|| wrong("the archive is empty"))?
        .map_err(|error| bounds.unreadable(error))?;
    if first.path_bytes().as_ref() != MANIFEST.as_bytes() || first.header().entry_type() != EntryType::Regular
    {
        return Err(wrong(format!("the first entry is not {MANIFEST}")));
    }
    if first.size() > LARGEST_MANIFEST {
        let got = Some(first.size());
        return Err(ApiError::TooLarge { limit: MANIFEST, max: LARGEST_MANIFEST, got });
    }
    let (head, lines) = manifest(first, bounds)?;
    let mut expected = Expected::of(&lines, bounds)?;
    let mut reports = BTreeMap::new();
    let mut bytes_seen = 0_u64;
    for entry in entries {
        let mut entry = entry.map_err(|error| bounds.unreadable(error))?;
        let path = String::from_utf8_lossy(&entry.path_bytes()).into_owned();
        if entry.header().entry_type() != EntryType::Regular {
            return Err(wrong(format!("{} is no regular file", crate::problem::shown(&path))));
        }
        // Only names that the manifest gave, each once: nothing of an entry ever becomes a path.
        let (kind, sha256, size) = expected.take(&path)?;
        if entry.size() != size {
            return Err(wrong(format!("{path} has {} bytes, the manifest says {size}", entry.size())));
        }
        bytes_seen += size;
        if bytes_seen > bounds.bytes {
            return Err(ApiError::TooLarge { limit: "archive.bytes", max: bounds.bytes, got: None });
        }
        let mut bytes = Vec::with_capacity(size.min(1 << 20) as usize);
        entry.read_to_end(&mut bytes).map_err(|error| bounds.unreadable(error))?;
        if bytes.len() as u64 != size {
            return Err(wrong(format!("{path} breaks off after {} bytes", bytes.len())));
        }
        if intake::file_digest(&bytes) != sha256 {
            return Err(wrong(format!("the bytes of {path} do not have its digest")));
        }
        match kind {
            Kind::Blob => blobs.put(&sha256, &bytes)?,
            Kind::Report => {
                let report: Report = serde_json::from_slice(&bytes)
                    .map_err(|error| wrong(format!("{path} is no report: {error}")))?;
                std::fs::write(spool.join(&sha256), &bytes)?;
                reports.insert(sha256, Brief::of(report));
            }
        }
    }
    expected.nothing_left()?;
    let revisions = lines.into_iter().map(|line| revision(line, &reports)).collect::<Result<_, _>>()?;
    Ok(Received { head, revisions, keep })
}

/// What a revision's row takes from its report; the rest is its line's.
struct Brief {
    revision: Revision,
}

impl Brief {
    fn of(report: Report) -> Self {
        Self {
            revision: Revision {
                production: String::new(),
                asset: String::new(),
                label: String::new(),
                number: 0,
                input_sha256: report.input.sha256,
                input_bytes: 0,
                verdict: report.verdict,
                counts: report.counts,
                profile: report.profile.name,
                catalogue: report.catalogue,
                submitted_at: String::new(),
                report_url: String::new(),
            },
        }
    }
}

fn revision(line: Line, reports: &BTreeMap<String, Brief>) -> Result<Stored, ApiError> {
    let place = format!("{} {}", line.asset, line.label);
    let brief = reports
        .get(&line.report_sha256)
        .ok_or_else(|| wrong(format!("the archive has no report of {place}")))?;
    if brief.revision.input_sha256 != line.input_sha256 {
        return Err(wrong(format!("the report of {place} is about another input")));
    }
    let manifest = serde_json::to_string(&line.files).map_err(|e| ApiError::Internal(e.to_string()))?;
    Ok(Stored {
        revision: Revision {
            asset: line.asset,
            label: line.label,
            number: line.number,
            input_bytes: line.files.iter().map(|file| file.bytes).sum(),
            ..brief.revision.clone()
        },
        manifest,
        report: String::new(),
        report_sha256: line.report_sha256,
        submitted_ms: line.submitted_ms,
    })
}

/// The head and the lines, each checked by itself and against the others.
fn manifest(entry: impl Read, bounds: Bounds) -> Result<(Head, Vec<Line>), ApiError> {
    let mut text = Lines { reader: io::BufReader::new(entry), number: 0, bounds };
    let head: Head = text.next()?.ok_or_else(|| wrong("the manifest is empty"))?;
    if head.archive != FORM {
        let form = crate::problem::shown(&head.archive);
        return Err(wrong(format!("the archive is of the form {form}, not {FORM}")));
    }
    if head.revisions > bounds.revisions {
        return Err(ApiError::TooLarge {
            limit: "archive.revisions",
            max: bounds.revisions,
            got: Some(head.revisions),
        });
    }
    let mut lines: Vec<Line> = Vec::new();
    let (mut labels, mut numbers) = (BTreeSet::new(), BTreeSet::new());
    while let Some(line) = text.next::<Line>()? {
        let at = format!("line {} of the manifest", text.number);
        if lines.len() as u64 == head.revisions {
            return Err(wrong(format!("the manifest says {} revisions and has more", head.revisions)));
        }
        for (what, name) in [("asset", &line.asset), ("label", &line.label)] {
            sound(what, name).map_err(|_| wrong(format!("{at}: the {what} is no name")))?;
        }
        let digests = line.files.iter().map(|file| &file.sha256);
        if !digests.chain([&line.input_sha256, &line.report_sha256]).all(|sha256| is_digest(sha256)) {
            return Err(wrong(format!("{at}: a digest is 64 hex digits, lower case")));
        }
        if !(1..=i64::MAX as u64).contains(&line.number) || line.files.is_empty() || line.files.len() > 10_000
        {
            return Err(wrong(format!("{at}: the number is at least 1, and there are 1 to 10000 files")));
        }
        if digest_of(&line) != line.input_sha256 {
            return Err(wrong(format!("{at}: the files do not have the digest of the input")));
        }
        if !labels.insert((line.asset.clone(), line.label.clone()))
            || !numbers.insert((line.asset.clone(), line.number))
        {
            return Err(wrong(format!("{at}: the label or the number comes twice")));
        }
        lines.push(line);
    }
    if lines.len() as u64 != head.revisions {
        let count = lines.len();
        return Err(wrong(format!("the manifest says {} revisions and has {count}", head.revisions)));
    }
    let day = |text: &str| text.parse::<jiff::civil::Date>().is_ok_and(|date| date.to_string() == text);
    if head.days.len() > 100_000 || !head.days.iter().all(|one| day(&one.day)) {
        return Err(wrong("the days of the manifest's head are no days"));
    }
    Ok((head, lines))
}

/// The digest of an input from the names and digests of its files.
fn digest_of(line: &Line) -> String {
    if let [only] = line.files.as_slice() {
        return only.sha256.clone();
    }
    let mut files: Vec<(&str, &str)> =
        line.files.iter().map(|file| (file.name.as_str(), file.sha256.as_str())).collect();
    files.sort_unstable();
    let text: String = files.iter().map(|(name, sha256)| format!("{name}\0{sha256}\n")).collect();
    intake::file_digest(text.as_bytes())
}

fn is_digest(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}

/// Lines of bounded length.
struct Lines<R> {
    reader: io::BufReader<R>,
    number: u64,
    bounds: Bounds,
}

impl<R: Read> Lines<R> {
    fn next<T: serde::de::DeserializeOwned>(&mut self) -> Result<Option<T>, ApiError> {
        use std::io::BufRead as _;
        let mut line = Vec::new();
        let most = LONGEST_LINE as u64 * if self.number == 0 { 32 } else { 1 };
        (&mut self.reader)
            .take(most)
            .read_until(b'\n', &mut line)
            .map_err(|error| self.bounds.unreadable(error))?;
        if line.is_empty() {
            return Ok(None);
        }
        self.number += 1;
        if line.pop() != Some(b'\n') {
            return Err(wrong(format!("line {} of the manifest is too long or breaks off", self.number)));
        }
        serde_json::from_slice(&line)
            .map(Some)
            .map_err(|error| wrong(format!("line {} of the manifest: {error}", self.number)))
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Report,
    Blob,
}

/// What the manifest says is to come.
struct Expected(BTreeMap<String, (Kind, String, u64)>);

impl Expected {
    fn of(lines: &[Line], bounds: Bounds) -> Result<Self, ApiError> {
        let mut list: BTreeMap<String, (Kind, String, u64)> = BTreeMap::new();
        let mut total = 0_u64;
        for line in lines {
            let report = (Kind::Report, "reports", &line.report_sha256, line.report_bytes, LARGEST_REPORT);
            let files =
                line.files.iter().map(|file| (Kind::Blob, "blobs", &file.sha256, file.bytes, bounds.blob));
            for (kind, folder, sha256, size, most) in files.chain([report]) {
                if size > most {
                    let limit = if kind == Kind::Blob { "total_bytes" } else { "report" };
                    return Err(ApiError::TooLarge { limit, max: most, got: Some(size) });
                }
                match list.insert(format!("{folder}/{sha256}"), (kind, sha256.clone(), size)) {
                    Some((_, _, before)) if before != size => {
                        return Err(wrong(format!("{folder}/{sha256} has two sizes")));
                    }
                    Some(_) => {}
                    None => total = total.saturating_add(size),
                }
            }
        }
        if total > bounds.bytes {
            return Err(ApiError::TooLarge { limit: "archive.bytes", max: bounds.bytes, got: Some(total) });
        }
        Ok(Self(list))
    }

    fn take(&mut self, path: &str) -> Result<(Kind, String, u64), ApiError> {
        self.0.remove(path).ok_or_else(|| {
            let path = crate::problem::shown(path);
            wrong(format!("{path} comes twice, or the manifest does not know it"))
        })
    }

    fn nothing_left(&self) -> Result<(), ApiError> {
        match self.0.keys().next() {
            None => Ok(()),
            Some(path) => Err(wrong(format!("{path} is missing, and {} in all", self.0.len()))),
        }
    }
}
