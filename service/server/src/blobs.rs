//! Uploaded bytes, by digest, in a folder. Names from a caller never become paths.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

/// A folder of blobs.
#[derive(Debug, Clone)]
pub struct Blobs {
    folder: PathBuf,
}

impl Blobs {
    /// Opens the folder, creating it.
    pub fn open(folder: PathBuf) -> io::Result<Self> {
        fs::create_dir_all(&folder)?;
        Ok(Self { folder })
    }

    fn path(&self, sha256: &str) -> Option<PathBuf> {
        let sound =
            sha256.len() == 64 && sha256.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
        sound.then(|| self.folder.join(&sha256[..2]).join(sha256))
    }

    /// Stores bytes durably: when it returns, they survive a crash. Blocking.
    pub fn put(&self, sha256: &str, bytes: &[u8]) -> io::Result<()> {
        let path = self.path(sha256).ok_or_else(|| io::Error::other("not a digest"))?;
        if path.exists() {
            return Ok(());
        }
        let folder = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(folder)?;
        static NEXT: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
        let unique = NEXT.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let temporary = folder.join(format!(".{sha256}.{}.{unique}", std::process::id()));
        let written = File::create(&temporary).and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        });
        if let Err(error) = written.and_then(|()| fs::rename(&temporary, &path)) {
            let _ = fs::remove_file(&temporary);
            return Err(error);
        }
        File::open(folder)?.sync_all()?;
        File::open(&self.folder)?.sync_all()
    }

    /// Reads bytes; `None` when there are none. Blocking.
    pub fn get(&self, sha256: &str) -> io::Result<Option<Vec<u8>>> {
        let Some(path) = self.path(sha256) else { return Ok(None) };
        match fs::read(path) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error),
        }
    }
}
