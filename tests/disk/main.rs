//! A disk that is full, and one that cannot be written: each a small private tmpfs, so it takes root on Linux.
//! Elsewhere the tests are ignored with the reason; under `CI` that is a failure.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::time::Duration;

use condyle_api::{Job, JobState, Problem, Revision};
use condyle_server::{ServeError, serve};
use condyle_tests::{Service, configuration, plan};
use libtest_mimic::{Arguments, Failed, Trial};
use reqwest::{RequestBuilder, StatusCode};

const TRIALS: &[(&str, fn() -> Result<(), Failed>)] = &[
    ("a full disk acknowledges nothing and works again when there is room", full),
    ("a folder that becomes unwritable is told and works again when it is writable", unwritable),
    ("a store on a disk that cannot be written is refused with the reason", read_only_start),
];

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let lack = Mount::new("64k").err();
    let ci = std::env::var_os("CI").is_some();
    let trials = TRIALS.iter().map(|(name, test)| match &lack {
        None => Trial::test(*name, test),
        Some(lack) => {
            let text = format!("needs a tmpfs: {lack}");
            let name = format!("{name} ({text})");
            Trial::test(name, move || Err(Failed::from(text))).with_ignored_flag(!ci)
        }
    });
    libtest_mimic::run(&arguments, trials.collect()).exit_code()
}

/// A tmpfs in a folder of its own; gone when dropped.
struct Mount {
    folder: tempfile::TempDir,
}

impl Mount {
    fn new(size: &str) -> Result<Self, String> {
        let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
        run("mount", &["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"], folder.path())?;
        Ok(Self { folder })
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    fn remount(&self, how: &str) -> Result<(), String> {
        run("mount", &["-o", &format!("remount,{how}")], self.path())
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        // Lazily: a service that failed to stop may still hold files.
        let _ = run("umount", &["-l"], self.path());
    }
}

fn run(command: &str, arguments: &[&str], folder: &Path) -> Result<(), String> {
    let output =
        Command::new(command).args(arguments).arg(folder).output().map_err(|error| error.to_string())?;
    if output.status.success() {
        return Ok(());
    }
    Err(String::from_utf8_lossy(&output.stderr).trim().to_owned())
}

fn block_on<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap().block_on(work)
}

fn put(service: &Service, label: &str) -> RequestBuilder {
    service
        .client
        .put(service.url(&format!("/v1/assets/tidepool/heron/revisions/{label}")))
        .json(&plan("heron"))
}

async fn problem(request: RequestBuilder, status: StatusCode, kind: &str) {
    let answer = request.send().await.unwrap();
    assert_eq!(answer.headers()["content-type"], "application/problem+json");
    assert!(answer.headers().contains_key("retry-after"));
    let got = answer.status();
    let problem: Problem = answer.json().await.unwrap();
    assert_eq!((got, problem.kind.as_str()), (status, kind), "{problem:?}");
    assert!(problem.incident.is_some(), "{problem:?}");
}

async fn status(request: RequestBuilder) -> StatusCode {
    request.send().await.unwrap().status()
}

/// Fills what is left.
fn fill(folder: &Path) -> PathBuf {
    let file = folder.join("filling");
    let mut size = 0_usize;
    let mut step = 1 << 16;
    while step > 0 {
        if std::fs::write(&file, vec![0; size + step]).is_ok() {
            size += step;
        } else {
            step /= 2;
        }
    }
    std::fs::write(&file, vec![0; size]).unwrap();
    file
}

