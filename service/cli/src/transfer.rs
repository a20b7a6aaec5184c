//! `condyle export`, `import` and `backup`.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use condyle_api::{ImportSummary, Problem};
use reqwest::{Client, Response, Url};
use tokio::io::AsyncWriteExt as _;

use crate::exit;
use crate::serve;

/// Where the service is.
#[derive(Debug, Args)]
pub(crate) struct Server {
    /// The service.
    #[arg(long, env = "CONDYLE_SERVER", default_value = "http://127.0.0.1:4791")]
    server: Url,
}

/// Write a whole production to a file.
#[derive(Debug, Args)]
pub(crate) struct Export {
    /// The production.
    production: String,
    /// The archive; it appears when it is whole.
    #[arg(long, short)]
    out: PathBuf,
    #[command(flatten)]
    server: Server,
}

/// Take a production in from a file that an export wrote: all of it, or nothing.
#[derive(Debug, Args)]
pub(crate) struct Import {
    /// The production; another name than it had is fine.
    production: String,
    /// The archive.
    archive: PathBuf,
    #[command(flatten)]
    server: Server,
}

/// Copy a data folder, also while a service works on it, into a folder that a service can start from.
#[derive(Debug, Args)]
pub(crate) struct Backup {
    /// The data folder.
    #[arg(long, default_value = "data")]
    data_dir: PathBuf,
    /// The copy; empty, or not there yet.
    to: PathBuf,
}

/// What went wrong: the caller's side, or the service's.
enum Failure {
    Ours(String),
    Theirs(String),
}

impl Failure {
    fn tell(self) -> ExitCode {
        match self {
            Self::Ours(text) => serve::failed(&text, exit::INPUT),
            Self::Theirs(text) => serve::failed(&text, exit::SERVICE),
        }
    }
}

pub(crate) fn export(arguments: &Export) -> ExitCode {
    done(run(fetch(arguments)), |bytes| format!("{} bytes in {}", bytes, arguments.out.display()))
}

pub(crate) fn import(arguments: &Import) -> ExitCode {
    done(run(send(arguments)), |summary: &ImportSummary| {
        format!(
            "{} revisions of {} assets stored, {} were there already{}",
            summary.stored,
            summary.assets,
            summary.unchanged,
            if summary.policy { ", and the policy" } else { "" }
        )
    })
}

pub(crate) fn backup(arguments: &Backup) -> ExitCode {
    let copied = run(async {
        condyle_server::app::backup::backup(&arguments.data_dir, &arguments.to)
            .await
            .map_err(|error| Failure::Ours(error.to_string()))
    });
    done(copied, |copied| format!("the database and {} blobs in {}", copied.blobs, arguments.to.display()))
}

fn done<T>(outcome: Result<T, Failure>, tell: impl FnOnce(&T) -> String) -> ExitCode {
    match outcome {
        Ok(value) => {
            let _ = writeln!(anstream::stdout(), "{}", tell(&value));
            ExitCode::SUCCESS
        }
        Err(failure) => failure.tell(),
    }
}

fn run<T>(work: impl Future<Output = Result<T, Failure>>) -> Result<T, Failure> {
    tokio::runtime::Runtime::new().map_err(|error| Failure::Ours(error.to_string()))?.block_on(work)
}

fn url(server: &Server, production: &str) -> Result<Url, Failure> {
    let mut url = server.server.clone();
    url.path_segments_mut()
        .map_err(|()| Failure::Ours(format!("{} is no address of a service", server.server)))?
        .pop_if_empty()
        .extend(["v1", "productions", production, "archive"]);
    Ok(url)
}

fn client(server: &Server) -> Result<Client, Failure> {
    crate::service::client(&server.server, true, &crate::service::Trust::default()).map_err(Failure::Ours)
}

fn unreached(error: reqwest::Error) -> Failure {
    Failure::Theirs(format!("the service cannot be reached: {error}"))
}

/// A problem in the service's own words.
async fn sound(response: Response) -> Result<Response, Failure> {
    let status = response.status();
    if status.is_success() {
        return Ok(response);
    }
    let text = match response.json::<Problem>().await {
        Ok(problem) => format!("{}: {}", problem.title, problem.detail),
        Err(_) => format!("the service answered {status}"),
    };
    Err(if status.is_server_error() { Failure::Theirs(text) } else { Failure::Ours(text) })
}

async fn fetch(arguments: &Export) -> Result<u64, Failure> {
    let ours = |error: std::io::Error| Failure::Ours(format!("{}: {error}", arguments.out.display()));
    let url = url(&arguments.server, &arguments.production)?;
    let mut response = sound(client(&arguments.server)?.get(url).send().await.map_err(unreached)?).await?;
    let half = beside(&arguments.out);
    let mut file = tokio::fs::File::create(&half).await.map_err(ours)?;
    let mut bytes = 0;
    let outcome = async {
        while let Some(chunk) = response.chunk().await.map_err(unreached)? {
            file.write_all(&chunk).await.map_err(ours)?;
            bytes += chunk.len() as u64;
        }
        file.sync_all().await.map_err(ours)?;
        std::fs::rename(&half, &arguments.out).map_err(ours)
    }
    .await;
    if outcome.is_err() {
        let _ = std::fs::remove_file(&half);
    }
    outcome.map(|()| bytes)
}

/// A name beside the archive for as long as it is not whole.
fn beside(out: &Path) -> PathBuf {
    let mut name = out.file_name().unwrap_or_default().to_os_string();
    name.push(format!(".{}.part", std::process::id()));
    out.with_file_name(name)
}

async fn send(arguments: &Import) -> Result<ImportSummary, Failure> {
    let ours = |error: std::io::Error| Failure::Ours(format!("{}: {error}", arguments.archive.display()));
    let url = url(&arguments.server, &arguments.production)?;
    let file = tokio::fs::File::open(&arguments.archive).await.map_err(ours)?;
    let request = client(&arguments.server)?.post(url).header("content-type", "application/x-tar").body(file);
    let response = sound(request.send().await.map_err(unreached)?).await?;
    response.json().await.map_err(unreached)
}
