//! A production out.

use std::collections::BTreeSet;
use std::io::{self, Write};

use axum::body::{Body, Bytes};
use condyle_api::{InputFile, Policy};
use futures_util::stream;
use tar::{Builder, EntryType, Header};
use tokio::sync::mpsc;

use super::{FORM, Head, Line, MANIFEST};
use crate::blobs::Blobs;
use crate::problem::ApiError;
use crate::state::App;
use crate::store::Store;

/// Bytes that are handed on at once.
const PIECE: usize = 64 << 10;
/// Pieces that wait for the caller.
const WAITING: usize = 4;

/// The archive of a production as it is now. Nothing of it is removed while it goes out; where something cannot be read,
/// the answer breaks off, and the archive has no end.
pub async fn export(app: &App, production: &str) -> Result<Body, ApiError> {
    let keep = app.blobs.keep().await;
    let leaving = app.store.leaving(production).await?;
    if leaving.is_empty() {
        return Err(ApiError::not_found(format!("production {production}")));
    }
    let policy = app.store.policy(production).await?;
    let policy: Option<Policy> = policy
        .map(|body| serde_json::from_str(&body).map_err(|error| ApiError::Internal(error.to_string())))
        .transpose()?;
    let waivers = match app.store.waivers(production).await? {
        Some(text) => Some(super::super::waivers::read(&text)?.1),
        None => None,
    };
    let days = app.store.days(Some(production), "").await?.into_iter().map(|(_, day)| day).collect();
    let head = Head {
        archive: FORM.to_owned(),
        production: production.to_owned(),
        exported_at: crate::clock::rfc3339(crate::clock::now_ms()),
        revisions: leaving.len() as u64,
        policy,
        waivers,
        days,
    };
    let mut lines = Vec::with_capacity(leaving.len());
    for one in leaving {
        let files: Vec<InputFile> =
            serde_json::from_str(&one.manifest).map_err(|error| ApiError::Internal(error.to_string()))?;
        lines.push(Line {
            asset: one.asset,
            label: one.label,
            number: one.number,
            submitted_ms: one.submitted_ms,
            input_sha256: one.input_sha256,
            files,
            report_sha256: one.report_sha256,
            report_bytes: one.report_bytes,
        });
    }
    let (sender, receiver) = mpsc::channel(WAITING);
    let (store, blobs) = (app.store.clone(), app.blobs.clone());
    tokio::task::spawn_blocking(move || {
        let pieces = Pieces { sender: sender.clone(), buffer: Vec::with_capacity(PIECE) };
        if let Err(error) = write(pieces, &head, &lines, &store, &blobs) {
            tracing::warn!(%error, production = head.production, "an export broke off");
            // An error in the stream closes the connection before its proper end.
            let _ = sender.blocking_send(Err(error));
        }
        drop(keep);
    });
    let pieces = stream::unfold(receiver, |mut receiver| async move {
        let piece = receiver.recv().await?;
        Some((piece, receiver))
    });
    Ok(Body::from_stream(pieces))
}

fn write(pieces: Pieces, head: &Head, lines: &[Line], store: &Store, blobs: &Blobs) -> io::Result<()> {
    let runtime = tokio::runtime::Handle::current();
    let mut tar = Builder::new(pieces);
    let mut manifest = serde_json::to_vec(head)?;
    manifest.push(b'\n');
    for line in lines {
        serde_json::to_writer(&mut manifest, line)?;
        manifest.push(b'\n');
    }
    entry(&mut tar, MANIFEST, &manifest)?;
    drop(manifest);
    let (mut reports, mut files) = (BTreeSet::new(), BTreeSet::new());
    for line in lines {
        if reports.insert(line.report_sha256.as_str()) {
            let body = runtime.block_on(store.report_body(&line.report_sha256)).map_err(io::Error::other)?;
            let body = body.ok_or_else(|| io::Error::other("a report was deleted meanwhile"))?;
            entry(&mut tar, &format!("reports/{}", line.report_sha256), body.as_bytes())?;
        }
        for file in &line.files {
            if files.insert(file.sha256.as_str()) {
                let bytes = blobs.get(&file.sha256)?;
                let bytes = bytes.ok_or_else(|| io::Error::other("a blob is gone"))?;
                entry(&mut tar, &format!("blobs/{}", file.sha256), &bytes)?;
            }
        }
    }
    tar.into_inner()?.flush()
}

fn entry(tar: &mut Builder<Pieces>, name: &str, bytes: &[u8]) -> io::Result<()> {
    let mut header = Header::new_gnu();
    header.set_entry_type(EntryType::Regular);
    header.set_size(bytes.len() as u64);
    header.set_mode(0o644);
    tar.append_data(&mut header, name, bytes)
}

/// Hands bytes on; an error where the caller went away.
struct Pieces {
    sender: mpsc::Sender<Result<Bytes, io::Error>>,
    buffer: Vec<u8>,
}

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let taken = bytes.len().min(PIECE - self.buffer.len());
        self.buffer.extend_from_slice(&bytes[..taken]);
        if self.buffer.len() == PIECE {
            self.flush()?;
        }
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.buffer.is_empty() {
            return Ok(());
        }
        let piece = std::mem::replace(&mut self.buffer, Vec::with_capacity(PIECE));
        self.sender
            .blocking_send(Ok(piece.into()))
            .map_err(|_| io::Error::new(io::ErrorKind::BrokenPipe, "the caller went away"))
    }
}