fn full() -> Result<(), Failed> {
    let mount = Mount::new("4m")?;
    block_on(async {
        let service = Service::start_in(mount.path(), |config| config.jobs.pause_s = 1).await;
        let get = |path: &str| service.client.get(service.url(path));
        assert_eq!(status(put(&service, "before")).await, StatusCode::CREATED);
        // Wide enough that no free page of the database is enough.
        let wide = |label: &str| {
            let mut plan = plan("heron");
            plan["extras"] = serde_json::json!({"label": label, "filling": "x".repeat(200_000)});
            put(&service, label).json(&plan)
        };
        let filling = fill(mount.path());
        let full = "/problems/storage-full";
        problem(wide("sync"), StatusCode::INSUFFICIENT_STORAGE, full).await;
        problem(wide("async").header("prefer", "respond-async"), StatusCode::INSUFFICIENT_STORAGE, full)
            .await;
        problem(get("/readyz"), StatusCode::INSUFFICIENT_STORAGE, full).await;
        assert_eq!(status(get("/healthz")).await, StatusCode::OK);
        assert_eq!(status(get("/v1/assets/tidepool/heron/revisions/before/report")).await, StatusCode::OK);
        for label in ["sync", "async"] {
            let path = format!("/v1/assets/tidepool/heron/revisions/{label}");
            assert_eq!(status(get(&path)).await, StatusCode::NOT_FOUND, "{label} was not acknowledged");
        }
        let check = service.client.post(service.url("/v1/checks")).json(&plan("heron"));
        assert_eq!(status(check).await, StatusCode::OK, "checking needs no store");
        std::fs::remove_file(filling).unwrap();
        assert_eq!(status(get("/readyz")).await, StatusCode::OK);
        let again = wide("sync").send().await.unwrap();
        assert_eq!(again.status(), StatusCode::CREATED);
        assert_eq!(again.json::<Revision>().await.unwrap().number, 2, "no number is lost");
        let later = wide("async").header("prefer", "respond-async, wait=30");
        assert_eq!(status(later).await, StatusCode::CREATED);
        service.stopped().await.unwrap();
    });
    Ok(())
}

fn unwritable() -> Result<(), Failed> {
    let mount = Mount::new("4m")?;
    block_on(async {
        let service = Service::start_in(mount.path(), |config| config.jobs.pause_s = 1).await;
        let get = |path: &str| service.client.get(service.url(path));
        assert_eq!(status(put(&service, "before")).await, StatusCode::CREATED);
        // A mount with files open for writing cannot be made read-only: something read-only is put over the blobs.
        let over = service.folder.join("blobs");
        run("mount", &["-t", "tmpfs", "-o", "ro,size=64k", "tmpfs"], &over).unwrap();
        let (unavailable, kind) = (StatusCode::SERVICE_UNAVAILABLE, "/problems/storage-read-only");
        problem(put(&service, "sync"), unavailable, kind).await;
        problem(put(&service, "async").header("prefer", "respond-async"), unavailable, kind).await;
        problem(get("/readyz"), unavailable, kind).await;
        run("umount", &[], &over).unwrap();
        assert_eq!(status(get("/readyz")).await, StatusCode::OK);
        assert_eq!(status(get("/v1/assets/tidepool/heron/revisions/sync")).await, StatusCode::NOT_FOUND);
        assert_eq!(status(put(&service, "sync")).await, StatusCode::CREATED);
        service.stopped().await.unwrap();
    });
    Ok(())
}

fn read_only_start() -> Result<(), Failed> {
    let mount = Mount::new("4m")?;
    block_on(async {
        let service = Service::start_in(mount.path(), |_| {}).await;
        let at = put(&service, "before").header("prefer", "respond-async").send().await.unwrap();
        let at = at.headers()["location"].to_str().unwrap().to_owned();
        service.stopped().await.unwrap();
        mount.remount("ro").unwrap();
        let started = tokio::time::timeout(
            Duration::from_secs(30),
            serve(configuration(mount.path()), |_| {}, std::future::pending()),
        );
        let error = started.await.unwrap().unwrap_err();
        assert!(matches!(error, ServeError::Store(..)), "{error}");
        mount.remount("rw").unwrap();
        let service = Service::start_in(mount.path(), |_| {}).await;
        let get = service.client.get(service.url(&at)).header("prefer", "wait=30");
        assert_eq!(get.send().await.unwrap().json::<Job>().await.unwrap().state, JobState::Done);
        service.stopped().await.unwrap();
    });
    Ok(())
}
