//! A copy of the data folder that can be started from, made while the service runs.

use std::collections::BTreeSet;
use std::io;
use std::path::Path;

use crate::blobs::Blobs;
use crate::store::Store;

/// What was copied.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Copied {
    /// Blobs that the copy holds.
    pub blobs: u64,
}

/// Times that the database is copied anew because a blob went in the meantime.
const ATTEMPTS: u32 = 5;

/// Copies `data` to `target`, which must be empty or not there. Blobs are compared with their digests on the way.
///
/// The database is copied as of one moment (SQLite's `VACUUM INTO`, from a connection of its own); then the blobs that
/// this copy names. Where one of them was deleted in between, the database is copied again.
pub async fn backup(data: &Path, target: &Path) -> io::Result<Copied> {
    let database = data.join("condyle.sqlite");
    if !database.is_file() {
        return Err(io::Error::other(format!(
            "there is no condyle.sqlite in {}; with PostgreSQL use pg_dump and copy the blobs, as deploy/RUNBOOK.md says",
            data.display()
        )));
    }
    std::fs::create_dir_all(target)?;
    if std::fs::read_dir(target)?.next().is_some() {
        return Err(io::Error::other(format!("{} is not empty", target.display())));
    }
    let (from, to) = (Blobs::open(data.join("blobs"))?, Blobs::open(target.join("blobs"))?);
    let copy = target.join("condyle.sqlite");
    for _ in 0..ATTEMPTS {
        let _ = std::fs::remove_file(&copy);
        let named = Store::copy_database(&database, &copy).await.map_err(io::Error::other)?;
        if let Some(copied) = copy_blobs(&from, &to, &named)? {
            crate::blobs::sync_folder(target)?;
            return Ok(copied);
        }
    }
    let _ = std::fs::remove_file(&copy);
    Err(io::Error::other("blobs went faster than they could be copied; try again when less is deleted"))
}

/// Copies what is not there yet; nothing where one is gone.
fn copy_blobs(from: &Blobs, to: &Blobs, named: &BTreeSet<String>) -> io::Result<Option<Copied>> {
    for sha256 in named {
        if to.get(sha256)?.is_some() {
            continue;
        }
        let Some(bytes) = from.get(sha256)? else { return Ok(None) };
        to.put(sha256, &bytes)?;
    }
    Ok(Some(Copied { blobs: named.len() as u64 }))
}
