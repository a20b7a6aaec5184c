//! Uploaded bytes, by digest, in a folder. Names from a caller never become paths.

use std::fs::{self, File, TryLockError};
use std::io::{self, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use tokio::sync::{OwnedRwLockReadGuard, OwnedRwLockWriteGuard, RwLock};

/// The name of the file that processes lock.
const GATE: &str = ".gate";
/// How often 20 ms are waited for everybody to be done.
const PATIENCE: u32 = 100;

/// A folder of blobs.
#[derive(Debug, Clone)]
pub struct Blobs {
    folder: PathBuf,
    /// Held by whoever is about to store blobs and then the row that needs them; taken whole to remove one. Among the
    /// processes that share the folder, the lock of the file `.gate` in it does the same.
    gate: Arc<RwLock<()>>,
}

/// While it lives, no blob is removed: to be taken before the first [`Blobs::put`] and kept until the row that needs
/// the blobs is committed.
#[derive(Debug)]
pub struct Keep(#[expect(dead_code, reason = "held, never read")] (OwnedRwLockReadGuard<()>, Option<File>));

/// While it lives, nobody stores blobs.
#[derive(Debug)]
pub struct Closed(
    #[expect(dead_code, reason = "held, never read")] (OwnedRwLockWriteGuard<()>, Option<File>),
);

impl Blobs {
    /// Opens the folder, creating it.
    pub fn open(folder: PathBuf) -> io::Result<Self> {
        fs::create_dir_all(&folder)?;
        sync_folder(folder.parent().unwrap_or(Path::new(".")))?;
        Ok(Self { folder, gate: Arc::default() })
    }

    /// Keeps every blob from being removed.
    pub async fn keep(&self) -> Keep {
        let guard = self.gate.clone().read_owned().await;
        let path = self.folder.join(GATE);
        let locked = tokio::task::spawn_blocking(move || {
            let file = gate(&path)?;
            file.lock_shared()?;
            Ok::<_, io::Error>(file)
        });
        // Without it, what is about to be stored is safe from this process alone; the writing itself tells what is wrong
        // with the folder.
        Keep((guard, locked.await.ok().and_then(Result::ok)))
    }

    /// Waits a moment for nobody to keep blobs; while the answer lives, nobody can begin to.
    ///
    /// It does not queue: an export keeps blobs for as long as its caller reads, and whoever waited behind this would
    /// wait for that.
    pub async fn close(&self) -> Option<Closed> {
        for _ in 0..PATIENCE {
            if let Ok(guard) = self.gate.clone().try_write_owned() {
                let path = self.folder.join(GATE);
                let file =
                    tokio::task::spawn_blocking(move || gate(&path).map(|file| (file.try_lock(), file)));
                match file.await {
                    Ok(Ok((Ok(()), file))) => return Some(Closed((guard, Some(file)))),
                    Ok(Ok((Err(TryLockError::WouldBlock), _))) => {}
                    // A file system without locks is one process's.
                    _ => return Some(Closed((guard, None))),
                }
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        None
    }

    /// Removes a blob; whether there was one. Blocking.
    pub fn remove(&self, _closed: &Closed, sha256: &str) -> io::Result<bool> {
        let Some(path) = self.path(sha256) else { return Ok(false) };
        match fs::remove_file(path) {
            Ok(()) => Ok(true),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(error) => Err(error),
        }
    }

    /// Where a blob is; nothing where the name is no digest.
    pub fn place(&self, sha256: &str) -> Option<PathBuf> {
        self.path(sha256)
    }

    /// Digests of blobs that were stored at or before a time; temporary files that old are removed. Blocking.
    pub fn older(&self, than: SystemTime) -> io::Result<Vec<String>> {
        let mut list = Vec::new();
        for folder in fs::read_dir(&self.folder)? {
            let folder = folder?;
            if !folder.file_type()?.is_dir() {
                continue;
            }
            for file in fs::read_dir(folder.path())? {
                let file = file?;
                let old = file.metadata().and_then(|meta| meta.modified()).is_ok_and(|time| time <= than);
                let Ok(name) = file.file_name().into_string() else { continue };
                if old && name.starts_with('.') {
                    // What a crash left behind in the middle of a write.
                    let _ = fs::remove_file(file.path());
                } else if old && self.path(&name).is_some() {
                    list.push(name);
                }
            }
        }
        list.sort();
        Ok(list)
    }

    /// Whether something can be written. Blocking.
    pub fn ready(&self) -> io::Result<()> {
        // A name of its own: two probes at once must not take each other's file away.
        let probe = self.folder.join(format!(".ready.{}.{}", std::process::id(), unique()));
        let written = fs::write(&probe, b"ready");
        let removed = fs::remove_file(probe);
        written.and(removed)
    }

    fn path(&self, sha256: &str) -> Option<PathBuf> {
        let sound =
            sha256.len() == 64 && sha256.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
        sound.then(|| self.folder.join(&sha256[..2]).join(sha256))
    }

    /// Stores bytes durably: when it returns, they survive a crash. Blocking.
    pub fn put(&self, sha256: &str, bytes: &[u8]) -> io::Result<()> {
        let path = self.path(sha256).ok_or_else(|| io::Error::other("not a digest"))?;
        let folder = path.parent().unwrap_or(Path::new("."));
        if fs::metadata(&path).is_ok_and(|there| there.len() == bytes.len() as u64) {
            // Whoever wrote it may not have come to this yet.
            sync_folder(folder)?;
            return sync_folder(&self.folder);
        }
        fs::create_dir_all(folder)?;
        let temporary = folder.join(format!(".{sha256}.{}.{}", std::process::id(), unique()));
        let written = File::create(&temporary).and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        });
        if let Err(error) = written.and_then(|()| fs::rename(&temporary, &path)) {
            let _ = fs::remove_file(&temporary);
            return Err(error);
        }
        sync_folder(folder)?;
        sync_folder(&self.folder)
    }

    /// Whether a blob is there and begins so. Blocking.
    pub fn begins(&self, sha256: &str, with: &[u8]) -> io::Result<bool> {
        let Some(path) = self.path(sha256) else { return Ok(false) };
        let mut first = Vec::new();
        match File::open(path).and_then(|file| file.take(with.len() as u64).read_to_end(&mut first)) {
            Ok(_) => Ok(first == with),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(error) => Err(error),
        }
    }

    /// Reads bytes; `None` when there are none. Blocking.
    pub fn get(&self, sha256: &str) -> io::Result<Option<Vec<u8>>> {
        let Some(path) = self.path(sha256) else { return Ok(None) };
        match fs::read(path) {
            Ok(bytes) if condyle_core::intake::file_digest(&bytes) == sha256 => Ok(Some(bytes)),
            Ok(_) => Err(io::Error::other(format!("the blob {sha256} is damaged"))),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error),
        }
    }
}

/// The file that processes lock.
fn gate(path: &Path) -> io::Result<File> {
    File::options().create(true).truncate(false).write(true).open(path)
}

/// A number that this process takes once.
fn unique() -> u64 {
    static NEXT: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
    NEXT.fetch_add(1, std::sync::atomic::Ordering::Relaxed)
}

/// Makes a folder's entries durable, where the system has that.
pub(crate) fn sync_folder(folder: &Path) -> io::Result<()> {
    #[cfg(unix)]
    File::open(folder)?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn what_a_crash_left_is_swept_when_it_is_old() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("blobs");
        let blobs = Blobs::open(root.clone()).unwrap();
        let sha256 = condyle_core::intake::file_digest(b"hello");
        blobs.put(&sha256, b"hello").unwrap();
        let part = root.join(&sha256[..2]);
        let (old, young) = (part.join(".old.1.1"), part.join(".young.1.1"));
        let hour_ago = SystemTime::now() - Duration::from_hours(1);
        let long_ago = hour_ago - Duration::from_hours(1);
        for path in [&old, &young, &part.join(&sha256)] {
            let file = File::options().create(true).append(true).open(path).unwrap();
            if path != &young {
                file.set_modified(long_ago).unwrap();
            }
        }
        assert_eq!(blobs.older(hour_ago).unwrap(), std::slice::from_ref(&sha256));
        assert!(!old.exists() && young.exists());
        assert_eq!(blobs.get(&sha256).unwrap().as_deref(), Some(&b"hello"[..]));
    }

    /// Two handles that know nothing of each other, as two processes have them.
    #[tokio::test]
    async fn whoever_shares_the_folder_keeps_its_blobs_too() {
        let folder = tempfile::tempdir().unwrap();
        let (one, other) = (
            Blobs::open(folder.path().to_path_buf()).unwrap(),
            Blobs::open(folder.path().to_path_buf()).unwrap(),
        );
        let (keep, second) = tokio::join!(one.keep(), other.keep());
        assert!(other.close().await.is_none(), "its own is kept");
        drop(second);
        assert!(other.close().await.is_none(), "the other's is kept");
        drop(keep);
        let closed = other.close().await.unwrap();
        assert!(tokio::time::timeout(Duration::from_millis(200), one.keep()).await.is_err());
        drop(closed);
        drop(one.keep().await);
    }

    #[test]
    fn bytes_come_back_and_damage_is_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let blobs = Blobs::open(folder.path().join("blobs")).unwrap();
        let sha256 = condyle_core::intake::file_digest(b"hello");
        assert_eq!(blobs.get(&sha256).unwrap(), None);
        blobs.put(&sha256, b"hello").unwrap();
        blobs.put(&sha256, b"hello").unwrap();
        assert_eq!(blobs.get(&sha256).unwrap().as_deref(), Some(&b"hello"[..]));
        assert!(blobs.begins(&sha256, b"hell").unwrap() && !blobs.begins(&sha256, b"help").unwrap());
        assert!(!blobs.begins(&"0".repeat(64), b"hell").unwrap());
        fs::write(blobs.path(&sha256).unwrap(), b"hellx").unwrap();
        assert!(blobs.get(&sha256).is_err());
        assert!(blobs.put("../../etc/passwd", b"x").is_err());
        assert_eq!(blobs.get("../../etc/passwd").unwrap(), None);
    }
}
